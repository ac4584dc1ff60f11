"""What is found on a header as data: faults of single rows, and the list of what to fix."""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.facts import Note
from trialkit.words.header_findings import rows_named


@dataclass(frozen=True, slots=True)
class HeaderFault:
    """One fault of one row: kind (of `ADVICE`), where on it, how much (mm, or %), which row.

    ``key`` is what faults of several rows must share to be one of the header.
    """

    kind: str
    where: str
    amount: float
    place: int
    key: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class HeaderItem:
    """One entry of the list of what to fix.

    Attributes
    ----------
    row : str
        Label of its row; "" where it is told of the header.
    places : tuple of int
        Places of its rows in the report's table.
    rank : int
        1 is first.
    grade : str
        Of `GRADES`, the strongest of what is found.
    parts : tuple of str
        Parts of the row unit.
    found, do, why : tuple of Note
        What is found and by how much; what to do; the reason; each said in a part of a sentence.
    kinds : tuple of str
        Of `ADVICE`.
    but : tuple of str
        Of the header: rows that do not share it.
    read : int or None
        Of the header: rows in which it was read, None where those are all.
    """

    row: str
    places: tuple[int, ...]
    rank: int
    grade: str
    parts: tuple[str, ...]
    found: tuple[Note, ...]
    do: tuple[Note, ...]
    why: tuple[Note, ...]
    kinds: tuple[str, ...]
    but: tuple[str, ...] = ()
    read: int | None = None

    @property
    def whole(self) -> bool:
        """Whether it is told of the header, not of one row."""
        return not self.row

    @property
    def label(self) -> str:
        """ "Row 6", "All rows", "All rows but 3"."""
        return rows_named(self.row, self.but, self.read)
