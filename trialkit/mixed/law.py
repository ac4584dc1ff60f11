"""Responses given their means: their distribution, draws from it, residuals against it."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import stats

from trialkit.mixed.effects import linear_predictor
from trialkit.mixed.fitted import Fitted


def simulate(fit: Fitted, n: int = 1, seed: int | np.random.Generator | None = None) -> np.ndarray:
    """Draw new responses from the fitted model, new units included.

    Returns
    -------
    ndarray, shape (rows, n), rows in the order of ``rows``.
    """
    rng = np.random.default_rng(seed)
    model, point = fit.model, fit.found.point
    fixed = model.offset + model.x @ point.beta
    roots = [point.sigma * lam for lam in fit.found.problem.layout.lambdas(point.theta)]
    out = np.empty((fit.n_rows, n))
    for draw in range(n):
        eta = fixed.copy()
        for lev, (root, of_row) in enumerate(zip(roots, model.row_units, strict=True)):
            b = rng.standard_normal((model.chain.counts[lev], len(root))) @ root.T
            eta += np.einsum("ij,ij->i", model.z[lev], b[of_row])
        out[:, draw] = model.original_order(_draw(fit, eta, rng))
    return out


def _draw(fit: Fitted, eta: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Responses given the linear predictor, rows in chain order."""
    mean, shape, name = fit.family.inverse_link(eta), fit.dispersion, fit.family.name
    if name == "gaussian":
        noise = rng.standard_normal(len(eta))
        return mean + noise * shape / np.sqrt(fit.model.weight)
    if name == "poisson":
        return rng.poisson(mean).astype(float)
    if name == "negative_binomial":
        return rng.poisson(mean * rng.gamma(shape, 1.0 / shape, len(eta))).astype(float)
    if name == "gamma":
        return mean * rng.gamma(1.0 / shape, shape, len(eta))
    if name == "beta_binomial":
        mean = rng.beta(mean * shape, (1.0 - mean) * shape)
    return rng.binomial(fit.model.size.astype(int), mean).astype(float)


def response_law(fit: Fitted, mean: np.ndarray) -> Any:
    """Distribution of the responses given their means (chain order), a frozen scipy law."""
    shape, size = fit.dispersion, fit.model.size
    laws = {
        "poisson": lambda: stats.poisson(mean),
        "negative_binomial": lambda: stats.nbinom(shape, shape / (shape + mean)),
        "gamma": lambda: stats.gamma(1.0 / shape, scale=mean * shape),
        "binomial": lambda: stats.binom(size, mean),
        "beta_binomial": lambda: stats.betabinom(size, mean * shape, (1.0 - mean) * shape),
    }
    return laws[fit.family.name]()


def quantile_residuals(fit: Fitted, seed: int | np.random.Generator | None = None) -> np.ndarray:
    """Randomised quantile residuals given the unit effects, shape (rows,).

    Standard normal when the model holds (Dunn & Smyth 1996, J. Comput. Graph. Stat. 5:236-244).
    Rows in the order of ``rows``.
    """
    rng = np.random.default_rng(seed)
    model, eta = fit.model, linear_predictor(fit)
    if fit.family.name == "gaussian":
        return model.original_order((fit.y - eta) * np.sqrt(model.weight) / fit.dispersion)
    law = response_law(fit, fit.family.inverse_link(eta))
    if fit.family.name == "gamma":
        return model.original_order(stats.norm.ppf(law.cdf(fit.y)))
    return model.original_order(between(law.cdf(fit.y - 1), law.cdf(fit.y), rng))


def between(below: np.ndarray, upto: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Normal quantiles of numbers drawn between two values of a distribution function."""
    u = below + rng.uniform(size=len(below)) * (upto - below)
    return stats.norm.ppf(np.clip(u, 1e-12, 1 - 1e-12))
