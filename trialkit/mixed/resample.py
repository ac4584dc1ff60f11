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
        if fit.family.name == "gaussian":
            y = eta + rng.standard_normal(len(eta)) * fit.dispersion / np.sqrt(model.weight)
        elif fit.family.name == "poisson":
            y = rng.poisson(np.exp(eta)).astype(float)
        else:
            y = rng.binomial(model.size.astype(int), fit.family.inverse_link(eta)).astype(float)
        out[:, draw] = model.original_order(y)
    return out
