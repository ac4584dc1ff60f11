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
from scipy.linalg import solve_triangular

from trialkit.mixed import kernels
from trialkit.mixed.chain import Chain
from trialkit.mixed.families import Family


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

    @property
    def m(self) -> int:
        return int(self.offs[-1]) + self.n_root + 1

    def values(self, theta: np.ndarray) -> np.ndarray:
        """Weights of the sparse chain map (1 for fixed effects and right-hand side)."""
        return np.r_[theta, 1.0][self.slot]

    def to_theta(self, grad_entries: np.ndarray) -> np.ndarray:
        """Gradient in the parameters from the gradient in every Lambda entry."""
        out = np.zeros(self.n_theta)
        np.add.at(out, [e.parameter for e in self.entries], grad_entries[self.entry_at])
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
            [grad_off[e.level] + e.row * widths[e.level] + e.column for e in entries], dtype=int
        ),
    )


@dataclass(slots=True)
class Point:
    """Everything known at one parameter value.

    ``value`` is the log-likelihood (restricted where so asked), ``grad`` its gradient in the free
    parameters, ``root`` the upper Cholesky factor of the fixed effects' information (per
    ``sigma^2`` for Gaussian responses).
    """

    theta: np.ndarray
    beta: np.ndarray
    value: float
    grad: np.ndarray
    u: np.ndarray
    root: np.ndarray
    sigma: float = 1.0
    rss: float = math.nan
    logdet: float = math.nan
    weight: np.ndarray | None = None


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
        self.evaluations = 0

    @property
    def df(self) -> int:
        return self.n - self.p if self.reml else self.n

    def point(self, theta: np.ndarray, sigma: float | None = None) -> Point:
        """Evaluate at ``theta``; with ``sigma`` given it is held instead of profiled."""
        lay, ch = self.layout, self.layout.chain
        self.evaluations += 1
        val = lay.values(theta)
        u = np.zeros(lay.n_u)
        fac = np.empty(lay.n_fac)
        logdet, root = kernels.eliminate_cross(
            self.cross, ch.unit, ch.closes, lay.offs, lay.u_off, lay.fac_off,
            lay.ptr, lay.row, val, lay.m, u, fac,
        )  # fmt: skip
        p = self.p
        chol = np.linalg.cholesky(root[:p, :p].T + np.triu(root[:p, :p], 1)).T
        half = solve_triangular(chol, root[:p, p], trans="T")
        beta = solve_triangular(chol, half)
        rss = float(root[p, p] - half @ half)
        logdet_x = 2.0 * float(np.log(np.diag(chol)).sum())
        s2 = rss / self.df if sigma is None else sigma**2
        log_h = logdet + (logdet_x if self.reml else 0.0)
        value = -0.5 * (log_h + self.df * math.log(2 * math.pi * s2) + rss / s2 - self.log_weight)
        kernels.back_solve(
            ch.unit, ch.closes, lay.offs, lay.u_off, lay.fac_off, lay.m, fac, beta, u
        )
        inv = np.linalg.inv(chol)
        grad = kernels.gradient_cross(
            self.cross, ch.unit, ch.closes, lay.offs, lay.u_off, lay.fac_off,
            lay.ptr, lay.row, val, lay.m, u, beta, fac,
            inv @ inv.T if self.reml else np.zeros((p, p)), lay.z_col, s2,
        )  # fmt: skip
        return Point(
            theta.copy(), beta, value, -0.5 * lay.to_theta(grad), u, chol,
            sigma=math.sqrt(s2), rss=rss, logdet=logdet,
        )  # fmt: skip


