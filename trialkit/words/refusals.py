"""What was expected of a cell or a row that is refused: kept beside what stood there."""

from __future__ import annotations

from collections.abc import Sequence


# ---------------------------------------------------------------- a cell by itself
def value_needed() -> str:
    return "a value: this cell must not be empty"


def readable_text() -> str:
    return "readable text; the file is damaged here or not saved as UTF-8"


def label_not_formula() -> str:
    return "a label, not a formula"


def name_not_date(column: str) -> str:
    """A name that a spreadsheet turned into a date, and nothing tells which name it was."""
    return (
        f"a name of the {column}, not a date: a spreadsheet makes one of a name such as 1-2. "
        "Format the cell as text and type the name again"
    )


def plain_label() -> str:
    return "a label without control characters"


def short_label(most: int) -> str:
    return f"a label of at most {most} characters"


def one_of(levels: Sequence[str]) -> str:
    return "one of " + ", ".join(map(repr, levels))


def within(low: float, high: float, unit: str, whole: bool) -> str:
    """A number (`whole`: a count) from low to high in the unit of the file."""
    kind = "a whole number" if whole else "a number"
    return f"{kind} from {_short(low)} to {_short(high)} {unit}".rstrip()


def _short(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def no_formula() -> str:
    return "not a formula"


def without_doubt(text: str) -> str:
    return f"written without doubt: {text!r} can be read as thousands or as decimals"


def decimal_point(number: str) -> str:
    """A number with a decimal comma in a file whose mark is the point."""
    return f"with a decimal point, as {number}"


def one_decimal_mark() -> str:
    return "with one decimal mark in the whole file, which uses point and comma"


def unit_among(known: Sequence[str]) -> str:
    return f"in a unit among {', '.join(known)}"


def fraction_not_date() -> str:
    """A spreadsheet turned a fraction into a date."""
    return "not a date: a spreadsheet makes one of 1-3/8; write 1.375, or 1 3/8 in a text cell"


def decimals_in(unit: str) -> str:
    return f"decimals in {unit}, or a fraction with its unit, as in 1-1/4 in"


def tape_fraction() -> str:
    return "a fraction as a tape has it, such as 1-3/8 (halves to 64ths, smaller than one)"


def date_that_exists() -> str:
    return "a date that exists, as 2026-10-03 or 2026-10-03 14:30"


def date_in_season(first: str, last: str) -> str:
    return f"a date in the season, {first} to {last}"


def date_read_one_way() -> str:
    return (
        "a date that cannot be read both ways, as 2026-10-03 "
        '(or date_order = "month-first" or "day-first" among the settings)'
    )


# ---------------------------------------------------------------- the shape of a file
def quotes_in_pairs() -> str:
    return "quotation marks in pairs around a cell"


def as_many_cells(width: int, found: int) -> str:
    return (
        f"{width} cells, as in the header row; found {found} "
        "(a cell that holds the separator needs quotation marks)"
    )


def one_column(name: str) -> str:
    return f"one column {name!r}; the header row has several"


def column_needed(header: str, near: str = "") -> str:
    """A column that the header row lacks; `near` is what may be meant for it."""
    hint = f"; perhaps {near!r} is meant for it" if near else ""
    return f"a column {header!r} in the header row{hint}"


def unit_in_header(known: Sequence[str], found: str | None) -> str:
    return f"a unit among {', '.join(known)} in the header; found {found!r}"


def length_in_header(found: str | None) -> str:
    return f"a unit of length in the header; found {found!r}"


def row_of_table(faults: int, column: str, expected: str, table: str) -> str:
    """A row that is none of its table as it stands; the first of its faults."""
    thing = "strip" if table == "strips" else f"row of {table}"
    return (
        f"a row of the table; it is none as it stands ({faults} of its cells cannot be read, the "
        f"first: {column}, expected {expected}); correct it, or delete it if it is no {thing}"
    )


# ---------------------------------------------------------------- rows against each other
def row_once(line: int) -> str:
    return f"this row once; it repeats line {line}"


def one_row_for(key: Sequence[str], lines: Sequence[int], column: str) -> str:
    """Rows of one key that differ in a column."""
    every = " and ".join(map(str, lines))
    if len(key) == 1:
        often = "twice" if len(lines) == 2 else "more than once"
        return (
            f"a name of its own for every {key[0]}: this one stands {often}, and lines {every} "
            f"differ in {column}"
        )
    return f"one row for this {' and '.join(key)}: lines {every} differ in {column}"


def kept_one(column: str) -> str:
    """A label whose own row was refused."""
    return f"a {column} whose own row was kept"


def listed_one(column: str, files: Sequence[str]) -> str:
    """A label that no file lists."""
    return f"a {column} listed in {' or '.join(files)}"


def one_level(factor: str, lines: Sequence[int]) -> str:
    """A factor that changed within a main strip."""
    return f"one level of {factor} in a main strip; lines {', '.join(map(str, lines))} differ"


# ---------------------------------------------------------------- more of cells
def no_level_of_yes(factor: str, levels: int) -> str:
    """A yes or a no where it does not tell the level of a factor."""
    why = "neither is what the factor is called" if levels == 2 else f"it has {levels} levels"
    return f"; a yes or a no does not tell which is meant for {factor}: {why}"


def with_readable(column: str) -> str:
    """A part whose whole, or a whole whose part, cannot be read."""
    return f"a {column} beside it that can be read"
