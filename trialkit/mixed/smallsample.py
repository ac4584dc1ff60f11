"""Kenward-Roger and Satterthwaite: t and F tests that hold with few units.

Notation of Kenward & Roger (1997, Biometrics 53:983-997) and Halekoh & Hojsgaard (2014, J. Stat.
Softw. 59(9)): ``V = sum_r s_r G_r`` linear in the variance parameters ``s``,
``Phi = (X' V^-1 X)^-1``, ``P_r = -X' V^-1 G_r V^-1 X``, ``Q_rs = X' V^-1 G_r V^-1 G_s V^-1 X``
and ``W`` the inverse of the expected information of ``s``. As ``V`` is linear in ``s`` the
second-derivative term of the adjustment is zero.

For a non-Gaussian response the same algebra is applied to the linearised working response at the
optimum: residual variances ``1 / w_i``, random effects with their restricted-Laplace variances
(the approach of Stroup 2013, Generalized Linear Mixed Models, section 5.4, there with
pseudo-likelihood variances).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve


@dataclass(frozen=True, slots=True)
class Component:
    """One variance parameter ``s_r`` and how it enters ``V``.

    ``pairs`` lists the columns (a, b) of ``level`` whose products it multiplies; ``level`` -1 is
    the residual.
    """

    level: int
    pairs: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class KenwardRoger:
    """Adjusted covariance and what the degrees of freedom need.

    Attributes
    ----------
    phi : ndarray, shape (terms, terms)
        Unadjusted covariance of the fixed effects.
    adjusted : ndarray, shape (terms, terms)
        Kenward-Roger covariance.
    p : ndarray, shape (parameters, terms, terms)
    w : ndarray, shape (parameters, parameters)
        Inverse expected information of the variance parameters.
    """

    phi: np.ndarray
    adjusted: np.ndarray
    p: np.ndarray
    w: np.ndarray

    def f_test(self, contrast: np.ndarray, estimate: np.ndarray) -> tuple[float, float]:
        """Scaled F statistic and denominator df of ``contrast @ beta = 0``.

        Parameters
        ----------
        contrast : ndarray, shape (rows, terms)
            Linearly independent rows.
        estimate : ndarray, shape (terms,)
        """
        scale, df = self.moments(contrast)
        q = len(contrast)
        effect = contrast @ estimate
        cov = contrast @ self.adjusted @ contrast.T
        return float(scale / q * effect @ np.linalg.solve(cov, effect)), df

    def moments(self, contrast: np.ndarray) -> tuple[float, float]:
        """Scale ``lambda`` and denominator df of the F approximation (eqs. 7-8 of the paper)."""
        q = len(contrast)
        theta = contrast.T @ np.linalg.solve(contrast @ self.phi @ contrast.T, contrast)
        m = theta @ self.phi @ self.p @ self.phi
        traces = np.einsum("rii->r", m)
        a1 = float(traces @ self.w @ traces)
        a2 = float(np.einsum("rs,rij,sji->", self.w, m, m))
        if a2 < 1e-6:
            # No uncertainty of a variance enters: the F distribution is the chi-square's.
            return 1.0, np.inf
        if q == 1:
            # The general expressions reduce to Satterthwaite's df with no rescaling.
            return 1.0, 2.0 / a2
        b = (a1 + 6.0 * a2) / (2.0 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        c = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / c, (q - g) / c, (q + 2 - g) / c
        v0, v1, v2 = 1 + c1 * b, 1 - c2 * b, 1 - c3 * b
        if abs(v0) < 1e-10:
            v0 = 0.0
        shrink = 1 - a2 / q
        rho = (shrink / v1) ** 2 * v0 / v2 / q
        df = 4 + (q + 2) / (q * rho - 1)
        mean = 1.0 / shrink
        return df / (mean * (df - 2)), df


def kenward_roger(
    x: np.ndarray,
    residual: np.ndarray,
    z: list[np.ndarray],
    units: list[np.ndarray],
    covariances: list[np.ndarray],
    components: list[Component],
    blocks: np.ndarray,
) -> KenwardRoger:
    """Kenward-Roger quantities, summed over independent blocks of rows.

    Parameters
    ----------
    x : ndarray, shape (rows, terms)
        Rows in chain order.
    residual : ndarray, shape (rows,)
        Residual variances.
    z, units, covariances : per level the random columns (rows, k), the unit of each row and the
        covariance (k, k).
    components : the variance parameters.
    blocks : ndarray of int
        First rows of independent blocks, and the number of rows.
    """
    p, n_par = x.shape[1], len(components)
    info = np.zeros((p, p))
    p_sum = np.zeros((n_par, p, p))
    q_sum = np.zeros((n_par, n_par, p, p))
    trace = np.zeros((n_par, n_par))
    for lo, hi in itertools.pairwise(blocks):
        rows = slice(lo, hi)
        factors = _factors([c[rows] for c in z], [u[rows] for u in units], residual[rows],
                           components)  # fmt: skip
        v = np.diag(residual[rows])
        for zl, of_row, cov in zip(z, units, covariances, strict=True):
            same = of_row[rows, None] == of_row[None, rows]
            v += (zl[rows] @ cov @ zl[rows].T) * same
        inverse = cho_solve(cho_factor(v), np.eye(hi - lo))
        vx = inverse @ x[rows]
        info += x[rows].T @ vx
        _add_block(inverse, vx, factors, p_sum, q_sum, trace)
    phi = np.linalg.inv(info)
    expected = np.zeros((n_par, n_par))
    for r in range(n_par):
        for s in range(r, n_par):
            pp = phi @ p_sum[r] @ phi @ p_sum[s]
            value = trace[r, s] - 2.0 * np.trace(phi @ q_sum[r, s]) + np.trace(pp)
            expected[r, s] = expected[s, r] = 0.5 * value
    scale = 1.0 / np.sqrt(np.maximum(np.diag(expected), 1e-300))
    scaled = expected * np.outer(scale, scale)
    w = np.linalg.pinv(scaled, rcond=1e-10, hermitian=True) * np.outer(scale, scale)
    u = np.zeros((p, p))
    for r in range(n_par):
        for s in range(n_par):
            q_rs = q_sum[r, s] if s >= r else q_sum[s, r].T
            u += w[r, s] * (q_rs - p_sum[r] @ phi @ p_sum[s])
    adjusted = phi + 2.0 * phi @ u @ phi
    return KenwardRoger(phi, 0.5 * (adjusted + adjusted.T), p_sum, w)


# G = sum of A B' over the pairs (A, B), or a diagonal.
Factor = np.ndarray | list[tuple[np.ndarray, np.ndarray]]


def _factors(
    z: list[np.ndarray], units: list[np.ndarray], residual: np.ndarray, components: list[Component]
) -> list[Factor]:
    """Every ``G_r`` of one block as a diagonal (rows,) or as pairs of thin factors."""
    out: list[Factor] = []
    for c in components:
        if c.level < 0:
            out.append(residual)
            continue
        columns, unit = z[c.level], units[c.level]
        first = unit - unit[0]
        if first[-1] == len(unit) - 1:
            out.append(
                sum((1 + (a != b)) * columns[:, a] * columns[:, b] for a, b in c.pairs)
                + np.zeros(len(unit))
            )
            continue
        member = np.zeros((len(unit), int(first[-1]) + 1))
        member[np.arange(len(unit)), first] = 1.0
        pairs = []
        for a, b in c.pairs:
            left, right = member * columns[:, [a]], member * columns[:, [b]]
            pairs += [(left, right)] if a == b else [(left, right), (right, left)]
        out.append(pairs)
    return out


def _add_block(
    inverse: np.ndarray, vx: np.ndarray, factors: list[Factor],
    p_sum: np.ndarray, q_sum: np.ndarray, trace: np.ndarray,
) -> None:  # fmt: skip
    """Add one block's ``P_r``, ``Q_rs`` and ``tr(V^-1 G_r V^-1 G_s)``."""
    # G_r V^-1 X, and V^-1 times every thin factor.
    gvx = [
        f[:, None] * vx if isinstance(f, np.ndarray) else sum(a @ (b.T @ vx) for a, b in f)
        for f in factors
    ]
    va = [None if isinstance(f, np.ndarray) else [(inverse @ a, inverse @ b) for a, b in f]
          for f in factors]  # fmt: skip
    for r, f in enumerate(factors):
        p_sum[r] -= vx.T @ gvx[r]
        half = inverse @ gvx[r]
        for s in range(r, len(factors)):
            g = factors[s]
            q_sum[r, s] += half.T @ gvx[s]
            if isinstance(f, np.ndarray) and isinstance(g, np.ndarray):
                trace[r, s] += float(f @ (inverse**2) @ g)
            elif isinstance(f, np.ndarray):
                trace[r, s] += sum(float(f @ (a * b).sum(axis=1)) for a, b in va[s] or [])
            elif isinstance(g, np.ndarray):
                trace[r, s] += sum(float(g @ (a * b).sum(axis=1)) for a, b in va[r] or [])
            else:
                for a, b in f:
                    for c, d in va[s] or []:
                        trace[r, s] += float(np.sum((b.T @ c) * (a.T @ d)))


