"""Score of material other than grain, judged by eye in the tank."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from trialkit.responses.drawing import level_table, setup_effect, variance
from trialkit.responses.record import Response, Unlocked, fixed
from trialkit.responses.residue_mass import LOOK, RESIDUE, SCORE_SD
from trialkit.responses.shares import SAMPLE_SD
from trialkit.words.terms import ENGLISH, height


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """Mean score.

    A score is the share over the reference's typical share, with an error of reading, rounded and
    cut to 0 to 5; its mean is the sum over k of the probability of a score of k or more, by
    Gauss-Hermite quadrature over the random effects. Its ratio has no meaning.
    """
    node, weight = np.polynomial.hermite_e.hermegauss(60)
    sd = np.sqrt(variance(truth.residue_sd, strips, config) + SAMPLE_SD**2)
    steps = np.arange(1, 6) - 0.5

    def score(cells: pd.DataFrame) -> np.ndarray:
        share = np.exp(setup_effect(truth.residue_ratios, cells)[:, None] + sd * node)
        least = special.ndtr((share[..., None] - steps) / SCORE_SD).sum(axis=-1)
        return np.asarray((least * weight).sum(axis=1) / weight.sum())

    return level_table(config, score, "score")


RESIDUE_SCORE = Response(
    "residue_score", "Score of material other than grain", 100, RESIDUE, "score", "normal",
    fixed(1.0, "score"), "strip", "score", "mean score of the strip: Gaussian",
    {ENGLISH: height("had", "score of material other than grain", LOOK)}, _true,
    remark="The score is an order, 0 none to 5 worst: its mean takes the steps to be equal, "
    "the test of ranks does not.",
    ratios=False, ordinal=True, near=0.25, only=("taken_at", "tank"), shown="line",
    short="score of material other than grain", unlocked=(Unlocked("residue by score", 110),),
)  # fmt: skip
