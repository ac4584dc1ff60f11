"""Figures over many trials: every field by season, and a map of fields."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import lower_first, upper_first
from trialkit.words.counts import counted


# ---------------------------------------------------------------- the map
def mapped(fields: Sequence[tuple[str, str, bool]]) -> str:
    """The map in words: name, what was measured, whether it is the reader's own."""
    told = "; ".join(f"{n}{' (mine)' if own else ''}: {text}" for n, text, own in fields)
    return f"Map of {counted(len(fields), 'field')}, north up. {told}."


def on_map(value: str, unit: str) -> str:
    """What a field came to."""
    return f"difference {value}" if value == "not known" else f"difference {value} {unit}"


MAP_KEY = {"less": "less with it", "more": "more with it", "same": "no difference",
           "unknown": "not known"}  # fmt: skip


# ---------------------------------------------------------------- the figure by season
ALL, NEXT = "Mean of all", "Next field"


def forest_axis(label: str, reference: str, unit: str, less: str) -> str:
    """Along the foot of the figure by season."""
    return f"{upper_first(label)} minus\n{lower_first(reference)}, {unit} (left of 0: {less})"


def forest(
    title: str, label: str, reference: str, unit: str, fields: Sequence[tuple[str, int, str]],
    mean: str, following: str,
) -> str:  # fmt: skip
    """The figure in words."""
    told = "; ".join(f"{name} {season} {text}" for name, season, text in fields)
    after = f" The next field: {following}." if following else ""
    return (
        f"{title}: {lower_first(label)} minus {lower_first(reference)} in every field, {unit}, by "
        f"season. {told}. Mean of all: {mean}.{after}"
    )
