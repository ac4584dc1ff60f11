"""A trial as columns that can be kept in files, and the same trial made of them again.

Every table is long and has the same columns whatever a trial compared, so that files of many trials
are one data set: the column ``trial`` says whose a row is, setup factors stand in a table of their
own (``setups``: trial, strip, factor, level), and settings are text (JSON, in SI).
"""

from __future__ import annotations

import importlib.util
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.errors import ClusterError
from trialkit.intake.config import (
    HeaderConfig,
    ModelConfig,
    OptionCost,
    Prior,
    SetupFactor,
    TrialConfig,
)
from trialkit.intake.read import no_reads
from trialkit.responses import schema
from trialkit.trial import Trial

if TYPE_CHECKING:
    import pyarrow as pa

Columns = dict[str, "pa.Table"]
"""Tables of some trials of one season by name; those without rows are left out."""

_ENDLESS = ("life_years", "life_area")
_TEXT, _WHOLE = "string", "int64"
_OTHERS = {
    "trials": {"trial": _TEXT, "path": _TEXT, "title": _TEXT, "settings": _TEXT,
               "data_hash": _TEXT},
    "setups": {"trial": _TEXT, "strip": _TEXT, "factor": _TEXT, "level": _TEXT},
    "refused": {"trial": _TEXT, "file": _TEXT, "line": _WHOLE, "column": _TEXT, "value": _TEXT,
                "expected": _TEXT, "lost": _TEXT, "because": _TEXT},
    "read": {"trial": _TEXT, "table": _TEXT, "file": _TEXT, "rows_in": _WHOLE, "rows_kept": _WHOLE,
             "rows_refused": _WHOLE, "rows_not_filled": _WHOLE, "rows_not_due": _WHOLE,
             "notes": _TEXT},
    "extra": {"trial": _TEXT, "table": _TEXT, "column": _TEXT, "row": _WHOLE, "value": _TEXT},
}  # fmt: skip
NAMES = ("trials", "setups", *schema.TABLES, "refused", "read", "extra")
"""Tables that are kept, one data set each."""


def need_arrow() -> None:
    """Raises ClusterError where pyarrow is not installed."""
    if importlib.util.find_spec("pyarrow") is None:
        raise ClusterError(
            "pyarrow is not installed, and a store of trials needs it: "
            "pip install 'trialkit[cluster]'."
        )


def arrow_schema(name: str) -> pa.Schema:
    """Columns of a kept table and their types."""
    import pyarrow as pa

    if name in _OTHERS:
        kinds: Mapping[str, Any] = _OTHERS[name]
    else:
        kinds = {"trial": _TEXT} | {c.name: _kind(c) for c in schema.table(name).columns}
    types = {_TEXT: pa.string(), _WHOLE: pa.int64(), "float64": pa.float64(),
             "date": pa.timestamp("ns")}  # fmt: skip
    return pa.schema([(column, types[kind]) for column, kind in kinds.items()])


def _kind(column: schema.Column) -> str:
    if column.kind == "date":
        return "date"
    if column.kind in ("number", "count"):
        return _WHOLE if column.kind == "count" and column.required else "float64"
    return _TEXT


def as_columns(frame: pd.DataFrame, name: str) -> pa.Table:
    """A frame with the columns of a kept table; missing is null."""
    import pyarrow as pa

    return pa.Table.from_pandas(frame, arrow_schema(name), preserve_index=False)


# ---------------------------------------------------------------- settings
def settings_text(config: TrialConfig) -> str:
    """Settings as JSON that gives them back to the last digit."""
    data = asdict(config)
    if config.option is not None:
        own = data["option"]
        own |= {key: None for key in _ENDLESS if math.isinf(own[key])}
    return json.dumps(data, ensure_ascii=False, allow_nan=False)


def settings_of(text: str) -> TrialConfig:
    """The settings that `settings_text` wrote."""
    data = json.loads(text)
    data["header"] = HeaderConfig(**data["header"])
    for own in (setups := data["setups"]):
        own |= {key: tuple(own[key]) for key in ("levels", "level_labels")}
    data["setups"] = tuple(SetupFactor(**own) for own in setups)
    if option := data["option"]:
        option |= {key: math.inf for key in _ENDLESS if option[key] is None}
        data["option"] = OptionCost(**option)
    model = data["model"]
    asked, prior = model["adjust_for"], model["prior"]
    data["model"] = ModelConfig(
        None if asked is None else tuple(asked), model["primary"],
        None if prior is None else Prior(**prior), tuple((k, v) for k, v in model["margins"]),
    )  # fmt: skip
    return TrialConfig(**data)


