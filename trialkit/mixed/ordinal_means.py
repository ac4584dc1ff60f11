"""Odds ratios and shares of every score, from a fitted proportional odds model."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.polynomial.hermite_e import hermegauss
from scipy import stats
from scipy.special import expit, logit

from trialkit.mixed.means import grid_of
from trialkit.mixed.ordinal_fitted import OrdinalFitted

# Nodes of the average over the random effects: within 1e-9 up to a variance of nine, 1e-3 at 100.
AVERAGE_NODES = 100
# Step of the differences in parameters of natural scale one.
DIFFERENCE = 1e-5


def coefficients(
    fit: OrdinalFitted, df: float | Mapping[str, float] = np.inf, level: float = 0.95
) -> pd.DataFrame:
    """Coefficients and odds ratios of a higher score.

    Parameters
    ----------
    df : float or mapping of coefficient to float
        Degrees of freedom of the t distribution, those the layout gives; the normal by default.
    level : float
        Confidence level of the intervals.

    Returns
    -------
    DataFrame by term: ``estimate, se, df, statistic, p, low, high, odds_ratio,
    odds_ratio_low, odds_ratio_high``.
    """
    rows = np.eye(len(fit.parameters))[fit.n_theta + len(fit.categories) - 1 :]
    each = [df.get(n, np.inf) for n in fit.names] if isinstance(df, Mapping) else df
    return _odds(fit, rows, each, level).set_index(pd.Index(fit.names, name="term"))


def contrasts(
    fit: OrdinalFitted, factor: str, df: float = np.inf, level: float = 0.95,
    at: Mapping[str, Any] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Every level of a factor against its first, other factors balanced.

    Parameters
    ----------
    factor : of the fixed part.
    df, level : as for :func:`coefficients`.
    at : mapping, optional
        Values at which other variables are held.

    Returns
    -------
    DataFrame: ``level, reference``, then as :func:`coefficients`.
    """
    cells, linear, _ = grid_of(fit.model, fit.covariances, factor, at)
    rest = np.delete(linear, fit.model.part.terms["1"], axis=1)
    rows = np.zeros((len(rest) - 1, len(fit.parameters)))
    rows[:, -rest.shape[1] :] = rest[1:] - rest[0]
    labels = cells[factor].tolist()
    out = _odds(fit, rows, df, level)
    out.insert(0, "level", labels[1:])
    out.insert(1, "reference", labels[0])
    return out


def _odds(
    fit: OrdinalFitted, rows: np.ndarray, df: float | list[float], level: float
) -> pd.DataFrame:
    """Linear functions of the parameters, with their exponentials."""
    estimate = rows @ fit.parameters
    se = np.sqrt(np.einsum("ij,jk,ik->i", rows, fit.covariance, rows))
    each = np.broadcast_to(np.asarray(df, dtype=float), estimate.shape)
    statistic = estimate / se
    reach = stats.t.ppf(0.5 + level / 2.0, each) * se
    with np.errstate(over="ignore"):
        return pd.DataFrame({
            "estimate": estimate, "se": se, "df": each, "statistic": statistic,
            "p": 2.0 * stats.t.sf(np.abs(statistic), each),
            "low": estimate - reach, "high": estimate + reach,
            "odds_ratio": np.exp(estimate), "odds_ratio_low": np.exp(estimate - reach),
            "odds_ratio_high": np.exp(estimate + reach),
        })  # fmt: skip


def probabilities(
    fit: OrdinalFitted, by: str, df: float = np.inf, level: float = 0.95,
    at: Mapping[str, Any] | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:  # fmt: skip
    """Share of every score for each level of a factor, and the mean score.

    Averaged over the distribution of the random effects, then over the other factors balanced,
    covariates at their means or as ``at`` says. Standard errors by the delta method over all
    parameters, the random part's included; intervals of shares on the logit scale.

    Parameters
    ----------
    by : factor of the fixed part.
    df, level, at : as for :func:`contrasts`.

    Returns
    -------
    shares : DataFrame
        ``<by>, category, probability, se, low, high``.
    means : DataFrame
        ``<by>, mean, se, low, high``, the categories taken as numbers; missing where they are
        none.
    """
    labels, shares_of = _shares(fit, by, at)
    found = shares_of(fit.parameters)
    slope = np.empty((len(fit.parameters), *found.shape))
    for j, step in enumerate(DIFFERENCE * np.eye(len(fit.parameters))):
        up, down = shares_of(fit.parameters + step), shares_of(fit.parameters - step)
        slope[j] = (up - down) / (2 * DIFFERENCE)
    t = stats.t.ppf(0.5 + level / 2.0, df)
    se = np.sqrt(np.einsum("jac,jk,kac->ac", slope, fit.covariance, slope))
    on_logit, reach = logit(found), t * se / (found * (1.0 - found))
    shares = pd.DataFrame({
        by: np.repeat(labels, len(fit.categories)),
        "category": list(fit.categories) * len(labels),
        "probability": found.ravel(), "se": se.ravel(),
        "low": expit(on_logit - reach).ravel(), "high": expit(on_logit + reach).ravel(),
    })  # fmt: skip
    try:
        score = np.array([float(c) for c in fit.categories])
    except (TypeError, ValueError):
        score = np.full(len(fit.categories), np.nan)
    mean, own = found @ score, slope @ score
    se_mean = np.sqrt(np.einsum("ja,jk,ka->a", own, fit.covariance, own))
    means = pd.DataFrame({by: labels, "mean": mean, "se": se_mean,
                          "low": mean - t * se_mean, "high": mean + t * se_mean})  # fmt: skip
    return shares, means


def _shares(
    fit: OrdinalFitted, by: str, at: Mapping[str, Any] | None
) -> tuple[list[Any], Callable[[np.ndarray], np.ndarray]]:
    """Levels of a factor, and the share of every score in each as a function of the parameters."""
    part = fit.model.part
    factors = list(dict.fromkeys([by, *part.levels]))
    cells, linear, _ = grid_of(fit.model, fit.covariances, factors, at)
    rest = np.delete(linear, part.terms["1"], axis=1)
    labels = list(dict.fromkeys(cells[by]))
    weight = np.array([(cells[by] == v).to_numpy(dtype=float) for v in labels])
    weight /= weight.sum(axis=1, keepdims=True)
    full = cells.assign(**{v: (at or {}).get(v, c) for v, c in part.centres.items()})
    nodes, weights = hermegauss(AVERAGE_NODES)
    weights = weights / weights.sum()

    def shares(parameters: np.ndarray) -> np.ndarray:
        theta, a, b = fit.split(parameters)
        spread = fit.model.random_variance(full, fit.covariances_at(theta))
        eta = rest @ b
        reached = expit(
            eta[:, None, None] - a[:, None] + np.sqrt(spread)[:, None, None] * nodes
        ) @ weights  # fmt: skip
        edges = np.column_stack([np.ones(len(eta)), reached, np.zeros(len(eta))])
        return weight @ -np.diff(edges, axis=1)

    return labels, shares
