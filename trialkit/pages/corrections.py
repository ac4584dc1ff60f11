"""The list of what to correct in a trial's files, cell by cell, for a spreadsheet."""

from __future__ import annotations

import io
import os
from collections.abc import Mapping
from pathlib import Path
from urllib.parse import quote

import pandas as pd

from trialkit.errors import FileExistsRefusal, TrialError
from trialkit.intake import Intake, write_new
from trialkit.intake.addresses import Addresses
from trialkit.intake.causes import Grouped, group, sheet_of
from trialkit.pages.export import csv_bytes, workbook_bytes
from trialkit.words import causes as words

MOST = 20_000
"""Lines listed; what is over is told, and comes when the first are corrected."""
_LINK = "0563C1"


def corrections(refused: pd.DataFrame, addresses: Mapping[str, Addresses]) -> pd.DataFrame:
    """Every cell at fault by itself, by file and row; columns `trialkit.words.causes.LIST`.

    Cells below one another in which the same stands, refused for the same reason, are one line, and
    so is a header row that cannot be used, whatever its rows.
    """
    grouped = group(refused)
    cells = grouped.cells[grouped.cells["at_fault"]].reset_index(drop=True)
    cells["value"] = cells["value"].fillna("")
    cells["order"] = pd.factorize(cells["file"])[0]
    places = zip(cells["file"], cells["line"], strict=True)
    cells["row"] = [_row(addresses, *place) for place in places]
    cells["header"] = cells["cause"].isin([k for k, c in enumerate(grouped.causes, 1) if c.header])
    for file, at in addresses.items():
        cells.loc[cells["header"] & (cells["file"] == file), "row"] = at.header
    cells = cells.sort_values(["order", "row"], kind="stable", ignore_index=True)
    same = cells.groupby(["file", "column", "value", "expected", "lost"], sort=False).ngroup()
    begins = cells.groupby(same)["row"].diff().gt(1)  # the rows of one header are all at its own
    run = begins.groupby(same).cumsum()
    rows = [
        _line(part, addresses.get(str(part["file"].iloc[0])), grouped)
        for _, part in cells.groupby([same, run], sort=False)
    ]
    return pd.DataFrame(rows, columns=list(words.LIST))


def _row(addresses: Mapping[str, Addresses], file: str, line: int) -> int:
    return addresses[file].row(line) if file in addresses else int(line)


def _line(part: pd.DataFrame, at: Addresses | None, grouped: Grouped) -> tuple[object, ...]:
    """A line of the list, of cells that stand below one another."""
    first, last = part.iloc[0], int(part["row"].iloc[-1])
    row, column = int(first["row"]), str(first["column"])
    hanging = int(part["rows_hanging"].sum())
    if first["header"]:
        cause = grouped.causes[int(first["cause"]) - 1]
        hanging = cause.cost - cause.rows
    ends = [at.cell(column, r) if at else "" for r in dict.fromkeys((row, last))]
    return (sheet_of(str(first["file"])), row, ":".join(filter(None, ends)),
            words.in_column(column), first["value"], first["expected"],
            words.what_is_lost(str(first["lost"]), len(part)), hanging, "")  # fmt: skip


def free_for_list(path: str | Path) -> Path:
    """The path itself, where a list can be written to it.

    Raises
    ------
    TrialError
        When it is a folder, or neither .xlsx nor .csv.
    FileExistsRefusal
        When there is such a file already.
    """
    path = Path(path)
    if path.is_dir():
        raise TrialError(f"{path} is a folder; give a file for the list, as corrections.xlsx")
    if path.suffix.lower() not in (".xlsx", ".csv"):
        raise TrialError(f"{path}: a list is written as .xlsx or .csv; give the file such an end")
    if os.path.lexists(path):
        raise FileExistsRefusal(f"{path} is there already; nothing was written. Give another name.")
    return path


def write_corrections(intake: Intake, path: str | Path, source: str | Path) -> str:
    """Write the list into a new file, .xlsx or .csv by its name; says where it is.

    `source` is the trial's folder or workbook: the cells of a workbook are linked. Where there is
    nothing to correct nothing is written. Raises as `free_for_list`.
    """
    path = free_for_list(path)
    table = corrections(intake.refused, intake.addresses)
    if table.empty:
        return words.no_list()
    shown = table.head(MOST)
    csv = path.suffix.lower() == ".csv"
    write_new(path, csv_bytes(shown) if csv else _sheet(shown, path, Path(source)))
    return words.list_written(str(path), len(shown), len(table))


def _sheet(table: pd.DataFrame, path: Path, source: Path) -> bytes:
    """The list as a workbook, made for a screen's width and linked to the cells of a workbook."""
    from openpyxl import load_workbook
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.worksheet.hyperlink import Hyperlink

    book = load_workbook(io.BytesIO(workbook_bytes({words.SHEET: table})))
    sheet = book[words.SHEET]
    for column, width in zip("ABCDEFGHI", words.WIDTHS, strict=True):
        sheet.column_dimensions[column].width = width
    last = len(words.LIST)
    for cell in sheet[1]:
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    target = _relative(source, path.parent) if source.is_file() else ""
    for row in sheet.iter_rows(min_row=2):
        for cell in row:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        row[last - 1].fill = PatternFill("solid", fgColor="FFF2CC")
        title = str(row[0].value).removeprefix("sheet ").replace("'", "''")
        if target and row[2].value:
            place = f"'{title}'!{row[2].value}"
            row[2].hyperlink = Hyperlink(ref=row[2].coordinate, target=target, location=place)
            row[2].font = Font(color=_LINK, underline="single")
    sheet.auto_filter.ref = sheet.dimensions
    sheet.page_setup.orientation, sheet.page_setup.fitToHeight = "landscape", 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "1:1"
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _relative(file: Path, folder: Path) -> str:
    """A file as seen from a folder, as a link has it."""
    try:
        return quote(Path(os.path.relpath(file.resolve(), folder.resolve())).as_posix())
    except ValueError:  # on another drive
        return file.resolve().as_uri()
