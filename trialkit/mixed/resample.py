"""New responses from a fitted model."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from trialkit.mixed.result import MixedFit


def simulate(fit: MixedFit, n: int, seed: int | np.random.Generator | None) -> np.ndarray:
    """See :meth:`trialkit.mixed.MixedFit.simulate`."""
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
        y = _responses(fit, eta, rng)
        out[:, draw] = model.original_order(y)
    return out


def _responses(fit: MixedFit, eta: np.ndarray, rng: np.random.Generator) -> np.ndarray:
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
