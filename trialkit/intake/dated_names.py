"""Names that a spreadsheet turned into dates: it makes 2 January of a strip called 1-2.

A spreadsheet gives such a date the year in which the name was typed, and takes the month first
where dates are written so. With a year near the season the name is read back; no other is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

import numpy as np

from trialkit.intake.config import TrialConfig
from trialkit.intake.sheet_cells import SheetCells, as_text
from trialkit.intake.source import SourceTable, plain_name
from trialkit.responses import schema
from trialkit.words import refusals
from trialkit.words import sheets as words


def names_of_dates(
    source: SourceTable, cells: SheetCells, layout: schema.Table, used: Sequence[int],
    config: TrialConfig,
) -> list[str]:  # fmt: skip
    """Read names back that are dates, in place, and refuse rows where that cannot be done.

    Parameters
    ----------
    source : SourceTable
    cells : SheetCells
        Of its sheet.
    layout : schema.Table
        Its key columns hold names.
    used : sequence of int
        The sheet's column (from 1) of each column of the table.
    config : TrialConfig
        Season and units.

    Returns
    -------
    list of str
        Notes that name the rows.
    """
    keys = {c.name for c in layout.columns if c.kind == "key"}
    notes = []
    for k, (column, head) in enumerate(zip(used, map(plain_name, source.header), strict=True)):
        if head not in keys:
            continue
        back: list[tuple[int, str, str]] = []
        for position, value in zip(*cells.cells.get(column, ([], [])), strict=True):
            line = cells.lines[position]
            if not isinstance(value, date) or line <= source.header_line:
                continue
            at = int(np.searchsorted(source.lines, line))
            if name := _name(value, config):
                source.columns[k][at] = name
                back.append((line, as_text(value), name))
            else:
                source.faults.append((at, as_text(value), refusals.name_not_date(head)))
        if back:
            lines, texts, names = zip(*back, strict=True)
            notes.append(words.dates_for_names(head, source.where, lines, texts, names))
    return notes


def _name(value: date, config: TrialConfig) -> str:
    """What was typed for a date; empty where that is not known."""
    if isinstance(value, datetime) and value.time() != datetime.min.time():
        return ""
    if abs(value.year - config.season) > 1:
        return ""
    first, second = (value.month, value.day) if config.units == "US" else (value.day, value.month)
    return f"{first}-{second}"
