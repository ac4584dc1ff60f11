"""One model on one design: the criterion and its exact gradient, as functions of the parameters.

Parameters ``theta`` are the free entries of the lower-triangular ``Lambda`` of every level; on
this signed-root scale a zero variance is an interior stationary point, and the sign of a column is
immaterial. Covariance of level ``l`` is ``sigma^2 Lambda_l Lambda_l'`` (``sigma = 1`` unless the
response is Gaussian).

Gaussian: minus twice the profiled (restricted) log-likelihood (Bates et al. 2015, eq. 34, 41).
Others: the Laplace approximation around the conditional mode, with ``beta`` either a parameter
("ml") or integrated with the random effects ("reml"); the gradient adds the movement of the mode
through the third derivatives (Skaug & Fournier 2006, Comput. Stat. Data Anal. 51:699-709; the
restricted form integrates ``beta`` as in Wolfinger & O'Connell 1993).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.mixed import criteria
from trialkit.mixed.chain import Chain
from trialkit.mixed.families import Family
from trialkit.mixed.optimise import RUNNING, Search, advance, begin, search_record


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a level's Lambda and the parameter it takes its value from."""

    level: int
    row: int
    column: int
    parameter: int


@dataclass(frozen=True, slots=True)
class Layout:
    """Positions of a chain vector: levels (finest first), fixed effects, right-hand side.

    Attributes
    ----------
    widths : columns of each level. n_root : fixed-effect columns in the chain (0 when the fixed
    effects are held outside). z_col : distinct data column behind every position before the
    right-hand side. n_data : number of distinct data columns.
    """

    chain: Chain
    widths: tuple[int, ...]
    n_root: int
    z_col: np.ndarray
    n_data: int
    entries: tuple[Entry, ...]
    n_theta: int
    offs: np.ndarray
    u_off: np.ndarray
    fac_off: np.ndarray
    n_u: int
    n_fac: int
    ptr: np.ndarray
    row: np.ndarray
    slot: np.ndarray
    entry_at: np.ndarray
    parameter: np.ndarray

    @property
    def m(self) -> int:
        return int(self.offs[-1]) + self.n_root + 1

    def values(self, theta: np.ndarray) -> np.ndarray:
        """Weights of the sparse chain map (1 for fixed effects and right-hand side)."""
        padded = np.ones(self.n_theta + 1)
        padded[:-1] = theta[: self.n_theta]
        return padded[self.slot]

    def to_theta(self, grad_entries: np.ndarray) -> np.ndarray:
        """Gradient in the parameters from the gradient in every Lambda entry."""
        out = np.zeros(self.n_theta)
        np.add.at(out, self.parameter, grad_entries[self.entry_at])
        return out

    def lambdas(self, theta: np.ndarray) -> list[np.ndarray]:
        """Lambda of every level, finest first."""
        out = [np.zeros((k, k)) for k in self.widths]
        for e in self.entries:
            out[e.level][e.row, e.column] = theta[e.parameter]
        return out


def build_layout(
    chain: Chain,
    z_columns: Sequence[Sequence[int]],
    x_columns: Sequence[int],
    n_data: int,
    entries: Sequence[Entry],
) -> Layout:
    """Number the positions of the chain vector and the storage of units and factors.

    Parameters
    ----------
    z_columns : per level (finest first) the distinct data column of each of its columns.
    x_columns : the distinct data column of each fixed effect in the chain (may be empty).
    n_data : number of distinct data columns; the right-hand side follows as one more.
    entries : free entries of every Lambda.
    """
    widths = tuple(len(z) for z in z_columns)
    offs = np.r_[0, np.cumsum(widths)].astype(np.int64)
    n_root = len(x_columns)
    m = int(offs[-1]) + n_root + 1
    ptr, row, slot = [0], [], []
    last = max((e.parameter for e in entries), default=-1) + 1
    for lev, k in enumerate(widths):
        for b in range(k):
            for e in entries:
                if e.level == lev and e.column == b:
                    row.append(z_columns[lev][e.row])
                    slot.append(e.parameter)
            ptr.append(len(row))
    for c in (*x_columns, n_data):
        row.append(c)
        slot.append(last)
        ptr.append(len(row))
    sizes_u = [n * k for n, k in zip(chain.counts, widths, strict=True)]
    sizes_fac = [
        n * k * (m - int(o)) for n, k, o in zip(chain.counts, widths, offs[:-1], strict=True)
    ]
    grad_off = np.r_[0, np.cumsum([k * k for k in widths])].astype(int)
    return Layout(
        chain=chain,
        widths=widths,
        n_root=n_root,
        z_col=np.array([c for z in z_columns for c in z], dtype=np.int64),
        n_data=n_data,
        entries=tuple(entries),
        n_theta=last,
        offs=offs,
        u_off=np.r_[0, np.cumsum(sizes_u)][:-1].astype(np.int64),
        fac_off=np.r_[0, np.cumsum(sizes_fac)][:-1].astype(np.int64),
        n_u=int(sum(sizes_u)),
        n_fac=int(sum(sizes_fac)),
        ptr=np.array(ptr, dtype=np.int64),
        row=np.array(row, dtype=np.int64),
        slot=np.array(slot, dtype=np.int64),
        entry_at=np.array(
            [grad_off[e.level] + e.row * widths[e.level] + e.column for e in entries],
            dtype=np.int64,
        ),
        parameter=np.array([e.parameter for e in entries], dtype=np.int64),
    )


