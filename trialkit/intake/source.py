"""What reading a table's file yields before any cell is judged, and the header row's meaning."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, field, replace

import numpy as np

from trialkit import units
from trialkit.responses import schema
from trialkit.words import refusals


@dataclass(slots=True)
class SourceTable:
    """Cells of one file or sheet as text.

    `columns` holds one object array per header cell, all as long as `lines` (the physical line or
    sheet row on which each row starts, from 1). `faults` are (position, value, expected) of rows
    whose shape is wrong. `typed` says that numbers come from number cells, so that no decimal
    comma is in doubt. `header_line` is the line of the header row. `used` has the sheet's column
    (from 1) of each column; it is empty where these are all of them.
    """

    file: str
    header: list[str]
    lines: np.ndarray
    columns: list[np.ndarray]
    faults: list[tuple[int, str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    typed: bool = False
    header_line: int = 1
    used: list[int] = field(default_factory=list)

    @property
    def where(self) -> str:
        """What the file calls one of its lines."""
        return "row" if self.typed else "line"

    def rows(self, keep: np.ndarray, notes: list[str]) -> SourceTable:
        """The table with some of its rows (a mask) and further notes."""
        position = np.cumsum(keep) - 1
        faults = [(int(position[p]), v, e) for p, v, e in self.faults if keep[p]]
        columns = self.columns if keep.all() else [column[keep] for column in self.columns]
        return replace(self, lines=self.lines[keep], columns=columns, faults=faults,
                       notes=[*self.notes, *notes])  # fmt: skip


@dataclass(slots=True)
class HeaderReading:
    """Where each column of the table stands, its unit, and what makes the file unusable."""

    place: dict[str, int]
    unit: dict[str, str]
    extra: dict[str, int]
    faults: list[tuple[str, str]]


def plain_name(text: str) -> str:
    """Header text without unit, case and punctuation: " Loose Kernels (n)" -> "loose_kernels"."""
    return split_header(text)[0]


def split_header(text: str) -> tuple[str, str | None]:
    """Plain name and unit of a header cell; None without one."""
    match = re.fullmatch(r"(.*?)(?:[(\[]([^()\[\]]*)[)\]]\W*)?", text.strip(), re.DOTALL)
    name, unit = match.groups() if match else (text, None)
    return re.sub(r"\W+", "_", name.casefold()).strip("_"), unit


def read_header(cells: list[str], layout: schema.Table, system: schema.System) -> HeaderReading:
    """Match header cells to the table's columns.

    A unit in parentheses wins over the declared system. Faults are (column, what is expected).
    """
    known = {c.name: c for c in layout.columns}
    reading = HeaderReading({}, {}, {}, [])
    for position, cell in enumerate(cells):
        name, unit = split_header(cell)
        column = known.get(name)
        if column is None:
            title = " ".join(cell.split()) or f"column {position + 1}"
            while title in reading.extra:
                title += "'"
            reading.extra[title] = position
        elif name in reading.place:
            reading.faults.append((name, refusals.one_column(name)))
        else:
            reading.place[name] = position
            _read_unit(reading, column, unit, system)
    for column in layout.columns:
        if column.required and column.name not in reading.place:
            near = difflib.get_close_matches(column.name, map(plain_name, reading.extra), 1)
            expected = refusals.column_needed(column.header(system), *near)
            reading.faults.append((column.name, expected))
    return reading


def _read_unit(
    reading: HeaderReading, column: schema.Column, unit: str | None, system: schema.System
) -> None:
    if not column.si:
        return
    symbol = units.unit_symbol(unit) if unit else column.unit(system)
    allowed = units.units_like(column.si)
    if symbol in allowed:
        reading.unit[column.name] = symbol
    else:
        reading.faults.append((column.name, refusals.unit_in_header(allowed, unit)))
