"""Reading delimited text with true line numbers, fast.

Ordinary lines go through pandas' C reader at once. Lines that need care (quotation marks that do
not pair up on the line, cells with line breaks, more cells than the header) are taken out
beforehand and read one by one, so that one bad line costs only itself.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterator
from itertools import islice
from typing import NamedTuple

import numpy as np
import pandas as pd

from trialkit.intake.decode import clean_utf8
from trialkit.intake.limits import check_limit
from trialkit.intake.sheet_shape import HEADER_WITHIN, header_row
from trialkit.intake.source import SourceTable, plain_name
from trialkit.words import readings, refusals
from trialkit.words import sheets as words

_DELIMITERS = ",;\t|"
_MOST_LINES_IN_A_CELL = 100


def read_delimited(
    raw: bytes, file: str, known: Collection[str], needed: Collection[str] = ()
) -> SourceTable:
    """Cells of a delimited file as text.

    Parameters
    ----------
    raw : bytes
        The whole file.
    file : str
        Its name, for messages.
    known : collection of str
        Column names the table may have: the delimiter is the one that finds most of them, and
        with `needed` they tell the header row from titles above it.
    needed : collection of str
        Those it must have.
    """
    data, notes = clean_utf8(raw)
    _check_lines(data, file)
    above, first = _header(data, known, needed)
    if first is None:
        return SourceTable(file, [], np.empty(0, int), [], notes=[*notes, readings.empty_file()])
    delimiter = _delimiter(first.text, known)
    if delimiter != ",":
        notes.append(readings.separated_by(delimiter))
    header = _split(first.text, delimiter) or [first.text]
    if above:
        notes.append(words.titles("line", first.line, above))
    body = data[first.end :].rstrip(b"\n")
    if not body:
        columns = [np.empty(0, object) for _ in header]
        return SourceTable(
            file, header, np.empty(0, int), columns, notes=notes, header_line=first.line
        )
    columns, faults = _body(body, delimiter, len(header))
    lines = np.arange(len(columns[0])) + first.last + 1
    return SourceTable(file, header, lines, columns, faults, notes, header_line=first.line)


def _check_lines(data: bytes, file: str) -> None:
    """Refuse a file with a line longer than the limit."""
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) == 10)
    lengths = np.diff(ends, prepend=-1, append=len(data)) - 1
    longest = int(lengths.argmax())
    check_limit("row_chars", int(lengths[longest]), f"{file}, line {longest + 1}")


class _Record(NamedTuple):
    """One record: its text, its first and last line from 1, and the offset of what follows."""

    text: str
    line: int
    last: int
    end: int


def _header(
    data: bytes, known: Collection[str], needed: Collection[str]
) -> tuple[list[str], _Record | None]:
    """The texts above the header row and the header row; None in a file without text."""
    records, heads = [], []
    for record in islice(_first_records(data), HEADER_WITHIN):
        records.append(record)
        heads.append(_split(record.text, _delimiter(record.text, known)) or [record.text])
        if needed and set(map(plain_name, heads[-1])).issuperset(needed):
            break
    if not records:
        return [], None
    first = records[header_row(heads, known, needed)]
    above = [
        " ".join(heads[k]) if r.last == r.line else r.text.partition("\n")[0]
        for k, r in enumerate(records) if r.line < first.line
    ]  # fmt: skip
    return [text.strip(_DELIMITERS + " ") for text in above], first


def _first_records(data: bytes) -> Iterator[_Record]:
    """A record from each line with text; where a quotation mark stays open, over several lines."""
    offset = line = 0
    while offset < len(data):
        end = data.find(b"\n", offset)
        end = len(data) if end < 0 else end
        text = data[offset:end].decode()
        offset, line = end + 1, line + 1
        if not text.strip(_DELIMITERS + ' \u00a0"') or text.lower().startswith("sep="):
            continue
        last, after = line, offset
        while text.count('"') % 2 and after < len(data) and last - line < _MOST_LINES_IN_A_CELL:
            end = data.find(b"\n", after)
            end = len(data) if end < 0 else end
            text += "\n" + data[after:end].decode()
            last, after = last + 1, end + 1
        yield _Record(text, line, last, after)


def _delimiter(header: str, known: Collection[str]) -> str:
    def found(delimiter: str) -> tuple[int, int]:
        cells = _split(header, delimiter) or []
        return sum(plain_name(cell) in known for cell in cells), len(cells)

    return max(_DELIMITERS, key=found)


def _split(text: str, delimiter: str) -> list[str] | None:
    """The cells of one record; None when its quotation marks are not in order."""
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=delimiter, strict=True, skipinitialspace=True
    )
    try:
        records = list(reader)
    except csv.Error:
        return None
    return records[0] if len(records) == 1 else None


def _body(
    body: bytes, delimiter: str, width: int
) -> tuple[list[np.ndarray], list[tuple[int, str, str]]]:
    careful, odd = _lines_needing_care(body, delimiter, width)
    records: dict[int, tuple[list[str], str, str]] = {}
    if careful.size:
        lines = body.split(b"\n")
        records = _read_carefully(lines, careful, odd, delimiter, width)
        body = b"\n".join(lines)
    frame = pd.read_csv(
        io.BytesIO(body + b"\n"),
        sep=delimiter,
        header=None,
        names=list(range(width)),
        index_col=False,
        dtype=object,
        na_filter=False,
        skip_blank_lines=False,
        skipinitialspace=True,
        low_memory=False,
        engine="c",
    )
    columns = [frame[k].to_numpy(object, copy=bool(records)) for k in range(width)]
    faults = []
    for position, (cells, value, expected) in records.items():
        for k, cell in enumerate(cells[:width]):
            columns[k][position] = cell
        if expected:
            faults.append((position, value, expected))
    return columns, faults


def _lines_needing_care(body: bytes, delimiter: str, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Indices of lines the C reader must not see, and of those with an odd number of quotes."""
    codes = np.frombuffer(body, np.uint8)
    ends = np.append(np.flatnonzero(codes == 10), len(codes))
    delimiters = _per_line(np.flatnonzero(codes == ord(delimiter)), ends)
    care = delimiters >= width
    quotes = np.flatnonzero(codes == ord('"'))
    if not quotes.size:
        return np.flatnonzero(care), np.empty(0, int)
    in_line = _per_line(quotes, ends)
    odd = in_line % 2 == 1
    # In order, the marks of a line open and close in turn: before an opening one and after a
    # closing one stands a delimiter, a line end, or the other half of a doubled mark.
    before = np.repeat((np.cumsum(in_line) - in_line) % 2 == 1, in_line)
    opening = (np.arange(len(quotes)) % 2 == 1) == before
    padded = np.pad(codes, 1, constant_values=10)
    in_order = np.zeros(256, bool)
    in_order[[10, ord(delimiter), ord('"')]] = True
    stray = quotes[~in_order[padded[np.where(opening, quotes, quotes + 2)]]]
    care[np.searchsorted(ends, stray)] = True
    care |= odd
    return np.flatnonzero(care), np.flatnonzero(odd)