@dataclass(frozen=True, slots=True)
class Satterthwaite:
    """Covariance of the fixed effects and its slopes in the variance parameters.

    Attributes
    ----------
    phi : ndarray, shape (terms, terms)
    slopes : ndarray, shape (parameters, terms, terms)
        Derivative of ``phi`` in each parameter.
    w : ndarray, shape (parameters, parameters)
        Covariance of the parameter estimates (inverse observed information).
    """

    phi: np.ndarray
    slopes: np.ndarray
    w: np.ndarray

    @property
    def adjusted(self) -> np.ndarray:
        """Same as ``phi``: Satterthwaite's method leaves the covariance as it is."""
        return self.phi

    def df(self, row: np.ndarray) -> float:
        """Degrees of freedom of one contrast (Satterthwaite 1946; Giesbrecht & Burns 1985)."""
        g = np.einsum("i,rij,j->r", row, self.slopes, row)
        spread = float(g @ self.w @ g)
        variance = float(row @ self.phi @ row)
        return 2.0 * variance**2 / spread if spread > 0 else np.inf

    def moments(self, contrast: np.ndarray) -> tuple[float, float]:
        """Scale (always 1) and denominator df of an F test (Fai & Cornelius 1996)."""
        q = len(contrast)
        if q == 1:
            return 1.0, self.df(contrast[0])
        _, vectors = np.linalg.eigh(contrast @ self.phi @ contrast.T)
        dfs = np.array([self.df(v @ contrast) for v in vectors.T])
        if np.allclose(dfs, dfs[0], rtol=1e-8):
            return 1.0, float(dfs.mean())
        useful = dfs[dfs > 2]
        e = float(np.sum(np.where(np.isinf(useful), 1.0, useful / (useful - 2.0))))
        return 1.0, (2.0 * e / (e - q) if e > q else 2.0)

    def f_test(self, contrast: np.ndarray, estimate: np.ndarray) -> tuple[float, float]:
        """F statistic and denominator df of ``contrast @ beta = 0``."""
        effect = contrast @ estimate
        f = effect @ np.linalg.solve(contrast @ self.phi @ contrast.T, effect) / len(contrast)
        return float(f), self.moments(contrast)[1]


def satterthwaite(
    phi_at: Callable[[np.ndarray], np.ndarray], gradient: Callable[[np.ndarray], np.ndarray],
    parameters: np.ndarray, scale: np.ndarray,
) -> Satterthwaite:  # fmt: skip
    """Satterthwaite quantities by central differences.

    Parameters
    ----------
    phi_at : covariance of the fixed effects at given parameters.
    gradient : gradient of the log-likelihood at given parameters.
    parameters, scale : ndarray, shape (parameters,)
        The estimate, and the step of each parameter.
    """
    slopes, hessian = [], []
    for j, h in enumerate(scale):
        step = np.zeros(len(parameters))
        step[j] = h
        slopes.append((phi_at(parameters + step) - phi_at(parameters - step)) / (2 * h))
        hessian.append((gradient(parameters + step) - gradient(parameters - step)) / (2 * h))
    info = -np.array(hessian).reshape(len(parameters), len(parameters))
    info = 0.5 * (info + info.T)
    p = len(phi_at(parameters))
    return Satterthwaite(
        phi_at(parameters),
        np.array(slopes).reshape(len(parameters), p, p),
        np.linalg.pinv(info, hermitian=True) if len(parameters) else info,
    )
