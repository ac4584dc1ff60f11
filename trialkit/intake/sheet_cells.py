"""The cells of a sheet in one pass over its XML (ECMA-376 part 1, 18.3.1): values, merged cells,
rows and columns not shown, formulas.

What a sheet says of its own size is not asked: a program that appends rows may leave it stale.
Cells without a value cost nothing but the time to pass over them, so that a sheet formatted to its
last row or column is read as quickly as its file is unpacked.
"""

from __future__ import annotations

import gc
import re
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from xml.etree import ElementTree

from trialkit.errors import TrialkitError
from trialkit.intake.limits import check_limit, limits
from trialkit.intake.workbook_file import DAMAGE, damaged_sheet

_BYTES_A_CELL = 150  # of memory, text and places in lists; measured
_ON = ("1", "true")


class Percent(float):
    """A number that the sheet shows as a percentage."""


@dataclass(slots=True)
class SheetCells:
    """What stands in a sheet. Rows and columns count from 1; `lines` are the rows with a value.

    `cells` has for each column the positions in `lines` and the values of its cells: str, int,
    float, bool, date or datetime; `formulas` the text of formulas by row and column.
    """

    lines: list[int] = field(default_factory=list)
    cells: dict[int, tuple[list[int], list[Any]]] = field(default_factory=dict)
    formulas: dict[tuple[int, int], str] = field(default_factory=dict)
    merged: list[str] = field(default_factory=list)
    hidden_rows: list[int] = field(default_factory=list)
    hidden_columns: list[int] = field(default_factory=list)
    filtered: bool = False
    bad_formats: bool = False

    def rows(self, most: int | None = None) -> list[dict[int, Any]]:
        """The first rows with a value, each by column."""
        rows: list[dict[int, Any]] = [{} for _ in self.lines[:most]]
        for column, (positions, values) in sorted(self.cells.items()):
            for position, value in zip(positions, values, strict=True):
                if position >= len(rows):
                    break
                rows[position][column] = value
        return rows


def read_cells(sheet: Any, where: str) -> SheetCells:
    """Every cell of a sheet (of openpyxl, opened for reading).

    Raises
    ------
    TrialError
        When the sheet cannot be read to its end, or holds more than the limits allow.
    """
    reader = _Reader(sheet, where)
    # Millions of elements come and go, no cycle among them: looking for some doubles the time.
    collecting = gc.isenabled()
    gc.disable()
    try:
        with sheet._get_source() as source:
            reader.read(source)
    except (TrialkitError, RecursionError):
        raise
    except DAMAGE as error:
        raise damaged_sheet(where, reader.row, error) from None
    finally:
        if collecting:
            gc.enable()
    return reader.found


class _WithoutBlanks:
    """A sheet's XML without cells and rows that hold nothing, for it is they that come in millions.

    Elements are taken out that name their own place, so that none after them is moved.
    """

    def __init__(self, source: Any) -> None:
        self._source = source
        self._rest = b""
        self._as_is = False

    def read(self, size: int) -> bytes:
        """The next piece; empty at the end."""
        while True:
            more = self._source.read(max(size, _PIECE))
            text = self._rest + more
            if b"<!DOCTYPE" in text:  # for what it may declare; no workbook has one
                raise ValueError("<!DOCTYPE>")
            self._as_is = self._as_is or b"<![CDATA[" in text
            if not more or self._as_is:
                self._rest = b""
                return text
            # An element that is not there in full waits for the next piece.
            end = max(text.rfind(b"<row "), 0) or max(text.rfind(b"<"), 0) or len(text)
            self._rest = text[end:]
            if text := _BLANK_ROW.sub(b"", _BLANK_CELL.sub(b"", text[:end])):
                return text


_PIECE = 1 << 18
_BLANK_CELL = re.compile(rb'<c r="[A-Z]{1,3}[0-9]{1,7}"(?: s="[0-9]{1,6}")? ?(?:/>|></c>)')
_BLANK_ROW = re.compile(rb'<row r="[0-9]{1,7}"(?: [^<>]*)?(?:/>|></row>)')


