"""Yields that cannot be meant in the unit of their column, and single ones ten times off."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.contradictions.places import places
from trialkit.facts import Note
from trialkit.quantities import number, scales
from trialkit.units import convert

if TYPE_CHECKING:
    from trialkit.trial import Trial

USUAL = (1900.0, 22_000.0)
"""kg/ha (30 to 350 bu/ac) that the middle strip of a trial yields, as a rule (common practice)."""
TENTH = (1 / 14, 1 / 7)
"""Shares of the others' median that are about a tenth (common practice); ten times are their
inverse."""
LEAST = 3
"""Yields that a trial must have for one of them to be held against the others."""
_OTHERS = ("t/ha", "kg/ha", "bu/ac", "lb/ac")


def of_yields(trial: Trial) -> Iterator[Note]:
    """A median yield that another unit explains, then strips a tenth or ten times of the others."""
    strips = trial.used.strips
    strips = strips[strips["yield"].gt(0)]
    read = strips["yield"].astype(float)
    if read.empty:
        return
    own, middle = scales("kg/ha", trial.config.units)[0], float(read.median())
    shown = middle * own.factor
    if middle < USUAL[0]:
        fit = [unit for unit in _OTHERS
               if USUAL[0] <= float(convert(shown, unit, "kg/ha")) <= USUAL[1]]  # fmt: skip
        if fit:
            values = {"read": f"{number(shown, 1)} {own.unit}", "strips": len(read),
                      "unit": fit[0]}  # fmt: skip
            yield Note("contradictions.low_yield", values)
    if len(read) < LEAST:
        return
    for name, row in strips.iterrows():
        others = float(read.drop(index=name).median())
        share = float(row["yield"]) / others
        low = TENTH[0] <= share <= TENTH[1]
        if low or TENTH[0] <= 1 / share <= TENTH[1]:
            told = [number(v * own.factor, 1) for v in (row["yield"], others)]
            yield Note(
                "contradictions.far_yield",
                {"read": f"{told[0]} {own.unit}", "others": f"{told[1]} {own.unit}", "low": low,
                 "places": places(pd.DataFrame([row]))},
            )  # fmt: skip
