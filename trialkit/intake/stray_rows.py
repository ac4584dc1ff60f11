"""Rows that are no rows of their table as they stand: told once, not once for each of their cells.

Such a row is refused anyway: three or more of the cells that every row needs are at fault, or its
key is blank and another cell is at fault. A row at fault in cells that need not be filled in is
told cell by cell, however many. Where many rows are stray it is their columns that are at fault,
and these are told.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.words import causes, refusals

if TYPE_CHECKING:
    from trialkit.intake.check import CheckedTable

_LONGEST = 100  # characters shown of a row
_NEEDED = 3
_FEW = 3
_SHARE = 0.2
"""Of the rows with something in them: at most so many, or `_FEW`, are stray."""


def tell_stray_rows(table: CheckedTable) -> None:
    """Put one fault in the place of those of a stray row; which rows stay refused is the same."""
    if not table.faults or not table.refused.any():
        return
    every = pd.concat(table.faults, ignore_index=True)
    header = {text for text in every["expected"].unique() if causes.of_header(text)}
    own = every[
        every["line"].isin(table.lines[table.refused]) & (every["column"] != "")
        & (every["because"] == "") & ~every["expected"].isin(header)
    ]  # fmt: skip
    unnamed = own["column"].isin(table.layout.key) & (own["expected"] == refusals.value_needed())
    needed = own["column"].isin([c.name for c in table.layout.columns if c.required])
    by_line = own.assign(unnamed=unnamed, needed=needed).groupby("line")
    found = by_line.agg(
        faults=("column", "nunique"), unnamed=("unnamed", "any"), needed=("needed", "sum")
    )
    stray = found.index[(found["needed"] >= _NEEDED) | (found["unnamed"] & (found["faults"] > 1))]
    if not len(stray) or len(stray) > max(_FEW, _SHARE * len(table.lines)):
        return
    own = own[own["line"].isin(stray)]
    told = own.drop_duplicates("line").sort_values("line")
    rows = np.searchsorted(table.lines, told["line"].to_numpy())
    table.stray[rows] = True
    one = told.assign(
        column="", value=[_text(table, row) for row in rows], lost="row",
        expected=[
            refusals.row_of_table(int(n), str(column), str(expected), table.layout.name)
            for n, column, expected in zip(
                found.loc[told["line"], "faults"], told["column"], told["expected"], strict=True
            )
        ],
    )  # fmt: skip
    rest = every.drop(index=own.index)
    table.faults = [frame for frame in (rest, one) if len(frame)]


def _text(table: CheckedTable, row: int) -> str:
    """What stands in the row, cut where it is long."""
    columns = [*table.raw.values(), *table.extra.values()]
    texts = (cells.raw[cells.codes[row]].strip() for cells in columns)
    text = ", ".join(filter(None, texts))
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…"
