"""What is true of every response of a simulated trial, to hold an analysis or a page against.

Where the truth says nothing of a setup's effect there is none, and a difference that is told is one
that the luck of the draw made.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.simulate.truth import (
    Truth,
    level_table,
    setup_shift,
    true_broken_corn,
    true_butt_damage,
    true_damage,
    true_dropped_ears,
    true_header_loss,
    true_leaf_intake,
    true_processing_loss,
    true_residue,
    true_residue_score,
    true_yield,
)

if TYPE_CHECKING:
    from trialkit.trial import Trial

Of = Callable[[Truth, "Trial"], pd.DataFrame]


def true_preharvest_loss(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Kernels (kg/ha) on the ground before harvest: the same for every setup."""
    density = truth.preharvest * np.exp(0.5 * sum(sd**2 for sd in truth.preharvest_sd.values()))
    kg_ha = units.kernels_per_m2_to_kg_ha(density, trial.config.thousand_kernel_mass)
    return level_table(trial.config, lambda cells: np.full(len(cells), kg_ha), "kg_ha")


def _shifted(column: str, unit: str) -> Of:
    """A column of the strips: its mean is drawn, the setups' shifts are stated."""

    def true_of(truth: Truth, trial: Trial) -> pd.DataFrame:
        mean = float(trial.strips[column].astype(float).mean())
        shifts = truth.strip_shifts.get(column, {})
        return level_table(trial.config, lambda cells: mean + setup_shift(shifts, cells), unit)

    return true_of


def _foreign(truth: Truth, trial: Trial) -> pd.DataFrame:
    """0.1 to 0.6 % of every sample, whatever the setup."""
    return level_table(trial.config, lambda cells: np.full(len(cells), 0.35), "percent")


TRUE: Mapping[str, Of] = {
    "header_loss": true_header_loss,
    "kernel_damage": true_damage,
    "ear_butt_damage": true_butt_damage,
    "dropped_ears": true_dropped_ears,
    "preharvest_loss": true_preharvest_loss,
    "processing_loss": true_processing_loss,
    "broken_corn": true_broken_corn,
    "foreign_material": _foreign,
    "residue_mass": true_residue,
    "residue_score": true_residue_score,
    "leaf_intake": true_leaf_intake,
    "yield": true_yield,
    "moisture": _shifted("moisture", "percent"),
    "test_weight": _shifted("test_weight", "kg_hL"),
}
"""Response to the function that gives its true means, ratios and differences."""


def truths(truth: Truth, trial: Trial) -> dict[str, pd.DataFrame]:
    """True means by response, of what the trial counted.

    Returns
    -------
    dict of DataFrame
        ``factor, level``, the mean in the unit that names its column, ``ratio, difference`` against
        the reference; in a trial in US units grain per area also as ``bu_ac, difference_bu_ac``.
    """
    counted = {
        "ear_butt_damage": len(trial.ear_butt_damage) > 0,
        "leaf_intake": trial.residue["taken_at"].eq("behind").any(),
        "dropped_ears": len(trial.ears) > 0,
        "processing_loss": trial.frames["zone"].eq("total").any(),
    }
    out = {}
    for name, true_of in TRUE.items():
        if not counted.get(name, True):
            continue
        table = true_of(truth, trial)
        if trial.config.units == "US" and "kg_ha" in table:
            per_ac: Any = units.kg_ha_to_bu_ac
            table = table.assign(
                bu_ac=per_ac(table["kg_ha"]), difference_bu_ac=per_ac(table["difference"])
            )
        out[name] = table
    return out
