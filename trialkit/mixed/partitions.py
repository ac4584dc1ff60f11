"""Where the rows of a partitioned model are read: frames, functions that give one, Parquet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeAlias
from urllib.parse import unquote

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from trialkit.errors import ModelError
from trialkit.mixed.design import Columns, formula_variables, prepare
from trialkit.mixed.families import Family

Rows: TypeAlias = pd.DataFrame | Callable[[], pd.DataFrame] | str | Path
"""One partition: its rows, a function of no arguments that gives them, or a Parquet file."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for: columns by name, and how they go together."""

    response: str
    fixed: str
    nested: tuple[str, ...]
    slopes: dict[str, list[str]]
    covariance: dict[str, str]
    family: Family
    exposure: str | None
    trials: str | None
    weights: str | None

    @property
    def variables(self) -> list[str]:
        """Columns of the fixed part and of slopes."""
        sloped = [v for vs in self.slopes.values() for v in vs]
        return list(dict.fromkeys([*formula_variables(self.fixed), *sloped]))

    @property
    def columns(self) -> list[str]:
        """All columns read."""
        given = [c for c in (self.exposure, self.trials, self.weights) if c is not None]
        return list(dict.fromkeys([self.response, *self.variables, *self.nested, *given]))


@dataclass(frozen=True, slots=True)
class Source:
    """One partition, under the name that errors give it.

    Attributes
    ----------
    within : what the folders above a Parquet file say of all its rows, as ``season=2031`` does.
    """

    name: str
    rows: Rows
    within: dict[str, Any] = field(default_factory=dict)

    def frame(self, columns: Sequence[str]) -> pd.DataFrame:
        """The rows, with the columns named where the file knows them."""
        if isinstance(self.rows, pd.DataFrame):
            return self.rows
        if callable(self.rows):
            frame = self.rows()
            if not isinstance(frame, pd.DataFrame):
                raise ModelError(f"{self.name} gives a {type(frame).__name__}, not a DataFrame.")
            return frame
        parquet = _pyarrow()
        try:
            there = set(parquet.read_schema(self.rows).names)
            read = pd.read_parquet(self.rows, columns=[c for c in columns if c in there])
        except (OSError, ValueError) as error:  # ArrowInvalid is one of the latter
            raise ModelError(f"it cannot be read ({error}).") from error
        return read.assign(**{k: v for k, v in self.within.items() if k not in there})

    def narrowed(self, columns: Sequence[str]) -> Source:
        """Without the columns of a frame that are not wanted, to be sent elsewhere."""
        if isinstance(self.rows, str | Path):
            return replace(self, rows=Path(self.rows).absolute())
        if not isinstance(self.rows, pd.DataFrame):
            return self
        return replace(self, rows=self.rows[[c for c in columns if c in self.rows]])

    def used(self, asked: Asked) -> tuple[pd.DataFrame, Columns, int]:
        """The rows read, the columns of those that are complete, and how many these are.

        Raises
        ------
        ModelError
            Under the partition's name: columns absent, not numeric or infinite.
        """
        try:
            frame = self.frame(asked.columns)
            frame = with_numbers(frame, asked.response)
            columns, dropped = prepare(frame, asked.columns)
        except ModelError as error:
            raise ModelError(f"{self.name}: {error}") from None
        return frame, columns, len(frame) - dropped


def with_numbers(frame: pd.DataFrame, response: str) -> pd.DataFrame:
    """The frame with a response of numbers; yes and no are one and zero."""
    if response not in frame:
        return frame
    values = frame[response]
    if not (is_numeric_dtype(values) or is_bool_dtype(values)):
        raise ModelError(f"the response {response!r} is not numeric.")
    return frame.assign(**{response: values.astype(float)}) if is_bool_dtype(values) else frame


def sources_of(given: Any) -> list[Source]:
    """The partitions of what a user gives: one, several, or a folder of Parquet files.

    Raises
    ------
    ModelError
        Where there are none, or for what cannot be read.
    """
    several = given if isinstance(given, Sequence) and not isinstance(given, str) else [given]
    out: list[Source] = []
    for number, rows in enumerate(several, 1):
        if isinstance(rows, str | Path):
            out += _files(Path(rows))
        elif isinstance(rows, pd.DataFrame) or callable(rows):
            out.append(Source(f"partition {number}", rows))
        else:
            raise ModelError(
                f"partition {number} is a {type(rows).__name__}; give a DataFrame, a function of "
                f"no arguments that returns one, or the path of a Parquet file or folder."
            )
    if not out:
        raise ModelError("there are no partitions to fit.")
    return out


def _files(path: Path) -> list[Source]:
    """A Parquet file, or those below a folder, in the order of their names."""
    if path.is_file():
        return [Source(str(path), path)]
    files = sorted(
        f for f in path.rglob("*.parquet")
        # What writers are at, or have put away; others that read data sets pass over it as well.
        if not any(p.startswith((".", "_")) for p in f.relative_to(path).parts)
    )  # fmt: skip
    if not files:
        raise ModelError(f"{path} is no Parquet file, and no folder that holds any.")
    within = [dict(map(_key, f.relative_to(path).parent.parts)) for f in files]
    texts = {name for own in within for name, value in own.items() if not _number(value)}
    return [
        Source(str(f), f, {
            name: value if name in texts or value is None else np.int64(value)
            for name, value in own.items() if name
        })
        for f, own in zip(files, within, strict=True)
    ]  # fmt: skip


def _key(folder: str) -> tuple[str, str | None]:
    """Column and value that a folder's name gives, as Hive and what follows it write them; without
    a name where it gives none."""
    name, equals, value = folder.partition("=")
    given = None if value == "__HIVE_DEFAULT_PARTITION__" else unquote(value)
    return (unquote(name), given) if equals else ("", None)


def _number(value: str | None) -> bool:
    return value is None or value.isdecimal()


def _pyarrow() -> Any:
    try:
        import pyarrow.parquet
    except ImportError:
        raise ModelError(
            "reading Parquet files needs pyarrow; install it with: pip install trialkit[cluster]"
        ) from None
    return pyarrow.parquet