class LaplaceProblem:
    """(Restricted) Laplace likelihood of a non-Gaussian response.

    With ``restricted`` the chain holds the fixed effects and the parameters are ``theta``;
    otherwise ``x`` stays outside and the parameters are ``theta`` and ``beta``.
    """

    TIGHT = 1e-18
    USUAL = 1e-17
    MAX_NEWTON = 200

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
        self.rows = [np.empty(self.n) for _ in range(3)]
        self.tolerance = self.USUAL
        self.evaluations = 0
        self.start_beta = np.zeros(self.p)

    def _pass(self, val, u, beta, offset):
        lay, ch = self.layout, self.layout.chain
        root = beta if self.restricted else np.zeros(0)
        score, weight, slope = self.rows
        return kernels.eliminate_rows(
            self.family.code, self.y, self.size, offset, self.data, ch.row_start,
            ch.unit, ch.closes, lay.offs, lay.u_off, lay.fac_off, lay.ptr, lay.row, val, lay.m,
            u, root, self.fac, score, weight, slope,
        )  # fmt: skip

    def _mode(self, theta: np.ndarray, beta: np.ndarray):
        """Newton to the conditional mode with step-halving, from the last mode."""
        lay, ch = self.layout, self.layout.chain
        val = lay.values(theta)
        offset = self.offset if self.restricted else self.offset + self.x @ beta
        u, best = self.u.copy(), -math.inf
        step_u, step_b, length = np.zeros_like(u), np.zeros(lay.n_root), 1.0
        beta = beta.copy()
        trial_u, trial_b = u, beta
        delta = np.zeros_like(u)
        for _ in range(self.MAX_NEWTON):
            value, logdet, decrement, root = self._pass(val, trial_u, trial_b, offset)
            ok = math.isfinite(value) and math.isfinite(decrement)
            if ok and value >= best - 1e-9 * (1.0 + abs(best)):
                u, beta, best, length = trial_u, trial_b, value, 1.0
                chol, db = np.zeros((0, 0)), np.zeros(0)
                if self.restricted:
                    p = self.p
                    sym = root[:p, :p].T + np.triu(root[:p, :p], 1)
                    chol = np.linalg.cholesky(sym).T
                    half = solve_triangular(chol, root[:p, p], trans="T")
                    decrement += float(half @ half)
                    db = solve_triangular(chol, half)
                if decrement < self.tolerance:
                    return val, offset, u, beta, best, logdet, chol
                kernels.back_solve(
                    ch.unit, ch.closes, lay.offs, lay.u_off, lay.fac_off, lay.m, self.fac, db, delta
                )
                step_u, step_b = delta.copy(), db
            else:
                length *= 0.5
                if length < 1e-10 or not math.isfinite(best):
                    break
            trial_u = u + length * step_u
            trial_b = beta + length * step_b if self.restricted else beta
        return None

    def point(self, theta: np.ndarray, beta: np.ndarray) -> Point | None:
        """Evaluate; None when the inner mode cannot be found (a step too far out)."""
        lay, ch = self.layout, self.layout.chain
        self.evaluations += 1
        try:
            found = self._mode(theta, beta)
            if found is None:
                # The last mode can be a bad start far away: once more from the centre.
                self.u[:] = 0.0
                found = self._mode(theta, self.start_beta if self.restricted else beta)
        except np.linalg.LinAlgError:
            found = None
        if found is None:
            return None
        val, _offset, u, beta, best, logdet, chol = found
        self.u = u
        p = lay.n_root
        logdet_x = 2.0 * float(np.log(np.diag(chol)).sum()) if self.restricted else 0.0
        value = best + self.constant - 0.5 * (logdet + logdet_x)
        if self.restricted:
            value += 0.5 * p * math.log(2 * math.pi)
        inv = np.linalg.inv(chol) if p else np.zeros((0, 0))
        root = beta if self.restricted else np.zeros(0)
        score, weight, v = self.rows
        grad = kernels.leverage_pass(
            self.data, ch.row_start, ch.unit, ch.closes, lay.offs, lay.u_off, lay.fac_off,
            lay.ptr, lay.row, val, lay.m, u, root, self.fac, inv @ inv.T, lay.z_col,
            score, weight, v,
        )  # fmt: skip
        rhs = kernels.forward_rhs(
            self.data, v, ch.row_start, ch.unit, ch.closes, lay.offs, lay.fac_off,
            lay.ptr, lay.row, val, lay.m, self.fac,
        )  # fmt: skip
        s_root = inv @ (inv.T @ rhs)
        s_u = np.zeros(lay.n_u)
        kernels.back_solve(
            ch.unit, ch.closes, lay.offs, lay.u_off, lay.fac_off, lay.m, self.fac, s_root, s_u
        )
        pull = np.empty(self.n)
        kernels.mode_pass(
            self.data, ch.row_start, ch.unit, lay.offs, lay.u_off, lay.ptr, lay.row, val, lay.m,
            u, root, s_u, s_root, lay.z_col, score, weight, v, grad, pull,
        )  # fmt: skip
        full = lay.to_theta(grad)
        if not self.restricted:
            full = np.r_[full, self.x.T @ pull]
        return Point(
            theta.copy(), beta.copy(), value, full, u, chol, weight=weight.copy(), logdet=logdet
        )
