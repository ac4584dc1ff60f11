"""Fixed effects and the effects of coarse units together: predictions and their errors.

For ``y = X b + Z u + e`` with ``u`` the effects of the coarsest levels, ``Var u = G`` and
``Var e = D`` (all finer levels and the rows' own variance), the error of ``c'b + w'u`` estimated by
its best linear unbiased prediction has variance (Henderson 1975, Biometrics 31:423-447)::

    w' A w + r' Phi r,      A = (Z' D^-1 Z + G^-1)^-1,   r = c - X' D^-1 Z A w,
                            Phi = (X' D^-1 X - X' D^-1 Z A Z' D^-1 X)^-1

``A = L (I + L' Z' D^-1 Z L)^-1 L'`` with ``G = L L'`` also holds where a variance is zero. ``D`` is
block diagonal over the units just below, ``A`` over the coarsest. Counts enter by their working
response and weights at the Laplace optimum. All of ``D`` a prediction needs are the cross-products
``C' D^-1 C`` of ``C = (Z, X, y)`` within the coarsest units; they are taken once, so that ``G`` may
be varied at little cost (`trialkit.analysis.averaged`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit
from trialkit.mixed.effects import unit_part


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
    # Per unit of the coarsest level: where its columns are among all, and C' D^-1 C.
    _parts: tuple[tuple[np.ndarray, np.ndarray], ...]

    @property
    def shapes(self) -> dict[str, tuple[int, int]]:
        """Units and columns of every level."""
        return {level: (len(self.labels[level]), k) for level, k in self.widths.items()}

    def at(
        self, covariances: Mapping[str, np.ndarray], fixed: np.ndarray | None = None,
        units: Mapping[str, np.ndarray] | None = None,
    ) -> Evaluated:  # fmt: skip
        """Likelihood and predictions of linear functions at given covariances of the units.

        Parameters
        ----------
        covariances : mapping of level to ndarray, shape (points, columns, columns)
            A level left out stands at its estimate.
        fixed : ndarray, shape (functions, terms), optional
        units : mapping of level to ndarray, shape (functions, units, columns), optional
            Weights; a level left out has none.
        """
        p = len(self._original)
        c = np.zeros((0, p)) if fixed is None else np.asarray(fixed, dtype=float) @ self._original
        w = self._weights(len(c), units or {})
        roots = {k: _root(covariances.get(k, v[None])) for k, v in self.covariances.items()}
        points = max((len(r) for r in roots.values()), default=1)
        starts = np.cumsum([0, *(n * k for n, k in self.shapes.values())])
        moments = np.zeros((points, p + 1, p + 1))
        log_det = np.zeros(points)
        toward = np.zeros((points, len(c)))
        rest = np.tile(c, (points, 1, 1))
        variance = np.zeros((points, len(c)))
        for place, s in self._parts:
            m = len(place)
            root = np.zeros((points, m, m))
            for lower, upper, half in zip(starts[:-1], starts[1:], roots.values(), strict=True):
                own = np.flatnonzero((place >= lower) & (place < upper))
                for unit in own.reshape(-1, half.shape[-1]):
                    root[:, unit[:, None], unit] = half
            turned = root.swapaxes(1, 2)
            inner = np.eye(m) + turned @ s[:m, :m] @ root
            log_det += np.linalg.slogdet(inner)[1]
            a = root @ np.linalg.solve(inner, turned)
            cross = s[m:, :m] @ a
            moments += s[m:, m:] - cross @ s[:m, m:]
            own = w[:, place]
            used = np.flatnonzero(own.any(axis=1))
            if len(used):
                of = own[used]
                toward[:, used] += cross[:, p] @ of.T
                rest[:, used] -= of @ cross[:, :p].swapaxes(1, 2)
                variance[:, used] += ((of @ a) * of).sum(axis=-1)
        x, y = moments[:, :p, :p], moments[:, :p, p:]
        beta = np.linalg.solve(x, y)
        left = moments[:, p, p] - (y * beta).sum(axis=(1, 2))
        variance += (rest * np.linalg.solve(x, rest.swapaxes(1, 2)).swapaxes(1, 2)).sum(axis=-1)
        return Evaluated(
            -0.5 * (log_det + np.linalg.slogdet(x)[1] + left),
            (rest @ beta)[..., 0] + toward, np.sqrt(np.maximum(variance, 0.0)),
        )  # fmt: skip

    def linear(
        self, fixed: np.ndarray, units: Mapping[str, np.ndarray]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Predictions of linear functions and their standard errors, variances taken as known.

        Parameters as in :meth:`at`.

        Returns
        -------
        estimate, se : ndarray, shape (functions,)
        """
        found = self.at({}, fixed, units)
        return found.estimate[0], found.se[0]

    def _weights(self, n: int, units: Mapping[str, np.ndarray]) -> np.ndarray:
        parts = [
            np.asarray(units.get(level, np.zeros((n, *shape)))).reshape(n, shape[0] * shape[1])
            for level, shape in self.shapes.items()
        ]
        return np.hstack([np.zeros((n, 0)), *parts])


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
    block = units[below - 1] if below else np.arange(fit.n_rows)
    starts = np.r_[0, np.flatnonzero(np.diff(block)) + 1, fit.n_rows]
    widths = [model.z[lev].shape[1] for lev in kept]
    columns = np.column_stack([*(model.z[lev] for lev in kept), model.x, working])
    counts = [model.chain.counts[lev] for lev in kept]
    offset = np.cumsum([0, *(c * k for c, k in zip(counts, widths, strict=True))])
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
    rest = model.x.shape[1] + 1
    parts = []
    for pieces in gathered.values():
        place = np.unique(np.concatenate([at for at, _ in pieces]))
        m = len(place)
        s = np.zeros((m + rest, m + rest))
        for at, value in pieces:
            own = np.r_[np.searchsorted(place, at), m + np.arange(rest)]
            s[np.ix_(own, own)] += value
        parts.append((place, s))
    names = dict(zip(levels, kept, strict=True))
    return UnitInformation(
        {level: model.unit_labels(lev) for level, lev in names.items()},
        dict(zip(levels, widths, strict=True)),
        {level: cov[lev] for level, lev in names.items()}, model.to_original, tuple(parts),
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
    return vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
