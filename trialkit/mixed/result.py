"""MixedFit: a fitted mixed model with every question that can be put to it.

Each question is a function of the fit in the file that knows its method; here they become methods.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.display import card, table

# Under names of their own where a method has the name of its file.
from trialkit.mixed import bootstrap as _bootstrap
from trialkit.mixed import contrasts as _contrasts
from trialkit.mixed import (
    effects,
    fitted,
    goodness,
    hypotheses,
    inference,
    law,
    likelihood_ratio,
    means,
    notes,
    variance_inference,
)
from trialkit.mixed import influence as _influence
from trialkit.mixed import quadrature as _quadrature
from trialkit.mixed.smallsample import Inference

# Extra variance of a dispersed family, as a part of the plain one's, that is not worth its name.
NEGLIGIBLE = 1e-3
# Standard deviation on the logit scale that units have only if nearly all rows of each are alike.
BEYOND = 8.0


class MixedFit(fitted.Fitted):
    """A fitted mixed model; made by :func:`trialkit.mixed.fit_mixed`.

    What it holds (likelihood, fixed effects, variances, dispersion) is described in
    :class:`~trialkit.mixed.fitted.Fitted`. Standard errors, degrees of freedom and tests are
    worked out when first asked for.
    """

    # ------------------------------------------------------------------ fixed effects
    term_tests = hypotheses.term_tests
    linear = means.linear_functions
    adjusted_means = means.adjusted_means
    contrasts = _contrasts.contrasts
    equivalence = _contrasts.equivalence

    # ------------------------------------------------------------------ random part
    variance_intervals = variance_inference.variance_intervals
    variance_test = variance_inference.variance_test
    intraclass_correlation = variance_inference.intraclass_correlation
    compare = likelihood_ratio.compare
    quadrature = _quadrature.quadrature

    # ------------------------------------------------------------------ units and rows
    unit_effects = effects.unit_effects
    predict = effects.predict
    simulate = law.simulate
    quantile_residuals = law.quantile_residuals

    # ------------------------------------------------------------------ fitted again
    refit = fitted.refit
    bootstrap = _bootstrap.bootstrap
    bootstrap_test = _bootstrap.bootstrap_test
    influence = _influence.influence
    dispersion_check = goodness.dispersion_check
    zero_check = goodness.zero_check

    def reference_grid(
        self, by: str | Sequence[str], at: Mapping[str, Any] | None = None
    ) -> tuple[pd.DataFrame, np.ndarray]:
        """Combinations of factors and the linear functions of their adjusted means."""
        return means.reference_grid(self, by, at)[:2]

    # ------------------------------------------------------------------ inference
    @property
    def inference_method(self) -> str:
        """How standard errors and df are found by default."""
        return inference.default_method(self)

    @property
    def inference(self) -> Inference:
        """Covariance of the fixed effects and the df rule of the default method."""
        return inference.default_inference(self)

    @property
    def covariance(self) -> pd.DataFrame:
        """Covariance matrix of the fixed effects (Kenward-Roger adjusted for REML fits)."""
        names = list(self.model.part.names)
        return pd.DataFrame(self.inference.adjusted, index=names, columns=names)

    @property
    def coefficients(self) -> pd.DataFrame:
        """Table by coefficient: estimate, se, df, statistic, p, and the 95 % interval."""
        return means.coefficients(self)

    # ------------------------------------------------------------------ as text
    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader should know of this fit: rows left out, zero variances, other optima."""
        return _notes(self)

    def __repr__(self) -> str:
        parts = [_title(self), "", self.coefficients.round(4).to_string()]
        if len(self.variances):
            parts += ["", self.variances.round(5).to_string(index=False)]
        spread = notes.spread_found(self.family.name, self.dispersion)
        if spread:
            parts += ["", spread]
        return "\n".join([*parts, *(f"note: {n}" for n in self.notes)])

    def _repr_html_(self) -> str:
        spread = notes.spread_found(self.family.name, self.dispersion)
        sentences = [spread, *self.notes]
        return card(_title(self), sentences, table(self.coefficients), table(self.variances))


def _title(fit: MixedFit) -> str:
    """The model in one line."""
    model = fit.model
    likelihood = notes.likelihood_heading(
        fit.method == "reml", fit.loglik, inference.default_method(fit)
    )
    return notes.model_heading(
        fit.family.name, model.response, model.fixed, model.levels_text, f"{fit.n_rows} rows",
        likelihood,
    )  # fmt: skip


def _notes(fit: MixedFit) -> tuple[str, ...]:
    """Rows left out, zero variances, other optima, and what the approximation cannot tell."""
    model, table = fit.model, fit.variances
    out = [*model.notes, *fit.found.notes]
    for _, row in table[table["variance"] == 0.0].iterrows():
        out.append(notes.zero_variance(row["level"], row["term"]))
    levels = zip(model.chain.names, model.slopes, model.z, fit.covariances, strict=True)
    for name, columns, z, cov in levels:
        if fitted.perfectly_correlated(cov):
            sign = float(np.sign(cov[0, 1]))
            out.append(notes.correlation_at_one(name, [c.name for c in columns], sign))
        sd = float(np.sqrt(np.einsum("ij,jk,ik->i", z, cov, z).mean()))
        if fit.family.link == "logit" and sd > BEYOND:
            out.append(notes.spread_beyond_logits(name, sd))
    if _no_more_than_chance(fit):
        plain = "poisson" if fit.family.link == "log" else "binomial"
        spread = notes.spread_found(fit.family.name, fit.dispersion)
        out.append(notes.no_more_than_chance(plain, spread))
    return tuple(out)


def _no_more_than_chance(fit: MixedFit) -> bool:
    """Whether a family's extra variance is below a thousandth of the plain one's."""
    if fit.family.name == "negative_binomial":
        return bool(fit.y.max() < NEGLIGIBLE * fit.dispersion)
    if fit.family.name == "beta_binomial":
        return bool(fit.model.size.max() - 1.0 < NEGLIGIBLE * (fit.dispersion + 1.0))
    return False
