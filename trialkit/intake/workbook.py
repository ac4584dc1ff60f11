"""Reading a trial from one .xlsx: a sheet for each table and the settings in a sheet "trial".

The settings sheet has the columns key and value. Keys are those of trial.toml with their section,
as in header.rows; a factor's name stands in its key, as in setup.gap.levels. A list takes the cells
to the right of the first value.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from trialkit.errors import TrialError
from trialkit.intake.addresses import letters
from trialkit.intake.config import TrialConfig
from trialkit.intake.dated_names import names_of_dates
from trialkit.intake.decode import composed
from trialkit.intake.level_names import said_yes
from trialkit.intake.merged import unmerge
from trialkit.intake.sheet_cells import SheetCells, as_text, read_cells
from trialkit.intake.sheet_shape import (
    HEADER_WITHIN,
    header_row,
    is_sum_formula,
    needed_names,
    shaped,
)
from trialkit.intake.source import SourceTable, plain_name
from trialkit.intake.workbook_file import open_book
from trialkit.responses import schema
from trialkit.words import readings
from trialkit.words import sheets as words

SETTINGS = "trial"
_FLAGS = {"growers_agreed", "hard_to_change"}
_LISTS = {"levels", "labels", "adjust_for"}


class Workbook:
    """The sheets of one .xlsx as text.

    Raises
    ------
    TrialError
        When the bytes are no workbook that can be opened, or two sheets have one name.
    """

    def __init__(self, content: bytes, name: str) -> None:
        self.name = name
        self._book = open_book(content, name)
        self.places: dict[str, str] = {}
        """Cells of the settings, by what faults call their keys; there once `settings` was."""
        self.sheets: dict[str, str] = {}
        for sheet in self._book.worksheets:
            plain = sheet.title.strip().casefold()
            if plain in self.sheets and plain in (SETTINGS, *schema.TABLES):
                raise TrialError(
                    f"{name} has the sheets {self.sheets[plain]!r} and {sheet.title!r}: keep one "
                    f"sheet named {plain}"
                )
            self.sheets[plain] = sheet.title

    def table(self, sheet: str, layout: schema.Table, config: TrialConfig) -> SourceTable:
        """The data rows of a sheet as text; what else stands there is named in its notes.

        Raises
        ------
        TrialError
            When the sheet cannot be read to its end.
        """
        cells = self._cells(sheet)
        file = f"{self.name}, sheet {sheet}"
        if not cells.lines:
            return SourceTable(file, [], np.empty(0, int), [], notes=[readings.empty_sheet()])
        source, used = _with_header(file, cells, layout)
        source.used = used
        source.notes += unmerge(source, layout, cells.merged, used)
        source.notes += names_of_dates(source, cells, layout, used, config)
        sums = {row for (row, _), text in cells.formulas.items() if is_sum_formula(text)}
        source = shaped(source, layout, sums)
        source.notes += self._not_shown(sheet, cells, source, used)
        if calculated := _calculated(cells, source, used):
            source.notes.append(words.formulas(calculated))
        if cells.bad_formats:
            source.notes.append(words.damaged_formats())
        return source

    def settings(self) -> dict[str, Any]:
        """The sheet "trial" as the nested mapping a trial.toml would give."""
        sheet = self.sheets.get(SETTINGS)
        if sheet is None:
            raise TrialError(
                f'{self.name} has no sheet "{SETTINGS}" with the trial\'s settings. '
                "A new workbook with all sheets: trialkit new FOLDER --workbook"
            )
        cells = self._cells(sheet)
        rows = zip(cells.lines, cells.rows(), strict=True)
        key_at, value_at = _key_and_value(rows, f"{self.name}, sheet {sheet}")
        data: dict[str, Any] = {}
        for line, row in rows:
            key = as_text(row.get(key_at, "")).strip()
            values = [_plain(v) for k, v in row.items() if k >= value_at and as_text(v).strip()]
            if key and values:
                _put(data, key, values, f"{self.name}, sheet {sheet}, row {line}")
                self.places[key.casefold()] = f"cell {letters(value_at)}{line}"
        if not isinstance(data.get("setup", {}), dict):
            raise TrialError(
                f"{self.name}, sheet {sheet}: the key setup needs a factor's name and what is said "
                "of it, as in setup.gap.levels"
            )
        if "setup" in data:
            self._place_setups(list(data["setup"]))
            data["setup"] = [
                {"name": name, **entry} if isinstance(entry, dict) else entry
                for name, entry in data["setup"].items()
            ]
        return data

    def _place_setups(self, factors: list[str]) -> None:
        """Keys of factors under the number by which faults name their section."""
        for number, name in enumerate(factors, start=1):
            start = f"setup.{name}."
            own = [key for key in self.places if key.startswith(start)]
            for key in own:
                self.places[f"setup {number}: {key.removeprefix(start)}"] = self.places[key]

    def _cells(self, sheet: str) -> SheetCells:
        return read_cells(self._book[sheet], f"{self.name}, sheet {sheet}")

    def _not_shown(
        self, sheet: str, cells: SheetCells, source: SourceTable, used: list[int]
    ) -> Iterator[str]:
        """Notes on what the spreadsheet does not show, and is read."""
        rows = np.intersect1d(cells.hidden_rows, source.lines).tolist()
        if rows:
            yield words.hidden(rows, cells.filtered)
        shown = dict(zip(used, source.header, strict=False))
        columns = [title for c in cells.hidden_columns if (title := shown.get(c, "").strip())]
        if columns:
            yield words.hidden_columns(columns)
        if self._book[sheet].sheet_state != "visible":
            yield words.hidden_sheet()


def _key_and_value(rows: Iterator[tuple[int, dict[int, Any]]], where: str) -> tuple[int, int]:
    """Columns of the settings sheet, from the first row that names them; those above are titles."""
    for _, row in rows:
        heads = {as_text(value).strip().casefold(): k for k, value in reversed(row.items())}
        if "key" in heads and "value" in heads:
            return heads["key"], heads["value"]
    raise TrialError(f'{where}: a row at the top must hold "key" and "value"')


def _with_header(
    file: str, cells: SheetCells, layout: schema.Table
) -> tuple[SourceTable, list[int]]:
    """The sheet's cells below its header row, and the sheet's column of each column of them.

    Columns with nothing in them are left out; one is kept where the table has a gap.
    """
    first = cells.rows(HEADER_WITHIN)
    texts = [[as_text(value) for value in row.values()] for row in first]
    at = header_row(texts, {c.name for c in layout.columns}, needed_names(layout))
    lines = np.asarray(cells.lines, int)
    source = SourceTable(file, [], lines[at + 1 :], [], typed=True, header_line=int(lines[at]))
    used: list[int] = []
    for column in sorted(c for c, (positions, _) in cells.cells.items() if positions[-1] >= at):
        if used and column > used[-1] + 1:
            used.append(column - 1)
            source.header.append("")
            source.columns.append(np.full(len(source.lines), "", object))
        positions, values = cells.cells[column]
        below = np.searchsorted(positions, at + 1)
        text = np.full(len(source.lines), "", object)
        text[np.asarray(positions[below:], int) - at - 1] = [
            "" if isinstance(v, str) and v.isspace() else as_text(v) for v in values[below:]
        ]
        used.append(column)
        source.header.append(as_text(first[at].get(column, f"column {column}")))
        source.columns.append(text)
    if at:
        above = [" ".join(" ".join(row).split()) for row in texts[:at]]
        source.notes.append(words.titles(source.where, source.header_line, above))
    return source, used


def _calculated(cells: SheetCells, source: SourceTable, used: list[int]) -> list[str]:
    """Columns of the table with formulas whose last value is read."""
    position = {column: k for k, column in enumerate(used) if k < len(source.header)}
    found = set()
    for line, column in cells.formulas:
        at = int(np.searchsorted(source.lines, line))
        there = column in position and at < len(source.lines) and source.lines[at] == line
        if there and source.columns[position[column]][at][:1] != "=":
            found.add(position[column])
    return [plain_name(source.header[k]) for k in sorted(found)]


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return composed(value).strip() if isinstance(value, str) else value


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
        said = said_yes(value)
        value = value if said is None else said
    elif last not in _LISTS and len(values) > 1:
        raise TrialError(f"{where}: key {key!r} takes one value")
    place[last] = value
