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
from functools import partial
from typing import Any

import numpy as np

from trialkit.mixed import criteria
from trialkit.mixed.chain import Chain
from trialkit.mixed.families import Family
from trialkit.mixed.optimise import GAIN, NO_LIMIT, VALUE, Search, search_record


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a level's Lambda and the parameter it takes its value from."""

    level: int
    row: int
    column: int
    parameter: int


@dataclass(frozen=True, slots=True)
class ChainLayout:
    """Positions of a chain vector: levels (finest first), fixed effects, right-hand side.

    Attributes
    ----------
    widths : columns of each level.
    n_root : fixed-effect columns in the chain (0 when the fixed effects are held outside).
    x_columns : distinct data column of each fixed effect.
    tree, levels, links, links_entries : what the compiled loops walk, see
        :mod:`trialkit.mixed.kernels` and :mod:`trialkit.mixed.gradients`.
    slot : per link the parameter behind its value, -1 for the constant 1.
    entry_at : per entry its parameter if it lies on the diagonal, else -1.
    """

    widths: tuple[int, ...]
    n_root: int
    n_theta: int
    entries: tuple[Entry, ...]
    x_columns: np.ndarray
    tree: np.ndarray
    levels: np.ndarray
    links: np.ndarray
    slot: np.ndarray
    links_entries: np.ndarray
    entry_at: np.ndarray

    @property
    def n_u(self) -> int:
        """Random effects in all."""
        return int(self.levels[-1, 2])

    @property
    def n_fac(self) -> int:
        """Numbers in the elimination factors."""
        return int(self.levels[-1, 3])

    def values(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Values of the chain map's non-zeros, and of the entries on the diagonal."""
        padded = np.append(theta[: self.n_theta], (0.0, 1.0))
        return padded[self.slot], padded[np.where(self.entry_at < 0, self.n_theta, self.entry_at)]

    def lambdas(self, theta: np.ndarray) -> list[np.ndarray]:
        """Lambda of every level, finest first."""
        out = [np.zeros((k, k)) for k in self.widths]
        for e in self.entries:
            out[e.level][e.row, e.column] = theta[e.parameter]
        return out


def build_layout(
    chain: Chain, z_columns: Sequence[Sequence[int]], x_columns: Sequence[int], n_data: int,
    entries: Sequence[Entry], with_fixed: bool,
) -> ChainLayout:  # fmt: skip
    """Number the positions of the chain vector and the storage of units and factors.

    Parameters
    ----------
    z_columns : per level (finest first) the distinct data column of each of its columns.
    x_columns : the distinct data column of each fixed effect.
    n_data : number of distinct data columns; the right-hand side follows as one more.
    entries : free entries of every Lambda.
    with_fixed : whether the fixed effects are part of the chain.
    """
    widths = tuple(len(z) for z in z_columns)
    at = np.r_[0, np.cumsum(widths)].astype(np.int64)
    n_root = len(x_columns) if with_fixed else 0
    top = len(widths)
    m = int(at[-1]) + n_root + 1
    # By position, as the loops walk them: levels in order, columns in order.
    ordered = sorted(entries, key=lambda e: (e.level, e.column))
    links = [
        (int(at[e.level]) + e.column, z_columns[e.level][e.row], e.level, e.column) for e in ordered
    ]
    slot = [e.parameter for e in ordered]
    if with_fixed:
        links += [(int(at[-1]) + j, c, top, j) for j, c in enumerate(x_columns)]
    links.append((m - 1, n_data, -1, 0))
    slot += [-1] * (len(links) - len(slot))
    levels = np.zeros((top + 1, 4), dtype=np.int64)
    levels[:, 0] = at
    levels[:, 1] = [*widths, n_root]
    for lev, (count, k) in enumerate(zip(chain.counts, widths, strict=True)):
        levels[lev + 1, 2] = levels[lev, 2] + count * k
        levels[lev + 1, 3] = levels[lev, 3] + count * k * (m - at[lev])
    on_diagonal = {(e.level, e.row): i for i, e in enumerate(entries) if e.row == e.column}
    free = [
        (e.parameter, at[e.level] + e.column, z_columns[e.level][e.row], e.level, e.column,
         on_diagonal[e.level, e.row])
        for e in entries
    ]  # fmt: skip
    own = [e.parameter if e.row == e.column else -1 for e in entries]
    whole = partial(np.array, dtype=np.int64)
    return ChainLayout(
        widths=widths,
        n_root=n_root,
        n_theta=max((e.parameter for e in entries), default=-1) + 1,
        entries=tuple(entries),
        x_columns=whole(x_columns),
        tree=np.column_stack([chain.row_start[:-1], chain.row_start[1:], chain.closes, chain.unit]),
        levels=levels,
        links=whole(links),
        slot=whole(slot),
        links_entries=whole(free).reshape(-1, 6),
        entry_at=whole(own),
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
        self, layout: ChainLayout, data: np.ndarray, y: np.ndarray, weight: np.ndarray, reml: bool
    ) -> None:
        self.layout = layout
        self.reml = reml
        self.n, self.p = len(y), layout.n_root
        self.log_weight = float(np.log(weight).sum())
        columns = [*data.T, y]
        starts = layout.tree[:, 0]
        self.cross = np.empty((len(starts), len(columns), len(columns)))
        equal = bool((weight == 1.0).all())
        for a, left in enumerate(columns):
            weighted = left if equal else weight * left
            for b in range(a, len(columns)):
                sums = np.add.reduceat(weighted * columns[b], starts)
                self.cross[:, a, b] = self.cross[:, b, a] = sums
        self.fac = np.empty(layout.n_fac)
        self.evaluations = 0

    @property
    def df(self) -> int:
        return self.n - self.p if self.reml else self.n

    def point(self, theta: np.ndarray, sigma: float = 0.0) -> Point | None:
        """Evaluate at ``theta``; a positive ``sigma`` is held instead of profiled."""
        k = len(theta)
        u, beta = np.empty(self.layout.n_u), np.empty(self.p)
        found = self._run(theta, np.eye(k), np.eye(k), u, beta, sigma, limit=1)
        _, _, scalars, grad, _, rss, s2, front = found
        value = -float(scalars[VALUE])
        if not math.isfinite(value):
            return None
        return Point(theta.copy(), beta, value, -grad, u, front, sigma=math.sqrt(s2), rss=rss)

    def search(
        self, start: np.ndarray, mix: np.ndarray, metric: np.ndarray | None, gain: float = GAIN,
        polish: int = 0,
    ) -> Search:  # fmt: skip
        """Minimise minus the log-likelihood over ``mix^-1 theta``."""
        x = start.astype(float)
        inverse = np.empty((len(x), len(x))) if metric is None else metric.copy()
        u, beta = np.empty(self.layout.n_u), np.empty(self.p)
        found = self._run(x, mix, inverse, u, beta, 0.0, metric is not None, gain, polish)
        verdict, counts, scalars, grad = found[:4]
        return search_record(start, verdict, counts, scalars, x, grad, inverse)

    def _run(
        self, x: np.ndarray, mix: np.ndarray, inverse: np.ndarray, u: np.ndarray,
        beta: np.ndarray, sigma: float, trusted: bool = True, gain: float = GAIN, polish: int = 0,
        limit: int = NO_LIMIT,
    ) -> tuple[Any, ...]:  # fmt: skip
        lay = self.layout
        found = criteria.search_gaussian(
            self.cross, lay.tree, lay.levels, lay.links, lay.links_entries, lay.slot, lay.entry_at,
            u, beta, self.fac, self.df, self.reml, self.log_weight, sigma, mix, x, inverse,
            trusted, gain, polish, limit,
        )  # fmt: skip
        self.evaluations += found[4]
        return found


class LaplaceProblem:
    """(Restricted) Laplace likelihood of a non-Gaussian response.

    With ``restricted`` the chain holds the fixed effects and the parameters are ``theta``;
    otherwise the parameters are ``theta`` and ``beta``. For a dispersed family ``theta`` ends with
    ``phi``, the logarithm of its size, shape or precision.
    """

    TIGHT = 1e-18
    USUAL = 1e-17

    def __init__(
        self, layout: ChainLayout, family: Family, data: np.ndarray, obs: np.ndarray,
        restricted: bool,
    ) -> None:  # fmt: skip
        self.layout, self.family, self.restricted = layout, family, restricted
        self.data, self.obs = np.ascontiguousarray(data), obs
        self.n, self.p = len(obs), len(layout.x_columns)
        self.constant = family.log_constant(*obs[:, [0, 1, 3]].T)
        self.constant += 0.5 * layout.n_root * math.log(2 * math.pi)
        self.u = np.zeros(layout.n_u)
        self.fac = np.empty(layout.n_fac)
        q = data.shape[1]
        self.cross = np.zeros((len(layout.tree), q + 1, q + 1))
        self.pulls = np.zeros((2, len(layout.tree), q))
        self.work = np.empty((self.n, 3))
        self.tolerance = self.USUAL
        self.evaluations = 0
        self.start_beta = np.zeros(self.p)
        self.beta = np.zeros(self.p)
        self.n_parameters = layout.n_theta + family.dispersed

    def point(self, theta: np.ndarray, beta: np.ndarray, graded: bool = True) -> Point | None:
        """Evaluate; None when the inner mode cannot be found (a step too far out).

        The gradient takes as long as the mode; it is zero where it is not asked for.
        """
        x = theta if self.restricted else np.r_[theta, beta]
        root = beta.copy() if self.restricted else np.zeros(0)
        identity = np.eye(len(x))
        found = self._run(x, identity, identity, root, limit=1, graded=graded)
        _, _, scalars, grad, _, front = found
        value = self.constant - float(scalars[VALUE])
        if not math.isfinite(value):
            return None
        return Point(
            theta.copy(), root if self.restricted else beta.copy(), value, -grad, self.u.copy(),
            front, weight=self.work[:, 1].copy(),
        )  # fmt: skip

    def search(
        self, start: np.ndarray, mix: np.ndarray, metric: np.ndarray | None, gain: float = GAIN,
        polish: int = 0,
    ) -> Search:  # fmt: skip
        """Minimise minus the log-likelihood over ``mix^-1`` times the parameters."""
        x = start.astype(float)
        inverse = np.empty((len(x), len(x))) if metric is None else metric.copy()
        root = self.beta if self.restricted else np.zeros(0)
        found = self._run(x, mix, inverse, root, metric is not None, gain, polish)
        verdict, counts, scalars, grad = found[:4]
        return search_record(start, verdict, counts, scalars, x, grad, inverse, -self.constant)

    def _run(
        self, x: np.ndarray, mix: np.ndarray, inverse: np.ndarray, root: np.ndarray,
        trusted: bool = True, gain: float = GAIN, polish: int = 0, limit: int = NO_LIMIT,
        graded: bool = True,
    ) -> tuple[Any, ...]:  # fmt: skip
        lay = self.layout
        held = lay.x_columns[:0] if self.restricted else lay.x_columns
        found = criteria.search_laplace(
            self.family.code, self.obs, self.data, lay.tree, lay.levels, lay.links,
            lay.links_entries, lay.slot, lay.entry_at, held, lay.n_theta, self.u, root,
            self.start_beta if self.restricted else root, self.fac, self.cross, self.work,
            self.pulls, self.tolerance, graded, mix, x, inverse, trusted, gain, polish, limit,
        )  # fmt: skip
        self.evaluations += found[4]
        return found
