"""Least squares of strips whose neighbours may be alike: first-order autocorrelation.

``y = X b + sum_k Z_k u_k + e`` with ``u_k ~ N(0, v_k)`` independent and ``cov(e_i, e_j) = v
phi^|p_i - p_j|`` for strips of one run of places ``p`` (whole numbers), zero between runs.
Variances and ``phi`` maximise the restricted likelihood, ``v`` profiled out; ``b`` by generalised
least squares. Without ``Z`` it is what nlme's ``gls`` fits with ``corAR1`` (Pinheiro & Bates 2000,
Mixed-Effects Models in S and S-PLUS, sections 5.3 and 5.4), and with a field's effect its ``lme``;
a test holds it to both. Standard errors take the variances as known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from trialkit.errors import ModelError

MOST_ALIKE = 0.99
"""Beyond this neighbours are one: the error is no longer told from a level of its run."""
_LARGEST = 12.0  # of a log ratio of variances, either way


@dataclass(frozen=True, slots=True)
class SerialFit:
    """A fit of strips.

    Attributes
    ----------
    estimate, covariance : ndarray, shapes (p,) and (p, p)
        Of the fixed effects.
    phi : float
        Correlation of next neighbours.
    variances : ndarray, shape (number of Z + 1,)
        Of the random effects, that of the error last.
    loglik : float
        Restricted, at its maximum, with the constant that nlme and lme4 count.
    """

    estimate: np.ndarray
    covariance: np.ndarray
    phi: float
    variances: np.ndarray
    loglik: float


def fit_serial(
    y: np.ndarray, x: np.ndarray, groups: Sequence[np.ndarray], runs: np.ndarray,
    places: np.ndarray, *, alike: bool = True,
) -> SerialFit:  # fmt: skip
    """Fit by restricted maximum likelihood.

    Parameters
    ----------
    y : ndarray, shape (n,)
    x : ndarray, shape (n, p)
        Of full column rank.
    groups : sequence of ndarray, shape (n, any)
        Columns of each random effect.
    runs, places : ndarray of int, shape (n,)
        Run of places each strip belongs to, and its place in it.
    alike : bool
        Whether neighbours may be alike; else ``phi`` is zero.

    Raises
    ------
    ModelError
        When nothing is left to estimate a variance from.
    """
    n, p = x.shape
    if n - p < 2 or np.linalg.matrix_rank(x) < p:
        raise ModelError("too few strips for their setups, fields and places.")
    apart = np.abs(places[:, None] - places[None, :]).astype(float)
    together = runs[:, None] == runs[None, :]
    shared = [z @ z.T for z in groups]

    def error(phi: float) -> np.ndarray:
        return np.where(together, phi**apart, 0.0) if phi else np.eye(n)

    def solved(theta: np.ndarray) -> tuple[float, float, np.ndarray, np.ndarray]:
        """-2 restricted log-likelihood, error variance, estimate and its covariance."""
        phi = MOST_ALIKE * float(np.tanh(theta[-1])) if alike else 0.0
        v = error(phi)
        for ratio, own in zip(np.exp(theta[: len(shared)]), shared, strict=True):
            v = v + ratio * own
        try:
            lower = linalg.cholesky(v, lower=True, check_finite=False)
        except linalg.LinAlgError:
            return np.inf, np.nan, np.full(p, np.nan), np.full((p, p), np.nan)
        wx = linalg.solve_triangular(lower, x, lower=True, check_finite=False)
        wy = linalg.solve_triangular(lower, y, lower=True, check_finite=False)
        q, r = linalg.qr(wx, mode="economic", check_finite=False)
        b = linalg.solve_triangular(r, q.T @ wy, check_finite=False)
        left = wy - wx @ b
        s2 = float(left @ left) / (n - p)
        inverse = linalg.solve_triangular(r, np.eye(p), check_finite=False)
        deviance = (n - p) * (np.log(2 * np.pi * s2) + 1)
        deviance += 2 * np.log(np.diag(lower)).sum() + 2 * np.log(np.abs(np.diag(r))).sum()
        return deviance, s2, b, s2 * inverse @ inverse.T

    ends = [(-_LARGEST, _LARGEST)] * len(shared) + [(-6.0, 6.0)] * alike
    starts = [np.array([-1.0] * len(shared) + [turn] * alike)
              for turn in ((0.6, -0.4) if alike else (0.0,))]  # fmt: skip
    if ends:
        found = [
            optimize.minimize(lambda t: solved(t)[0], start, method="L-BFGS-B", bounds=ends)
            for start in starts
        ]
        theta = min(found, key=lambda f: f.fun).x
    else:
        theta = np.zeros(0)
    deviance, s2, b, covariance = solved(theta)
    if not np.isfinite(deviance) or s2 <= 0:
        raise ModelError("strips do not vary beyond their setups, fields and places.")
    ratios = np.exp(theta[: len(shared)])
    phi = MOST_ALIKE * float(np.tanh(theta[-1])) if alike else 0.0
    return SerialFit(b, covariance, phi, s2 * np.array([*ratios, 1.0]), -deviance / 2)


def independent(x: np.ndarray) -> list[int]:
    """Columns, first ones first, that none of those before them make up."""
    kept: list[int] = []
    for k in range(x.shape[1]):
        if np.linalg.matrix_rank(x[:, [*kept, k]]) > len(kept):
            kept.append(k)
    return kept