# ---------------------------------------------------------------- to columns
def columns_of(key: str, trial: Trial) -> Columns:
    """A trial's tables to be kept, under its key."""
    config, strips = trial.config, trial.strips
    head = pd.DataFrame(
        {"path": [str(trial.source or "")], "title": [config.title],
         "settings": [settings_text(config)], "data_hash": [trial.data_hash()]}
    )  # fmt: skip
    frames = {"trials": head, "setups": _setups(strips, trial.setup_factors)}
    frames |= {n: t.drop(columns=list(trial.setup_factors)) if n == "strips" else t
               for n, t in trial.tables.items()}  # fmt: skip
    frames |= {"refused": trial.refused, "read": trial.read, "extra": _extra(trial.extra)}
    return {
        name: as_columns(frame.assign(trial=key), name)
        for name, frame in frames.items() if len(frame)
    }  # fmt: skip


def _setups(strips: pd.DataFrame, factors: Sequence[str]) -> pd.DataFrame:
    """Factor by factor, every strip's level in the order of the strips."""
    parts = [pd.DataFrame({"strip": strips["strip"], "factor": factor, "level": strips[factor]})
             for factor in factors]  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _extra(extra: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    parts = [
        pd.DataFrame({"table": name, "column": column, "row": np.arange(len(frame)),
                      "value": frame[column].to_numpy(object)})
        for name, frame in extra.items() for column in frame
    ]  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


# ---------------------------------------------------------------- and back
def trials_of(tables: Mapping[str, pa.Table]) -> Iterator[tuple[str, Trial | Exception]]:
    """Every trial's key and the trial, in the order of table ``trials``; or what making it again
    ended in.

    Rows of a trial stand together in every table, as `columns_of` and joining its results leave
    them.
    """
    frames = {name: _frame(table, name) for name, table in tables.items()}
    places = {name: _places(frame.pop("trial")) for name, frame in frames.items()}

    def own(name: str, key: str) -> pd.DataFrame | None:
        at = places[name].get(key) if name in places else None
        return None if at is None else frames[name].iloc[at].reset_index(drop=True)

    for key in places.get("trials", ()):
        try:
            found = {name: own(name, key) for name in frames}
            yield key, _trial({n: frame for n, frame in found.items() if frame is not None})
        except Exception as error:  # a trial costs only itself
            yield key, error


def _frame(table: pa.Table, name: str) -> pd.DataFrame:
    """A kept table with the types its rows have in a trial."""
    frame = table.to_pandas(date_as_object=False)
    for column, kind in zip(table.column_names, table.schema.types, strict=True):
        if str(kind) == "string":
            frame[column] = frame[column].astype(schema.TEXT)
    return frame


def _places(keys: pd.Series) -> dict[str, slice]:
    """Where each trial's rows stand."""
    values = keys.to_numpy(object)
    starts = np.flatnonzero(np.r_[len(values) > 0, values[1:] != values[:-1]])
    ends = [*starts[1:], len(values)]
    return {values[a]: slice(int(a), int(b)) for a, b in zip(starts, ends, strict=True)}


def _trial(found: Mapping[str, pd.DataFrame]) -> Trial:
    head = found["trials"].iloc[0]
    config = settings_of(head["settings"])
    factors = tuple(config.setups)
    tables = {name: found[name] if name in found else _empty(name) for name in schema.TABLES}
    strips = tables["strips"]
    if factors:
        names = [factor.name for factor in factors]
        levels = np.array([], dtype=object)
        if "setups" in found:
            levels = found["setups"]["level"].to_numpy(object)
        for name, own in zip(names, levels.reshape(len(names), len(strips)), strict=True):
            strips = strips.assign(**{name: pd.Series(own, dtype=object).astype(schema.TEXT)})
        tables["strips"] = strips[list(_strip_columns(factors))]
    extra = {
        str(name): pd.DataFrame(
            {column: cells["value"].to_numpy(object)
             for column, cells in of.groupby("column", sort=False)}
        )
        for name, of in found["extra"].groupby("table", sort=False)
    } if "extra" in found else {}  # fmt: skip
    source = str(head["path"]) if isinstance(head["path"], str) else ""
    return Trial(
        config, tables, refused=found.get("refused"), read=found.get("read", no_reads()),
        extra=extra, source=Path(source) if source else None, digest=str(head["data_hash"]),
    )  # fmt: skip


@cache
def _strip_columns(factors: tuple[SetupFactor, ...]) -> tuple[str, ...]:
    return tuple(schema.column_names("strips", factors))


@cache
def _empty_once(name: str) -> pd.DataFrame:
    return schema.empty(name)


def _empty(name: str) -> pd.DataFrame:
    return _empty_once(name).copy()
