"""A fitted proportional odds model as data, and what is read off it directly.

Questions to it are functions in :mod:`trialkit.mixed.ordinal_means` and
:mod:`trialkit.mixed.ordinal_check`; :class:`trialkit.mixed.ordinal_fit.OrdinalFit` assembles them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from trialkit.mixed.climb import Optimum
from trialkit.mixed.design import FixedPart
from trialkit.mixed.model import Model
from trialkit.mixed.notes import zero_variance
from trialkit.mixed.ordinal_likelihood import OrdinalCriterion, Readings


@dataclass(frozen=True, eq=False, repr=False)
class OrdinalFitted:
    """A design, the scores it was fitted to, and the estimates.

    Attributes
    ----------
    model : Model
        Of the readings, one row each.
    codes : ndarray of int, shape (rows,)
        Positions in ``categories``, chain order.
    categories : tuple
        The scores read, lowest first.
    unused : tuple
        Scores of the scale without a reading.
    readings : Readings
        The readings as binary rows.
    criterion : OrdinalCriterion
    best : Optimum
        Where the search ended: entries of Lambda, thresholds, coefficients of centred columns.
    """

    model: Model
    codes: np.ndarray
    categories: tuple[Any, ...]
    unused: tuple[Any, ...]
    readings: Readings
    criterion: OrdinalCriterion
    best: Optimum

    @property
    def fixed_part(self) -> FixedPart:
        """Columns, terms and factor levels of the fixed part."""
        return self.model.part

    @property
    def loglik(self) -> float:
        """Maximised log-likelihood (Laplace, or by quadrature), every constant counted."""
        return self.best.value

    @property
    def n_rows(self) -> int:
        """Readings used."""
        return len(self.codes)

    @property
    def n_theta(self) -> int:
        """Parameters of the random part."""
        return self.model.n_theta

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader should know of this fit: rows left out, scores not read, zero variances."""
        table = self.variances[self.variances["variance"] == 0.0]
        zero = [zero_variance(*row) for row in zip(table["level"], table["term"], strict=True)]
        return tuple(dict.fromkeys([*self.model.notes, *zero]))

    # ------------------------------------------------------------ parameters
    @cached_property
    def back(self) -> np.ndarray:
        """Thresholds and coefficients of the user's columns from those of the centred ones."""
        top, c = len(self.categories) - 1, self.model.part.terms["1"][0]
        to = self.model.to_original
        back = np.eye(top + len(to) - 1)
        back[:top, top:] = -np.delete(to[c], c)
        back[top:, top:] = np.delete(np.delete(to, c, axis=0), c, axis=1)
        return back

    @cached_property
    def parameters(self) -> np.ndarray:
        """Entries of Lambda, thresholds, coefficients of the user's columns."""
        k = self.n_theta
        return np.r_[self.best.parameters[:k], self.back @ self.best.parameters[k:]]

    @cached_property
    def covariance(self) -> np.ndarray:
        """Of :attr:`parameters`; zero for a variance estimated at zero."""
        k, n = self.n_theta, len(self.best.parameters)
        out = np.zeros((n, n))
        out[np.ix_(self.best.free, self.best.free)] = np.linalg.inv(self.best.information)
        back = np.eye(n)
        back[k:, k:] = self.back
        return back @ out @ back.T

    def split(self, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Entries of Lambda, thresholds, coefficients."""
        k, top = self.n_theta, self.n_theta + len(self.categories) - 1
        return parameters[:k], parameters[k:top], parameters[top:]

    @property
    def names(self) -> list[str]:
        """Names of the coefficients."""
        return [n for j, n in enumerate(self.model.part.names)
                if j not in self.model.part.terms["1"]]  # fmt: skip

    def covariances_at(self, theta: np.ndarray) -> list[np.ndarray]:
        """Covariance matrix of every level, finest first, from the entries of Lambda."""
        lambdas = self.readings.model.layout(with_fixed=False)[0].lambdas(theta)
        return [one @ one.T for one in lambdas]

    @property
    def covariances(self) -> list[np.ndarray]:
        """Covariance matrix of every level, finest first; logits."""
        return self.covariances_at(self.best.parameters[: self.n_theta])

    @cached_property
    def variances(self) -> pd.DataFrame:
        """``level, term, variance, sd`` of the random part, coarse to fine; logits."""
        rows: list[tuple[str, str, float, float]] = []
        chain = self.model.chain
        levels = zip(chain.names, self.model.slopes, self.covariances, strict=True)
        for name, columns, cov in reversed(list(levels)):
            own = zip(columns, np.diag(cov).tolist(), strict=True)
            rows += [(name, c.name, v, v**0.5) for c, v in own]
        return pd.DataFrame(rows, columns=["level", "term", "variance", "sd"])

    @cached_property
    def thresholds(self) -> pd.DataFrame:
        """``estimate, se`` of every threshold, at zero of the fixed part's columns."""
        _, a, _ = self.split(self.parameters)
        _, se, _ = self.split(np.sqrt(np.diag(self.covariance)))
        index = [f"{low}|{high}" for low, high in zip(self.categories, self.categories[1:],
                                                      strict=False)]  # fmt: skip
        return pd.DataFrame({"estimate": a, "se": se}, index=pd.Index(index, name="threshold"))
