"""Second-order response surfaces: stationary point, its confidence region, settings near the best.

The linear predictor at a setting ``z`` (coded, shape (k,)) is ``r(z)'b`` with ``r`` quadratic in
``z``. Everything here needs only ``r``: its central differences are exact for a quadratic.

Sources: Myers & Montgomery, Response Surface Methodology (1995), chapter 6, and Box & Draper,
Empirical Model-Building and Response Surfaces (1987), chapter 10, for the stationary point
``z0 = -B^-1 b1 / 2`` and the canonical analysis (both from memory); Box & Hunter (1954, Biometrika
41:190-199) for its region, the settings at which a slope of zero in every direction is not refused
by F.

Settings near the best: what a setting ``z`` has above the unknown best is ``max_w M(z) - M(w)``, as
in comparisons with the best (Hsu 1984, Ann. Stat. 12:1136-1144; the method from memory). Its lower
bound is the largest of those of single differences, so their critical value is that of the largest
of all ``T(z, w)`` over ``w``, one-sided, by simulation of the multivariate t. Its upper bound need
only cover the difference from the one true best, whichever it is: the largest of the single upper
bounds with Student's t (an intersection-union test). Both hold for each setting with the confidence
stated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats

from trialkit.mixed import MixedFit

# Linear functions of the fixed effects at coded settings (n, k): shape (n, terms).
Rows = Callable[[np.ndarray], np.ndarray]

# An eigenvalue this small a part of the largest leaves the surface flat in its direction.
FLAT = 1e-10
# Settings among which the critical value is simulated, and draws: it is known to about 0.02.
SETTINGS = 100
DRAWS = 8000


@dataclass(frozen=True, slots=True)
class Stationary:
    """Where the surface is level.

    Attributes
    ----------
    point : ndarray, shape (k,)
        Coded.
    eigenvalues, axes : ndarray, shapes (k,) and (k, k)
        Of the matrix of second-order coefficients, smallest first; axes in columns.
    kind : {"minimum", "maximum", "saddle"}
    """

    point: np.ndarray
    eigenvalues: np.ndarray
    axes: np.ndarray
    kind: str


def slope_rows(rows: Rows, z: np.ndarray) -> np.ndarray:
    """Linear functions of the slopes at each setting, shape (n, k, terms)."""
    steps = np.eye(z.shape[1])
    return np.stack([(rows(z + e) - rows(z - e)) / 2 for e in steps], axis=1)


def stationary_point(rows: Rows, beta: np.ndarray, k: int = 2) -> Stationary | None:
    """The stationary point, or None where the surface is flat in a direction."""
    zero = np.zeros((1, k))
    slope = slope_rows(rows, zero)[0] @ beta
    # Half the second derivatives are the matrix of second-order coefficients.
    curvature = np.array(
        [(slope_rows(rows, zero + e)[0] - slope_rows(rows, zero)[0]) @ beta for e in np.eye(k)]
    )
    matrix = (curvature + curvature.T) / 4
    values, axes = np.linalg.eigh(matrix)
    if np.abs(values).min() <= FLAT * np.abs(values).max():
        return None
    kind = "minimum" if (values > 0).all() else "maximum" if (values < 0).all() else "saddle"
    return Stationary(np.linalg.solve(matrix, -slope / 2), values, axes, kind)


def level_region(fit: MixedFit, rows: Rows, z: np.ndarray, level: float, most: float) -> np.ndarray:
    """Settings at which a slope of zero is not refused, shape (n,), bool."""
    beta = fit.fixed_effects.to_numpy()
    tests = [fit.inference.f_test(contrast, beta) for contrast in slope_rows(rows, z)]
    f, df = np.array(tests, dtype=float).reshape(-1, 2).T
    return f <= stats.f.ppf(level, z.shape[1], np.minimum(df, most))


def critical_value(
    gradient: np.ndarray, covariance: np.ndarray, df: float, level: float, seed: int = 1
) -> float:
    """``c`` with ``P(max_w T(z, w) <= c) >= level`` for every setting ``z``.

    Parameters
    ----------
    gradient : ndarray, shape (settings, terms)
        Of the value at each setting in the fixed effects.
    covariance : ndarray, shape (terms, terms)
    df : float
        Common degrees of freedom.
    """
    if len(gradient) > SETTINGS:
        gradient = gradient[np.linspace(0, len(gradient) - 1, SETTINGS).round().astype(int)]
    values, vectors = np.linalg.eigh(covariance)
    root = gradient @ vectors * np.sqrt(np.maximum(values, 0.0))
    rng = np.random.default_rng(seed)
    draws = rng.standard_normal((DRAWS, root.shape[1])) @ root.T
    if np.isfinite(df):
        draws /= np.sqrt(rng.chisquare(df, DRAWS) / df)[:, None]
    draws = np.ascontiguousarray(draws.T)  # a row a setting, so that maxima run along memory
    size = np.linalg.norm(root, axis=1).max()
    found = []
    for i in range(len(root)):
        se = np.linalg.norm(root - root[i], axis=1)
        apart = se > 1e-9 * size
        if apart.any():
            largest = np.full(draws.shape[1], -np.inf)
            for j in np.flatnonzero(apart):
                np.maximum(largest, (draws[i] - draws[j]) / se[j], out=largest)
            found.append(np.quantile(largest, level))
    return float(max(found))


def excess(
    value: np.ndarray, gradient: np.ndarray, covariance: np.ndarray, lower: float, upper: float
) -> tuple[np.ndarray, np.ndarray]:
    """Bounds of what each setting has above the lowest of all, shape (settings,) each.

    Parameters
    ----------
    value : ndarray, shape (settings,)
    gradient : ndarray, shape (settings, terms)
    covariance : ndarray, shape (terms, terms)
    lower, upper : float
        Critical values of either bound.
    """
    low, high = np.empty_like(value), np.empty_like(value)
    side = gradient @ covariance
    own = np.einsum("ij,ij->i", side, gradient)
    for i in range(len(value)):
        difference = value[i] - value
        se = np.sqrt(np.maximum(own[i] + own - 2 * side @ gradient[i], 0.0))
        low[i] = (difference - lower * se).max()
        high[i] = (difference + upper * se).max()
    return np.maximum(low, 0.0), high
