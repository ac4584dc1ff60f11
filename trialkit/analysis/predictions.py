"""Fixed effects and the effects of coarse units together: predictions and their errors.

For ``y = X b + Z u + e`` with ``u`` the effects of the coarsest levels, ``Var u = G`` and
``Var e = D`` (all finer levels and the rows' own variance), the error of ``c'b + w'u`` estimated by
its best linear unbiased prediction has variance (Henderson 1975, Biometrics 31:423-447)::

    w' A w + r' Phi r,      A = (Z' D^-1 Z + G^-1)^-1,   r = c - X' D^-1 Z A w,
                            Phi = (X' D^-1 X - X' D^-1 Z A Z' D^-1 X)^-1

``A = L (I + L' Z' D^-1 Z L)^-1 L'`` with ``G = L L'`` also holds where a variance is zero. ``D`` is
block diagonal over the units just below, ``A`` over the coarsest. Counts enter by their working
weights at the Laplace optimum; variances are taken as known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit


@dataclass(frozen=True, slots=True)
class UnitPredictions:
    """Effects of the units of the coarsest levels of a fit, with the covariance of their errors.

    Attributes
    ----------
    labels : dict of level to DataFrame
        Labels of the units, coarse to fine.
    effects : dict of level to ndarray, shape (units, columns)
        Conditional modes.
    fixed : ndarray, shape (terms,)
    phi : ndarray, shape (terms, terms)
        Covariance of `fixed`, variances known.
    """

    labels: dict[str, pd.DataFrame]
    effects: dict[str, np.ndarray]
    fixed: np.ndarray
    phi: np.ndarray
    # Per unit of the coarsest level: where its columns are among all, A, and X' D^-1 Z A.
    _blocks: tuple[tuple[np.ndarray, np.ndarray, np.ndarray], ...]

    def linear(
        self, fixed: np.ndarray, units: Mapping[str, np.ndarray]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Linear functions of fixed and unit effects, and their standard errors.

        Parameters
        ----------
        fixed : ndarray, shape (functions, terms)
        units : mapping of level to ndarray, shape (functions, units, columns)
            Weights; a level left out has none.

        Returns
        -------
        estimate, se : ndarray, shape (functions,)
        """
        n = len(fixed)
        parts = [
            units.get(level, np.zeros((n, *self.effects[level].shape))).reshape(n, -1)
            for level in self.effects
        ]
        w = np.hstack(parts)
        u = np.concatenate([e.ravel() for e in self.effects.values()])
        rest = np.array(fixed, dtype=float)
        variance = np.zeros(n)
        for place, a, cross in self._blocks:
            own = w[:, place]
            used = own.any(axis=1)
            variance[used] += np.einsum("ij,jk,ik->i", own[used], a, own[used])
            rest[used] -= own[used] @ cross.T
        variance += np.einsum("ij,jk,ik->i", rest, self.phi, rest)
        return fixed @ self.fixed + w @ u, np.sqrt(variance)


def unit_predictions(fit: MixedFit, levels: Sequence[str]) -> UnitPredictions:
    """Predictions of the units of `levels`, the coarsest of the fit, coarse to fine.

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
    precision = _precision(fit)
    block = units[below - 1] if below else np.arange(fit.n_rows)
    starts = np.r_[0, np.flatnonzero(np.diff(block)) + 1, fit.n_rows]
    widths = [model.z[lev].shape[1] for lev in kept]
    columns = np.hstack([*(model.z[lev] for lev in kept), model.x])
    offset = np.cumsum([0, *(c * k for c, k in zip(_counts(fit, kept), widths, strict=True))])
    top = units[kept[0]]
    gathered: dict[int, list[tuple[np.ndarray, np.ndarray]]] = {}
    for lo, hi in pairwise(starts):
        d = np.diag(1.0 / precision[lo:hi])
        for lev in range(below):
            z, unit = model.z[lev][lo:hi], units[lev][lo:hi]
            d += (unit[:, None] == unit) * (z @ cov[lev] @ z.T)
        c = columns[lo:hi]
        place = np.concatenate(
            [o + units[lev][lo] * k + np.arange(k)
             for o, lev, k in zip(offset[:-1], kept, widths, strict=True)]
        )  # fmt: skip
        gathered.setdefault(int(top[lo]), []).append((place, c.T @ np.linalg.solve(d, c)))
    p = model.x.shape[1]
    information = np.zeros((p, p))
    roots = [_root(cov[lev]) for lev in kept]
    blocks = []
    for parts in gathered.values():
        place = np.unique(np.concatenate([at for at, _ in parts]))
        m = len(place)
        s = np.zeros((m + p, m + p))
        for at, value in parts:
            own = np.r_[np.searchsorted(place, at), m + np.arange(p)]
            s[np.ix_(own, own)] += value
        root = np.zeros((m, m))
        for lower, upper, half in zip(offset[:-1], offset[1:], roots, strict=True):
            own = np.flatnonzero((place >= lower) & (place < upper))
            root[np.ix_(own, own)] = np.kron(np.eye(len(own) // len(half)), half)
        inner = np.eye(m) + root.T @ s[:m, :m] @ root
        a = root @ np.linalg.solve(inner, root.T)
        cross = s[m:, :m] @ a
        information += s[m:, m:] - cross @ s[:m, m:]
        # The model's columns are scaled; the user's coefficients are to_original times its own.
        blocks.append((place, a, np.linalg.solve(model.to_original.T, cross)))
    phi = model.to_original @ np.linalg.inv(information) @ model.to_original.T
    return UnitPredictions(
        {level: model.unit_labels(lev) for level, lev in zip(levels, kept, strict=True)},
        {level: _modes(fit, level, k) for level, k in zip(levels, widths, strict=True)},
        fit.fixed_effects.to_numpy(), phi, tuple(blocks),
    )  # fmt: skip


def _precision(fit: MixedFit) -> np.ndarray:
    """Inverse of the rows' own (working) variance, chain order."""
    if fit.family.name == "gaussian":
        return fit.model.weight / fit.found.point.sigma**2
    assert fit.found.point.weight is not None
    return fit.found.point.weight


def _counts(fit: MixedFit, levels: Sequence[int]) -> list[int]:
    return [fit.model.chain.counts[lev] for lev in levels]


def _root(covariance: np.ndarray) -> np.ndarray:
    """L with L L' the covariance, which may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0.0))


def _modes(fit: MixedFit, level: str, width: int) -> np.ndarray:
    """Effects of the units, shape (units, columns), out of the fit's own table."""
    table = fit.unit_effects(level)
    first = table.shape[1] - 2 * width
    return table.iloc[:, first::2].to_numpy(dtype=float)
