"""What a fitted proportional odds model answers: odds ratios, shares of every score, its check."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.polynomial.hermite_e import hermegauss
from scipy import stats
from scipy.special import expit, logit

from trialkit.display import card, table
from trialkit.mixed.design import FixedPart
from trialkit.mixed.means import reference_grid
from trialkit.mixed.model import Model
from trialkit.mixed.ordinal_check import ProportionalOdds, check_proportional_odds
from trialkit.mixed.ordinal_likelihood import OrdinalCriterion, Readings
from trialkit.mixed.quadrature import Optimum

# Nodes of the average over the random effects: within 1e-9 up to a variance of nine, 1e-3 at 100.
AVERAGE_NODES = 100
# Step of the differences in parameters of natural scale one.
DIFFERENCE = 1e-5


class OrdinalFit:
    """A proportional odds model fitted by :func:`trialkit.mixed.ordinal.fit_ordinal`.

    Attributes
    ----------
    model : Model
        Of the readings, one row each.
    categories : tuple
        The scores read, lowest first.
    unused : tuple
        Scores of the scale without a reading.
    loglik : float
        Maximised log-likelihood (Laplace, or by quadrature), every constant counted.
    notes : tuple of str
    """

    def __init__(
        self, model: Model, codes: np.ndarray, categories: tuple[Any, ...],
        unused: tuple[Any, ...], readings: Readings, criterion: OrdinalCriterion, best: Optimum,
    ) -> None:  # fmt: skip
        self.model, self.codes = model, codes
        self.categories, self.unused = categories, unused
        self.readings, self.criterion, self.best = readings, criterion, best
        self.loglik, self.n_rows = best.value, len(codes)
        notes = list(model.notes)
        for level, columns, cov in zip(
            model.chain.names, model.slopes, self.covariances(self.best.parameters[: self.n_theta]),
            strict=True,
        ):  # fmt: skip
            for column, variance in zip(columns, np.diag(cov), strict=True):
                own = f" of effects of {column.variable}" if column.variable else ""
                if variance == 0.0:
                    notes.append(
                        f"the variance{own} between units of {level!r} is estimated at zero."
                    )
        notes = list(dict.fromkeys(notes))
        self.notes = tuple(notes)

    # ------------------------------------------------------------ parameters
    @property
    def fixed_part(self) -> FixedPart:
        return self.model.part

    @property
    def n_theta(self) -> int:
        return self.model.n_theta

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
        k, top = self.n_theta, len(self.categories) - 1
        return np.split(parameters, [k, k + top])  # type: ignore[return-value]

    @property
    def names(self) -> list[str]:
        """Names of the coefficients."""
        return [n for j, n in enumerate(self.model.part.names)
                if j not in self.model.part.terms["1"]]  # fmt: skip

    def covariances(self, theta: np.ndarray) -> list[np.ndarray]:
        lambdas = self.readings.model.layout(with_fixed=False)[0].lambdas(theta)
        return [one @ one.T for one in lambdas]

    @cached_property
    def variances(self) -> pd.DataFrame:
        """``level, term, variance, sd`` of the random part, coarse to fine; logits."""
        rows: list[tuple[str, str, float, float]] = []
        found = self.covariances(self.best.parameters[: self.n_theta])
        for name, columns, cov in zip(self.model.chain.names, self.model.slopes, found,
                                      strict=True):  # fmt: skip
            own = [(name, c.name, v, math.sqrt(v))
                   for c, v in zip(columns, np.diag(cov), strict=True)]  # fmt: skip
            rows = own + rows
        return pd.DataFrame(rows, columns=["level", "term", "variance", "sd"])

    @cached_property
    def thresholds(self) -> pd.DataFrame:
        """``estimate, se`` of every threshold, at zero of the fixed part's columns."""
        _, a, _ = self.split(self.parameters)
        _, se, _ = self.split(np.sqrt(np.diag(self.covariance)))
        index = [f"{low}|{high}" for low, high in zip(self.categories, self.categories[1:],
                                                      strict=False)]  # fmt: skip
        return pd.DataFrame({"estimate": a, "se": se}, index=pd.Index(index, name="threshold"))

    def coefficients(self, df: float | Mapping[str, float] = np.inf, level: float = 0.95
                     ) -> pd.DataFrame:  # fmt: skip
        """Coefficients and odds ratios of a higher score.

        Parameters
        ----------
        df : float or mapping of coefficient to float
            Degrees of freedom of the t distribution, those the layout gives; the normal by default.

        Returns
        -------
        DataFrame by term: ``estimate, se, df, statistic, p, low, high, odds_ratio,
        odds_ratio_low, odds_ratio_high``.
        """
        k, top = self.n_theta, len(self.categories) - 1
        rows = np.eye(len(self.parameters))[k + top :]
        of = [df.get(n, np.inf) for n in self.names] if isinstance(df, Mapping) else df
        out = self._linear(rows, of, level)
        return out.set_index(pd.Index(self.names, name="term"))

    def contrasts(self, factor: str, df: float = np.inf, level: float = 0.95,
                  at: Mapping[str, Any] | None = None) -> pd.DataFrame:  # fmt: skip
        """Every level of a factor against its first, other factors balanced.

        Returns
        -------
        DataFrame: ``level, reference``, then as :meth:`coefficients`.
        """
        cells, linear, _ = reference_grid(self, factor, at)  # type: ignore[arg-type]
        rest = np.delete(linear, self.model.part.terms["1"], axis=1)
        rows = np.zeros((len(rest) - 1, len(self.parameters)))
        rows[:, -rest.shape[1] :] = rest[1:] - rest[0]
        labels = cells[factor].tolist()
        out = self._linear(rows, df, level)
        out.insert(0, "level", labels[1:])
        out.insert(1, "reference", labels[0])
        return out

    def _linear(self, rows: np.ndarray, df: Any, level: float) -> pd.DataFrame:
        estimate = rows @ self.parameters
        se = np.sqrt(np.einsum("ij,jk,ik->i", rows, self.covariance, rows))
        df = np.broadcast_to(np.asarray(df, dtype=float), estimate.shape)
        statistic = estimate / se
        reach = stats.t.ppf(0.5 + level / 2.0, df) * se
        with np.errstate(over="ignore"):
            return pd.DataFrame({
                "estimate": estimate, "se": se, "df": df, "statistic": statistic,
                "p": 2.0 * stats.t.sf(np.abs(statistic), df),
                "low": estimate - reach, "high": estimate + reach,
                "odds_ratio": np.exp(estimate), "odds_ratio_low": np.exp(estimate - reach),
                "odds_ratio_high": np.exp(estimate + reach),
            })  # fmt: skip

    # ------------------------------------------------------------ shares of the scores
    def random_variance(self, frame: pd.DataFrame) -> np.ndarray:
        """Variance of the random effects in each row of ``frame``, logits."""
        theta = self.best.parameters[: self.n_theta]
        return self.model.random_variance(frame, self.covariances(theta))

    def probabilities(self, by: str, df: float = np.inf, level: float = 0.95,
                      at: Mapping[str, Any] | None = None
                      ) -> tuple[pd.DataFrame, pd.DataFrame]:  # fmt: skip
        """Share of every score for each level of a factor, and the mean score.

        Averaged over the distribution of the random effects, then over the other factors balanced,
        covariates at their means or as ``at`` says. Standard errors by the delta method over all
        parameters, the random part's included; intervals of shares on the logit scale.

        Returns
        -------
        shares : DataFrame
            ``<by>, category, probability, se, low, high``.
        means : DataFrame
            ``<by>, mean, se, low, high``, the categories taken as numbers; missing where they are
            none.
        """
        factors = list(dict.fromkeys([by, *self.model.part.levels]))
        cells, linear, _ = reference_grid(self, factors, at)  # type: ignore[arg-type]
        rest = np.delete(linear, self.model.part.terms["1"], axis=1)
        labels = list(dict.fromkeys(cells[by]))
        share = np.array([(cells[by] == v).to_numpy(dtype=float) for v in labels])
        share /= share.sum(axis=1, keepdims=True)
        full = cells.assign(**{v: (at or {}).get(v, c) for v, c in self.model.part.centres.items()})
        nodes, weights = hermegauss(AVERAGE_NODES)
        weights = weights / weights.sum()

        def of(parameters: np.ndarray) -> np.ndarray:
            theta, a, b = self.split(parameters)
            spread = self.model.random_variance(full, self.covariances(theta))
            eta = rest @ b
            reached = expit(
                eta[:, None, None] - a[:, None] + np.sqrt(spread)[:, None, None] * nodes
            ) @ weights  # fmt: skip
            edges = np.column_stack([np.ones(len(eta)), reached, np.zeros(len(eta))])
            return share @ -np.diff(edges, axis=1)

        found = of(self.parameters)
        slope = np.empty((len(self.parameters), *found.shape))
        for j in range(len(self.parameters)):
            step = np.zeros(len(self.parameters))
            step[j] = DIFFERENCE
            slope[j] = (of(self.parameters + step) - of(self.parameters - step)) / (2 * DIFFERENCE)
        t = stats.t.ppf(0.5 + level / 2.0, df)
        se = np.sqrt(np.einsum("jac,jk,kac->ac", slope, self.covariance, slope))
        on_logit, reach = logit(found), t * se / (found * (1.0 - found))
        shares = pd.DataFrame({
            by: np.repeat(labels, len(self.categories)),
            "category": list(self.categories) * len(labels),
            "probability": found.ravel(), "se": se.ravel(),
            "low": expit(on_logit - reach).ravel(), "high": expit(on_logit + reach).ravel(),
        })  # fmt: skip
        try:
            score = np.array([float(c) for c in self.categories])
        except (TypeError, ValueError):
            score = np.full(len(self.categories), np.nan)
        mean, own = found @ score, slope @ score
        se_mean = np.sqrt(np.einsum("ja,jk,ka->a", own, self.covariance, own))
        means = pd.DataFrame({by: labels, "mean": mean, "se": se_mean,
                              "low": mean - t * se_mean, "high": mean + t * se_mean})  # fmt: skip
        return shares, means

    # ------------------------------------------------------------ one odds ratio for all thresholds
    def proportional_odds(self, term: str, name: str | None = None) -> ProportionalOdds:
        """Test one odds ratio for all thresholds against one for each, see
        :func:`trialkit.mixed.ordinal_check.check_proportional_odds`."""
        return check_proportional_odds(self, term, name)

    # ------------------------------------------------------------ as text
    @property
    def title(self) -> str:
        chain, nodes = self.model.chain, self.criterion.nodes
        units = f", units {self.model.levels_text}" if chain.n_levels else ""
        how = "Laplace approximation" if nodes == 1 else f"{nodes} quadrature nodes"
        return (
            f"proportional odds model of {self.model.response} ~ {self.model.fixed}{units}; "
            f"{self.n_rows} readings of {len(self.categories)} scores, maximum likelihood by "
            f"{how} {self.loglik:.3f}"
        )

    def _tables(self) -> Sequence[pd.DataFrame]:
        return self.coefficients(), self.thresholds, self.variances

    def __repr__(self) -> str:
        parts = [self.title, *(t.round(4).to_string() for t in self._tables())]
        return "\n\n".join([*parts, *(f"note: {n}" for n in self.notes)])

    def _repr_html_(self) -> str:
        return card(self.title, self.notes, *map(table, self._tables()))
