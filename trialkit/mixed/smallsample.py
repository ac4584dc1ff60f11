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

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.mixed import jets
from trialkit.mixed.marginal import Component, marginal_jets

# Below it no uncertainty of a variance enters: the F distribution is the chi-square's.
CERTAIN = 1e-6
# Information on a variance, as a part of what there would be with the fixed effects known, that is
# none.
SILENT = 1e-10
# No error mean square has fewer df; a variance that is nearly unknown can have any positive number
# by the formulas, and its interval no end.
LEAST_DF = 1.0
# Rounding of the traces, of which most terms are near one.
ROUNDING = 1e-12

__all__ = ["Component", "KenwardRoger", "Satterthwaite", "kenward_roger", "satterthwaite"]


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

    def df(self, rows: np.ndarray) -> np.ndarray:
        """Degrees of freedom of single contrasts, shape (rows,); ``rows`` is (rows, terms).

        The general expressions of :meth:`moments` reduce to Satterthwaite's, without rescaling.
        At least one.
        """
        side = rows @ self.phi
        variance = np.einsum("ij,ij->i", side, rows)
        slopes = np.einsum("ij,rjk,ik->ir", side, self.p, side) / variance[:, None]
        spread = np.einsum("ir,rs,is->i", slopes, self.w, slopes)
        df = np.divide(2.0, spread, out=np.full(len(rows), np.inf), where=spread >= CERTAIN)
        return np.maximum(df, LEAST_DF)

    def moments(self, contrast: np.ndarray) -> tuple[float, float]:
        """Scale ``lambda`` and denominator df of the F approximation; see :func:`_matched`.

        The df are one at least. Both are NaN where no F distribution fits: many rows on hardly any
        df.
        """
        q = len(contrast)
        if q == 1:
            return 1.0, float(self.df(contrast)[0])
        half = contrast @ self.phi
        root = np.linalg.cholesky(half @ contrast.T)
        half = np.linalg.solve(root, half)
        slopes = half @ self.p @ half.T
        mean = np.einsum("rii->r", slopes) / q
        centred = slopes - mean[:, None, None] * np.eye(q)
        a1 = float(mean @ self.w @ mean) * q**2
        # A2 - A1 / q: zero where all functions share one df. The difference would be rounding.
        uneven = max(float(np.einsum("rs,rij,sij->", self.w, centred, centred)), 0.0)
        scale, df = _matched(q, a1, uneven)
        return scale, float(np.maximum(df, LEAST_DF))


def _matched(q: int, a1: float, uneven: float) -> tuple[float, float]:
    """Scale and df whose F distribution matches mean and variance (eqs. 7-8 of the paper).

    Written in the paper's ``B / c``, so that nothing is 0/0 at 2 df or divided by zero at 4.
    ``ratio`` is ``(1 - A2/q) / V1``, one in both cases in which the paper's approximation is exact
    (an F on one error mean square, Hotelling's T2). Between these cases its zero and its pole lie
    apart, near 2 df, where F would have a mean no longer, and scale and df run off between them:
    it is taken as one where it would change ``df - 2`` by half or more.

    Parameters
    ----------
    q : rows tested.
    a1, uneven : the paper's ``A1``, and ``A2 - A1 / q``.
    """
    a2 = a1 / q + uneven
    if a2 < CERTAIN:
        return 1.0, np.inf
    g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
    c = 3 * q + 2 * (1 - g)
    step = (a1 + 6.0 * a2) / (2.0 * q) / c
    v0, v1, v2 = 1 + g * step, 1 - (q - g) * step, 1 - (q + 2 - g) * step
    # (1 - A2/q) - V1, by the factors in which it vanishes.
    apart = uneven * ((q + 1) * a1 / a2 - 2) / (2 * (q + 2) * c)
    # df - 2 is (q + 2) V1 + bend / V1^2, over ratio^2 V0 - V2, as 2 V0 + q V2 = (q + 2) V1.
    bend = 2 * v0 * apart * (2 * v1 + apart)
    same_sign = v1 * (v1 + apart) > 0
    if abs(apart) > ROUNDING and same_sign and abs(bend) < 0.5 * (q + 2) * abs(v1) ** 3:
        ratio = 1 + apart / v1
        width = ratio**2 * v0 - v2
        df = 4 + (q + 2) * v2 / width
        scale = df * ratio * width / ((q + 2) + bend / v1**3)
        if df > 0 and scale > 0:
            return scale, df
    df = 1 / step - (q - 2 - g)
    return (df * step, df) if df > 0 else (np.nan, np.nan)


