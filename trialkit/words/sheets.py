"""What stands in a sheet or a file beside its rows of data: found, named and put aside or filled.

`where` is what the file calls a line of itself: "row" in a sheet, "line" in delimited text.
"""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed

_MOST = 6


def places(where: str, lines: Sequence[int]) -> str:
    """Lines in words: "rows 4 to 9 and 12"; the first few runs where there are many."""
    runs: list[list[int]] = []
    for line in lines:
        if runs and line == runs[-1][1] + 1:
            runs[-1][1] = line
        else:
            runs.append([line, line])
    told = [f"{a:d}" if a == b else f"{a:d} to {b:d}" for a, b in runs[:_MOST]]
    more = sum(b - a + 1 for a, b in runs[_MOST:])
    told += [f"{more:,} more"] if more else []
    return f"{where}{'s' * (len(lines) > 1)} {listed(told)}"


def _quoted(texts: Sequence[str]) -> str:
    shown = [f'"{" ".join(t.split())[:60]}"' for t in texts[:_MOST]]
    more = [f"{len(texts) - _MOST:,} more"] if len(texts) > _MOST else []
    return listed([*shown, *more])


# ---------------------------------------------------------------- around the table
def titles(where: str, header: int, texts: Sequence[str]) -> str:
    """Rows above the header row."""
    return f"the header row is {where} {header}; above it stands {_quoted(texts)}, which is no data"


def header_again(where: str, lines: Sequence[int]) -> str:
    return f"{places(where, lines)}: the header row once more, left out; what follows it is read"


def sums(where: str, lines: Sequence[int], texts: Sequence[str]) -> str:
    """Rows of totals or means; `texts` are the words by which they were known, where there were."""
    known = f" ({_quoted(list(dict.fromkeys(texts)))})" if texts else ""
    many = len(lines) > 1
    return (
        f"{places(where, lines)}{known}: {'sums or means' if many else 'a sum or mean'} of the "
        f"table, no data row{'s' * many}, left out"
    )


def trailing(where: str, lines: Sequence[int], texts: Sequence[str]) -> str:
    return f"{places(where, lines)} below the table: {_quoted(texts)}, no data, left out"


def apart(where: str, lines: Sequence[int]) -> str:
    """Rows with something only beyond an empty column."""
    return (
        f"{places(where, lines)}: nothing in the table, something only in columns beyond an empty "
        "column; left out"
    )


def unit_row(where: str, line: int, symbols: Sequence[str]) -> str:
    """A row of the units that are expected anyway."""
    told = ", ".join(dict.fromkeys(symbols))
    return f"{where} {line} holds the units of the columns ({told}), no data row, left out"


def units_in_heads(heads: Sequence[str]) -> str:
    """What was expected where a row holds units, and others than the table's."""
    return (
        "no row of units: units stand in a row of their own; write them into the heads, "
        f"{', '.join(heads[:_MOST])}, and delete the row"
    )


def second_beside(columns: Sequence[str]) -> str:
    """What was expected where a second table stands beside the first."""
    return (
        f"one table; a second one begins here beside the first ({', '.join(columns[:4])}) and none "
        "of it is read: move its rows below the first, without its header row, or to another file"
    )


def second_below(where: str, first: int, last: int, rows: int) -> str:
    """What was expected where a second table begins below the first."""
    follows = f"; its {places(where, list(range(first, last + 1)))} are not read" if rows else ""
    if rows == 1:
        follows = f"; its {where} {last} is not read"
    return (
        f"one table; a second one begins here below the first{follows}: if its rows belong to the "
        "first table take out this header row and the blank rows above it, else move it elsewhere"
    )


# ---------------------------------------------------------------- cells of a sheet
def merged_filled(ranges: Sequence[str], column: str) -> str:
    """Merged cells of a label: each row of them gets it."""
    many = len(ranges) > 1
    what = f"{_ranges(ranges)} are{' each' * many} merged; only the first holds the {column}"
    return f"{what}: it was filled down over the rows"


def merged_kept(ranges: Sequence[str], column: str) -> str:
    """Merged cells of a value: it stays with the first row."""
    many = len(ranges) > 1
    return (
        f"{_ranges(ranges)} are{' each' * many} merged; only the first holds the {column}, and it "
        "is not repeated for the other rows: type it in every row it is for"
    )


def merged_across(ranges: Sequence[str]) -> str:
    """Merged cells over several columns."""
    many = len(ranges) > 1
    return (
        f"{_ranges(ranges)} are{' each' * many} merged over several columns; only the first "
        "column holds something"
    )


def _ranges(ranges: Sequence[str]) -> str:
    more = [f"{len(ranges) - _MOST:,} more"] if len(ranges) > _MOST else []
    return f"cells {listed([*ranges[:_MOST], *more])}"


def hidden(lines: Sequence[int], filtered: bool) -> str:
    """Rows that a spreadsheet does not show."""
    many = len(lines) > 1
    by = " by a filter" if filtered else ""
    return (
        f"{places('row', lines)} {'are' if many else 'is'} hidden in the spreadsheet{by} and "
        f"read like any other: delete {'them' if many else 'it'} if that is not meant"
    )


def hidden_columns(columns: Sequence[str]) -> str:
    many = len(columns) > 1
    return (
        f"column{'s' * many} {listed(list(columns))} {'are' if many else 'is'} hidden in the "
        "spreadsheet and read like any other"
    )


def hidden_sheet() -> str:
    return "the sheet is hidden in the spreadsheet and read like any other"


def formulas(columns: Sequence[str]) -> str:
    many = len(columns) > 1
    return (
        f"column{'s' * many} {listed(list(columns))} hold{'s' * (not many)} formulas: what the "
        "spreadsheet last worked out is read"
    )


def damaged_formats() -> str:
    return "some cells have a format that the workbook lacks: a date there is read as a day number"


def dates_for_names(
    column: str, where: str, lines: Sequence[int], texts: Sequence[str], names: Sequence[str]
) -> str:
    """Names that a spreadsheet turned into dates, and what they were read back as."""
    dates, read = (_quoted(list(dict.fromkeys(own))) for own in (texts, names))
    return (
        f"{places(where, lines)}: {column} is a date ({dates}); a spreadsheet makes one of a name, "
        f"so it was read as {read}. "
        "Format the cells as text and type the names again if that is not meant"
    )


def names_with_decimals(column: str) -> str:
    return f"names in {column} written as numbers with a decimal (1.0) were read as whole (1)"
