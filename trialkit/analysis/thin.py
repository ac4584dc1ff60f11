"""Strips that say little of a setup, or nothing: named, so that nothing is dropped silently."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.errors import DesignError

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor, TrialConfig


def listed(names: Iterable[str], most: int = 12) -> str:
    """The first names, and how many more there are."""
    names = [str(name) for name in names]
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def with_setup(config: TrialConfig, strips: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    """Strips whose setup is recorded; `notes` names the others."""
    lacking = strips[[f.name for f in config.setups]].isna().any(axis=1)
    if lacking.any():
        notes.append(
            "The setup is not recorded in full for these strips, which take no part: "
            f"{listed(strips.loc[lacking, 'strip'])}."
        )
    if lacking.all():
        raise DesignError("No measured strip has its setup recorded, so nothing can be compared.")
    return strips[~lacking]


def note_thin(
    factors: Sequence[SetupFactor],
    levels: dict[str, tuple[str, ...]],
    strips: pd.DataFrame,
    notes: list[str],
) -> None:
    """Where the layout says little of a setup: blocks of one setup, and levels run once."""
    blocks = strips.groupby(["field", "pair"])
    # A setup factor that every block holds one level of has a sentence of its own.
    between = {f.name for f in factors if blocks[f.name].nunique().max() <= 1}
    for f in factors:
        if f.name in between:
            notes.append(
                f"{f.label} changes only between blocks: no pair (block) compares its levels, so "
                f"its effect is judged against the difference between {blocks.ngroups} blocks, "
                "not between strips side by side."
            )
        for level in levels[f.name]:
            own = strips.loc[strips[f.name].eq(level), "strip"]
            if len(own) == 1:
                notes.append(
                    f"Only one measured strip ({own.iloc[0]}) has {f.label} at {level}: what is "
                    "said of it cannot be told from what is peculiar to that strip, and its "
                    "interval rests on how strips of the other setups vary."
                )
    within = [f.name for f in factors if f.name not in between]
    if not within:
        return
    alike = blocks[within].nunique().max(axis=1) <= 1
    alone = alike[alike].index
    if len(alone) > 0:
        names = [pair if strips["field"].nunique() == 1 else f"{fd} {pair}" for fd, pair in alone]
        one = len(alone) == 1
        notes.append(
            f"{len(alone)} of {blocks.ngroups} pairs (blocks) {'has' if one else 'have'} strips of "
            f"one setup only ({listed(names)}). {'It stays' if one else 'They stay'} in the model, "
            "where such strips tell of the setups only through the difference between blocks."
        )
    fields = strips.groupby("field")[within].nunique().max(axis=1) <= 1
    if fields.any() and len(fields) > 1:
        notes.append(
            f"{int(fields.sum())} of {len(fields)} fields have one setup only "
            f"({listed(fields[fields].index)}): what they say of the setups is mixed with the "
            "difference between fields."
        )