@dataclass(slots=True)
class Point:
    """Everything known at one parameter value.

    ``value`` is the log-likelihood (restricted where so asked), ``grad`` its gradient in the free
    parameters, ``front`` holds the upper Cholesky factor of the fixed effects' information (per
    ``sigma^2`` for Gaussian responses), see :attr:`root`.
    """

    theta: np.ndarray
    beta: np.ndarray
    value: float
    grad: np.ndarray
    u: np.ndarray
    front: np.ndarray
    sigma: float = 1.0
    rss: float = math.nan
    weight: np.ndarray | None = None

    @property
    def root(self) -> np.ndarray:
        """Upper Cholesky factor of the fixed effects' information, shape (terms, terms)."""
        p = len(self.front) - 1
        return np.triu(self.front[:p, :p])


class GaussianProblem:
    """Profiled (restricted) likelihood from cross-products taken once per finest unit."""

    def __init__(
        self, layout: Layout, data: np.ndarray, y: np.ndarray, weight: np.ndarray, reml: bool
    ) -> None:
        self.layout = layout
        self.reml = reml
        self.n, self.p = len(y), layout.n_root
        self.log_weight = float(np.log(weight).sum())
        full = np.column_stack([data, y])
        starts = layout.chain.row_start
        if len(starts) - 1 == len(y):
            self.cross = np.einsum("i,ia,ib->iab", weight, full, full)
        else:
            self.cross = np.add.reduceat(
                weight[:, None, None] * full[:, :, None] * full[:, None, :], starts[:-1], axis=0
            )
        self.fac = np.empty(layout.n_fac)
        self.evaluations = 0

    @property
    def df(self) -> int:
        return self.n - self.p if self.reml else self.n

    def point(self, theta: np.ndarray, sigma: float = 0.0) -> Point | None:
        """Evaluate at ``theta``; a positive ``sigma`` is held instead of profiled."""
        lay, ch = self.layout, self.layout.chain
        self.evaluations += 1
        u = np.empty(lay.n_u)
        log_h, rss, s2, beta, front, grad = criteria.gaussian_point(
            self.cross, ch.unit, ch.closes, lay.offs, lay.u_off, lay.fac_off,
            lay.ptr, lay.row, lay.values(theta), lay.m, self.p, lay.z_col, self.fac, u,
            self.df, self.reml, sigma,
        )  # fmt: skip
        value = -0.5 * (log_h + self.df * math.log(2 * math.pi * s2) + rss / s2 - self.log_weight)
        if not math.isfinite(value):
            return None
        return Point(
            theta.copy(), beta, value, -0.5 * lay.to_theta(grad), u,
            front, sigma=math.sqrt(s2), rss=rss,
        )  # fmt: skip

    def search(
        self, start: np.ndarray, mix: np.ndarray, metric: np.ndarray | None = None
    ) -> Search:
        """Minimise minus the log-likelihood over ``mix^-1 theta``."""
        lay, ch = self.layout, self.layout.chain
        x = start.astype(float)
        inverse = np.eye(len(x)) if metric is None else metric.copy()
        verdict, counts, scalars, grad, evaluations = criteria.search_gaussian(
            self.cross, ch.unit, ch.closes, lay.offs, lay.u_off, lay.fac_off, lay.ptr, lay.row,
            lay.slot, lay.m, self.p, lay.z_col, self.fac, np.empty(lay.n_u), self.df, self.reml,
            self.log_weight,
            lay.parameter, lay.entry_at, mix, x, inverse, metric is not None,
        )  # fmt: skip
        self.evaluations += evaluations
        return search_record(start, verdict, counts, scalars, x, grad, inverse)


