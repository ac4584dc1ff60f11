"""Counts and numbers beside the word of what is counted."""

from __future__ import annotations

from collections.abc import Iterable


def counted(n: int, one: str, many: str | None = None) -> str:
    """ "1 strip", "12 strips"."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def some_of(names: Iterable[object], most: int = 12) -> str:
    """The first names, and how many more there are: "1, 2, 3 and 4 more"."""
    every = [str(name) for name in names]
    more = f" and {len(every) - most} more" if len(every) > most else ""
    return ", ".join(every[:most]) + more


def plural(row: str) -> str:
    """ "frames", "searches"."""
    return f"{row}es" if row.endswith("ch") else f"{row}s"


def pair_or_block(together: int, levels: int = 2) -> str:
    """What strips side by side are called: so many at most, of a factor of so many levels."""
    return "pair" if together <= 2 and levels == 2 else "block"
