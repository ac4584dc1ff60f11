"""Chances where something was believed of an option before the trial.

Probabilities of the trial alone are those of its confidence distribution: they hold where every
saving was equally believable before. A prior (``[model.prior]`` of trial.toml) is a normal
distribution of the logarithm of the ratio of header losses. By Bayes' rule the density of the log
ratio is then that of the t distribution behind the printed interval times the prior's. A difference
in kg/ha has no prior of its own: its distribution is drawn on by the same part as the ratio's, the
value at probability p of the trial alone standing for the log ratio at p.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from trialkit.facts import Comparison, Estimate
from trialkit.intake import Prior

_POINTS, _REACH = 4001, 12.0


def probabilities(log_ratio: Estimate, prior: Prior, p: np.ndarray) -> np.ndarray:
    """Where, in the trial's own distribution, the quantiles with the prior lie.

    Parameters
    ----------
    log_ratio : Estimate
        By the trial alone.
    prior : Prior
    p : ndarray, shape (n,)
        Probabilities with the prior.

    Returns
    -------
    ndarray, shape (n,)
        Probabilities by the trial alone of the same values.
    """
    if log_ratio.se == 0:  # known for certain: nothing believed before counts
        return np.asarray(p, dtype=float)
    middle, sd = prior.mean, prior.sd
    reach = np.linspace(-_REACH, _REACH, _POINTS)
    x = np.unique(
        np.concatenate([middle + sd * reach, log_ratio.value + log_ratio.se * reach,
                        np.linspace(middle, log_ratio.value, _POINTS)])
    )  # fmt: skip
    side = 1 + log_ratio.skew * np.sign(x - log_ratio.value)
    own = (x - log_ratio.value) / (log_ratio.se * side)
    log = stats.t.logpdf(own, log_ratio.df) - np.log(side) + stats.norm.logpdf((x - middle) / sd)
    density = np.exp(log - log.max())
    below = np.concatenate([[0.0], np.cumsum(np.diff(x) * (density[1:] + density[:-1]) / 2)])
    rises = np.concatenate([[True], np.diff(below) > 0])
    at = np.interp(np.asarray(p, dtype=float) * below[-1], below[rises], x[rises])
    se = log_ratio.se * (1 + log_ratio.skew * np.sign(at - log_ratio.value))
    return np.asarray(stats.t.cdf((at - log_ratio.value) / se, log_ratio.df))


def chance_with(found: Comparison, prior: Prior | None, most: float) -> float | None:
    """Probability, with the prior, that the difference lies below `most`; None where there is no
    prior, or a mean too near zero to carry a ratio.

    Parameters
    ----------
    found : Comparison
        Of the header loss.
    prior : Prior or None
    most : float
        kg/ha.
    """
    if prior is None or found.log_ratio is None:
        return None
    p = (np.arange(20_000) + 0.5) / 20_000
    values = found.distribution.quantile(probabilities(found.log_ratio, prior, p))
    return float((values < most).mean())
