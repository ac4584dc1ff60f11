"""From a true reduction to the contrast a model tests, and back.

Header loss of one factor, or of factors that do not interact, is tested by the log ratio of all
kernels behind the header (`trialkit.analysis.estimates`); damage by the log odds ratio; a factor
that interacts with others by the difference of its means. All are averages over the levels of the
other factors, whose own reductions count: half the loss is half the difference.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import product

import numpy as np
from scipy import optimize, special

from trialkit.analysis.precision import detectable
from trialkit.plan.power_expected import Expected, Reductions

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

    Log ratio, log odds ratio, or for crossed factors kg/ha or percentage points. `others` are those
    of `others_of`; the contrast is the mean over them.
    """
    if response == "kernel_damage":
        start = _logit(expected.damage)

        def odds(less: float) -> float:
            return start - _logit(min(expected.damage * (1 - less), _WHOLE))

        if not crossed:
            return odds(share)
        at = start - np.array([sum(map(odds, combination)) for combination in others])
        return float(100 * np.mean(special.expit(at) - special.expit(at - odds(share))))
    loss = expected.loss * np.array([np.prod(1 - np.array(other)) for other in others])
    if crossed:
        return float(share * loss.mean())
    lying = expected.preharvest
    less = (loss + lying) / np.maximum(loss * (1 - share) + lying, (1 - _WHOLE) * (loss + lying))
    return float(np.log(less).mean())


def noise_of(
    share: float, response: str, crossed: bool, expected: Expected,
    others: Sequence[Sequence[float]] = ((),),
) -> float:  # fmt: skip
    """What the standard error of the tested contrast goes with when reductions change.

    1 on the link scale. A difference of means varies as the means times their relative errors (for
    damage as ``p (1 - p)``): the root of the sum of squares of the two.
    """
    if not crossed:
        return 1.0
    if response == "kernel_damage":
        start = _logit(expected.damage)
        own = [start - _logit(min(expected.damage * (1 - less), _WHOLE)) for less in (0.0, share)]
        more = [sum(start - _logit(min(expected.damage * (1 - r), _WHOLE)) for r in combination)
                for combination in others]  # fmt: skip
        p = special.expit(start - np.array(more)[:, None] - np.array(own))
        spread = p * (1 - p)
    else:
        times = np.array([np.prod(1 - np.array(other)) for other in others])
        spread = expected.loss * times[:, None] * np.array([1, 1 - share]) + expected.preharvest
    return float(np.hypot(*spread.mean(axis=0)))


def share_of(
    shift: float, response: str, crossed: bool, expected: Expected,
    others: Sequence[Sequence[float]] = ((),), simulated: float = 0.0,
) -> float:  # fmt: skip
    """The reduction that makes a tested contrast of this size, above zero; missing where it would
    have to be all of the loss or more.

    The size is one at a reduction of `simulated`, in terms of a standard error that goes with the
    reduction as in `noise_of`.
    """
    each = shift / noise_of(simulated, response, crossed, expected, others)

    def over(share: float) -> float:
        given = (share, response, crossed, expected, others)
        return shift_of(*given) - each * noise_of(*given)

    if over(_WHOLE) < 0:
        return np.nan
    return float(optimize.brentq(over, 0.0, _WHOLE, xtol=1e-10))


def _logit(share: float) -> float:
    return math.log(max(share, 1 - _WHOLE)) - math.log1p(-share)


def least_share(
    se: float, df: float, of: int, aim: float, confidence: float, response: str, crossed: bool,
    expected: Expected, others: Sequence[Sequence[float]] = ((),), simulated: float = 0.0,
) -> float:  # fmt: skip
    """Smallest reduction told apart with power `aim`, by the noncentral t; missing where none is.

    Parameters
    ----------
    se, df : float
        Of the tested contrast: root mean square and median over rounds at a reduction of
        `simulated`.
    of : int
        Comparisons of the factor; each is held to its Bonferroni share, the first of Holm's.
    aim : float
        Of the rounds that could be analysed; 1 and more is out of reach.
    """
    if aim >= 1:
        return np.nan
    shift = detectable(se, df, aim, 1 - (1 - confidence) / of)
    return share_of(shift, response, crossed, expected, others, simulated)


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
