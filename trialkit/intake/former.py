"""Columns of older header checks: read as what they can only mean now, with a note."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from trialkit import units
from trialkit.intake.cells import judge
from trialkit.intake.check import CheckedTable
from trialkit.intake.config import TrialConfig
from trialkit.intake.numbers import Mark
from trialkit.intake.source import plain_name, split_header
from trialkit.words import readings, refusals


class _Former(NamedTuple):
    """Columns that were, the columns they are read as, and what says so."""

    old: tuple[str, ...]
    new: tuple[str, ...]
    note: Callable[[list[str], list[str]], str]


_FORMER = (
    _Former(("gap_front_left", "gap_front_right"), ("gap_front",), readings.one_gap),
    _Former(("gap_rear_left", "gap_rear_right"), ("gap_rear",), readings.one_gap),
    _Former(("roll_wear_length",), ("roll_left_wear_length", "roll_right_wear_length"),
            readings.both_rolls),
)  # fmt: skip
_APART = 3 / 16 * 25.4  # mm; two readings of one gap further apart are told (common practice)


def take_former(table: CheckedTable, config: TrialConfig, mark: Mark) -> None:
    """Fill `gap_front`, `gap_rear` and the wear of each roll from columns of older sheets.

    A cell of today's column, where there is one, stands before the older ones. The columns taken
    are no longer kept aside. A cell that cannot be read is lost by itself.
    """
    if table.layout.name != "header_check":
        return
    taken: dict[Callable[[list[str], list[str]], str], tuple[list[str], list[str]]] = {}
    aside = readings.kept_aside(list(table.extra))
    for former in _FORMER:
        titles = {t: n for t in table.extra if (n := plain_name(t)) in former.old}
        found = []
        for title, name in titles.items():
            cells = table.extra.pop(title)
            table.raw[name] = cells
            column = replace(table.layout.column(former.new[0]), name=name)
            given = split_header(title)[1]
            unit = units.unit_symbol(given) if given else column.unit(config.units)
            if unit not in units.units_like(column.si):
                expected = refusals.length_in_header(given)
                table.refuse(~cells.blank() & ~table.refused, name, expected, lost="cell")
                continue
            judged = judge(cells, column, unit, mark, config)
            table.notes += [note for note in judged.notes if note not in table.notes]
            judged.lose_faults()
            for k, expected in judged.faults.items():
                table.refuse((cells.codes == k) & ~table.refused, name, expected, lost="cell")
            found.append(judged.values[cells.codes])
        if not found:
            continue
        both = np.vstack(found)
        known = ~np.isnan(both)
        mean = np.where(known, both, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
        mean[~known.any(axis=0)] = np.nan
        for name in former.new:
            table.data[name] = np.where(np.isnan(table.data[name]), mean, table.data[name])
        old, new = taken.setdefault(former.note, ([], []))
        old += titles.values()
        new += former.new
        _note_apart(table, former, both)
    if taken:
        # Readings of older columns were put aside before they were known.
        table.notes.remove(aside)
        if table.extra:
            table.notes.append(readings.kept_aside(list(table.extra)))
        table.notes += [note(old, new) for note, (old, new) in taken.items()]


def _note_apart(table: CheckedTable, former: _Former, both: np.ndarray) -> None:
    if len(both) < 2:
        return
    with np.errstate(invalid="ignore"):
        apart = np.abs(both[0] - both[1]) > _APART
    if apart.any() and "row" in table.raw:
        cells = table.raw["row"]
        rows = [cells.texts[k] for k in cells.codes[apart]]
        table.notes.append(readings.readings_apart(former.old, rows))
