"""Predictions: rows, and unit effects with their covariance from the selected inverse."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed import kernels
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.problem import LaplaceProblem


def modes(fit: Fitted, lev: int) -> np.ndarray:
    """Effects of the units of a level (0 is the finest), shape (units, columns)."""
    layout, point = fit.found.problem.layout, fit.found.point
    k, n = layout.widths[lev], fit.model.chain.counts[lev]
    u0 = int(layout.levels[lev, 2])
    return point.u[u0 : u0 + n * k].reshape(n, k) @ layout.lambdas(point.theta)[lev].T


def unit_effects(fit: Fitted, level: str) -> pd.DataFrame:
    """Predicted effects of the units of one level, with their standard errors.

    Returns
    -------
    DataFrame, one row a unit: its labels coarse to fine, then per random column the
    conditional mode and ``_se``, the conditional standard deviation (fixed effects'
    uncertainty included for REML fits).

    Raises
    ------
    ModelError
        For an unknown level.
    """
    model, layout = fit.model, fit.found.problem.layout
    names = model.chain.names
    if level not in names:
        raise ModelError(f"{level!r} is no level of this fit: {list(names[::-1])}.")
    lev = names.index(level)
    k, n = layout.widths[lev], model.chain.counts[lev]
    lam = layout.lambdas(fit.found.point.theta)[lev]
    effects = modes(fit, lev)
    start, blocks = _inverse_blocks(fit)
    own = blocks[start[lev] : start[lev] + n * k * k].reshape(n, k, k)
    variance = np.diagonal(lam @ own @ lam.T * fit.found.point.sigma**2, axis1=1, axis2=2)
    columns = [c.name for c in model.unit_columns(lev)]
    # The labels of a crossed factor are the columns of one unit.
    effects, variance = (v.reshape(-1, len(columns)) for v in (effects, variance))
    out = model.unit_labels(lev).copy()
    for j, name in enumerate(columns):
        label = name if columns.count(name) == 1 else f"{name}_{columns[: j + 1].count(name)}"
        out[label] = effects[:, j]
        out[f"{label}_se"] = np.sqrt(np.maximum(variance[:, j], 0.0))
    return out


def predict(
    fit: Fitted, newdata: pd.DataFrame | None = None, scale: str = "response",
    include_units: bool = True,
) -> np.ndarray:  # fmt: skip
    """Predicted values, shape (rows,).

    Parameters
    ----------
    newdata : DataFrame, optional
        Rows to predict for, with zero random effects and unit exposure; default: the rows
        fitted, in their original order, with their exposure.
    scale : {"response", "link"}
        Counts (per exposure), proportions, or the linear predictor.
    include_units : bool
        Add the predicted unit effects of the rows fitted.

    Raises
    ------
    ModelError
        For an unknown scale, and where new data lack a variable or hold an unknown level.
    """
    if scale not in ("response", "link"):
        raise ModelError(f"scale {scale!r} is not known; choose 'response' or 'link'.")
    model = fit.model
    if newdata is not None:
        eta = model.part.matrix(newdata) @ fit.fixed_effects.to_numpy()
    else:
        eta = model.offset + model.x @ fit.found.point.beta
        eta = model.original_order(eta + unit_part(fit) if include_units else eta)
    return eta if scale == "link" else fit.family.inverse_link(eta)


def linear_predictor(fit: Fitted) -> np.ndarray:
    """Fixed and random part with the offset, rows in chain order, shape (rows,)."""
    return fit.model.offset + fit.model.x @ fit.found.point.beta + unit_part(fit)


def unit_part(fit: Fitted) -> np.ndarray:
    """Random part of the linear predictor, rows in chain order, shape (rows,)."""
    eta = np.zeros(fit.n_rows)
    for lev, of_row in enumerate(fit.model.row_units):
        eta += np.einsum("ij,ij->i", fit.model.z[lev], modes(fit, lev)[of_row])
    return eta


def _inverse_blocks(fit: Fitted) -> tuple[np.ndarray, np.ndarray]:
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
    kernels.unit_blocks(layout.tree, layout.levels, _factors(fit), inverse, out, start[:-1])
    return start, out


def _factors(fit: Fitted) -> np.ndarray:
    """Elimination factors at the optimum."""
    problem, point = fit.found.problem, fit.found.point
    if isinstance(problem, LaplaceProblem):
        problem.point(point.theta, point.beta)
    else:
        problem.point(point.theta)
    return problem.fac
