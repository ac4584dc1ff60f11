"""Where a cell stands when its file or sheet is open in a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from trialkit.intake.cells import Cells
from trialkit.intake.source import HeaderReading, SourceTable


@dataclass(frozen=True, slots=True, eq=False)
class Addresses:
    """Rows and columns of one file or sheet as a spreadsheet has them.

    Attributes
    ----------
    header : int
        Row of the header, from 1.
    columns : mapping of str to int
        Where each column of the table stands, from 1.
    starts, more : (n,) int array
        Lines from which on a row stands higher than its line in a file of text, since cells above
        it hold line breaks, and by how much.
    """

    header: int
    columns: Mapping[str, int]
    starts: np.ndarray
    more: np.ndarray

    def row(self, line: int) -> int:
        """The row that begins on a line."""
        at = int(np.searchsorted(self.starts, line))
        return line - int(self.more[at - 1]) if at else line

    def cell(self, column: str, row: int) -> str:
        """ "C14"; of a row as a whole its first cell; "" where the file has no such column."""
        at = self.columns.get(column, 0) if column else 1
        return f"{letters(at)}{row}" if at else ""


def addresses(
    source: SourceTable, reading: HeaderReading, lines: np.ndarray, cells: Iterable[Cells]
) -> Addresses:
    """Those of a table: `lines` are of the rows that hold something, `cells` their columns."""
    used = source.used or range(1, len(source.header) + 1)
    columns = {name: used[k] for name, k in reading.place.items()}
    breaks = np.zeros(len(lines), int)
    if not source.typed:  # a row of a sheet is one row, whatever stands in it
        for column in cells:
            if column.simple:
                continue
            count = np.asarray([text.count("\n") for text in column.raw], int)
            if count.any():
                breaks += count[column.codes]
    within = sum(text.count("\n") for text in source.header)
    at = np.flatnonzero(breaks)
    starts = np.append(source.header_line, lines[at]).astype(int)
    more = within + np.append(0, np.cumsum(breaks[at]))
    return Addresses(source.header_line, columns, starts, more)


def letters(column: int) -> str:
    """ "A" for 1, "AA" for 27."""
    from openpyxl.utils import get_column_letter

    return get_column_letter(column)
