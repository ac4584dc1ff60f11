"""Adjusted means and contrasts: a reference grid, linear functions, multiplicity.

Adjusted means are linear functions of the fixed effects over a reference grid: covariates at
their mean, factors not asked about balanced (Searle, Speed & Milliken 1980, Am. Stat. 34:216-221).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.multitest import multipletests

from trialkit.errors import ModelError

if TYPE_CHECKING:
    from trialkit.mixed.design import FixedPart
    from trialkit.mixed.result import MixedFit

ADJUSTMENTS = ("none", "holm", "bonferroni")


def reference_grid(
    fit: MixedFit, by: str | Sequence[str], at: Mapping[str, Any] | None = None
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Combinations of the ``by`` factors with their linear functions.

    Parameters
    ----------
    by : factor or factors of the fixed part.
    at : values at which other variables are held instead of mean or balance.

    Returns
    -------
    grid : DataFrame, one row a combination.
    linear : ndarray, shape (combinations, terms).
    spread : ndarray, shape (combinations,)
        Total variance of the random effects of a row in that combination (link scale, averaged
        over the factors that are balanced out).
    """
    by = [by] if isinstance(by, str) else list(by)
    at = dict(at or {})
    part = fit.fixed_part
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
    rows = part.matrix(full)
    spread = fit.random_variance(full)
    n_rest = int(np.prod([len(values[v]) for v in rest])) if rest else 1
    linear = rows.reshape(-1, n_rest, rows.shape[1]).mean(axis=1)
    grid = full[by].iloc[::n_rest].reset_index(drop=True)
    return grid, linear, spread.reshape(-1, n_rest).mean(axis=1)


def term_rows(part: FixedPart, term: str) -> np.ndarray:
    """Rows of a term's marginal hypothesis (Type III, equal weights), shape (rows, terms).

    Factors of the term enter by differences from their first level, other factors balanced; numeric
    variables outside the term are held at zero, one inside it enters by its unit difference
    (Searle 1987, Linear Models for Unbalanced Data, chapter 4). A term of transformed variables,
    or a design with aliased columns, is tested by its own coefficients.
    """
    columns = part.terms[term]
    own = np.eye(len(part.names))[columns]
    variables = term.split(":")
    known = all(v in part.levels or v in part.centres for v in variables)
    if part.aliased or not known:
        return own
    values: dict[str, list[Any]] = {v: list(levels) for v, levels in part.levels.items()}
    values |= {v: [0.0, 1.0] if v in variables else [0.0] for v in part.centres}
    grid = pd.DataFrame(itertools.product(*values.values()), columns=list(values))
    cells = part.matrix(grid).reshape(*(len(v) for v in values.values()), -1)
    for axis, name in enumerate(values):
        if name in variables:
            cells = np.delete(cells, 0, axis) - np.take(cells, [0], axis)
        else:
            cells = cells.mean(axis=axis, keepdims=True)
    rows = cells.reshape(-1, cells.shape[-1])
    return rows if np.linalg.matrix_rank(rows) == len(rows) == len(columns) else own


def linear_functions(fit: MixedFit, linear: np.ndarray, level: float) -> pd.DataFrame:
    """Estimate, standard error, df, t, p and interval of each row of ``linear`` (rows, terms)."""
    linear = np.atleast_2d(np.asarray(linear, dtype=float))
    beta = fit.fixed_effects.to_numpy()
    inference = fit.inference
    out = []
    for row in linear:
        if np.isnan(row).any():
            out.append((np.nan, np.nan, np.nan))
            continue
        se = float(np.sqrt(max(row @ inference.adjusted @ row, 0.0)))
        df = inference.moments(row[None, :])[1] if np.any(row) else np.inf
        out.append((float(row @ beta), se, df))
    table = pd.DataFrame(out, columns=["estimate", "se", "df"])
    t = np.divide(table["estimate"], table["se"])
    half = stats.t.ppf(0.5 + level / 2, table["df"]) * table["se"]
    return table.assign(
        statistic=t,
        p=2 * stats.t.sf(np.abs(t), table["df"]),
        low=table["estimate"] - half,
        high=table["estimate"] + half,
    )


def averaged_response(fit: MixedFit, eta: np.ndarray, spread: np.ndarray) -> np.ndarray:
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
    fit: MixedFit, by: str | Sequence[str], at: Mapping[str, Any] | None, level: float
) -> pd.DataFrame:
    """See :meth:`trialkit.mixed.MixedFit.adjusted_means`."""
    grid, linear, spread = reference_grid(fit, by, at)
    table = pd.concat([grid, linear_functions(fit, linear, level)], axis=1)
    table = table.drop(columns=["statistic", "p"])
    for source, suffix in (("estimate", ""), ("low", "_low"), ("high", "_high")):
        eta = table[source].to_numpy(dtype=float)
        table[f"response{suffix}"] = fit.family.inverse_link(eta)
        table[f"average{suffix}"] = averaged_response(fit, eta, spread)
    return table


def contrasts(
    fit: MixedFit, by: str, reference: Any, adjust: str, level: float,
    at: Mapping[str, Any] | None,
) -> pd.DataFrame:  # fmt: skip
    """See :meth:`trialkit.mixed.MixedFit.contrasts`."""
    if adjust not in ADJUSTMENTS:
        raise ModelError(f"adjust {adjust!r} is not known; choose one of {ADJUSTMENTS}.")
    grid, linear, _ = reference_grid(fit, by, at)
    levels = list(grid[by])
    if reference is not None:
        if reference not in levels:
            raise ModelError(f"reference {reference!r} is no level of {by!r}: {levels}.")
        r = levels.index(reference)
        pairs = [(i, r) for i in range(len(levels)) if i != r]
    else:
        pairs = [(j, i) for i, j in itertools.combinations(range(len(levels)), 2)]
    rows = np.array([linear[i] - linear[j] for i, j in pairs])
    table = linear_functions(fit, rows, level)
    table.insert(0, "level", [levels[i] for i, _ in pairs])
    table.insert(1, "reference", [levels[j] for _, j in pairs])
    table["p_adjusted"] = (
        table["p"] if adjust == "none" else multipletests(table["p"], method=adjust)[1]
    )
    if fit.family.link != "identity":
        for source, suffix in (("estimate", ""), ("low", "_low"), ("high", "_high")):
            table[f"ratio{suffix}"] = np.exp(table[source])
    return table
