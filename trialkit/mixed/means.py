"""Adjusted means: a reference grid and linear functions of the fixed effects over it.

Adjusted means are linear functions of the fixed effects over a reference grid: covariates at
their mean, factors not asked about balanced (Searle, Speed & Milliken 1980, Am. Stat. 34:216-221)
or weighted as observed.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from trialkit.errors import ModelError
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.inference import default_inference
from trialkit.mixed.model import Model

WEIGHTS = ("balanced", "observed")


def reference_grid(
    fit: Fitted, by: str | Sequence[str], at: Mapping[str, Any] | None = None,
    weights: str = "balanced",
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:  # fmt: skip
    """Combinations of the ``by`` factors with their linear functions.

    Parameters
    ----------
    by : factor or factors of the fixed part.
    at : values at which other variables are held instead of mean or balance.
    weights : {"balanced", "observed"}
        Of the combinations of the other factors: all alike, or by their rows (among the rows with
        the factors held at their value).

    Returns
    -------
    grid : DataFrame, one row a combination.
    linear : ndarray, shape (combinations, terms).
    spread : ndarray, shape (combinations,)
        Total variance of the random effects of a row in that combination (link scale, averaged
        over the factors that are averaged out).

    Raises
    ------
    ModelError
        For an unknown variable, level or weighting, and where no mean can be estimated.
    """
    return grid_of(fit.model, fit.covariances, by, at, weights)


def grid_of(
    model: Model, covariances: Sequence[np.ndarray], by: str | Sequence[str],
    at: Mapping[str, Any] | None = None, weights: str = "balanced",
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:  # fmt: skip
    """The :func:`reference_grid` of a design with the covariances of its levels, finest first."""
    by = [by] if isinstance(by, str) else list(by)
    at = dict(at or {})
    part = model.part
    unknown = [v for v in [*by, *at] if v not in part.levels and v not in part.centres]
    if unknown:
        raise ModelError(
            f"{unknown} are not variables of the fixed part; it has "
            f"{[*part.levels, *part.centres]}."
        )
    values: dict[str, list[Any]] = {}
    for v, levels in part.levels.items():
        values[v] = [at[v]] if v in at else levels
    for v, centre in part.centres.items():
        held = at.get(v, centre)
        values[v] = list(np.atleast_1d(held))
    rest = [v for v in values if v not in by]
    names = [*by, *rest]
    full = pd.DataFrame(itertools.product(*(values[v] for v in names)), columns=names)
    share = _shares(model, {v: values[v] for v in rest}, part.levels, weights)
    # A combination without weight may be one that cannot be estimated.
    use = share > 0
    (rows,) = part.grids([{v: values[v] for v in names}])
    linear = share[use] @ rows.reshape(-1, len(share), rows.shape[1])[:, use]
    if np.isnan(linear).any(axis=1).all():
        raise ModelError(
            f"no adjusted mean of {', '.join(by)} can be estimated: averaging over {rest} meets "
            f"combinations that no row tells of (dropped: {', '.join(part.aliased)}). Weight them "
            f'as observed (weights="observed"), hold them by `at`, or leave a term out.'
        )
    spread = model.random_variance(full, covariances).reshape(-1, len(share)) @ share
    return full[by].iloc[:: len(share)].reset_index(drop=True), linear, spread


def _shares(
    model: Model, values: Mapping[str, list[Any]], factors: Mapping[str, Any], weights: str
) -> np.ndarray:
    """Weight of every combination of ``values``, factors before covariates; sums to one."""
    if weights not in WEIGHTS:
        raise ModelError(f"weights {weights!r} is not known; choose one of {WEIGHTS}.")
    count = np.ones([len(v) for v in values.values()])
    own = [v for v in values if v in factors]
    if weights == "observed" and own:
        frame = model.frame
        place = [pd.Index(values[v]).get_indexer(frame[v].cat.categories) for v in own]
        codes = np.array([p[frame[v].cat.codes] for p, v in zip(place, own, strict=True)])
        seen = np.zeros([len(values[v]) for v in own])
        np.add.at(seen, tuple(codes[:, (codes >= 0).all(axis=0)]), 1.0)
        if not seen.any():
            held = {v: values[v][0] for v in own if len(values[v]) == 1}
            raise ModelError(f"no row has {held}: nothing to weight by.")
        count *= seen.reshape(*seen.shape, *[1] * (len(values) - len(own)))
    return count.ravel() / count.sum()


def linear_functions(fit: Fitted, rows: np.ndarray, level: float = 0.95) -> pd.DataFrame:
    """Linear functions of the fixed effects: estimate, se, df, statistic, p, low, high.

    Parameters
    ----------
    rows : ndarray, shape (functions, terms)
    level : float
        Confidence level of the intervals.
    """
    rows = np.atleast_2d(np.asarray(rows, dtype=float))
    return pd.DataFrame(columns_of_functions(fit, rows, level))


def coefficients(fit: Fitted) -> pd.DataFrame:
    """Table by coefficient: estimate, se, df, statistic, p, and the 95 % interval."""
    names = list(fit.model.part.names)
    return linear_functions(fit, np.eye(len(names))).set_index(pd.Index(names, name="term"))


def columns_of_functions(
    fit: Fitted, linear: np.ndarray, level: float, values: np.ndarray | None = None
) -> dict[str, np.ndarray]:
    """Columns of :func:`linear_functions`; what cannot be estimated is NaN.

    ``values`` are the estimates of functions that are not linear, ``linear`` their gradients.
    """
    estimate, se, df = np.full((3, len(linear)), np.nan)
    known = ~np.isnan(linear).any(axis=1)
    rows = linear[known]
    estimate[known] = rows @ fit.fixed_effects.to_numpy() if values is None else values[known]
    inference = default_inference(fit)
    variance = np.einsum("ij,jk,ik->i", rows, inference.adjusted, rows)
    se[known] = np.sqrt(np.maximum(variance, 0.0))
    df[known] = np.inf
    varies = known & (linear != 0).any(axis=1)
    df[varies] = inference.df(linear[varies])
    with np.errstate(divide="ignore", invalid="ignore"):
        t = estimate / se
    half = special.stdtrit(df, 0.5 + level / 2) * se
    return {
        "estimate": estimate, "se": se, "df": df, "statistic": t,
        "p": 2 * special.stdtr(df, -np.abs(t)), "low": estimate - half, "high": estimate + half,
    }  # fmt: skip


def averaged_response(fit: Fitted, eta: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Mean response over units whose random effects have variance ``spread`` (link scale).

    Log link: ``exp(eta + spread / 2)``. Logit: Gauss-Hermite quadrature with 41 nodes.
    """
    if fit.family.link == "log":
        return np.exp(eta + spread / 2)
    if fit.family.link == "identity":
        return np.asarray(eta)
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    shifted = np.asarray(eta)[:, None] + np.sqrt(spread)[:, None] * nodes
    return fit.family.inverse_link(shifted) @ (weights / weights.sum())


