"""What every question to a fitted mixed model starts from: estimates and their inference."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.display import card, table
from trialkit.mixed import hypotheses, means
from trialkit.mixed.estimate import Estimate, estimate
from trialkit.mixed.families import Family
from trialkit.mixed.inference import Inference, default_method, inference_by
from trialkit.mixed.model import Model

# Extra variance of a dispersed family, as a part of the plain one's, that is not worth its name.
NEGLIGIBLE = 1e-3
# Standard deviation on the logit scale that units have only if nearly all rows of each are alike.
BEYOND = 8.0


def _dependent(covariance: np.ndarray) -> bool:
    """Whether effects that vary are perfectly correlated, whatever their units."""
    sd = np.sqrt(np.diag(covariance))
    if len(sd) < 2 or not (sd > 0).all():
        return False
    return bool(np.linalg.eigvalsh(covariance / np.outer(sd, sd))[0] < 1e-8)


class FittedModel:
    """The fit itself: likelihood, estimates, tests of terms. The base of ``MixedFit``.

    Standard errors, degrees of freedom and tests are worked out when first asked for.
    """

    def __init__(self, model: Model, found: Estimate, y: np.ndarray, reml: bool) -> None:
        self.model, self.found, self.y, self._reml = model, found, y, reml

    # ------------------------------------------------------------------ the fit itself
    @property
    def family(self) -> Family:
        """Response distribution and link."""
        return self.model.family

    @property
    def method(self) -> str:
        """``"reml"`` or ``"ml"``."""
        return "reml" if self._reml else "ml"

    @property
    def fixed_part(self) -> Any:
        """Columns, terms and factor levels of the fixed part."""
        return self.model.part

    @property
    def n_rows(self) -> int:
        """Rows used."""
        return len(self.y)

    @property
    def loglik(self) -> float:
        """Log-likelihood with every constant; the restricted one for ``method="reml"``."""
        point = self.found.point
        if not self._reml:
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
        full = self
        if self._reml:
            found = estimate(self.model, self.y, False, before=self.found)
            full = type(self)(self.model, found, self.y, False)
        return -2.0 * full.loglik + 2.0 * self.n_parameters

    @property
    def converged(self) -> bool:
        """Always true for a fit that was returned; failure is an error."""
        return any(s.converged for s in self.found.searches) or not self.found.searches

    @property
    def singular(self) -> bool:
        """Whether a variance is estimated at zero (or a correlation at one)."""
        return bool(self.found.zero.any()) or any(map(_dependent, self.covariances))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader should know of this fit: rows left out, zero variances, other optima."""
        out = [*self.model.notes, *self.found.notes]
        table = self.variances
        for _, row in table[table["variance"] == 0.0].iterrows():
            term = "" if row["term"] == "Intercept" else f" ({row['term']})"
            out.append(
                f"the variance between units of {row['level']!r}{term} is estimated at zero."
            )
        parts = zip(
            self.model.chain.names, self.model.slopes, self.model.z, self.covariances, strict=True
        )
        for name, columns, z, cov in parts:
            if _dependent(cov) and len(cov) == 2:
                out.append(
                    f"the correlation of {columns[1].name} with the intercept by {name!r} is "
                    f"estimated at {np.sign(cov[0, 1]):+.0f}."
                )
            elif _dependent(cov):
                out.append(f"effects by {name!r} are estimated at a correlation of one.")
            sd = float(np.sqrt(np.einsum("ij,jk,ik->i", z, cov, z).mean()))
            if self.family.link == "logit" and sd > BEYOND:
                out.append(
                    f"the standard deviation by {name!r}, {sd:.2g} on the logit scale, is beyond "
                    f"what the approximation can tell: units are nearly all zero or all "
                    f"successes. Take one row for each unit instead."
                )
        if self._no_more_than_chance:
            plain = "poisson" if self.family.link == "log" else "binomial"
            out.append(
                f"no more spread than that of {plain} counts was found ({self._spread_words}): "
                f"family {plain!r} does as well."
            )
        return tuple(out)

    @property
    def _no_more_than_chance(self) -> bool:
        """Whether a family's extra variance is below a thousandth of the plain one's."""
        if self.family.name == "negative_binomial":
            return bool(self.y.max() < NEGLIGIBLE * self.dispersion)
        if self.family.name == "beta_binomial":
            return bool(self.model.size.max() - 1.0 < NEGLIGIBLE * (self.dispersion + 1.0))
        return False

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

    # ------------------------------------------------------------------ inference
    @property
    def inference_method(self) -> str:
        """How standard errors and df are found by default."""
        return default_method(self)

    @cached_property
    def inference(self) -> Inference:
        """Covariance of the fixed effects and the df rule of the default method."""
        return inference_by(self, self.inference_method)

    @property
    def covariance(self) -> pd.DataFrame:
        """Covariance matrix of the fixed effects (Kenward-Roger adjusted for REML fits)."""
        names = list(self.model.part.names)
        return pd.DataFrame(self.inference.adjusted, index=names, columns=names)

    @property
    def coefficients(self) -> pd.DataFrame:
        """Table by coefficient: estimate, se, df, statistic, p, and the 95 % interval."""
        names = list(self.model.part.names)
        table = self.linear(np.eye(len(names)))
        return table.set_index(pd.Index(names, name="term"))

    def term_tests(self, method: str | None = None) -> pd.DataFrame:
        """F test of every term: equal-weight marginal hypotheses (Type III), coding-free.

        Parameters
        ----------
        method : optional
            "kenward-roger", "kenward-roger-nonzero" (a variance estimated at zero taken as zero),
            "satterthwaite" or "asymptotic". Default: the fit's own.

        Returns
        -------
        DataFrame by term: F, num_df, den_df, p. Where aliased columns leave less than all of a
        term's hypothesis to be estimated, that part is tested, and a further column ``tested``
        says so: "1 of 2 df", or "nothing" (F, den_df and p are then NaN).
        """
        inference = self.inference if method is None else inference_by(self, method)
        beta = self.fixed_effects.to_numpy()
        part = self.model.part
        out, told = {}, {}
        for term in part.full_terms:
            if term == "1":
                continue
            rows = hypotheses.term_rows(part, term)
            q, f, df = len(rows), np.nan, np.nan
            if q:
                f, df = inference.f_test(rows, beta)
            p = stats.chi2.sf(f * q, q) if np.isinf(df) else stats.f.sf(f, q, df)
            out[term] = {"F": f, "num_df": q, "den_df": df, "p": float(p)}
            told[term] = hypotheses.told_words(part, term, q) if part.aliased else ""
        table = pd.DataFrame.from_dict(out, orient="index", columns=["F", "num_df", "den_df", "p"])
        if any(told.values()):
            table["tested"] = [told[term] or "all" for term in table.index]
        return table.rename_axis("term")

    def linear(self, rows: np.ndarray, level: float = 0.95) -> pd.DataFrame:
        """Linear functions of the fixed effects: estimate, se, df, statistic, p, low, high.

        Parameters
        ----------
        rows : ndarray, shape (functions, terms)
        """
        return means.linear_functions(self, rows, level)

    # ------------------------------------------------------------------ views
    def _title(self) -> str:
        levels = self.model.levels_text
        kind = "restricted" if self._reml else "maximum"
        return (
            f"{self.family.name} model of {self.model.response} ~ {self.model.fixed}"
            f"{', units ' + levels if levels else ''}; {self.n_rows} rows, {kind} likelihood "
            f"{self.loglik:.3f}, df {self.inference_method}"
        )

    @property
    def _spread_words(self) -> str:
        names = {
            "gaussian": "residual standard deviation",
            "negative_binomial": "size",
            "beta_binomial": "precision",
            "gamma": "squared coefficient of variation",
        }
        name = names.get(self.family.name)
        return f"{name} {self.dispersion:.5g}" if name else ""

    def __repr__(self) -> str:
        parts = [self._title(), "", self.coefficients.round(4).to_string()]
        if len(self.variances):
            parts += ["", self.variances.round(5).to_string(index=False)]
        if self._spread_words:
            parts += ["", self._spread_words]
        return "\n".join([*parts, *(f"note: {n}" for n in self.notes)])

    def _repr_html_(self) -> str:
        return card(
            self._title(),
            [self._spread_words, *self.notes],
            table(self.coefficients),
            table(self.variances),
        )
