"""From a true reduction to the contrast a model tests, and back.

Header loss is tested by the log ratio of all kernels behind the header, a share by the log odds
ratio (`trialkit.analysis.intervals`). They are averaged over the levels of the other factors, whose
own reductions count; a factor that interacts with others is tested by the ratio (of odds) of its
averages.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import product

import numpy as np
from scipy import optimize, special

from trialkit.analysis.questions.precision import detectable
from trialkit.plan.power_expected import Expected, Reductions
from trialkit.responses import RESPONSES

# A level without loss at all has no logarithm.
_WHOLE = 1 - 1e-12


def others_of(
    factor: str, levels: Mapping[str, Sequence[str]], shares: Reductions
) -> tuple[tuple[float, ...], ...]:
    """Reductions of the other factors, one tuple for each combination of their levels."""
    own = [[shares.get(f, {}).get(v, 0.0) for v in known]
           for f, known in levels.items() if f != factor]  # fmt: skip
    return tuple(product(*own))


def shift_of(
    share: float, response: str, crossed: bool, expected: Expected,
    others: Sequence[Sequence[float]] = ((),),
) -> float:  # fmt: skip
    """The tested contrast when a level has `share` less than its reference, above zero for less.

    Log ratio or log odds ratio: the mean over `others`, those of `others_of`, or for `crossed`
    factors that of the means.
    """
    typical = expected.of(response).typical
    if RESPONSES[response].family == "binomial":
        start = _logit(typical)

        def odds(less: float) -> float:
            return start - _logit(min(typical * (1 - less), _WHOLE))

        if not crossed:
            return odds(share)
        at = start - np.array([sum(map(odds, combination)) for combination in others])
        one, other = (special.expit(at - less).mean() for less in (0.0, odds(share)))
        return float(_logit(one) - _logit(other))
    loss = typical * np.array([np.prod(1 - np.array(other)) for other in others])
    if crossed:
        loss = loss.mean(keepdims=True)
    lying = expected.lying(response)
    less = (loss + lying) / np.maximum(loss * (1 - share) + lying, (1 - _WHOLE) * (loss + lying))
    return float(np.log(less).mean())


def share_of(
    shift: float, response: str, crossed: bool, expected: Expected,
    others: Sequence[Sequence[float]] = ((),),
) -> float:  # fmt: skip
    """The reduction that makes a tested contrast of this size, above zero; missing where it would
    have to be all of the loss or more.
    """

    def over(share: float) -> float:
        return shift_of(share, response, crossed, expected, others) - shift

    if over(_WHOLE) < 0:
        return np.nan
    return float(optimize.brentq(over, 0.0, _WHOLE, xtol=1e-10))


def _logit(share: float) -> float:
    return math.log(max(share, 1 - _WHOLE)) - math.log1p(-share)


def least_share(
    se: float, df: float, of: int, aim: float, confidence: float, response: str, crossed: bool,
    expected: Expected, others: Sequence[Sequence[float]] = ((),),
) -> float:  # fmt: skip
    """Smallest reduction told apart with power `aim`, by the noncentral t; missing where none is.

    Parameters
    ----------
    se, df : float
        Of the tested contrast: root mean square and median over rounds.
    of : int
        Comparisons of the factor; each is held to its Bonferroni share, the first of Holm's.
    aim : float
        Of the rounds that could be analysed; 1 and more is out of reach.
    """
    if aim >= 1:
        return np.nan
    shift = detectable(se, df, aim, 1 - (1 - confidence) / of)
    return share_of(shift, response, crossed, expected, others)


def monte_carlo_error(hits: int, rounds: int) -> float:
    """Standard error of a share, above zero where all rounds agree.

    By Agresti & Coull (1998, Am. Stat. 52:119-126): two rounds of either kind are added.
    """
    near = (hits + 2) / (rounds + 4)
    return math.sqrt(near * (1 - near) / (rounds + 4))


def paired_error(moved: np.ndarray) -> float:
    """Standard error of the mean of -1, 0 and 1 over rounds, above zero where all agree.

    By Agresti & Min (2005, Stat. Med. 24:729-740): half a round is added to each of the four
    outcomes that two plans can have.
    """
    up, down, n = (moved > 0).sum() + 0.5, (moved < 0).sum() + 0.5, len(moved) + 2
    return float(np.sqrt(up + down - (up - down) ** 2 / n) / n)
