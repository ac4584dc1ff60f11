"""Does the model hold? Residuals that are standard normal when it does."""

from __future__ import annotations

from typing import TYPE_CHECKING

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
    mean = fit.family.inverse_link(eta)
    law = stats.poisson(mean) if fit.family.name == "poisson" else stats.binom(model.size, mean)
    below, upto = law.cdf(fit.y - 1), law.cdf(fit.y)
    u = below + rng.uniform(size=len(eta)) * (upto - below)
    return model.original_order(stats.norm.ppf(np.clip(u, 1e-12, 1 - 1e-12)))
