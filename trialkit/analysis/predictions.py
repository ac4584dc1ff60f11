"""Fixed effects and the effects of coarse units together: predictions and their errors.

For ``y = X b + Z u + e`` with ``u`` the effects of the coarsest levels, ``Var u = G`` and
``Var e = D`` (all finer levels and the rows' own variance), the error of ``c'b + w'u`` estimated by
its best linear unbiased prediction has variance (Henderson 1975, Biometrics 31:423-447)::

    w' A w + r' Phi r,      A = (Z' D^-1 Z + G^-1)^-1,   r = c - X' D^-1 Z A w,
                            Phi = (X' D^-1 X - X' D^-1 Z A Z' D^-1 X)^-1

``D`` is block diagonal over the units just below, so all of it that a prediction needs are the
cross-products ``C' D^-1 C`` of ``C = (Z, X, y)`` within the finest of the coarse units; they are
taken once, and ``G`` may then be varied at little cost (`trialkit.analysis.averaged`). Units are
eliminated level by level, finest first (`trialkit.mixed.condensed`), and so are the functions: a
weight ``w`` on a unit's own effects adds ``w' A w`` to the variance and passes ``-S A w`` on to the
columns above it, to ``X`` and to ``y``. A function touches the units it has weights on, no others.
Counts enter by their working response and weights at the Laplace optimum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import sparse

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit
from trialkit.mixed.condensed import condense
from trialkit.mixed.effects import unit_part

AT_ONCE = 1 << 21
"""Numbers in the largest array of one go."""


@dataclass(frozen=True, slots=True)
class Evaluated:
    """The model at several covariances of the units at once.

    Attributes
    ----------
    loglik : ndarray, shape (points,)
        Restricted log-likelihood of the (working) response, constants left out.
    estimate, se : ndarray, shape (points, functions)
        Predictions of the functions asked for and the standard errors of their errors.
    """

    loglik: np.ndarray
    estimate: np.ndarray
    se: np.ndarray


@dataclass(frozen=True, slots=True)
class Shared:
    """Weights on units that many functions share, each `times` as much as told.

    Attributes
    ----------
    times : ndarray, shape (functions,)
    units : dict of level to ndarray, shape (units, columns)
    """

    times: np.ndarray
    units: dict[str, np.ndarray]


@dataclass(frozen=True, slots=True)
class _Level:
    """Weights of functions on the units of a level: one row for each pair of both."""

    function: np.ndarray
    unit: np.ndarray
    weight: np.ndarray


@dataclass(frozen=True, slots=True)
class UnitInformation:
    """What the rows say of fixed effects and coarse units, finer variances taken as known.

    Attributes
    ----------
    labels : dict of level to DataFrame
        Labels of the units, coarse to fine.
    widths : dict of level to int
        Random columns of each level.
    covariances : dict of level to ndarray, shape (columns, columns)
        Estimated by the fit.
    """

    labels: dict[str, pd.DataFrame]
    widths: dict[str, int]
    covariances: dict[str, np.ndarray]
    # The model's columns are scaled; the user's coefficients are `_original` times its own.
    _original: np.ndarray
    # Per unit of the finest of the levels C' D^-1 C, columns of the levels fine to coarse, X, y.
    _cross: np.ndarray
    # Per level, fine to coarse, the unit above of every unit.
    _above: tuple[np.ndarray, ...]

    @property
    def shapes(self) -> dict[str, tuple[int, int]]:
        """Units and columns of every level."""
        return {level: (len(self.labels[level]), k) for level, k in self.widths.items()}

    def at(
        self, covariances: Mapping[str, np.ndarray], fixed: np.ndarray | None = None,
        units: Mapping[str, Any] | None = None, shared: Shared | None = None,
    ) -> Evaluated:  # fmt: skip
        """Likelihood and predictions of linear functions at given covariances of the units.

        Parameters
        ----------
        covariances : mapping of level to ndarray, shape (points, columns, columns)
            A level left out stands at its estimate.
        fixed : ndarray, shape (functions, terms), optional
        units : mapping of level to ndarray, shape (functions, units, columns), optional
            Weights, or a sparse matrix of shape (functions, units times columns); a level left out
            has none.
        shared : Shared, optional
            Weights besides, on many units, in which functions differ by a factor.
        """
        p = len(self._original)
        c = np.zeros((0, p)) if fixed is None else np.asarray(fixed, dtype=float) @ self._original
        fine = list(reversed(self.widths))
        halves = [_root(covariances.get(u, self.covariances[u][None])) for u in fine]
        points = max((len(h) for h in halves), default=1)
        weights = [self._pairs((units or {}).get(u), u) for u in fine]
        n_units, m = self._cross.shape[:2]
        step = max(1, AT_ONCE // max(n_units * m * m, len(c) * m, 1))
        found = []
        for start in range(0, points, step):
            some = [h if len(h) == 1 else h[start : start + step] for h in halves]
            n = min(step, points - start)
            found.append(self._some(n, some, c, weights, shared, fine))
        return Evaluated(*(np.concatenate(parts) for parts in zip(*found, strict=True)))

    def _some(
        self, points: int, halves: Sequence[np.ndarray], c: np.ndarray, weights: list[_Level],
        shared: Shared | None, fine: Sequence[str],
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # fmt: skip
        """`at` for as many points as are taken at a time."""
        p = c.shape[1]
        cross, log_det = self._cross[None], np.zeros(points)
        variance = np.zeros((points, len(c)))
        carried = _Carried(points, len(c), cross.shape[-1])
        for level, half, above, weight in zip(fine, halves, self._above, weights, strict=True):
            n, k = cross.shape[1], half.shape[-1]
            size = int(above.max()) + 1
            own = np.empty((points, n, k, k))
            left = np.zeros((points, size, cross.shape[2] - k, cross.shape[2] - k))
            condense(cross, half, above, own, left, log_det)
            if len(c):
                both = None if shared is None else shared.units.get(level)
                carried.add(weight, both, n)
                carried.pass_on(cross, own, above, size, variance, shared)
            cross = left
        moments = cross[:, 0]
        x, y = moments[:, :p, :p], moments[:, :p, p:]
        beta = np.linalg.solve(x, y)
        left_over = moments[:, p, p] - (y * beta).sum(axis=(1, 2))
        loglik = -0.5 * (log_det + np.linalg.slogdet(x)[1] + left_over)
        reached = carried.reached(shared)
        rest = c + reached[..., :p]
        variance += (rest * np.linalg.solve(x, rest.swapaxes(1, 2)).swapaxes(1, 2)).sum(axis=-1)
        estimate = (rest @ beta)[..., 0] - reached[..., p]
        return loglik, estimate, np.sqrt(np.maximum(variance, 0.0))

    def linear(
        self, fixed: np.ndarray, units: Mapping[str, Any]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Predictions of linear functions and their standard errors, variances taken as known.

        Parameters as in :meth:`at`.

        Returns
        -------
        estimate, se : ndarray, shape (functions,)
        """
        found = self.at({}, fixed, units)
        return found.estimate[0], found.se[0]

    def _pairs(self, given: Any, level: str) -> _Level:
        """Functions and units with a weight, in the order of functions."""
        n, k = self.shapes[level]
        if given is None:
            return _Level(np.zeros(0, int), np.zeros(0, int), np.zeros((0, k)))
        if not sparse.issparse(given):
            given = sparse.csr_array(np.asarray(given, dtype=float).reshape(-1, n * k))
        entries = sparse.coo_array(given)
        at, place = np.unique(entries.row.astype(np.int64) * n + entries.col // k,
                              return_inverse=True)  # fmt: skip
        weight = np.zeros((len(at), k))
        np.add.at(weight, (place, entries.col % k), entries.data)
        return _Level(at // n, at % n, weight)


class _Carried:
    """Functions on their way up: what each has on the columns of a unit and of all above it.

    Vectors run over the columns from a level on: its own, those above, X, y. `vector` (points,
    pairs, columns) belongs to pairs of function and unit, `both` (points, units, columns) to what
    functions share.
    """

    def __init__(self, points: int, functions: int, columns: int) -> None:
        self.function = self.unit = np.zeros(0, int)
        self.vector = np.zeros((points, 0, columns))
        self.both: np.ndarray | None = None
        self.n = functions

    def add(self, weight: _Level, both: np.ndarray | None, units: int) -> None:
        """Weights on the units of this level, where the functions have arrived."""
        points, _, m = self.vector.shape
        k = weight.weight.shape[1]
        if both is not None:
            if self.both is None:
                self.both = np.zeros((points, units, m))
            self.both[..., :k] += both
        if not len(weight.unit):
            return
        keys = [w.function * units + w.unit for w in (self, weight)]
        at, place = np.unique(np.concatenate(keys), return_inverse=True)
        vector = np.zeros((points, len(at), m))
        vector[:, place[: len(keys[0])]] = self.vector
        vector[:, place[len(keys[0]) :], :k] += weight.weight
        self.function, self.unit, self.vector = at // units, at % units, vector

    def pass_on(
        self, cross: np.ndarray, own: np.ndarray, above: np.ndarray, size: int,
        variance: np.ndarray, shared: Shared | None,
    ) -> None:  # fmt: skip
        """Eliminate the units of a level: add to the variance, carry the rest to those above."""
        k = own.shape[-1]
        w = self.vector[..., :k]
        dot = np.einsum("puij,puj->pui", own[:, self.unit], w)
        per_pair = (w * dot).sum(axis=-1)
        if self.both is not None and shared is not None:
            w_both = self.both[..., :k]
            dot_both = np.einsum("puij,puj->pui", own, w_both)
            square = (w_both * dot_both).sum(axis=(1, 2))
            variance += np.outer(square, shared.times**2)
            per_pair = per_pair + 2.0 * shared.times[self.function] * (
                dot * w_both[:, self.unit]
            ).sum(axis=-1)
            passed = self.both[..., k:] - np.einsum("puij,pui->puj", cross[..., :k, k:], dot_both)
            self.both = _summed(passed, above, size)
        for point, values in enumerate(per_pair):
            variance[point] += np.bincount(self.function, values, self.n)
        rows = cross[:, self.unit][..., :k, k:]
        passed = self.vector[..., k:] - np.einsum("puij,pui->puj", rows, dot)
        at, place = np.unique(self.function * size + above[self.unit], return_inverse=True)
        self.vector = _summed(passed, place, len(at))
        self.function, self.unit = at // size, at % size

    def reached(self, shared: Shared | None) -> np.ndarray:
        """What has arrived on X and y, shape (points, functions, terms + 1)."""
        out = np.zeros((len(self.vector), self.n, self.vector.shape[-1]))
        out[:, self.function] = self.vector
        if self.both is not None and shared is not None:
            out += shared.times[:, None] * self.both
        return out


def _summed(values: np.ndarray, place: np.ndarray, size: int) -> np.ndarray:
    """Sums of ``values`` (points, n, columns) by place, shape (points, size, columns)."""
    points, n, m = values.shape
    to = sparse.csr_array((np.ones(n), (place, np.arange(n))), shape=(size, n))
    flat = values.transpose(1, 0, 2).reshape(n, points * m)
    return np.asarray(to @ flat).reshape(size, points, m).transpose(1, 0, 2)


def unit_information(fit: MixedFit, levels: Sequence[str]) -> UnitInformation:
    """What a fit's rows say of the units of `levels`, its coarsest ones, coarse to fine.

    Raises
    ------
    ModelError
        If `levels` are not the coarsest ones, or the fit has crossed factors.
    """
    model = fit.model
    nested = list(model.chain.names[: model.chain.n_nested])
    if nested[::-1][: len(levels)] != list(levels) or not levels:
        raise ModelError(f"{list(levels)} are not the coarsest levels of the fit: {nested[::-1]}.")
    if model.chain.n_levels > len(nested):
        raise ModelError("predictions of units need a fit without crossed factors.")
    kept = [nested.index(level) for level in levels]
    below = kept[-1]
    units, cov = model.row_units, fit.covariances
    working, precision = _working(fit)
    columns = np.column_stack([*(model.z[lev] for lev in kept[::-1]), model.x, working])
    block = units[below - 1] if below else np.arange(fit.n_rows)
    starts = np.r_[0, np.flatnonzero(np.diff(block)) + 1]
    sizes = np.diff(np.r_[starts, fit.n_rows])
    q = columns.shape[1]
    cross = np.zeros((model.chain.counts[below], q, q))
    for size in np.unique(sizes):
        own = starts[sizes == size]
        for some in np.array_split(own, 1 + len(own) * size * max(size, q) // AT_ONCE):
            rows = some[:, None] + np.arange(size)
            d = np.eye(size) / precision[rows][:, :, None]
            for lev in range(below):
                z, unit = model.z[lev][rows], units[lev][rows]
                alike = unit[:, :, None] == unit[:, None, :]
                d += alike * (z @ cov[lev] @ z.swapaxes(1, 2))
            c = columns[rows]
            np.add.at(cross, units[below][some], c.swapaxes(1, 2) @ np.linalg.solve(d, c))
    above = []
    for lev in kept[::-1]:
        coarser = lev + 1 if lev != kept[0] else None
        to = np.zeros(model.chain.counts[lev], dtype=np.int64)
        if coarser is not None:
            to[units[lev]] = units[coarser]
        above.append(to)
    names = dict(zip(levels, kept, strict=True))
    return UnitInformation(
        {level: model.unit_labels(lev) for level, lev in names.items()},
        {level: model.z[lev].shape[1] for level, lev in names.items()},
        {level: cov[lev] for level, lev in names.items()}, model.to_original, cross, tuple(above),
    )  # fmt: skip


def _working(fit: MixedFit) -> tuple[np.ndarray, np.ndarray]:
    """(Working) response less the offset, and the inverse of its own variance, chain order."""
    if fit.family.name == "gaussian":
        return fit.y - fit.model.offset, fit.model.weight / fit.found.point.sigma**2
    weight, model = fit.found.point.weight, fit.model
    assert weight is not None
    eta = model.x @ fit.found.point.beta + unit_part(fit)
    mean = fit.family.inverse_link(eta + model.offset)
    if fit.family.link == "logit":
        mean = mean * model.size
    # The links are canonical: the score in the linear predictor is response less mean.
    return eta + model.weight * (fit.y - mean) / weight, weight


def _root(covariances: np.ndarray) -> np.ndarray:
    """L with L L' each covariance, which may be singular."""
    values, vectors = np.linalg.eigh(covariances)
    return np.ascontiguousarray(vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :])
