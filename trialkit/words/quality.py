"""What of a trial's files could not be used."""

from __future__ import annotations

from trialkit.quantities import number, upper_first
from trialkit.words.counts import counted


def rows_refused(rows: int, lost: tuple[int, int, int] | None, waiting: bool) -> str:
    """How many rows of how many.

    Parameters
    ----------
    rows : int
    lost : tuple of int, or None
        Rows refused, those of them that only hang on another refused row, and cells lost of rows
        that stay. None where nothing was refused.
    waiting : bool
        Whether other cells are still to be filled in.
    """
    line = f"Of {counted(rows, 'row')} in the trial's files "
    if lost is None:
        return f"{line}none was refused."
    refused, hanging, cells = lost
    rest = "" if waiting else "; nothing else was left out"
    if not refused:
        single = counted(cells, "cell")
        return f"{line}none was lost, but {single}, for the reasons listed here{rest}."
    told = f"{line}{number(refused, 0)} could not be used, for the reasons listed here"
    if hanging:
        told += f" ({number(hanging, 0)} only because the row they belong to was refused)"
    if cells:
        told += f"; nor could {counted(cells, 'cell')} of other rows"
    return f"{told}{rest}."


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


def causes_title() -> str:
    """Over the table of causes, for who reads the results."""
    return "What was refused, by cause"


def missing_title() -> str:
    """Over the gaps."""
    return "Missing values"


def looked_title() -> str:
    """Over counts far from the others."""
    return "Values looked at twice"


def read_so(file: str, notes: list[str]) -> str:
    """How one file was read."""
    told = " ".join(f"{upper_first(note.rstrip('.'))}." for note in notes)
    return f"{file}: {told}"


def gaps(table: str, rows: int, columns: list[tuple[str, int]]) -> str:
    """Columns of a table that were filled in with gaps."""
    told = ", ".join(f"{column} {n}" for column, n in columns)
    return f"{table} ({rows} rows): {told} missing."


def no_gaps() -> str:
    """None has one."""
    return "No column that was filled in has a gap."


def nothing_far() -> str:
    """Nothing is suspect."""
    return (
        "Speeds, gaps and days contradict neither the setups nor one another, and no count lies "
        "far from the others of its strip; none was left out."
    )