class LaplaceProblem:
    """(Restricted) Laplace likelihood of a non-Gaussian response.

    With ``restricted`` the chain holds the fixed effects and the parameters are ``theta``;
    otherwise ``x`` stays outside and the parameters are ``theta`` and ``beta``. For a dispersed
    family ``theta`` ends with ``phi``, the logarithm of its size, shape or precision.
    """

    TIGHT = 1e-18
    USUAL = 1e-17

    def __init__(
        self, layout: Layout, family: Family, data: np.ndarray, x: np.ndarray,
        y: np.ndarray, size: np.ndarray, offset: np.ndarray, restricted: bool,
    ) -> None:  # fmt: skip
        self.layout, self.family, self.restricted = layout, family, restricted
        self.data = np.ascontiguousarray(data)
        self.x, self.y, self.size, self.offset = x, y, size, offset
        self.n, self.p = x.shape
        self.constant = family.log_constant(y, size)
        self.u = np.zeros(layout.n_u)
        self.fac = np.empty(layout.n_fac)
        self.rows = [np.empty(self.n) for _ in range(5)]
        self.tolerance = self.USUAL
        self.evaluations = 0
        self.start_beta = np.zeros(self.p)
        self.n_parameters = layout.n_theta + family.dispersed

    def point(self, theta: np.ndarray, beta: np.ndarray) -> Point | None:
        """Evaluate; None when the inner mode cannot be found (a step too far out)."""
        self.evaluations += 1
        # The last mode can be a bad start far away: then once more from the centre.
        for u, start in ((self.u.copy(), beta), (np.zeros(len(self.u)), self.start_beta)):
            point = self._point(theta, beta, u, start.copy())
            if point is not None:
                self.u = point.u
                return point
        return None

    def _point(
        self, theta: np.ndarray, beta: np.ndarray, u: np.ndarray, root: np.ndarray
    ) -> Point | None:
        lay, ch = self.layout, self.layout.chain
        offset = self.offset
        if not self.restricted:
            offset, root = self.offset + self.x @ beta, np.zeros(0)
        score, weight, slope, etas, pull = self.rows
        phi = float(theta[lay.n_theta]) if self.family.dispersed else 0.0
        found, value, front, grad, shape = criteria.laplace_point(
            self.family.code, phi, self.y, self.size, offset, self.data, ch.row_start, ch.unit,
            ch.closes, lay.offs, lay.u_off, lay.fac_off, lay.ptr, lay.row, lay.values(theta),
            lay.m, u, root, self.fac, score, weight, slope, etas, self.tolerance, lay.z_col, pull,
        )  # fmt: skip
        if not found or not math.isfinite(value):
            return None
        value += self.constant
        full = lay.to_theta(grad)
        if self.family.dispersed:
            full = np.r_[full, shape]
        p = lay.n_root
        if self.restricted:
            value += 0.5 * p * math.log(2 * math.pi)
        else:
            full, root = np.r_[full, self.x.T @ pull], beta.copy()
        return Point(theta.copy(), root, value, full, u, front, weight=weight.copy())

    def search(
        self, start: np.ndarray, mix: np.ndarray, metric: np.ndarray | None = None
    ) -> Search:
        """Minimise minus the log-likelihood over ``mix^-1`` times the parameters."""
        x = start.astype(float)
        inverse = np.eye(len(x)) if metric is None else metric.copy()
        counts, scalars, grad, step, trial = begin(x, inverse, metric is not None)
        verdict, beta = RUNNING, self.start_beta
        while verdict == RUNNING:
            parameters = mix @ trial
            if not self.restricted:
                beta = parameters[self.n_parameters :]
            point = self.point(parameters[: self.n_parameters], beta)
            if point is None:
                value, slope = math.inf, np.zeros(len(x))
            else:
                value, slope, beta = -point.value, -point.grad @ mix, point.beta
            verdict = advance(counts, scalars, x, grad, inverse, step, trial, value, slope)
        return search_record(start, verdict, counts, scalars, x, grad, inverse)