def kenward_roger(
    x: np.ndarray, residual: np.ndarray, z: Sequence[np.ndarray], units: Sequence[np.ndarray],
    covariances: Sequence[np.ndarray], components: Sequence[Component],
    directions: np.ndarray | None = None,
) -> KenwardRoger:  # fmt: skip
    """Kenward-Roger quantities, in time and memory linear in the rows.

    ``P_r``, ``Q_rs + Q_sr`` and ``tr(V^-1 G_r V^-1 G_s)`` are first and second derivatives of
    ``X' V^-1 X`` and of ``-log|V|``; see :mod:`trialkit.mixed.marginal`.

    Parameters
    ----------
    x : ndarray, shape (rows, terms)
    residual : ndarray, shape (rows,)
        Residual variances.
    z, units, covariances : per level (finest first) the random columns (rows, k), the unit of
        each row (rows of a unit together) and the covariance (k, k).
    components : the variance parameters. Those left out have the value zero. With a component of
        level -1 the residual variances have an unknown common factor.
    directions : ndarray, shape (directions, components), optional
        In which the parameters may vary, where that is not all of them.
    """
    random = [components[r] for r in random_first(components)]
    info, log_det = marginal_jets(x, residual, z, units, covariances, random)
    return from_jets(info, log_det, len(x), covariances, components, directions)


def random_first(components: Sequence[Component]) -> list[int]:
    """Positions of the random effects' parameters, levels in increasing order."""
    random = [r for r, c in enumerate(components) if c.level >= 0]
    return sorted(random, key=lambda r: components[r].level)


def from_jets(
    info: np.ndarray, log_det: np.ndarray, rows: int, covariances: Sequence[np.ndarray],
    components: Sequence[Component], directions: np.ndarray | None = None,
) -> KenwardRoger:  # fmt: skip
    """Kenward-Roger quantities from :func:`~trialkit.mixed.marginal.marginal_jets` of all rows.

    Both jets are sums over top-level units; the other arguments are those of
    :func:`kenward_roger`.
    """
    random = random_first(components)
    n, first, second = len(random), jets.first(len(random)), jets.symmetric(len(random))
    slope, slope2 = info[first], info[second]
    trace = -log_det[second]
    order = random
    if n < len(components):
        # V is linear in all parameters, so X' V^-1 X is homogeneous of degree -1 in them and the
        # slopes of log|V| of degree -1: what the residual's factor (1 here) adds is known.
        pairs = [components[r].pairs[0] for r in random]
        s = np.array(
            [covariances[components[r].level][p] for r, p in zip(random, pairs, strict=True)]
        )
        cross = -2.0 * slope - np.einsum("s,rsij->rij", s, slope2)
        own = -info[0] - np.einsum("r,rij->ij", s, slope)
        own2 = -2.0 * own - np.einsum("r,rij->ij", s, cross)
        slope = np.concatenate([slope, own[None]])
        slope2 = _bordered(slope2, cross, own2)
        shares = log_det[first] - trace @ s
        trace = _bordered(trace, shares, rows - s @ log_det[first] - s @ shares)
        order = [*random, next(r for r, c in enumerate(components) if c.level < 0)]
    back = np.argsort(order)
    slope, slope2, trace = slope[back], slope2[np.ix_(back, back)], trace[np.ix_(back, back)]
    if directions is not None:
        slope = np.tensordot(directions, slope, 1)
        slope2 = np.einsum("ar,bs,rsij->abij", directions, directions, slope2)
        trace = directions @ trace @ directions.T
    return _from_derivatives(info[0], slope, slope2, trace)


