"""Merged cells of a sheet: a name goes to every row they span, a value stays with the first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trialkit.intake.source import SourceTable, plain_name
from trialkit.responses import schema
from trialkit.words import sheets as words

_MOST_ROWS = 1_048_576


def unmerge(
    source: SourceTable, layout: schema.Table, merged: Sequence[str], used: Sequence[int]
) -> list[str]:
    """Fill the names that merged cells hold down over their rows, in place.

    A name, a level, a date or a text has one reading: it is meant for each row. What is measured
    may be one reading for all of the rows or the first one's alone, so it is not repeated; nor is
    the name by which rows of this table are told apart.

    Parameters
    ----------
    source : SourceTable
    layout : schema.Table
    merged : sequence of str
        Ranges, as in "A4:A9".
    used : sequence of int
        The sheet's column (from 1) of each column of the table.

    Returns
    -------
    list of str
        Notes that name the ranges.
    """
    columns = {c.name: c for c in layout.columns}
    position = {column: k for k, column in enumerate(used)}
    down: dict[tuple[str, bool], list[str]] = {}
    across: list[str] = []
    for text in merged:
        left, top, right, bottom = _corners(text)
        if bottom < source.header_line or left not in position:
            continue
        rows = np.arange(*np.searchsorted(source.lines, [top, bottom + 1]))
        k = position[left]
        if top <= source.header_line <= bottom:
            if right > left and source.header[k].strip():
                across.append(text)
            continue
        if not rows.size or source.lines[rows[0]] != top or not source.columns[k][rows[0]].strip():
            continue
        if right > left and any(c in position and source.header[position[c]].strip()
                                for c in range(left + 1, right + 1)):  # fmt: skip
            across.append(text)
        if bottom == top:
            continue
        name = plain_name(source.header[k])
        column = columns.get(name)
        fill = column is not None and _is_name(column) and layout.key != (name,)
        if fill:
            source.columns[k][rows] = source.columns[k][rows[0]]
        down.setdefault((name or "text", fill), []).append(text)
    notes = [
        (words.merged_filled if fill else words.merged_kept)(ranges, name)
        for (name, fill), ranges in down.items()
    ]
    return [*notes, words.merged_across(across)] if across else notes


def _is_name(column: schema.Column) -> bool:
    return column.kind not in ("number", "count") and column.name != "note"


def _corners(text: str) -> tuple[int, int, int, int]:
    from openpyxl.utils import range_boundaries

    try:
        left, top, right, bottom = range_boundaries(text)
    except (ValueError, TypeError):
        return 0, 0, 0, 0
    return left or 1, top or 1, right or 1, bottom or _MOST_ROWS
