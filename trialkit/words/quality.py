"""What of a trial's files could not be used."""

from __future__ import annotations

from trialkit.quantities import listed, number
from trialkit.words.counts import counted


def rows_refused(rows: int, refused: int | None, waiting: bool) -> str:
    """How many rows of how many.

    Parameters
    ----------
    rows : int
    refused : int or None
        None where no cell was.
    waiting : bool
        Whether other cells are still to be filled in.
    """
    line = f"Of {counted(rows, 'row')} in the trial's files "
    if refused is None:
        return f"{line}none was refused."
    rest = "" if waiting else "; nothing else was left out"
    return f"{line}{number(refused, 0)} could not be used, for the reasons listed here{rest}."


def lines(numbers: list[str], shown: int = 3) -> str:
    """ "line 4", "lines 4, 5 and 6", "lines 4, 5, 6 and 141 more"."""
    if len(numbers) <= shown:
        return f"{'line' if len(numbers) == 1 else 'lines'} {listed(numbers)}"
    return f"lines {', '.join(numbers[:shown])} and {len(numbers) - shown:,} more"


def more_listed() -> str:
    """Where the rest is."""
    return "More are listed by: trialkit check FOLDER --all"


# ---------------------------------------------------------------- in the researcher's page
def title() -> str:
    """Over all that is said of the data."""
    return "Data quality"


def refused_title() -> str:
    """Over the refused cells."""
    return "Refused rows"


def missing_title() -> str:
    """Over the gaps."""
    return "Missing values"


def looked_title() -> str:
    """Over counts far from the others."""
    return "Values looked at twice"


def gaps(table: str, rows: int, columns: list[tuple[str, int]]) -> str:
    """Columns of a table that were filled in with gaps."""
    told = ", ".join(f"{column} {n}" for column, n in columns)
    return f"{table} ({rows} rows): {told} missing."


def no_gaps() -> str:
    """None has one."""
    return "No column that was filled in has a gap."


def nothing_far() -> str:
    """No count is suspect."""
    return "No count lies far from the others of its zone; none was left out."


def refused_alike(where: str, column: str, cells: int, expected: str) -> str:
    """Cells of one column refused for one reason."""
    return f"{where}, {column}: {cells} {'cell' if cells == 1 else 'cells'}, expected {expected}."
