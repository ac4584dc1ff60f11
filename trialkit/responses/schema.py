"""The tables of a trial as everything that reads, writes or checks them sees them.

Columns, units, ranges and keys stand in the records (`trialkit.responses`); here are a table with
the trial's setup factors and the zones there are, and frames brought to its columns and types.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.errors import TrialkitError
from trialkit.responses.columns import Column, Kind, System, Table
from trialkit.responses.registry import TABLES, ZONES

if TYPE_CHECKING:
    import pandera.pandas as pa

__all__ = ["TABLES", "TEXT", "Column", "Kind", "System", "Table", "checker", "column_names",
           "empty", "reserved_names", "table", "tidy"]  # fmt: skip

TEXT = pd.Series(["text"]).dtype
"""How this pandas holds text: its string type, object in versions before 3."""


def table(name: str, setups: Iterable[Any] = ()) -> Table:
    """The table of this name, with the trial's setup factors and the zones where it has them."""
    if name not in TABLES:
        raise TrialkitError(f"no table {name!r}; the tables are: {', '.join(TABLES)}")
    return TABLES[name].with_setups(setups).with_zones(tuple(ZONES))


def column_names(name: str, setups: Iterable[Any] = ()) -> list[str]:
    """Column names of a table, in order."""
    return [c.name for c in table(name, setups).columns]


def reserved_names() -> frozenset[str]:
    """Names a setup factor may not take: they are columns already, here or in results."""
    results = {"source", "kind", "setup", "value", "n", "search"}
    results |= {"gap_measured", "gap_sd", "gap_note", "gap_adjusted"}
    # Names a model formula takes for its own functions.
    results |= {"bs", "cc", "center", "contr", "cr", "cs", "exp", "exp10", "exp2", "hashed", "lag",
                "log", "log10", "log2", "np", "poly", "scale", "standardize"}  # fmt: skip
    return frozenset(c.name for t in TABLES.values() for c in t.columns) | results


def tidy(frame: pd.DataFrame, name: str, setups: Iterable[Any] = ()) -> pd.DataFrame:
    """The frame with this table's columns, order and types; absent optional columns as missing.

    Raises
    ------
    TrialkitError
        When a required column is absent or a column cannot take its type.
    """
    layout = table(name, setups)
    missing = [c.name for c in layout.columns if c.required and c.name not in frame.columns]
    if missing:
        raise TrialkitError(f"table {name!r} has no column {', '.join(map(repr, missing))}")
    data: dict[str, pd.Series] = {}
    for column in layout.columns:
        given = frame[column.name] if column.name in frame.columns else None
        try:
            data[column.name] = _typed(given, column, len(frame))
        except (TypeError, ValueError) as error:
            raise TrialkitError(f"table {name!r}, column {column.name!r}: {error}") from None
    return pd.DataFrame(data, index=pd.RangeIndex(len(frame)))


def _typed(given: pd.Series | None, column: Column, rows: int) -> pd.Series:
    if column.kind == "date":
        values = np.full(rows, "NaT") if given is None else given.to_numpy()
        return pd.Series(pd.to_datetime(values)).astype("datetime64[ns]")
    if column.kind in ("number", "count"):
        values = np.full(rows, np.nan) if given is None else given.to_numpy()
        exact = column.kind == "count" and column.required
        return pd.Series(np.asarray(values, dtype="int64" if exact else "float64"))
    values = np.full(rows, np.nan, dtype=object) if given is None else given.to_numpy(object)
    texts = [np.nan if pd.isna(value) else str(value) for value in values]
    return pd.Series(texts, dtype=object).astype(TEXT)


def empty(name: str, setups: Iterable[Any] = ()) -> pd.DataFrame:
    """The table with no rows and the right columns and types."""
    layout = table(name, setups)
    return _empty(tuple((c.name, c.kind, c.required) for c in layout.columns)).copy(deep=False)


@cache
def _empty(columns: tuple[tuple[str, Kind, bool], ...]) -> pd.DataFrame:
    made = {name: _typed(None, Column(name, kind, "", required=required), 0)
            for name, kind, required in columns}  # fmt: skip
    return pd.DataFrame(made, index=pd.RangeIndex(0))


def checker(name: str, setups: Iterable[Any] = ()) -> pa.DataFrameSchema:
    """The SI table as a pandera schema: types, ranges, levels, keys; use with ``lazy=True``."""
    import pandera.pandas as pa

    layout = table(name, setups)
    columns: dict[str, pa.Column] = {}
    for c in layout.columns:
        checks = []
        if c.kind in ("number", "count"):
            checks.append(pa.Check.in_range(c.low, c.high))
        if c.kind == "count":
            checks.append(pa.Check(lambda v: v % 1 == 0, name="whole", error="a whole number"))
        if c.levels:
            checks.append(pa.Check.isin(list(c.levels)))
        columns[c.name] = pa.Column(checks=checks, nullable=not c.required)
    unique: Sequence[str] | None = list(layout.key) or None
    return pa.DataFrameSchema(columns, unique=unique, strict=True)
