"""What is to be corrected in a trial's files: causes of refusals, and the list of corrections."""

from __future__ import annotations

import re
from collections.abc import Sequence

from trialkit.quantities import listed
from trialkit.words.counts import counted

COLUMNS = ("where", "column", "what stands there", "expected", "lost")
"""Headings of a table of causes."""


def lines(numbers: Sequence[int], more: int) -> str:
    """ "line 4", "lines 4, 5 and 6", "lines 4, 5, 6 and 141 more"."""
    told = [str(number) for number in numbers]
    if more:
        return f"lines {', '.join(told)} and {more:,} more"
    return f"{'line' if len(told) == 1 else 'lines'} {listed(told)}"


def where(places: Sequence[tuple[str, Sequence[int], int]]) -> str:
    """Files and lines of them, and how many more; without any, the header row."""
    return "; ".join(
        f"{file}, {lines(numbers, more) if numbers else 'header row'}"
        for file, numbers, more in places
    )


def in_column(column: str) -> str:
    """A column; the row as a whole has none."""
    return column or "(row)"


def stood(values: Sequence[str], more: int) -> str:
    """The first values, and how many others there are."""
    told = [repr(value) if value.strip() else "(empty)" for value in values]
    return f"{', '.join(told)} and {more:,} more" if more else ", ".join(told)


def lost(own: Sequence[tuple[str, int]], cells: int, hanging: Sequence[tuple[str, int]]) -> str:
    """Files and rows lost of each, cells, and rows of files that fall with these rows."""
    rows = sum(n for _, n in own)
    told = [counted(rows, "row") + (f" ({_by_file(own)})" if len(own) > 1 else "")] if rows else []
    if cells:
        told.append(f"{counted(cells, 'cell')}, the {'row stays' if cells == 1 else 'rows stay'}")
    if hanging:
        every = sum(n for _, n in hanging)
        verb, them = ("hangs" if every == 1 else "hang"), ("it" if rows == 1 else "them")
        told.append(f"{counted(every, 'more row')} {verb} on {them} ({_by_file(hanging)})")
    return "; ".join(told)


def _by_file(rows: Sequence[tuple[str, int]]) -> str:
    return ", ".join(f"{n:,} of {file}" for file, n in rows)


def in_lines(where: str, column: str, stood: str, expected: str, lost: str) -> tuple[str, ...]:
    """A cause: the cells and what stands there, what is expected, what it costs."""
    told = f"{where}, {column or 'row'}: {stood}".removesuffix(": ")
    return told, f"expected: {expected}", f"lost: {lost}"


def every_cell() -> str:
    """Over all refused cells."""
    return "Every refused cell, under the number of its cause"


def cell(
    file: str, line: int, column: str, value: str, expected: str, lost: str, because: str
) -> str:
    """One refused cell; `because` is the refused row it hangs on, "" where it is its own fault."""
    told = sentence(where([(file, [line], 0)]), column, stood([value], 0), expected, lost)
    return f"{told}, because of {because}" if because else told


def sentence(*cause: str) -> str:
    """The same in a line."""
    return "; ".join(in_lines(*cause))


# ---------------------------------------------------------------- what was expected, of many rows
_LINES = re.compile(r"\blines? \d+((?:(?:, | and )\d+)*)")
_DOUBTFUL = re.compile(r"(?<=^written without doubt: ).*(?= can be read )", re.DOTALL)
_WRITTEN_SO = re.compile(r"(?<=with a decimal point), as [-+\d.]+")
_HEADER = re.compile(r"in the header row(?:;|$)|in the header; found |the header row has several")
_LISTED = re.compile(r"an? \w+ listed in ")


def of_list(expected: str) -> bool:
    """Whether a name would have to stand in another table."""
    return bool(_LISTED.match(expected))


def of_header(expected: str) -> bool:
    """Whether it is the header row that would have to be so; then every row is refused."""
    return bool(_HEADER.search(expected))


def in_common(expected: str) -> str:
    """What was expected of several rows, without what is of one row only: its lines, its text."""
    text = _LINES.sub(lambda m: "several lines" if m[1] else "another line", expected)
    return _WRITTEN_SO.sub("", _DOUBTFUL.sub("it", text))


# ---------------------------------------------------------------- over a list of causes
def title() -> str:
    """Over the table of causes."""
    return "What to correct"


def nothing() -> str:
    """There is none."""
    return "Nothing was refused."


def cost(causes: int, rows: int, hanging: int, cells: int, rows_in: int) -> str:
    """Rows lost of those given, how many only hang on others, and cells lost beside them."""
    told = f"{counted(causes, 'cause')}. Lost: {rows:,} of {counted(rows_in, 'row')}"
    if hanging:
        told += f", {hanging:,} of them only because the row they belong to was refused"
    if cells:
        told += f"; and {counted(cells, 'cell')} of rows that stay"
    return f"{told}."


def more(causes: int) -> str:
    """So many causes are not shown."""
    return f"... and {counted(causes, 'more cause')}; --all lists every cell."


def to_list() -> str:
    """How to have a list."""
    return "A list to work through in a spreadsheet, cell by cell: --out corrections.xlsx"


# ---------------------------------------------------------------- the list of corrections
SHEET = "to correct"
LIST = ("file or sheet", "row", "cell", "column", "what stands there", "expected", "lost",
        "rows that hang on it", "correct value")  # fmt: skip
WIDTHS = (16, 6, 8, 18, 26, 48, 8, 10, 26)


def what_is_lost(lost: str, cells: int) -> str:
    """ "row", "cell"; of several "12 rows"."""
    return lost if cells == 1 else counted(cells, lost)


def no_list() -> str:
    """Nothing to correct."""
    return "Nothing is to be corrected, so no list was written."


def list_written(path: str, shown: int, every: int) -> str:
    """Where the list is, and whether it is all."""
    if shown == every:
        return f"What to correct, {counted(every, 'line')}: {path}"
    return (
        f"What to correct, the first {shown:,} of {every:,} lines: {path}. "
        "Correct these and check again for the others."
    )
