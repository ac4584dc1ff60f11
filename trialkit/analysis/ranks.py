"""Exact test of ordered scores: ranks compared within blocks.

Every reading gets its rank among all readings of the trial, ties the mean of theirs; a setup's
value in a block is the mean rank of its readings there (strip by strip), and the block's difference
from the reference keeps or changes its sign with equal chance if the setups do not differ. The
p-value is the share of sign patterns at least as extreme (`trialkit.randomisation`). Readings of a
strip and strips of a block are never taken for replicates, and the result does not change when the
steps between scores are stretched.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.design import Design
from trialkit.randomisation import paired_randomisation_test

# Seed of the sign patterns where there are too many blocks to count all of them.
SEED = 1


def rank_tests(readings: pd.DataFrame, design: Design, value: str) -> pd.DataFrame:
    """Test of every level against its reference.

    Parameters
    ----------
    readings : DataFrame
        One row per reading: ``field``, ``pair``, ``strip``, the setup factors and `value`.

    Returns
    -------
    DataFrame
        ``factor, level, p_rank, n_blocks``; p is missing where no block holds both setups.
    """
    ranked = readings.assign(rank=readings[value].rank())
    rows = []
    for factor in design.names:
        reference, *others = design.levels[factor]
        keys = ["field", "pair", factor]
        strips = ranked.groupby([*keys, "strip"], observed=True)["rank"].mean()
        wide = strips.groupby(keys, observed=True).mean().unstack(factor)
        for level in others:
            difference = (wide[level] - wide[reference]).dropna()
            p = np.nan
            if len(difference):
                p = paired_randomisation_test(difference.to_numpy(), seed=SEED).p
            rows.append((factor, level, p, len(difference)))
    return pd.DataFrame(rows, columns=["factor", "level", "p_rank", "n_blocks"])
