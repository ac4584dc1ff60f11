"""Predicted unit effects: conditional modes and their covariance from the selected inverse."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed import kernels
from trialkit.mixed.problem import LaplaceProblem

if TYPE_CHECKING:
    from trialkit.mixed.result import MixedFit


def _modes(fit: MixedFit, lev: int) -> np.ndarray:
    """Effects of the units of a level (0 is the finest), shape (units, columns)."""
    layout, point = fit.found.problem.layout, fit.found.point
    k, n = layout.widths[lev], fit.model.chain.counts[lev]
    u0 = int(layout.u_off[lev])
    return point.u[u0 : u0 + n * k].reshape(n, k) @ layout.lambdas(point.theta)[lev].T


def unit_effects(fit: MixedFit, level: str) -> pd.DataFrame:
    """See :meth:`trialkit.mixed.MixedFit.unit_effects`."""
    chain, layout = fit.model.chain, fit.found.problem.layout
    if level not in chain.names:
        raise ModelError(f"{level!r} is no nested level of this fit: {chain.names[::-1]}.")
    lev = chain.names.index(level)
    k, n = layout.widths[lev], chain.counts[lev]
    lam = layout.lambdas(fit.found.point.theta)[lev]
    effects = _modes(fit, lev)
    start, blocks = _inverse_blocks(fit)
    own = blocks[start[lev] : start[lev] + n * k * k].reshape(n, k, k)
    cov = lam @ own @ lam.T * fit.found.point.sigma**2
    out = chain.labels[lev].copy()
    names = [c.name for c in fit.model.slopes[lev]]
    for j, name in enumerate(names):
        label = name if names.count(name) == 1 else f"{name}_{names[: j + 1].count(name)}"
        out[label] = effects[:, j]
        out[f"{label}_se"] = np.sqrt(np.maximum(cov[:, j, j], 0.0))
    return out


def unit_part(fit: MixedFit) -> np.ndarray:
    """Random part of the linear predictor, rows in chain order, shape (rows,)."""
    eta = np.zeros(fit.n_rows)
    for lev, of_row in enumerate(fit.model.row_units):
        eta += np.einsum("ij,ij->i", fit.model.z[lev], _modes(fit, lev)[of_row])
    return eta


def _inverse_blocks(fit: MixedFit) -> tuple[np.ndarray, np.ndarray]:
    """Own blocks of ``H^-1`` of every unit: where each level starts, and the values."""
    point, layout, chain = fit.found.point, fit.found.problem.layout, fit.model.chain
    sizes = [c * k * k for c, k in zip(chain.counts, layout.widths, strict=True)]
    start = np.r_[0, np.cumsum(sizes)].astype(np.int64)
    p = layout.n_root
    inverse = np.zeros((p, p))
    if p and fit.method == "reml":
        half = np.linalg.inv(point.root)
        inverse = half @ half.T
    out = np.empty(int(start[-1]))
    kernels.unit_blocks(
        chain.unit, chain.closes, layout.offs, layout.u_off, layout.fac_off, layout.m,
        _factors(fit), inverse, out, start[:-1],
    )  # fmt: skip
    return start, out


def _factors(fit: MixedFit) -> np.ndarray:
    """Elimination factors at the optimum."""
    problem, point = fit.found.problem, fit.found.point
    if isinstance(problem, LaplaceProblem):
        problem.point(point.theta, point.beta)
    else:
        problem.point(point.theta)
    return problem.fac
