"""Folders with spoilt tables: cells, rows and columns first, then the bytes they are saved as."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from typing import Any

import numpy as np

Grid = list[list[str]]
Change = Callable[[np.random.Generator, Grid], None]

ODD = (
    "", " ", "\t", "0", "-0", "-1", "1", "+7", "1e3", "1e309", "-1e309", "1e-400", "inf",
    "-Infinity",
    "nan", "NaN", "NA", "n/a", "#N/A", "#DIV/0!", "None", "NULL", "TRUE", "false", "yes", "no", "x",
    "✓",
    ".", ",", "-", "–", "—", "+", "..", "1.2.3", "1,234", "1.234", "1,234.5", "1.234,5", "1 234",
    "1'234",
    "12,5", "12.", ".5", ",5", "1,2,3", "0x10", "1_000", "١٢", "１２", "²", "½", "1½", "1 1/4",
    "1-1/4 in",
    "3/8", "1/0", "5 7/8\"", "3.5 mph", "15.5%", "15,5 %", "210 bu/ac", "34.9mm", "3 furlongs",
    "1e3 in",
    "9" * 400, "0." + "0" * 400 + "1", "1e" + "9" * 30, "-" * 60, "1" + ",000" * 80,
    "2025-10-03", "2025-02-30", "10/06/2025", "6.10.2025", "10/6/25", "2025-10-03 14:30", "45933",
    "2025-10-03T25:61:00", "99999", "99999.99999", "00000", "9999-12-31", "0001-01-01",
    "3 Oct 2025",
    "Oct 3, 2025 14:30", "2025-10-03T10:00:00+02:00", "2025-10-03 10:00:00.1234567", "10:30",
    "31/12/9999",
    "=1+1", "=SUM(A1:A9)", "@cmd", "+1", "-x", "'=1", "''", "'0", "=", "'", '"', '""', '"a', 'a"b',
    ";", "|",
    "standard", "STANDARD ", "cushion", "Cushion", "header", "pre-harvest", "total", "wide", "slow",
    "S1", "s1", "S 1", "Long Bottom-01", "LONG  BOTTOM-01", "Long\u00a0Bottom-01", "straße",
    "STRASSE",
    "İ", "ı", "ﬁeld", "é", "e\u0301", "\u200b", "\ufeff", "\u202eabc", "\u2066x\u2069", "\x00",
    "\x0b", "\x1b[31m",
    "\x85", "\u2028", "\x07", "\x7f", "\ud7ff", "\ufffd", "\ufffe", "😀", "a\nb", "a\r\nb",
    "a" * 101, "b" * 300,
    "harvested", "total:", "sum", "mean", "strip", "field", "note", "see other sheet", "<b>x</b>",
    "{{x}}", "\\",
)  # fmt: skip
_LETTERS = tuple("0123456789.,-+eE/ '\"%;\t\n()=\u00a0é\0½−\u202e")
_HEADINGS = (
    "", "strip", "Strip ", "field", "pair", "zone", "frame", "sample", "area", "area (m2)",
    "area (ft2)",
    "area (acres)", "area ()", "area (ft2) (m2)", "yield (t/ha)", "yield", "moisture (in)",
    "moisture (%)",
    "moistur", "loose_kernels", "loose kernels (n)", "gap_front (mm)", "gap_left (in)",
    "gap_right (mm)",
    "roll_wear_length (mm)", "knives", "note", "harvested_at", "status", "value", "code", "line",
    "index", "0",
    "column 1", "column 2", "a" * 300, "\u200b", "speed_set (km/h", "sum", "key", "((((((((",
    "[" * 50,
)  # fmt: skip


def _some(rng: np.random.Generator, values: Any) -> Any:
    return values[int(rng.integers(len(values)))]


def _place(rng: np.random.Generator, grid: Grid, body: bool = True) -> tuple[int, int]:
    row = int(rng.integers(1 if body and len(grid) > 1 else 0, len(grid)))
    return row, int(rng.integers(max(1, len(grid[row]))))


def _put(grid: Grid, row: int, column: int, text: str) -> None:
    grid[row] += [""] * (column + 1 - len(grid[row]))
    grid[row][column] = text


def odd_cell(rng: np.random.Generator, grid: Grid) -> None:
    _put(grid, *_place(rng, grid), _some(rng, ODD))


def odd_column(rng: np.random.Generator, grid: Grid) -> None:
    """One odd text all down a column, or a different one in each of its cells."""
    column = _place(rng, grid)[1]
    text = _some(rng, ODD)
    same = rng.random() < 0.5
    for row in range(1, len(grid)):
        _put(grid, row, column, text if same else _some(rng, ODD))


def edited_cell(rng: np.random.Generator, grid: Grid) -> None:
    row, column = _place(rng, grid, body=rng.random() < 0.8)
    text = grid[row][column] if grid[row] else ""
    at = int(rng.integers(len(text) + 1))
    cut = int(rng.integers(2))
    _put(grid, row, column, text[:at] + _some(rng, (*_LETTERS, "")) + text[at + cut :])


def broken_number(rng: np.random.Generator, grid: Grid) -> None:
    row, column = _place(rng, grid)
    text = grid[row][column] if grid[row] else ""
    forms: tuple[Callable[[str], str], ...] = (
        lambda t: t.replace(".", ","), lambda t: f"{t}{t}", lambda t: f"-{t}", lambda t: f"{t} mm",
        lambda t: f"{t}e5", lambda t: f"{t}000", lambda t: f"{t},000", lambda t: f"{t}.0",
        lambda t: f"{t}.5",
        lambda t: f"{t} in", lambda t: f"{t}%", lambda t: f"({t})", lambda t: f"~{t}",
        lambda t: f"{t} 1/2",
        lambda t: f"{t}?", lambda t: f"0{t}", lambda t: f"{t}e309", lambda t: f"{t}e-309",
    )  # fmt: skip
    _put(grid, row, column, _some(rng, forms)(text))


def swapped_cells(rng: np.random.Generator, grid: Grid) -> None:
    (a, b), (c, d) = _place(rng, grid), _place(rng, grid, body=rng.random() < 0.9)
    if grid[a] and grid[c]:
        grid[a][b], grid[c][d] = grid[c][d], grid[a][b]


def row_again(rng: np.random.Generator, grid: Grid) -> None:
    row = list(grid[_place(rng, grid, body=rng.random() < 0.9)[0]])
    if row and rng.random() < 0.5:
        row[int(rng.integers(len(row)))] = _some(rng, ODD)
    grid.insert(int(rng.integers(1, len(grid) + 1)), row)


def lost_row(rng: np.random.Generator, grid: Grid) -> None:
    if len(grid) > 1:
        grid.pop(_place(rng, grid, body=rng.random() < 0.9)[0])


def moved_column(rng: np.random.Generator, grid: Grid) -> None:
    """A column dropped, given twice, emptied or put elsewhere."""
    width = max(map(len, grid))
    start, to = int(rng.integers(max(1, width))), int(rng.integers(width + 1))
    what = _some(rng, ("drop", "twice", "empty", "move", "new"))
    for number, row in enumerate(grid):
        cell = row[start] if start < len(row) else ""
        if what in ("drop", "move") and start < len(row):
            row.pop(start)
        if what == "empty" and number:
            _put(grid, number, start, "")
        if what in ("twice", "move"):
            row.insert(to, cell)
        if what == "new":
            row.insert(to, _some(rng, ODD if number else _HEADINGS))


def odd_heading(rng: np.random.Generator, grid: Grid) -> None:
    row = grid[0]
    if row:
        at = int(rng.integers(len(row)))
        row[at] = _some(rng, (*_HEADINGS, row[at].upper(), row[at].split(" (")[0], f" {row[at]} "))


def ragged_row(rng: np.random.Generator, grid: Grid) -> None:
    row = grid[_place(rng, grid, body=rng.random() < 0.9)[0]]
    if rng.random() < 0.5:
        del row[int(rng.integers(len(row) + 1)) :]
    else:
        row += [_some(rng, ODD) for _ in range(int(rng.integers(1, 5)))]


def strange_row(rng: np.random.Generator, grid: Grid) -> None:
    """A title, a blank line, a note, the header again, or a row of sums between the rows."""
    width = len(grid[0])
    row = _some(rng, (
        [], [""] * width, ["Harvest 2025"], ["note: wet at the north end"], list(grid[0]),
        [" "] * width,
        ["Total", *(["99"] * max(0, width - 1))], [""] * max(0, width - 1) + ["1234"], ["sep=;"],
        ["'"], ["#"],
    ))  # fmt: skip
    grid.insert(int(rng.integers(0, len(grid) + 1)), list(row))


GRID_CHANGES: tuple[Change, ...] = (
    odd_cell, odd_cell, odd_cell, odd_column, edited_cell, edited_cell, broken_number,
    broken_number,
    swapped_cells, row_again, lost_row, moved_column, odd_heading, ragged_row, strange_row,
)  # fmt: skip


def change_grid(rng: np.random.Generator, grid: Grid) -> None:
    """One to a few changes, one more often than many."""
    for _ in range(int(min(rng.geometric(0.5), 8))):
        _some(rng, GRID_CHANGES)(rng, grid)
        if not grid:
            grid.append([""])


_ENCODINGS = ("utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252",
              "latin-1",
              "shift_jis", "cp1251", "utf-7")  # fmt: skip


def as_bytes(rng: np.random.Generator, grid: Grid) -> bytes:
    """The grid saved as some program or other might, usually as UTF-8 with commas."""
    plain = rng.random() < 0.5
    delimiter = "," if plain else _some(rng, ",;\t|")
    quoting = csv.QUOTE_MINIMAL if plain else _some(rng, (csv.QUOTE_MINIMAL, csv.QUOTE_ALL))
    ends = "\n" if plain else _some(rng, ("\n", "\r\n", "\r", "\n\n", "\n\r"))
    if rng.random() < 0.1:  # cells as they stand, whatever they hold
        text = ends.join(delimiter.join(row) for row in grid) + ends
    else:
        stream = io.StringIO(newline="")
        csv.writer(stream, delimiter=delimiter, quoting=quoting,
                   lineterminator=ends).writerows(grid)
        text = stream.getvalue()
    encoding = "utf-8" if plain else _some(rng, _ENCODINGS)
    return text.encode(encoding, "replace")


def spoilt_bytes(rng: np.random.Generator, raw: bytes) -> bytes:
    """A file cut short, with bytes changed, pieces doubled or marks set among them."""
    at, to = sorted(int(v) for v in rng.integers(0, len(raw) + 1, 2))
    what = int(rng.integers(10))
    if what == 0:
        return raw[:at]
    if what == 1:
        return raw[at:]
    if what == 2:
        return raw[:at] + raw[to:]
    if what == 3:
        return raw[:to] + raw[at:to] * int(rng.integers(1, 4)) + raw[to:]
    if what == 4:
        codes = bytearray(raw)
        for place in rng.integers(0, max(1, len(raw)), int(rng.integers(1, 6))) if raw else ():
            codes[int(place)] = int(rng.integers(256))
        return bytes(codes)
    marks = (b'"', b"\0", b"\xef\xbb\xbf", b"\xff\xfe", b"\x1a", b"\r", b"\n", b"\xe9", b"\x85",
             b",,,,",
             b'"\n"', b"sep=;\n", b"\0" * 50, b"\n" * 300, b'"' * 33, b"x" * 5000, b"\xc3",
             b"\xed\xa0\x80",
             b"\xe2\x80\xa8", b"\x0b", b"\x0c", b"\x1c", b"'")  # fmt: skip
    return raw[:at] + _some(rng, marks) + raw[at:]


def grid_of(raw: bytes) -> Grid:
    """A sound table's cells."""
    return list(csv.reader(io.StringIO(raw.decode(), newline="")))


def chosen(rng: np.random.Generator, folder: dict[str, bytes]) -> dict[str, bytes]:
    """The settings, the strips, and one to three of the other tables."""
    others = sorted(set(folder) - {"trial.toml", "strips.csv"})
    taken = rng.choice(len(others), int(rng.integers(1, 4)), replace=False)
    names = ["trial.toml", "strips.csv", *(others[k] for k in sorted(taken))]
    return {name: folder[name] for name in names}


def folder_of_tables(rng: np.random.Generator, valid: Any) -> dict[str, bytes]:
    """A sound folder in which one or two tables are spoilt."""
    files = chosen(rng, _some(rng, valid.folders))
    tables = [name for name in files if name != "trial.toml"]
    for _ in range(1 + int(rng.random() < 0.3)):
        name = _some(rng, tables)
        try:
            grid = grid_of(files[name])
        except (UnicodeDecodeError, csv.Error):  # spoilt already
            continue
        if not grid:
            continue
        change_grid(rng, grid)
        files[name] = as_bytes(rng, grid)
        if rng.random() < 0.25:
            files[name] = spoilt_bytes(rng, files[name])
    if rng.random() < 0.03:
        files.pop(_some(rng, tables))
    return files
