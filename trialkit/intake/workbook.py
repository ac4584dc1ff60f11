"""Reading a trial from one .xlsx: a sheet for each table and the settings in a sheet "trial".

The settings sheet has the columns key and value. Keys are those of trial.toml with their section,
as in header.rows; a factor's name stands in its key, as in setup.gap.levels. A list takes the cells
to the right of the first value.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

import numpy as np

from trialkit.errors import TrialError
from trialkit.intake.source import SourceTable
from trialkit.words import readings

SETTINGS = "trial"
_LISTS = {"levels", "labels", "adjust_for"}
_FLAGS = {"growers_agreed", "hard_to_change"}
_FORMULA = re.compile(rb"<f[ >/]")


class Workbook:
    """The sheets of one .xlsx as text.

    Raises
    ------
    TrialError
        When the bytes are no workbook that can be opened.
    """

    def __init__(self, content: bytes, name: str) -> None:
        import openpyxl

        self.name = name
        try:
            self._book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
            self._formulas = None
            if _has_formulas(content):
                self._formulas = openpyxl.load_workbook(io.BytesIO(content), read_only=True)
        except Exception as error:  # openpyxl lets through whatever the damage provokes
            raise TrialError(
                f"{name} cannot be opened as an .xlsx workbook ({error}). If it has a password, "
                "take it off; if it is an older .xls, save it as .xlsx."
            ) from None
        self.sheets = {sheet.title.strip().casefold(): sheet.title for sheet in self._book}

    def table(self, sheet: str) -> SourceTable:
        """Cells of a sheet as text; rows before the header row are left out when empty."""
        file = f"{self.name}, sheet {sheet}"
        lines: list[int] = []
        rows: list[list[str]] = []
        for line, row in enumerate(self._rows(sheet), start=1):
            if any(row):
                lines.append(line)
                rows.append(row)
        if not rows:
            return SourceTable(file, [], np.empty(0, int), [], notes=[readings.empty_sheet()])
        width = max(map(len, rows))
        padded = [row + [""] * (width - len(row)) for row in rows]
        columns = [np.asarray(column, dtype=object) for column in zip(*padded[1:], strict=True)]
        columns = columns or [np.empty(0, object)] * width
        return SourceTable(file, padded[0], np.asarray(lines[1:], int), columns, typed=True)

    def settings(self) -> dict[str, Any]:
        """The sheet "trial" as the nested mapping a trial.toml would give."""
        sheet = self.sheets.get(SETTINGS)
        if sheet is None:
            raise TrialError(
                f'{self.name} has no sheet "{SETTINGS}" with the trial\'s settings. '
                "A new workbook with all sheets: trialkit new FOLDER --workbook"
            )
        rows = [list(row) for row in self._values(sheet)]
        heads = [_text(cell).strip().casefold() for cell in rows[0]] if rows else []
        if "key" not in heads or "value" not in heads:
            raise TrialError(
                f'{self.name}, sheet {sheet}: the first row must hold "key" and "value"'
            )
        key_at, value_at = heads.index("key"), heads.index("value")
        data: dict[str, Any] = {}
        for line, row in enumerate(rows[1:], start=2):
            key = _text(row[key_at]).strip() if key_at < len(row) else ""
            values = [_plain(v) for v in row[value_at:] if _text(v).strip()]
            if key and values:
                _put(data, key, values, f"{self.name}, sheet {sheet}, row {line}")
        if "setup" in data:
            data["setup"] = [{"name": name, **entry} for name, entry in data["setup"].items()]
        return data

    def _rows(self, sheet: str) -> Iterator[list[str]]:
        book = self._book[sheet]
        formulas = self._formulas[sheet].iter_rows() if self._formulas else None
        for cells in book.iter_rows():
            row = [_cell_text(cell) for cell in cells]
            for k, formula in enumerate(next(formulas, ())) if formulas else ():
                # A formula that was never calculated has no value: show the formula, to be refused.
                if formula.value is not None and not row[k]:
                    row[k] = str(getattr(formula.value, "text", formula.value))
            yield row

    def _values(self, sheet: str) -> Iterator[tuple[Any, ...]]:
        return self._book[sheet].iter_rows(values_only=True)


def _has_formulas(content: bytes) -> bool:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        sheets = [n for n in archive.namelist() if n.startswith("xl/worksheets/")]
        return any(_FORMULA.search(archive.read(name)) for name in sheets)


def _cell_text(cell: Any) -> str:
    value = cell.value
    if isinstance(value, (int, float)) and "%" in (cell.number_format or ""):
        return f"{value * 100:.12g}%"
    return _text(value)


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return (
            f"{value:%Y-%m-%d}"
            if value.time() == datetime.min.time()
            else f"{value:%Y-%m-%d %H:%M:%S}"
        )
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value).replace("\0", "\ufffd")


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value.strip() if isinstance(value, str) else value


def _put(data: dict[str, Any], key: str, values: list[Any], where: str) -> None:
    *sections, last = (part.strip().casefold() for part in key.split("."))
    place = data
    for section in sections:
        place = place.setdefault(section, {})
        if not isinstance(place, dict):
            raise TrialError(f"{where}: key {key!r} has no place under a plain value")
    if last in place:
        raise TrialError(f"{where}: key {key!r} stands there twice")
    value: Any = values if last in _LISTS else values[0]
    if last in _FLAGS and isinstance(value, str):
        value = {"yes": True, "true": True, "no": False, "false": False}.get(
            value.casefold(), value
        )
    elif last not in _LISTS and len(values) > 1:
        raise TrialError(f"{where}: key {key!r} takes one value")
    place[last] = value
