"""Rows of one name in several files that complete each other: cells that a phone adds to a strip,
to a field or to a row of a header.

The row that was typed takes them, or the first phone's where none was. A cell with two values is a
conflict as in `trialkit.intake.relations`: nothing tells which is right, so both are refused and
the rest of the rows stays. Notes are put behind one another.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.intake.cells import missing_of
from trialkit.intake.check import CheckedTable
from trialkit.intake.relations import NOTES, place_of, values_of
from trialkit.words import added as words
from trialkit.words import readings, refusals


def complete(table: CheckedTable, keys: Sequence[tuple[str, ...]]) -> np.ndarray:
    """Give cells of the phones' rows to the row of their name; which rows are thereby told.

    `keys` names the row at each position.
    """
    told = np.zeros(len(table.lines), bool)
    if table.places is None:
        return told
    order, entries = table.places.order, table.places.entries
    groups: dict[tuple[str, ...], list[int]] = {}
    for row in np.lexsort((order, entries != "")).tolist():
        if not table.nameless[row]:
            groups.setdefault(keys[row], []).append(row)
    for rows in groups.values():
        phones = [row for row in rows if entries[row]]
        typed = [row for row in rows if not entries[row]]
        if table.layout.name == "strips" and phones and (not typed or table.refused[typed].all()):
            _refuse_alone(table, phones, typed)
        phones = [row for row in phones if not table.refused[row]]
        typed = [row for row in typed if not table.refused[row]]
        if len(typed) > 1 or len(typed) + len(phones) < 2 or not phones:
            continue
        first, *others = [*typed, *phones]
        for column in table.layout.columns:
            if column.name not in table.layout.key:
                _complete_cell(table, column.name, first, [first, *others])
        told[others] = True
    return told


def _refuse_alone(table: CheckedTable, rows: Sequence[int], typed: Sequence[int]) -> None:
    """Rows of a strip that stands in no row of its own, or in one that is refused."""
    key = table.layout.key[-1]
    if typed:
        because = readings.at_line(*table.at(int(table.lines[typed[0]])))
        table.refuse(rows, key, refusals.kept_one(key), because=because)
    elif table.places is not None:
        table.refuse(rows, key, refusals.listed_one(key, table.places.files[:1]))


def _complete_cell(table: CheckedTable, name: str, first: int, rows: Sequence[int]) -> None:
    values = table.data[name]
    given = [row for row in rows if not pd.isna(values[row])]
    given = [row for k, row in enumerate(given)
             if not any(_same(values[row], values[other]) for other in given[:k])]  # fmt: skip
    if not given:
        return
    if len(given) == 1 or name in NOTES:
        if given != [first]:
            texts = [values[row] for row in given]
            values[first] = texts[0] if len(texts) == 1 else "; ".join(texts)
            for codes in (table.folded.get(name), table.raw[name].codes):
                if codes is not None and len(given) == 1:
                    codes[first] = codes[given[0]]
        return
    _refuse_cells(table, name, first, given)


def _refuse_cells(table: CheckedTable, name: str, first: int, given: Sequence[int]) -> None:
    if table.places is None:
        return
    entries = table.places.entries
    places, values = [place_of(table, table.lines[r]) for r in given], values_of(table, name, given)
    named = [str(entries[row]) for row in given if entries[row]]
    expected = words.one_cell(name, table.layout.key[-1], places, values, named)
    needed = table.layout.column(name).required
    out = [row for row in given if not needed or entries[row]]
    table.refuse(out, name, expected, lost="cell")
    if not needed:
        table.data[name][first] = missing_of(table.data[name])


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, str):
        return one.casefold() == str(other).casefold()
    if isinstance(one, float | np.floating):
        return bool(np.isclose(one, other, rtol=1e-9, atol=0.0))
    return bool(one == other)
