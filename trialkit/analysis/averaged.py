"""Predictions averaged over what is not known of how much units differ.

With few trials or fields the variance between them is hardly known, and is often estimated at
zero; predictions that take the estimate as true are then drawn wholly to the mean, with intervals
as narrow as the mean's. Here the standard deviations of the coarse units' effects run over a grid,
weighted by the restricted likelihood of the working response and a half-Cauchy density of each
standard deviation (Gelman 2006, Bayesian Anal. 1:515-533) with the scale of a single field's
estimate, which keeps two or three units from saying that anything is possible. That scale is read
from the fit, ``sqrt(fields)`` times the mean's standard error: the prior is an empirical one, tuned
by the same data, and not a weak statement made before they were seen. What vouches for the
intervals is how often they hold the truth (`trialkit.many.TrialsCompared`). At every point of the
grid a function of fixed effects and units has its best linear unbiased prediction and
standard error (`trialkit.analysis.predictions`); the answer is their mixture: mean, standard
deviation, and quantiles of a mixture of t distributions whose df are those within the units, by
which the finer variances were estimated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from scipy import special

from trialkit.analysis.predictions import Shared, UnitInformation

FIRST, SECOND = 24, 20
"""Points along each standard deviation: to find where the weight lies, and there."""
NEGLIGIBLE = 1e-4
AT_ONCE = 1 << 20
"""Numbers in the largest array of quantiles that are looked for together."""


@dataclass(frozen=True, slots=True)
class Averaged:
    """Functions of fixed effects and units, averaged over the spread of the units.

    Attributes
    ----------
    estimate, se, low, high : ndarray, shape (functions,)
        Mean and standard deviation of the mixture, and its quantiles.
    positive : ndarray, shape (functions,)
        Weight above zero; of a new unit, the share of such units expected above zero.
    share_low, share_high : ndarray, shape (functions,)
        Interval of the share of new units above zero; missing where a function has no new unit.
    """

    estimate: np.ndarray
    se: np.ndarray
    low: np.ndarray
    high: np.ndarray
    positive: np.ndarray
    share_low: np.ndarray
    share_high: np.ndarray


def averaged(
    information: UnitInformation, vary: Mapping[str, np.ndarray], fixed: np.ndarray,
    units: Mapping[str, Any], new: Mapping[str, np.ndarray], scale: float, df: float,
    level: float, shared: Shared | None = None,
) -> Averaged:  # fmt: skip
    """Linear functions of fixed effects and units, known and new.

    Parameters
    ----------
    information : UnitInformation
    vary : mapping of level to ndarray of bool, shape (columns,)
        Columns of each level that share a standard deviation, the one that is not known; the other
        columns' covariance stands at its estimate. Columns that vary are independent of the rest.
    fixed : ndarray, shape (functions, terms)
    units, shared
        Weights on units, as `UnitInformation.at` takes them.
    new : mapping of level to ndarray, shape (functions, columns)
        Weights on a new unit of a level, independent of all units seen.
    scale : float
        Standard deviation of a single field's estimate about the mean, by the fit: of prior (which
        is empirical by that) and grid.
    df : float
    level : float
        Of the intervals.
    """
    levels = list(vary)
    axes = [scale * _ratio(_midpoints(0.0, 1.0, FIRST)) for _ in levels]
    rough = _weights(information, vary, axes, scale)
    ends = [_range(rough.sum(axis=tuple(d for d in range(len(levels)) if d != own)))
            for own in range(len(levels))]  # fmt: skip
    axes = [scale * _ratio(_midpoints(low, high, SECOND)) for low, high in ends]
    weight = _weights(information, vary, axes, scale).ravel()
    kept = weight > NEGLIGIBLE * weight.max()
    sd = _grid(axes)[kept]
    weight = weight[kept] / weight[kept].sum()
    covariances = _covariances(information, vary, sd)
    found = information.at(covariances, fixed, units, shared)
    new_variance = np.zeros((1, len(fixed)))
    for name, w in new.items():
        cov = covariances.get(name, information.covariances[name][None])
        new_variance = new_variance + np.einsum("fi,gij,fj->gf", w, cov, w)
    variance = found.se**2 + new_variance
    mean, se = np.broadcast_to(found.estimate, variance.shape), np.sqrt(variance)
    estimate = weight @ mean
    total = np.sqrt(weight @ (variance + (mean - estimate) ** 2))
    tails = 0.5 - level / 2, 0.5 + level / 2
    low, high = (_quantile(p, weight, mean, se, df) for p in tails)
    positive = weight @ special.stdtr(df, mean / np.maximum(se, 1e-300))
    shares = _shares(weight, mean, np.broadcast_to(found.se, mean.shape), new_variance, df, tails)
    return Averaged(estimate, total, low, high, positive, *shares)


def _shares(
    weight: np.ndarray, mean: np.ndarray, se: np.ndarray, new_variance: np.ndarray, df: float,
    tails: tuple[float, float],
) -> list[np.ndarray]:  # fmt: skip
    """Quantiles of the share of new units above zero.

    With mean effect m and standard deviation s between new units the share is Phi(m / s) (Mathur &
    VanderWeele 2019, Stat. Med. 38:1336-1342); m / s is a mixture of t distributions here.
    """
    sd = np.broadcast_to(np.sqrt(new_variance), mean.shape)
    out = [np.full(mean.shape[1], np.nan) for _ in tails]
    new = (sd > 0).all(axis=0)
    if new.any():
        sd = sd[:, new]
        for share, p in zip(out, tails, strict=True):
            share[new] = special.ndtr(_quantile(p, weight, mean[:, new] / sd, se[:, new] / sd, df))
    return out


def _midpoints(low: float, high: float, n: int) -> np.ndarray:
    return low + (high - low) * (np.arange(n) + 0.5) / n


def _ratio(x: np.ndarray) -> np.ndarray:
    """From (0, 1) to all positive numbers."""
    return x / (1.0 - x)


def _grid(axes: Sequence[np.ndarray]) -> np.ndarray:
    """Every combination of the axes, shape (points, axes); one point where there are no axes."""
    points = list(product(*axes))
    return np.array(points, dtype=float).reshape(len(points), len(axes))


def _weights(
    information: UnitInformation, vary: Mapping[str, np.ndarray], axes: Sequence[np.ndarray],
    scale: float,
) -> np.ndarray:  # fmt: skip
    """Restricted likelihood times prior times the width of each cell, shape of the grid."""
    shape = tuple(len(a) for a in axes)
    sd = _grid(axes)
    loglik = information.at(_covariances(information, vary, sd)).loglik
    # The cells are even in x = sd / (sd + scale): d sd / d x = (sd + scale)^2 / scale.
    log_cell = (2.0 * np.log(sd + scale) - np.log(sd**2 + scale**2)).sum(axis=1)
    value = np.broadcast_to(loglik + log_cell, log_cell.shape)
    return np.asarray(np.exp(value - value.max()).reshape(shape))


def _range(weight: np.ndarray) -> tuple[float, float]:
    """Where along an axis, in x, all but a negligible part of the weight lies."""
    n = len(weight)
    inside = np.flatnonzero(weight > NEGLIGIBLE * weight.max())
    return max(int(inside[0]) - 1, 0) / n, min(int(inside[-1]) + 2, n) / n


def _covariances(
    information: UnitInformation, vary: Mapping[str, np.ndarray], sd: np.ndarray
) -> dict[str, np.ndarray]:
    out = {}
    for column, (level, chosen) in zip(sd.T, vary.items(), strict=True):
        fixed = np.where(np.logical_or.outer(chosen, chosen), 0.0, information.covariances[level])
        out[level] = fixed + column[:, None, None] ** 2 * np.diag(chosen.astype(float))
    return out


def _quantile(
    p: float, weight: np.ndarray, mean: np.ndarray, se: np.ndarray, df: float
) -> np.ndarray:
    """Quantile of each function's mixture of t distributions, by Newton's steps in a bracket."""
    parts = np.array_split(np.arange(mean.shape[1]), 1 + mean.size // AT_ONCE)
    return np.concatenate([_quantiles(p, weight, mean[:, k], se[:, k], df) for k in parts])


def _quantiles(
    p: float, weight: np.ndarray, mean: np.ndarray, se: np.ndarray, df: float
) -> np.ndarray:
    se = np.maximum(se, 1e-300)
    ends = mean + se * special.stdtrit(df, p)
    low, high = ends.min(axis=0), ends.max(axis=0)
    tolerance = 1e-7 * se.max(axis=0)
    x = weight @ ends
    peak = np.exp(special.gammaln((df + 1) / 2) - special.gammaln(df / 2)) / np.sqrt(df * np.pi)
    out = x.copy()
    left = np.arange(len(x))
    for _ in range(60):
        z = (x - mean) / se
        over = weight @ special.stdtr(df, z) - p
        low, high = np.where(over < 0, x, low), np.where(over > 0, x, high)
        slope = weight @ (peak * np.exp(-0.5 * (df + 1) * np.log1p(z * z / df)) / se)
        step = x - over / np.maximum(slope, 1e-300)
        new = np.where((step >= low) & (step <= high), step, 0.5 * (low + high))
        going = np.abs(new - x) > tolerance
        out[left] = x = new
        if not going.any():
            break
        if not going.all():
            left, x, low, high, tolerance = (v[going] for v in (left, x, low, high, tolerance))
            mean, se = mean[:, going], se[:, going]
    return np.asarray(out)
