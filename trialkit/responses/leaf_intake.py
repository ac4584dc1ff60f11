"""Leaves and husks taken in: residue behind the machine, per mass of its cobs."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit.responses.drawing import level_table, setup_effect, variance
from trialkit.responses.record import Response, Unlocked, fixed
from trialkit.responses.residue_mass import RESIDUE
from trialkit.responses.shares import SAMPLE_SD
from trialkit.words.terms import ENGLISH, amount


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """In % of the cobs' mass, averaged over random effects and samples."""
    half = 0.5 * (variance(truth.leaf_sd, strips, config) + SAMPLE_SD**2)

    def percent(cells: pd.DataFrame) -> np.ndarray:
        effect = np.exp(setup_effect(truth.leaf_ratios, cells) + half)
        return np.asarray(100.0 * truth.leaf_intake * effect)

    return level_table(config, percent, "percent")


LEAF_INTAKE = Response(
    "leaf_intake", "Leaves and husks taken in", 110, RESIDUE, "residue_mass", "lognormal",
    fixed(100.0, "%"), "sample", "leaves, husks and pieces of stalk",
    "logarithm of the mass per mass of cobs: Gaussian",
    {ENGLISH: amount("took in", "leaves and husks", "leaves and husks taken in",
                     count="look at what falls behind both")},
    _true,
    absent="No sample from behind the machine gives both its mass and that of leaves and husks, "
    "so what was taken in cannot be analysed.",
    size="sample_mass", rest=True, only=("taken_at", "behind"),
    lacking="samples from behind without both masses",
    remark="In per cent of the mass of the cobs they lay with, for an ear brings one cob "
    "whatever comes with it. Sampled from the top of what fell behind; common practice.",
    near=5.0, shown="line", short="leaves and husks taken in",
    unlocked=(Unlocked("leaves and husks taken in", 120),),
)  # fmt: skip
