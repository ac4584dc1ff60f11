"""What the data of a trial unlock, and why not, part by part."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.words.counts import counted


# ---------------------------------------------------------------- losses
def nothing_lost(frames: int) -> str:
    """Frames of the header's zone hold no kernel at all."""
    return (
        f"no kernel was counted in the frames of zone header ({frames}), so no setup can be "
        "told from another: count more ground"
    )


def header_loss(header: int, ahead: int, mass_taken: float | None) -> str:
    """Frames by zone; `mass_taken` (g) where the trial gives no thousand-kernel mass."""
    bare = "" if ahead else ", so standing loss cannot be taken off"
    taken = (
        "" if mass_taken is None
        else f"; no thousand-kernel mass given, {mass_taken:g} g taken"
    )  # fmt: skip
    return f"frames in zone header: {header}; in zone preharvest: {ahead}{bare}{taken}"


def processing_loss(behind: int, header: int, assumed: bool) -> str:
    """Frames of both zones, and whether the width residue fell on was given."""
    width = "; width the residue fell on not given, the header's assumed" if assumed else ""
    return f"frames in zone total: {behind}; in zone header: {header}{width}"


def apart(counted: int, behind: int) -> str:
    """Frames behind the machine with kernels on cobs."""
    return (
        f"frames in zone total with kernels_on_cobs: {counted} of {behind}; every one is needed"
    )


# ---------------------------------------------------------------- rows of a table
def rows_with(column: str, rows: int) -> str:
    """So many rows hold something in a column."""
    return f"rows with {column}: {rows}"


def no_value(table: str, what: str) -> str:
    """A table has rows, but none with this."""
    return f"table {table} has no value in {what}"


def no_table(table: str) -> str:
    """The trial has no such table."""
    return f"there is no table {table}"


def not_filled(table: str, waiting: int, refused: int) -> str:
    """The rows of a table wait to be filled in; some may have been refused."""
    also = f"; refused: {refused}" if refused else ""
    return f"no row of {table} is filled in yet ({waiting}){also}"


def no_rows(table: str, refused: int) -> str:
    """A table without rows: all refused, or none at all."""
    return f"every row of {table} was refused ({refused})" if refused else (
        f"table {table} has no rows"
    )  # fmt: skip


# ---------------------------------------------------------------- setups, fields, money
COMPARISON = "comparison of setups"
MOISTURE = "moisture as a covariate"
SPEED = "measured speed as a covariate"
GAP = "measured gap as a covariate"
FIELDS = "comparison of fields"
VALUE = "value of the loss"
PAYBACK = "payback of an option"


def nothing_compared(setups: int) -> str:
    """Fewer than two setups."""
    reason = "no setup factor is declared" if not setups else "every strip has the same setup"
    return f"{reason}; a comparison needs two"


def comparison(setups: int, complete: int) -> str:
    """Setups, and blocks that hold more than one of them."""
    pairs = "pair or block" if complete == 1 else "pairs or blocks"
    few = "; a comparison with an interval needs two" if complete < 2 else ""
    return f"{setups} setups, {complete} {pairs} with more than one of them{few}"


def fields(count: int) -> str:
    """So many fields."""
    return f"{count} field{'s' * (count != 1)}"


def value(currency: str | None) -> str:
    """Whether the grain has a price."""
    return f"price in {currency}" if currency else "no grain price among the settings"


def payback(factor: str, level: str) -> str:
    """Whether an option has a cost; empty where it has none, or grain no price."""
    if not factor:
        return "needs a grain price and an option's cost among the settings"
    return f"cost of {factor}: {level}"


# ---------------------------------------------------------------- the check of a header
HEADER_PARTS = {
    "header_check": ("header check", "header"),
    "stalks": ("stalk diameters", "diameter"),
    "ear_butts": ("ear-butt diameters", "diameter"),
}
"""What the check of the header reads, by table: what it is called, and a column of it."""


def header_rows(rows: int, checked: bool) -> str:
    """Rows that the check of a header reads, or could."""
    why = "for trialkit header, the check of it" if checked else "they need a table header_check"
    return f"rows kept: {rows}; {why}"


def headers(named: int, checked: int, strips: int) -> str:
    """Several headers: strips whose header was checked."""
    return (
        f"headers named by the strips: {named}; strips whose header was checked: "
        f"{checked} of {strips}"
    )


# ---------------------------------------------------------------- a trial as it was read
def rows(count: int) -> str:
    """ "1 row", "1,200 rows"."""
    return "1 row" if count == 1 else f"{count:,} rows"


def to_fill(left: Sequence[tuple[str, int, int]]) -> str:
    """Table, rows not filled in yet, rows in all."""
    parts = [
        f"{'all' if waiting == given else f'{waiting:,} of'} {rows(given)} in {table}"
        for table, waiting, given in left
    ]
    return f"Not filled in yet, and left out until they are: {'; '.join(parts)}."


def waiting(count: int) -> str:
    """Behind a trial's counts, in its short form; empty for none."""
    return f", {rows(count)} not filled in yet" if count else ""


NO_FACTORS = "No setup factors."
READ_COLUMNS = {"rows in": "rows", "rows kept": "kept", "rows refused": "refused",
                "rows not filled": "not filled in yet",
                "rows not due": "of these not due"}  # fmt: skip

_CAUSES_IN_MESSAGE = 8


def unusable(
    path: str,
    wanted: Sequence[str],
    files: Sequence[tuple[str, int, str]],
    causes: Sequence[str],
    header: bool,
) -> str:
    """A trial that cannot be used as a whole, with what is at fault.

    `files` are those of the tables wanted: name, rows in, notes; `causes` are told in a line each;
    `header` says whether its check of a header can be read.
    """
    what = "no strip" if list(wanted) == ["strips"] else "no row of a response table"
    lines = [f"{path} cannot be used: it holds {what} that could be kept."]
    if not files:
        lines.append(f"Add at least one of the tables {', '.join(wanted)}.")
    if header:
        lines.append(f"Its header check can be read before harvest: trialkit header {path}")
    for file, given, notes in files:
        if given:
            lines.append(f"{file}: all {given:,} rows were refused.")
        else:
            lines.append(f"{file} holds no data rows{f' ({notes})' if notes else ''}.")
    lines += [f"  {cause}" for cause in causes[:_CAUSES_IN_MESSAGE]]
    if len(causes) > _CAUSES_IN_MESSAGE:
        lines.append(f"  and {counted(len(causes) - _CAUSES_IN_MESSAGE, 'more cause')}")
    if causes:
        lines.append(
            "Correct these and read again. A list to work through in a spreadsheet: "
            f"trialkit check {path} --out corrections.xlsx"
        )
    return "\n".join(lines)
