"""A fitted mixed model as data: model, responses, estimates, and what is read off them directly.

Every question to a fit is a function of a :class:`Fitted`, in a file of its own;
:class:`trialkit.mixed.MixedFit` assembles them as methods.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed.design import FixedPart
from trialkit.mixed.estimate import Optimum, estimate
from trialkit.mixed.families import Family
from trialkit.mixed.model import Model
from trialkit.mixed.smallsample import Inference


@dataclass(frozen=True, eq=False, repr=False)
class Fitted:
    """A model, the responses it was fitted to, and the estimates.

    Attributes
    ----------
    model : Model
        The design, rows in chain order.
    found : Optimum
        The optimum and the story of the search.
    y : ndarray, shape (rows,)
        Responses in chain order.
    method : {"reml", "ml"}
    inferences : dict
        Covariances and df rules worked out so far, see :mod:`trialkit.mixed.inference`.
    """

    model: Model
    found: Optimum
    y: np.ndarray
    method: str
    inferences: dict[str, Inference] = field(default_factory=dict, init=False)

    # ------------------------------------------------------------------ what was fitted
    @property
    def family(self) -> Family:
        """Response distribution and link."""
        return self.model.family

    @property
    def fixed_part(self) -> FixedPart:
        """Columns, terms and factor levels of the fixed part."""
        return self.model.part

    @property
    def n_rows(self) -> int:
        """Rows used."""
        return len(self.y)

    @property
    def rows(self) -> pd.DataFrame:
        """The rows used, in the order of the input."""
        return self.model.frame

    def needs_rows(self, question: str) -> None:
        """Raise where the rows are not at hand that a question needs."""

    # ------------------------------------------------------------------ how well
    @property
    def loglik(self) -> float:
        """Log-likelihood with every constant; the restricted one for ``method="reml"``."""
        point = self.found.point
        if self.method == "ml":
            return point.value
        # The restricted likelihood integrates over the user's coefficients, not the scaled ones.
        return point.value + float(np.log(np.abs(np.diag(self.model.to_original))).sum())

    @property
    def n_parameters(self) -> int:
        """Fixed effects, covariance parameters, and the residual variance where there is one."""
        return len(self.model.part.names) + len(self.model.scale) + (self.family.name == "gaussian")

    @cached_property
    def aic(self) -> float:
        """Akaike's criterion of the maximum-likelihood fit (refitted for ``method="reml"``)."""
        return -2.0 * by_maximum_likelihood(self).loglik + 2.0 * self.n_parameters

    @property
    def converged(self) -> bool:
        """Always true for a fit that was returned; failure is an error."""
        return any(s.converged for s in self.found.searches) or not self.found.searches

    @property
    def singular(self) -> bool:
        """Whether a variance is estimated at zero (or a correlation at one)."""
        return bool(self.found.zero.any()) or any(map(perfectly_correlated, self.covariances))

    @property
    def searches(self) -> pd.DataFrame:
        """One row per search of the optimiser: value, scaled gradient, iterations, outcome."""
        return pd.DataFrame(
            [
                {"log_likelihood": -s.value, "gradient": s.gradient, "iterations": s.iterations,
                 "converged": s.converged, "reason": s.reason}
                for s in self.found.searches
            ]
        )  # fmt: skip

    @property
    def evaluations(self) -> int:
        """Gradient evaluations of the criterion kept."""
        return self.found.problem.evaluations

    # ------------------------------------------------------------------ estimates
    @cached_property
    def fixed_effects(self) -> pd.Series:
        """Estimates by coefficient name."""
        beta = self.model.to_original @ self.found.point.beta
        return pd.Series(beta, index=list(self.model.part.names), name="estimate")

    @property
    def covariances(self) -> list[np.ndarray]:
        """Covariance matrix of every level, finest first."""
        layout = self.found.problem.layout
        s2 = self.found.point.sigma**2
        return [s2 * lam @ lam.T for lam in layout.lambdas(self.found.point.theta)]

    @property
    def variances(self) -> pd.DataFrame:
        """Variance components, coarse to fine: level, term, variance, sd and correlations."""
        rows = []
        widest = max((len(c) for c in self.model.slopes), default=1)
        for name, columns, cov in reversed(
            list(zip(self.model.chain.names, self.model.slopes, self.covariances, strict=True))
        ):
            sd = np.sqrt(np.diag(cov))
            seen = set()
            for j, column in enumerate(columns):
                shared = self.model.covariances[name] == "exchangeable"
                if shared and column.group in seen:
                    continue
                seen.add(column.group)
                row = {"level": name, "term": column.name, "variance": cov[j, j], "sd": sd[j]}
                if self.model.covariances[name] == "unstructured":
                    for i in range(j):
                        both = sd[i] * sd[j]
                        row[f"corr_{i + 1}"] = cov[j, i] / both if both > 0 else np.nan
                rows.append(row)
        columns_out = ["level", "term", "variance", "sd"]
        columns_out += [f"corr_{i + 1}" for i in range(widest - 1)
                        if any(f"corr_{i + 1}" in r for r in rows)]  # fmt: skip
        return pd.DataFrame(rows, columns=columns_out)

    @property
    def dispersion(self) -> float:
        """The family's dispersion parameter.

        Residual standard deviation (gaussian), size (negative_binomial: variance
        ``mu + mu^2 / size``), precision ``a + b`` (beta_binomial), 1 / shape (gamma: variance
        ``dispersion * mu^2``); 1 for poisson and binomial.
        """
        if self.family.name == "gaussian":
            return self.found.point.sigma
        if not self.family.dispersed:
            return 1.0
        shape = float(np.exp(self.found.point.theta[-1]))
        return 1.0 / shape if self.family.name == "gamma" else shape

    def random_variance(self, frame: pd.DataFrame) -> np.ndarray:
        """Variance of all random effects together in each row of ``frame`` (link scale)."""
        return self.model.random_variance(frame, self.covariances)


# Whatever kind of fit goes in, the same comes out.
F = TypeVar("F", bound=Fitted)


def refit(fit: F, values: np.ndarray) -> F:
    """Fit the same model to new responses, shape (rows,), rows in the order of ``rows``.

    Raises
    ------
    ModelError
        If the number of values differs or they do not suit the family.
    """
    values = np.asarray(values, dtype=float)
    if values.shape != (fit.n_rows,):
        raise ModelError(f"refit needs {fit.n_rows} values, got shape {values.shape}.")
    ordered = values[fit.model.chain.order]
    fit.model.check_response(ordered)
    found = estimate(fit.model, ordered, fit.method == "reml", before=fit.found)
    return replace(fit, found=found, y=ordered)


def by_maximum_likelihood(fit: F) -> F:
    """The fit itself if it is one by maximum likelihood, else that of the same responses."""
    if fit.method == "ml":
        return fit
    return replace(fit, found=estimate(fit.model, fit.y, False, before=fit.found), method="ml")


def perfectly_correlated(covariance: np.ndarray) -> bool:
    """Whether effects that vary are perfectly correlated, whatever their units."""
    sd = np.sqrt(np.diag(covariance))
    if len(sd) < 2 or not (sd > 0).all():
        return False
    return bool(np.linalg.eigvalsh(covariance / np.outer(sd, sd))[0] < 1e-8)
