"""Columns of older header checks: read as what they can only mean now, with a note."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from trialkit import units
from trialkit.intake.cells import judge
from trialkit.intake.check import CheckedTable
from trialkit.intake.config import TrialConfig
from trialkit.intake.numbers import Mark
from trialkit.intake.source import plain_name, split_header


class _Former(NamedTuple):
    """Columns that were, the columns they are read as, and why."""

    old: tuple[str, ...]
    new: tuple[str, ...]
    why: str


_ONE_GAP = (
    "a gap has two edges at one station, so two readings of it on older sheets are taken as "
    "readings of one gap, and their mean as {new}"
)
_FORMER = (
    _Former(("gap_front_left", "gap_front_right"), ("gap_front",), _ONE_GAP),
    _Former(("gap_rear_left", "gap_rear_right"), ("gap_rear",), _ONE_GAP),
    _Former(("roll_wear_length",), ("roll_left_wear_length", "roll_right_wear_length"),
            "one reading a row is taken for both rolls: {new}"),
)  # fmt: skip
_APART = 3 / 16 * 25.4  # mm; two readings of one gap further apart are told (common practice)


def take_former(table: CheckedTable, config: TrialConfig, mark: Mark) -> None:
    """Fill `gap_front`, `gap_rear` and the wear of each roll from columns of older sheets.

    A cell of today's column, where there is one, stands before the older ones. The columns taken
    are no longer kept aside. A cell that cannot be read refuses its row.
    """
    if table.layout.name != "header_check":
        return
    told: dict[str, tuple[list[str], list[str]]] = {}
    for former in _FORMER:
        titles = {t: n for t in table.extra if (n := plain_name(t)) in former.old}
        readings = []
        for title, name in titles.items():
            cells = table.extra.pop(title)
            table.raw[name] = cells
            column = replace(table.layout.column(former.new[0]), name=name)
            given = split_header(title)[1]
            unit = units.unit_symbol(given) if given else column.unit(config.units)
            if unit not in units.units_like(column.si):
                every = np.ones(len(table.lines), bool)
                table.refuse(every, name, f"a unit of length in the header; found {given!r}")
                continue
            judged = judge(cells, column, unit, mark, config.season, config.date_order)
            table.notes += [note for note in judged.notes if note not in table.notes]
            for k, expected in judged.faults.items():
                table.refuse((cells.codes == k) & ~table.refused, name, expected)
            readings.append(judged.values[cells.codes])
        if not readings:
            continue
        both = np.vstack(readings)
        known = ~np.isnan(both)
        mean = np.where(known, both, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
        mean[~known.any(axis=0)] = np.nan
        for name in former.new:
            table.data[name] = np.where(np.isnan(table.data[name]), mean, table.data[name])
        old, new = told.setdefault(former.why, ([], []))
        old += titles.values()
        new += former.new
        _tell_apart(table, former, both)
    if told:
        # Readings of older columns were put aside before they were known.
        table.notes[:] = [n for n in table.notes if not n.startswith("columns kept aside: ")]
        if table.extra:
            table.notes.append("columns kept aside: " + ", ".join(table.extra))
        for why, (old, new) in told.items():
            table.notes.append(f"{', '.join(old)}: {why.format(new=' and '.join(new))}")


def _tell_apart(table: CheckedTable, former: _Former, both: np.ndarray) -> None:
    if len(both) < 2:
        return
    with np.errstate(invalid="ignore"):
        apart = np.abs(both[0] - both[1]) > _APART
    if apart.any() and "row" in table.raw:
        cells = table.raw["row"]
        rows = [cells.texts[k] for k in cells.codes[apart]]
        table.notes.append(
            f"{' and '.join(former.old)} differ by more than 3/16 in (4.8 mm) in "
            f"row{'s' * (len(rows) > 1)} {', '.join(rows)}: measure the gap there again"
        )