def adjusted_means(
    fit: Fitted, by: str | Sequence[str], at: Mapping[str, Any] | None = None,
    level: float = 0.95, weights: str = "balanced",
) -> pd.DataFrame:  # fmt: skip
    """Adjusted means: covariates at their mean, other factors averaged.

    Parameters
    ----------
    by : factor or list of factors of the fixed part.
    at : mapping, optional
        Values at which other variables are held.
    level : float
        Confidence level of the intervals.
    weights : {"balanced", "observed"}
        How the combinations of the other factors are averaged: all alike, or as often as they
        occur in the rows used (in those with the factors of ``at`` at their values). The
        weights are the same for every mean.

    Returns
    -------
    DataFrame, one row a combination: the factors; estimate, se, df, low, high on the link
    scale; ``response`` with its interval for a typical unit (random effects zero);
    ``average`` with its interval over the random effects' distribution, whose variance is
    taken as known.

    Raises
    ------
    ModelError
        For an unknown variable, level or weighting.
    """
    grid, linear, spread = reference_grid(fit, by, at, weights)
    table = columns_of_functions(fit, linear, level)
    del table["statistic"], table["p"]
    for source, suffix in (("estimate", ""), ("low", "_low"), ("high", "_high")):
        table[f"response{suffix}"] = fit.family.inverse_link(table[source])
        table[f"average{suffix}"] = averaged_response(fit, table[source], spread)
    return pd.DataFrame({**grid, **table}, index=grid.index)