class _Reader:
    def __init__(self, sheet: Any, where: str) -> None:
        self.found = SheetCells()
        self.row = 0
        self._sheet, self._book, self._where = sheet, sheet.parent, where
        self._kinds: dict[str | None, str] = {None: "plain"}
        self._columns: dict[str, int] = {}
        self._shared: dict[str, tuple[str, str]] = {}
        self._count = 0
        self._most_chars = limits().row_chars

    def read(self, source: Any) -> None:
        names: dict[str, str] = {}
        whole = False
        pieces: Any = _WithoutBlanks(source)
        for _, element in ElementTree.iterparse(pieces):
            if not names:
                self._name(element.tag, names)
            part = names.get(element.tag)
            if part == "row":
                self._take_row(element)
                element.clear()
            elif part == "sheetData":
                whole = True
            elif part == "mergeCell":
                self.found.merged.append(element.get("ref", ""))
            elif part == "filterColumn":
                self.found.filtered = True
            elif part == "col" and element.get("hidden") in _ON:
                first, last = int(element.get("min", 0)), int(element.get("max", 0))
                self.found.hidden_columns += range(first, min(last, 16_384) + 1)
        if not whole:
            raise damaged_sheet(self._where, 0, "it has no rows at all")

    def _name(self, tag: str, names: dict[str, str]) -> None:
        """Names of elements in the space of this one; there are two, a file uses one."""
        space = tag.rpartition("}")[0] + "}" * ("}" in tag)
        names |= {space + name: name for name in _PARTS}
        self._value, self._formula = f"{space}v", f"{space}f"
        self._inline, self._text, self._run = (space + name for name in ("is", "t", "r"))

    def _take_row(self, element: Any) -> None:
        row = int(float(element.get("r") or self.row + 1))
        if row <= self.row:
            raise damaged_sheet(self._where, self.row, f"row {row} stands after row {self.row}")
        self.row = row
        position, before = len(self.found.lines), self._count
        column = chars = 0
        for cell in element:
            place = cell.get("r")
            if place is None:
                column += 1
            else:
                letters = place.rstrip("0123456789")
                column = self._columns.get(letters) or self._column(letters)
            value = self._read(cell, column) if len(cell) else None
            if value is None or value == "":
                continue
            positions, values = self.found.cells.setdefault(column, ([], []))
            if positions and positions[-1] == position:
                raise damaged_sheet(self._where, row - 1, f"a cell of row {row} stands there twice")
            positions.append(position)
            values.append(value)
            self._count += 1
            chars += len(value) if isinstance(value, str) else 0
        if chars > self._most_chars:
            check_limit("row_chars", chars, f"{self._where}, row {row}")
        if self._count == before:
            return
        self.found.lines.append(row)
        if element.get("hidden") in _ON:
            self.found.hidden_rows.append(row)
        if self._count // 100_000 > before // 100_000:
            check_limit("memory_bytes", self._count * _BYTES_A_CELL, self._where)

    def _column(self, letters: str) -> int:
        from openpyxl.utils import column_index_from_string

        self._columns[letters] = column_index_from_string(letters.replace("$", ""))
        return self._columns[letters]

    def _read(self, cell: Any, column: int) -> Any:
        kind = cell.get("t", "n")
        if kind == "inlineStr":
            texts = cell.find(self._inline)
            return None if texts is None else self._joined(texts)
        text = cell.findtext(self._value)
        formula = cell.find(self._formula)
        if formula is not None:
            told = self._told(formula, cell.get("r", ""))
            self.found.formulas[self.row, column] = told
            # Never calculated, it has no value: show the formula, to be refused. One that shows
            # nothing, =IF(A2="","",...), is stored as a text without a letter: an empty cell.
            if text is None or (text == "" and kind != "str"):
                return told
        if text is None:
            return None
        if kind == "n":
            return self._number(text, cell.get("s"))
        if kind == "s":
            return self._sheet._shared_strings[int(text)]
        if kind == "b":
            return text.strip() in _ON
        if kind == "d":
            from openpyxl.utils.datetime import from_ISO8601

            return from_ISO8601(text)
        return text

    def _joined(self, texts: Any) -> str:
        """Text of a cell, its runs joined; readings beside Eastern script are no part of it."""
        text = texts.findtext(self._text) or ""
        if len(texts) > 1 or not text:
            text += "".join(run.findtext(self._text) or "" for run in texts.findall(self._run))
        return text

    def _told(self, formula: Any, place: str) -> str:
        text, shared = formula.text or "", formula.get("si")
        if formula.get("t") == "shared" and shared is not None:
            if text:
                self._shared[shared] = (f"={text}", place)
            elif shared in self._shared and place:
                from openpyxl.formula.tokenizer import TokenizerError
                from openpyxl.formula.translate import Translator, TranslatorError

                text, origin = self._shared[shared]
                try:
                    return str(Translator(text, origin).translate_formula(place))
                except (TokenizerError, TranslatorError):
                    return text  # that cannot be moved: told as it stands
        return f"={text}"

    def _number(self, text: str, style: str | None) -> Any:
        kind = self._kinds.get(style) or self._kind(style)
        try:
            number = int(text) if text.isdecimal() and len(text) < 16 else float(text)
        except ValueError:
            return text  # no number at all, to be refused where it stands
        if kind == "plain":
            return number
        if kind == "percent":
            return Percent(number)
        from openpyxl.utils.datetime import from_excel

        try:
            return from_excel(number, self._book.epoch, timedelta=kind == "duration")
        except (OverflowError, ValueError):
            return number

    def _kind(self, style: str | None) -> str:
        """How cells of a style show a number."""
        from openpyxl.cell.read_only import ReadOnlyCell

        kind = "plain"
        try:
            number = int(style or 0)
            shown = ReadOnlyCell(self._sheet, 1, 1, 0, "n", number).number_format or ""
            if number in self._book._timedelta_formats:
                kind = "duration"
            elif number in self._book._date_formats:
                kind = "date"
            elif "%" in shown:
                kind = "percent"
        except (ValueError, IndexError, KeyError):
            self.found.bad_formats = True
        self._kinds[style] = kind
        return kind


_PARTS = ("sheetData", "row", "mergeCell", "filterColumn", "col")


def as_text(value: Any) -> str:
    """A value as the text of its cell."""
    if isinstance(value, str):
        return value.replace("\0", "\ufffd")
    if isinstance(value, Percent):
        return f"{value * 100:.12g}%"
    if isinstance(value, datetime):
        midnight = value.time() == datetime.min.time()
        return f"{value:%Y-%m-%d}" if midnight else f"{value:%Y-%m-%d %H:%M:%S}"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)