def _bordered(inner: np.ndarray, edge: np.ndarray, corner: np.ndarray | float) -> np.ndarray:
    """A symmetric array in its first two axes with one more row and column."""
    n = len(inner)
    out = np.empty((n + 1, n + 1, *inner.shape[2:]))
    out[:n, :n] = inner
    out[:n, n] = out[n, :n] = edge
    out[n, n] = corner
    return out


def _from_derivatives(
    info: np.ndarray, p: np.ndarray, twice_q: np.ndarray, trace: np.ndarray
) -> KenwardRoger:
    """The quantities from ``X' V^-1 X``, ``P_r``, ``Q_rs + Q_sr`` and the traces."""
    phi = np.linalg.inv(info)
    phi = 0.5 * (phi + phi.T)
    phi_p = phi @ p
    both = np.einsum("rij,sji->rs", phi_p, phi_p)
    expected = 0.5 * (trace - np.einsum("ij,rsji->rs", phi, twice_q) + both)
    # Parameters may differ by many orders of magnitude. One of which the data tell nothing (its
    # effects lie in the fixed part's space) has no uncertainty that the tests could count in.
    own, known = np.diag(expected), np.diag(expected) > SILENT * np.diag(trace)
    scale = np.where(known, own, np.inf) ** -0.5
    scaled = expected * np.outer(scale, scale)
    w = np.linalg.pinv(scaled, rcond=1e-10, hermitian=True) * np.outer(scale, scale)
    u = 0.5 * np.einsum("rs,rsij->ij", w, twice_q) - np.einsum("rs,rij,sjk->ik", w, p, phi_p)
    adjusted = phi + 2.0 * phi @ u @ phi
    return KenwardRoger(phi, 0.5 * (adjusted + adjusted.T), p, w)


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

    def df(self, rows: np.ndarray) -> np.ndarray:
        """Degrees of freedom of single contrasts (Satterthwaite 1946; Giesbrecht & Burns 1985).

        ``rows`` has shape (rows, terms), the result (rows,).
        """
        g = np.einsum("ij,rjk,ik->ir", rows, self.slopes, rows)
        spread = np.einsum("ir,rs,is->i", g, self.w, g)
        variance = np.einsum("ij,jk,ik->i", rows, self.phi, rows)
        infinite = np.full(len(rows), np.inf)
        return np.divide(2.0 * variance**2, spread, out=infinite, where=spread > 0)

    def moments(self, contrast: np.ndarray) -> tuple[float, float]:
        """Scale (always 1) and denominator df of an F test (Fai & Cornelius 1996)."""
        q = len(contrast)
        if q == 1:
            return 1.0, float(self.df(contrast)[0])
        _, vectors = np.linalg.eigh(contrast @ self.phi @ contrast.T)
        dfs = self.df(vectors.T @ contrast)
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


@dataclass(frozen=True, slots=True)
class Asymptotic:
    """Normal-theory inference from the information matrix.

    Attributes
    ----------
    adjusted : ndarray, shape (terms, terms)
        Covariance of the fixed effects.
    """

    adjusted: np.ndarray

    def df(self, rows: np.ndarray) -> np.ndarray:
        """Infinite for every row of ``rows``."""
        return np.full(len(rows), np.inf)

    def moments(self, contrast: np.ndarray) -> tuple[float, float]:
        """No rescaling, infinite denominator df."""
        return 1.0, np.inf

    def f_test(self, contrast: np.ndarray, estimate: np.ndarray) -> tuple[float, float]:
        """Wald chi-square over its df, infinite denominator df."""
        effect = contrast @ estimate
        cov = contrast @ self.adjusted @ contrast.T
        return float(effect @ np.linalg.solve(cov, effect)) / len(contrast), np.inf


Inference = KenwardRoger | Satterthwaite | Asymptotic


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
