"""How a file was read, and what has to be asked about what it says: notes kept with a trial."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed
from trialkit.words.columns import called


def title() -> str:
    """Over the notes of every file."""
    return "How the files were read"


# ---------------------------------------------------------------- files
def empty_file() -> str:
    return "the file is empty"


def empty_sheet() -> str:
    return "the sheet is empty"


def read_as(encoding: str) -> str:
    return f"read as {encoding}"


def old_encoding() -> str:
    return "not UTF-8: read as Windows-1252; save it as UTF-8"


def unknown_encoding() -> str:
    return "not UTF-8 and not surely anything else; save it as UTF-8"


_SEPARATORS = {";": "semicolons", "\t": "tabs", "|": "vertical bars"}


def separated_by(mark: str) -> str:
    return f"cells are separated by {_SEPARATORS[mark]}"


def no_such_table(near: str = "", how: str = "rename") -> str:
    """A file or sheet of no table's name; `near` is the one that may be meant, and `how` ("rename",
    "save") it becomes that."""
    hint = f"; {how} it {'to' if how == 'rename' else 'as'} {near} if it is that table"
    return f"not read: no table has this name{hint if near else ''}"


def not_read(why: str) -> str:
    """A file that cannot be used, and why."""
    return f"not read: {why}"


def no_strips_to_refer_to() -> str:
    return "not read: there is no strips table it could refer to"


def read_the_workbook(path: str) -> str:
    return f"To read the workbook give {path}. "


def not_usable(expected: str) -> str:
    """A file without a header row that can be used."""
    return f"not usable without {expected}"


def head_read(head: str, name: str) -> str:
    """A head that is written otherwise than the column it means."""
    return f"column {head!r} is read as {name}"


def columns_not_read(file: str, columns: Sequence[str], near: Sequence[str]) -> str:
    """Columns of no known name; `near` has the known one that each may mean, "" where none."""
    many = "s" * (len(columns) > 1)
    what = "" if columns[0].startswith("column ") else f"column{many} "
    told = f"Not read: {what}{', '.join(columns)} of {file} (kept with the trial)"
    hints = [f"{column!r} may be meant for {name}"
             for column, name in zip(columns, near, strict=True) if name]  # fmt: skip
    return f"{told}; {listed(hints)}" if hints else told


def kept_aside(columns: Sequence[str]) -> str:
    return f"columns kept aside: {', '.join(columns)}"


# ---------------------------------------------------------------- cells
def thousands_parted() -> str:
    return "thousands separators were taken out"


def decimal_commas() -> str:
    return "decimal commas were read as such"


def converted(column: str, named: str, unit: str) -> str:
    return f"cells of {column} written in {named} were converted to {unit}"


def dates_read(order: str) -> str:
    return f"dates with strokes were read {order}"


def day_numbers() -> str:
    return "spreadsheet day numbers were read as dates"


# ---------------------------------------------------------------- tables against each other
def without_row(column: str, file: str, names: Sequence[str]) -> str:
    """Labels of strips that the table about them does not hold."""
    return f"{column}s without a row in {file}: {_first(names)}"


_THIN = {"strip": "one strip", "setup": "one setup only"}


def thin_pairs(single: str, pairs: Sequence[tuple[str, str]]) -> str:
    """Pairs (each with its field) with a single "strip", or strips of a single "setup"."""
    names = [f"{pair} of {field}" for field, pair in pairs]
    return f"pairs with {_THIN[single]}: {_first(names)}"


def _first(names: Sequence[str], most: int = 8) -> str:
    more = f" and {len(names) - most:,} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


# ---------------------------------------------------------------- header checks
def one_gap(old: Sequence[str], new: Sequence[str]) -> str:
    """Columns of older sheets with a gap read twice."""
    return (
        f"{', '.join(old)}: a gap has two edges at one station, so two readings of it on older "
        f"sheets are taken as readings of one gap, and their mean as {' and '.join(new)}"
    )


def both_rolls(old: Sequence[str], new: Sequence[str]) -> str:
    """A column of older sheets with one reading for both rolls."""
    return f"{', '.join(old)}: one reading a row is taken for both rolls: {' and '.join(new)}"


def readings_apart(columns: Sequence[str], rows: Sequence[str]) -> str:
    """Two readings of one gap that differ by more than they may."""
    many = "s" * (len(rows) > 1)
    return (
        f"{' and '.join(columns)} differ by more than 3/16 in (4.8 mm) in row{many} "
        f"{', '.join(rows)}: measure the gap there again"
    )


_AGAINST = {
    "set": "about half of the {gap} it was set to",
    "rows": "about half of the {gap} that other rows read",
    "usual": "about half of a usual gap of {gap}, and so do all rows",
}


def half_a_gap(
    column: str, rows: Sequence[str], shown: Sequence[str], gap: str, against: str
) -> str:
    """Readings near half of a gap.

    Parameters
    ----------
    column : str
    rows : sequence of str
        Their names.
    shown : sequence of str
        The least and the most of the readings, with their unit.
    gap : str
        What they are held against, with its unit.
    against : {"set", "rows", "usual"}
        What that is.
    """
    who = f"row {rows[0]} reads" if len(rows) == 1 else f"rows {listed(list(rows))} read"
    ends = " to ".join(dict.fromkeys(shown))
    return (
        f"the {called(column)} of {who} {ends}, {_AGAINST[against].format(gap=gap)}: was it "
        "measured from the centre to one edge? A gap is measured from edge to edge."
    )


# ---------------------------------------------------------------- more of cells
def dates_assumed(example: str, order: str, other: str) -> str:
    """Dates that can be read both ways, in a trial from where one order is usual."""
    return (
        f"dates such as {example} were read {order}, as is usual in the US; "
        f'date_order = "{other}" among the settings changes it'
    )


def commas_settled(column: str, decimal: bool) -> str:
    """Commas read in the one way that the column can hold."""
    what = "decimal marks" if decimal else "thousands separators"
    return f"commas in {column} were read as {what}: read otherwise it could not be {column}"


def units_in_cells() -> str:
    return "units written into cells were read"


def fractions() -> str:
    return "fractions such as 1 1/4 were read"


def marks_as_levels(factor: str, meant: str, other: str) -> str:
    """A yes or a no where the level of a factor of two is meant."""
    return f"in {factor} a check mark or a yes was read as {meant!r}, a no as {other!r}"


def words_as_levels(factor: str) -> str:
    """The words of reports where the name of a level is meant."""
    return f"in {factor} the words that reports use for a level were read as the level"


def column_not_used(column: str, expected: str) -> str:
    """An optional column whose header cannot be used."""
    return f"column {column} is left out; it needs {expected}"


def at_line(file: str, line: int) -> str:
    """Where a row stands."""
    return f"{file}, line {line}"


def unexpected(kind: str, text: str) -> str:
    """A trial that provoked an error nobody foresaw; `kind` is the error's, `text` its own words.
    """
    told = " ".join(text.split())
    about = f": {told[:197]}..." if len(told) > 200 else f": {told}" if told else ""
    return f"Reading it failed in a way that was not foreseen ({kind}{about})."


def closed_folder(reason: str) -> str:
    """A folder that cannot be looked into, with the system's words."""
    return f"The folder cannot be read ({reason})."
