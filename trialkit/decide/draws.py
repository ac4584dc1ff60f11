"""Draws of what is uncertain: estimates, prices, areas."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy import stats

N_DRAWS = 20_000


def uniforms(n: int, columns: int, seed: int) -> np.ndarray:
    """A Latin hypercube, shape (n, columns): every column is evenly spread, their order random."""
    rng = np.random.default_rng(seed)
    cells = np.column_stack([rng.permutation(n) for _ in range(columns)])
    return (cells + rng.random((n, columns))) / n


def spread(given: Any, p: np.ndarray) -> np.ndarray:
    """Quantiles at `p` of what a user states about a number.

    Parameters
    ----------
    given : float or sequence
        One number is certain; two are the ends of a uniform distribution; three are the lowest,
        likeliest and highest of a triangular one; more are equally likely values, seen prices for
        one.
    p : ndarray, shape (n,)

    Raises
    ------
    ValueError
        When the numbers of a range do not rise.
    """
    values = np.atleast_1d(np.asarray(given, dtype=float))
    if not np.isfinite(values).all():
        raise ValueError(f"{given!r} holds something that is not a finite number.")
    if len(values) == 1:
        return np.full(len(p), values[0])
    if len(values) > 3:
        return values[np.minimum((p * len(values)).astype(int), len(values) - 1)]
    low, high = values[0], values[-1]
    if low > high or (len(values) == 3 and not low <= values[1] <= high):
        raise ValueError(f"the range {given!r} must rise: low, (likeliest,) high.")
    if low == high:
        return np.full(len(p), low)
    if len(values) == 2:
        return low + (high - low) * p
    return stats.triang.ppf(p, (values[1] - low) / (high - low), low, high - low)


def middle(given: Any) -> float:
    """Mean of what `spread` draws."""
    return float(np.mean(np.asarray(given, dtype=float)))


def summary(values: np.ndarray, level: float) -> tuple[float, float, float]:
    """Median and the ends of the central interval; infinite values keep their place."""
    tail = (1 - level) / 2
    probabilities: Sequence[float] = (0.5, tail, 1 - tail)
    median, low, high = np.quantile(values, probabilities, method="inverted_cdf")
    return float(median), float(low), float(high)


def t_vectors(
    values: np.ndarray, covariance: np.ndarray, df: float, n: int, seed: int
) -> np.ndarray:
    """Draws of a multivariate t with this centre, scale matrix and df, shape (n, k)."""
    k = len(values)
    p = uniforms(n, k + 1, seed)
    eigenvalues, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(eigenvalues, 0.0, None))
    normal = stats.norm.ppf(np.clip(p[:, :k], 1e-12, 1 - 1e-12))
    scale = np.sqrt(stats.chi2.ppf(p[:, k], df) / df) if np.isfinite(df) else np.ones(n)
    return values + (normal @ root.T) / scale[:, None]
