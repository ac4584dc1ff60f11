"""Several contrasts at once: adjusted p values and simultaneous intervals.

All methods but Holm's come from one number per set of contrasts, the critical value ``c`` with
``P(max_i |T_i| <= c) = level`` under no difference. ``T_i = Z_i / S`` with ``Z`` normal and
``nu S^2`` chi-square with ``nu`` degrees of freedom; integrating over ``S`` last,

- "tukey": ``Z`` are the differences of ``k`` independent means, so the maximum is their range
  over ``sqrt(2)`` (exact for equal variances; Tukey 1953, Kramer 1956 otherwise, conservative by
  Hayter 1984, Ann. Stat. 12:61-75);
- "dunnett": the correlations of the contrasts at hand. Where ``corr(Z_i, Z_j) = l_i l_j``
  (comparisons with one control; any two contrasts) the probability is a one-dimensional integral
  (Dunnett 1955, J. Am. Stat. Assoc. 50:1096-1121; Dunnett & Sobel 1955, Biometrika 42:258-260)
  good to about 1e-10; other sets use the separation of variables of Genz & Bretz (2009,
  Computation of Multivariate Normal and t Probabilities) on fixed points, whose probabilities
  are good to about 1e-5 for ten contrasts and 5e-5 for thirty;
- "bonferroni": ``t`` at ``1 - (1 - level) / m``.

Each contrast is judged with its own degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache

import numpy as np
from scipy import optimize, stats
from scipy.special import ndtr, ndtri
from scipy.stats import qmc
from statsmodels.stats.multitest import multipletests

from trialkit.errors import ModelError

ADJUSTMENTS = ("none", "holm", "bonferroni", "tukey", "dunnett")
# A squared loading nearer to 1 makes a step too narrow for the points below: 1e-10 is lost.
DEGENERATE = 2.5e-3
_NORMAL = np.linspace(-8.5, 8.5, 401)
_NORMAL_WEIGHT = stats.norm.pdf(_NORMAL) * (_NORMAL[1] - _NORMAL[0])
_LEGENDRE, _LEGENDRE_WEIGHT = np.polynomial.legendre.leggauss(96)
LOG2_POINTS = 16
AT_ONCE = 4096

# P(max |T| <= c) as a function of c and the degrees of freedom.
Probability = Callable[[float, float], float]


def adjust(
    statistic: np.ndarray, df: np.ndarray, correlation: np.ndarray, method: str, level: float,
    means: int | None = None,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Adjusted two-sided p values and the critical value of every contrast.

    Parameters
    ----------
    statistic, df : ndarray, shape (contrasts,)
        t statistics and their degrees of freedom (infinite allowed).
    correlation : ndarray, shape (contrasts, contrasts)
        Correlation of the estimates; used by "dunnett".
    method : {"none", "holm", "bonferroni", "tukey", "dunnett"}
    level : confidence level of all intervals together.
    means : number of means compared, for "tukey".

    Returns
    -------
    p, critical : ndarray, shape (contrasts,)
        ``estimate -+ critical * se`` is the interval; for "holm" and "none" it is the single one.

    Raises
    ------
    ModelError
        If the method is unknown, or "tukey" is asked of contrasts that are not all pairs.
    """
    if method not in ADJUSTMENTS:
        raise ModelError(f"adjust {method!r} is not known; choose one of {ADJUSTMENTS}.")
    p = 2.0 * stats.t.sf(np.abs(statistic), df)
    single = stats.t.ppf(0.5 + level / 2, df)
    m = len(p)
    if method == "none" or m < 2:
        return p, single
    if method == "holm":
        return multipletests(p, method="holm")[1], single
    widest = stats.t.isf((1.0 - level) / (2 * m), df)
    if method == "bonferroni":
        return np.minimum(m * p, 1.0), widest
    if method == "tukey":
        if means is None or m != means * (means - 1) // 2:
            raise ModelError('adjust "tukey" is for all pairs; use "dunnett" for other contrasts.')
        probability = range_probability(means)
    else:
        probability = maximum_probability(correlation)
    adjusted, critical = np.empty(m), np.empty(m)
    shown = np.array([float(f"{nu:.9g}") for nu in df])  # equal but for rounding
    for nu in np.unique(shown):
        same = shown == nu
        for i in np.flatnonzero(same):
            tail = 1.0 - probability(abs(float(statistic[i])), nu)
            # Bonferroni's inequality holds exactly where the quadrature has run out of digits.
            adjusted[i] = min(max(tail, p[i]), m * p[i], 1.0)
        low, high = float(single[same][0]), float(widest[same][0])
        # Between the single quantile and Bonferroni's, give or take the error of the quadrature.
        critical[same] = critical_value(
            probability, nu, level, (low * (1 - 1e-3), high * (1 + 1e-3)), xtol=1e-6
        )
    return adjusted, critical


