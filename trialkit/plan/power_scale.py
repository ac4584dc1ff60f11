"""From a true reduction to the contrast a model tests, and back.

Header loss of one factor, or of factors that do not interact, is tested by the log ratio of all
kernels behind the header (`trialkit.analysis.estimates`); damage by the log odds ratio; a factor
that interacts with others by the difference of its means.
"""

from __future__ import annotations

import math

import numpy as np

from trialkit.analysis.precision import detectable
from trialkit.plan.power_expected import Expected


def shift_of(share: float, response: str, crossed: bool, expected: Expected) -> float:
    """The tested contrast when a level has `share` less than its reference, above zero for less.

    Log ratio, log odds ratio, or for crossed factors kg/ha or percentage points.
    """
    if response == "kernel_damage":
        p = expected.damage
        if crossed:
            return 100 * p * share
        less = min(max(p * (1 - share), 1e-9), 1 - 1e-9)
        return math.log(p / (1 - p)) - math.log(less / (1 - less))
    if crossed:
        return expected.loss * share
    all_of_it = expected.loss + expected.preharvest
    return -math.log(max(1 - share * expected.loss / all_of_it, 1e-12))


def share_of(shift: float, response: str, crossed: bool, expected: Expected) -> float:
    """The reduction that makes a tested contrast of this size; missing where it is all or more."""
    if response == "kernel_damage":
        p = expected.damage
        odds = p / (1 - p) * math.exp(-shift)
        share = shift / (100 * p) if crossed else 1 - odds / (1 + odds) / p
    elif crossed:
        share = shift / expected.loss
    else:
        all_of_it = expected.loss + expected.preharvest
        share = (1 - math.exp(-shift)) * all_of_it / expected.loss
    return share if share < 1 else np.nan


def least_share(
    se: float, df: float, of: int, aim: float, confidence: float, response: str, crossed: bool,
    expected: Expected,
) -> float:  # fmt: skip
    """Smallest reduction told apart with power `aim`, by the noncentral t.

    Parameters
    ----------
    se, df : float
        Of the tested contrast: root mean square and median over rounds.
    of : int
        Comparisons of the factor; each is held to its Bonferroni share, the first of Holm's.
    """
    shift = detectable(se, df, aim, 1 - (1 - confidence) / of)
    return share_of(shift, response, crossed, expected)


def monte_carlo_error(hits: int, rounds: int) -> float:
    """Standard error of a share, above zero where all rounds agree.

    By Agresti & Coull (1998, Am. Stat. 52:119-126): two rounds of either kind are added.
    """
    near = (hits + 2) / (rounds + 4)
    return math.sqrt(near * (1 - near) / (rounds + 4))