def _per_line(positions: np.ndarray, ends: np.ndarray) -> np.ndarray:
    return np.diff(np.searchsorted(positions, ends), prepend=0)


def _read_carefully(
    lines: list[bytes], careful: np.ndarray, odd: np.ndarray, delimiter: str, width: int
) -> dict[int, tuple[list[str], str, str]]:
    """Records on the lines that need care: cells, and value and expected where out of shape.

    The lines taken are emptied in `lines`.
    """
    records: dict[int, tuple[list[str], str, str]] = {}
    free = 0
    for at in careful.tolist():
        if at < free:
            continue
        free = at + 1
        cells = None
        later = np.searchsorted(odd, at, side="right")
        if later < len(odd) and later > 0 and odd[later - 1] == at:
            end = int(odd[later]) + 1
            cells = _with_line_breaks(lines[at:end], delimiter, width)
            free = end if cells else free
        text = b"\n".join(lines[at:free]).decode()
        records[at] = _record(text, cells or _split(text, delimiter), width)
        lines[at:free] = [b""] * (free - at)
    return records


def _with_line_breaks(lines: list[bytes], delimiter: str, width: int) -> list[str] | None:
    """One record over several lines, unless a stray quotation mark has swallowed rows.

    A later line that holds as many delimiters as a row has, before any quotation mark, is a row.
    """
    if len(lines) > _MOST_LINES_IN_A_CELL:
        return None
    mark = delimiter.encode()
    if any(line.partition(b'"')[0].count(mark) >= width - 1 for line in lines[1:]):
        return None
    return _split(b"\n".join(lines).decode(), delimiter)


def _record(text: str, cells: list[str] | None, width: int) -> tuple[list[str], str, str]:
    """Cells of a record; its text and what was expected where its shape is wrong."""
    if cells is None:
        return [], text, refusals.quotes_in_pairs()
    if not any(cell.strip() for cell in cells[width:]):
        return cells, "", ""
    return cells, text, refusals.as_many_cells(width, len(cells))
