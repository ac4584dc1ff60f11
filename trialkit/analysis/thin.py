"""Strips that say little of a setup, or nothing: named, so that nothing is dropped silently."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.errors import DesignError
from trialkit.facts import Note

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor, TrialConfig


def with_setup(config: TrialConfig, strips: pd.DataFrame, notes: list[Note]) -> pd.DataFrame:
    """Strips whose setup is recorded; `notes` names the others."""
    lacking = strips[[f.name for f in config.setups]].isna().any(axis=1)
    if lacking.any():
        without = tuple(map(str, strips.loc[lacking, "strip"]))
        notes.append(Note("design.setup_unrecorded", {"strips": without}))
    if lacking.all():
        raise DesignError("No measured strip has its setup recorded, so nothing can be compared.")
    return strips[~lacking]


def note_thin(
    factors: Sequence[SetupFactor],
    levels: dict[str, tuple[str, ...]],
    strips: pd.DataFrame,
    notes: list[Note],
) -> None:
    """Where the layout says little of a setup: blocks of one setup, and levels run once."""
    blocks = strips.groupby(["field", "pair"])
    # A setup factor that every block holds one level of has a sentence of its own.
    between = {f.name for f in factors if blocks[f.name].nunique().max() <= 1}
    for f in factors:
        if f.name in between:
            values = {"factor": f.label, "blocks": blocks.ngroups}
            notes.append(Note("design.between_blocks", values))
        for level in levels[f.name]:
            own = strips.loc[strips[f.name].eq(level), "strip"]
            if len(own) == 1:
                once = {"factor": f.label, "level": level, "strip": str(own.iloc[0])}
                notes.append(Note("design.run_once", once))
    within = [f.name for f in factors if f.name not in between]
    if not within:
        return
    alike = blocks[within].nunique().max(axis=1) <= 1
    alone = alike[alike].index
    if len(alone) > 0:
        names = [pair if strips["field"].nunique() == 1 else f"{fd} {pair}" for fd, pair in alone]
        pairs = {"pairs": tuple(map(str, names)), "of": blocks.ngroups}
        notes.append(Note("design.single_setup_pairs", pairs))
    fields = strips.groupby("field")[within].nunique().max(axis=1) <= 1
    if fields.any() and len(fields) > 1:
        single = {"fields": tuple(map(str, fields[fields].index)), "of": len(fields)}
        notes.append(Note("design.single_setup_fields", single))
