"""Does the model hold? Residuals that are standard normal when it does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats

from trialkit.mixed.effects import unit_part

if TYPE_CHECKING:
    from trialkit.mixed.result import MixedFit


def quantile_residuals(fit: MixedFit, seed: int | np.random.Generator | None) -> np.ndarray:
    """See :meth:`trialkit.mixed.MixedFit.quantile_residuals`."""
    rng = np.random.default_rng(seed)
    model = fit.model
    eta = model.offset + model.x @ fit.found.point.beta + unit_part(fit)
    if fit.family.name == "gaussian":
        return model.original_order((fit.y - eta) * np.sqrt(model.weight) / fit.dispersion)
    law = response_law(fit, fit.family.inverse_link(eta))
    if fit.family.name == "gamma":
        return model.original_order(stats.norm.ppf(law.cdf(fit.y)))
    below, upto = law.cdf(fit.y - 1), law.cdf(fit.y)
    u = below + rng.uniform(size=len(eta)) * (upto - below)
    return model.original_order(stats.norm.ppf(np.clip(u, 1e-12, 1 - 1e-12)))


def response_law(fit: MixedFit, mean: np.ndarray) -> Any:
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