def critical_value(
    probability: Probability, df: float, level: float, between: tuple[float, float], xtol: float
) -> float:
    """``c`` with ``probability(c, df) = level``, sought on the tail's logarithm: near a line.

    Where quadrature puts it outside ``between`` (below 1 df or so the scale runs over too many
    orders of magnitude), the nearer end: both are bounds that hold exactly.
    """

    @cache
    def above(c: float) -> float:
        return float(np.log(max(1.0 - probability(c, df), 1e-300) / (1.0 - level)))

    low, high = between
    if above(low) <= 0.0 or above(high) >= 0.0:
        return low if above(low) <= 0.0 else high
    return float(optimize.brentq(above, *between, xtol=xtol))


def _over_scale(given: Callable[[np.ndarray], np.ndarray]) -> Probability:
    """``P(max |T| <= c)`` from ``given(b) = P(max |Z| <= b)``, by quadrature over ``log S``."""

    def probability(c: float, df: float) -> float:
        if np.isinf(df):
            return float(given(np.array([c]))[0])
        scale, weight = _scale(df)
        return float(weight @ given(c * scale))

    return probability


@lru_cache(maxsize=64)
def _scale(df: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes of ``S`` and their weights, which add up to one."""
    law = stats.chi2(df)
    low, high = 0.5 * np.log(np.maximum([law.ppf(1e-16), law.isf(1e-16)], 1e-300) / df)
    logs = 0.5 * (high + low) + 0.5 * (high - low) * _LEGENDRE
    square = np.exp(2.0 * logs)
    # The density of log S is that of nu S^2 times d(nu S^2) / d(log S).
    weight = _LEGENDRE_WEIGHT * law.pdf(df * square) * square
    return np.sqrt(square), weight / weight.sum()


def range_probability(k: int) -> Probability:
    """Largest difference among ``k`` means: the range, integrating over the largest mean."""

    def given(b: np.ndarray) -> np.ndarray:
        inside = ndtr(_NORMAL) - ndtr(_NORMAL - np.sqrt(2.0) * b[:, None])
        return k * inside ** (k - 1) @ _NORMAL_WEIGHT

    return _over_scale(given)


def maximum_probability(correlation: np.ndarray) -> Probability:
    """Largest ``|T|`` of contrasts with the given correlation, shape (contrasts, contrasts)."""
    loading = one_factor(correlation)
    if loading is None:
        return _separation(correlation)
    own = np.sqrt(1.0 - loading**2)

    def given(b: np.ndarray) -> np.ndarray:
        inside = np.ones((len(b), len(_NORMAL)))
        for shared, alone in zip(loading, own, strict=True):
            centre = shared * _NORMAL
            inside *= ndtr((b[:, None] - centre) / alone) - ndtr((-b[:, None] - centre) / alone)
        return inside @ _NORMAL_WEIGHT

    return _over_scale(given)


def one_factor(correlation: np.ndarray) -> np.ndarray | None:
    """Loadings ``l`` with ``corr_ij = l_i l_j`` off the diagonal, or None where there are none."""
    rest = correlation - np.eye(len(correlation))
    rest[np.abs(rest) < 1e-10] = 0.0
    # The row of the contrast that shares most with the others fixes the loadings up to a factor,
    # and a third contrast that factor.
    a = int(np.argmax(np.abs(rest).sum(axis=0)))
    b = int(np.argmax(np.abs(rest[a])))
    if rest[a, b] == 0.0:
        return np.zeros(len(rest))
    third = np.abs(rest[b])
    third[a] = 0.0
    c = int(np.argmax(third))
    square = rest[a, b] * rest[a, c] / rest[b, c] if third[c] > 0.0 else abs(rest[a, b])
    if not 0.0 < square < 1.0:
        return None
    loading = rest[a] / np.sqrt(square)
    loading[a] = np.sqrt(square)
    if np.abs(np.outer(loading, loading) - np.diag(loading**2) - rest).max() > 1e-7:
        return None
    return loading if (loading**2 < 1.0 - DEGENERATE).all() else None


def _separation(correlation: np.ndarray) -> Probability:
    """Separation of variables (Genz & Bretz 2009), ``S`` the first variable.

    Contrasts that depend on earlier ones are checked, not integrated, so any rank will do. The
    points are the same in every call, so the probability is smooth in the bound.
    """
    root = _pivoted_root(correlation)
    r = root.shape[1]
    # The last free direction a contrast uses is where its bounds bind.
    last = np.array([np.flatnonzero(np.abs(line) > 1e-9).max() for line in root])
    points = qmc.Sobol(max(r, 2), rng=1).random_base2(LOG2_POINTS)

    @cache
    def scale(df: float) -> np.ndarray:
        if np.isinf(df):
            return np.ones(len(points))
        return np.sqrt(stats.chi2.ppf(points[:, 0], df) / df)

    # Each contrast bounds its last direction by the earlier ones: -(a z) -+ b S.
    bounds = [
        [(root[row, :j] / root[row, j], 1 / abs(root[row, j])) for row in np.flatnonzero(last == j)]
        for j in range(r)
    ]

    def mass_of(part: slice, bound: np.ndarray) -> np.ndarray:
        n = len(bound)
        z, weight, middle, end = np.empty((r, n)), np.ones(n), np.empty(n), np.empty(n)
        for j in range(r):
            low, high = np.full(n, -np.inf), np.full(n, np.inf)
            for earlier, reach in bounds[j]:
                np.dot(earlier, z[:j], out=middle)
                np.multiply(bound, reach, out=end)
                np.minimum(high, np.subtract(end, middle, out=end), out=high)
                np.multiply(bound, -reach, out=end)
                np.maximum(low, np.subtract(end, middle, out=end), out=low)
            below = ndtr(low)
            mass = np.maximum(ndtr(high) - below, 0.0)
            weight *= mass
            if j < r - 1:
                z[j] = ndtri(np.clip(below + points[part, j + 1] * mass, 1e-16, 1 - 1e-16))
        return weight

    def probability(c: float, df: float) -> float:
        bound = c * scale(df)
        # Some points at a time, so that they stay in the processor's cache.
        parts = [slice(i, i + AT_ONCE) for i in range(0, len(points), AT_ONCE)]
        return float(np.concatenate([mass_of(part, bound[part]) for part in parts]).mean())

    return probability


def _pivoted_root(correlation: np.ndarray) -> np.ndarray:
    """``root`` (contrasts, rank) with ``root root' = correlation``, by pivoted Cholesky."""
    rest = correlation.astype(float).copy()
    columns = []
    while rest.diagonal().max() > 1e-9:
        j = int(np.argmax(rest.diagonal()))
        columns.append(rest[:, j] / np.sqrt(rest[j, j]))
        rest -= np.outer(columns[-1], columns[-1])
    return np.column_stack(columns)
