"""MixedFit: what a fitted mixed model can tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed import (
    bootstrap,
    check,
    compare,
    effects,
    goodness,
    influence,
    means,
    quadrature,
    resample,
    variance_inference,
)
from trialkit.mixed.bootstrap import Bootstrap, BootstrapTest, Statistic
from trialkit.mixed.estimate import estimate
from trialkit.mixed.fitted import FittedModel
from trialkit.mixed.goodness import Check
from trialkit.mixed.influence import Influence
from trialkit.mixed.parallel import Progress
from trialkit.mixed.quadrature import Quadrature


class MixedFit(FittedModel):
    """A fitted mixed model; made by :func:`trialkit.mixed.fit_mixed`.

    Each method hands over to the room that does the work. Estimates, standard errors and tests
    of terms are inherited from :class:`~trialkit.mixed.fitted.FittedModel`.
    """

    # ------------------------------------------------------------------ means and contrasts
    def reference_grid(
        self, by: str | Sequence[str], at: Mapping[str, Any] | None = None
    ) -> tuple[pd.DataFrame, np.ndarray]:
        """Combinations of factors and the linear functions of their adjusted means."""
        grid, rows, _ = means.reference_grid(self, by, at)
        return grid, rows

    def adjusted_means(
        self, by: str | Sequence[str], at: Mapping[str, Any] | None = None, level: float = 0.95,
        weights: str = "balanced",
    ) -> pd.DataFrame:  # fmt: skip
        """Adjusted means: covariates at their mean, other factors averaged.

        Parameters
        ----------
        by : factor or list of factors of the fixed part.
        at : mapping, optional
            Values at which other variables are held.
        level : float
            Confidence level of the intervals.
        weights : {"balanced", "observed"}
            How the combinations of the other factors are averaged: all alike, or as often as they
            occur in the rows used (in those with the factors of ``at`` at their values). The
            weights are the same for every mean.

        Returns
        -------
        DataFrame, one row a combination: the factors; estimate, se, df, low, high on the link
        scale; ``response`` with its interval for a typical unit (random effects zero);
        ``average`` with its interval over the random effects' distribution, whose variance is
        taken as known.

        Raises
        ------
        ModelError
            For an unknown variable, level or weighting.
        """
        return means.adjusted_means(self, by, at, level, weights)

    def contrasts(
        self, by: str, reference: Any = None, kind: means.Kind = None, adjust: str = "none",
        level: float = 0.95, at: Mapping[str, Any] | None = None, weights: str = "balanced",
    ) -> pd.DataFrame:  # fmt: skip
        """Comparisons of adjusted means on the link scale, and ratios where it is a logarithm.

        Parameters
        ----------
        by : factor of the fixed part.
        reference : level to compare the others with (kind "control").
        kind : {"pairwise", "control", "polynomial"} or dict, optional
            Default: all pairs, or against ``reference`` where one is given. "control" without a
            reference takes the first level. "polynomial": orthonormal trends over the levels, by
            their numbers or equally spaced. A dict names contrasts and gives the weights, in the
            order of the levels or by level; they sum to zero.
        adjust : {"none", "holm", "bonferroni", "tukey", "dunnett"}
            Adjustment of ``p_adjusted`` for the number of contrasts. "tukey" (studentised range)
            is for all pairs, "dunnett" (multivariate t) for any set; see
            :mod:`trialkit.mixed.multiplicity`. Intervals are simultaneous with "bonferroni",
            "tukey" and "dunnett"; Holm's method has none and leaves the single ones.
        level : float
            Confidence level of the intervals.
        at : mapping, optional
            Values at which other variables are held.
        weights : {"balanced", "observed"}
            How other factors are averaged, as for :meth:`adjusted_means`.

        Returns
        -------
        DataFrame: level and reference (or contrast, its name), estimate, se, df, statistic, p,
        low, high, p_adjusted and, for log and logit links, ratio (odds ratio) with its interval.

        Raises
        ------
        ModelError
            For an unknown level, kind, adjustment or weighting, or contrasts that do not fit the
            levels.
        """
        return means.contrasts(self, by, reference, kind, adjust, level, at, weights)

    def equivalence(
        self, by: str, margin: float | Sequence[float], reference: Any = None,
        level: float = 0.95, at: Mapping[str, Any] | None = None,
    ) -> pd.DataFrame:  # fmt: skip
        """Two one-sided tests that levels differ by less than a margin.

        Schuirmann (1987, J. Pharmacokinet. Biopharm. 15:657-680), each test at ``1 - level``.

        Parameters
        ----------
        by : factor of the fixed part.
        margin : number or (low, high)
            On the link scale; for log and logit links a ratio (of odds), where one number ``m``
            means ``(1 / m, m)``. One side infinite (or a ratio of zero) tests non-inferiority.
        reference : level to compare with; None gives all pairs.
        level : float
            One less the size of each test.
        at : mapping, optional
            Values at which other variables are held.

        Returns
        -------
        DataFrame: level, reference, estimate, df, p_lower (against a difference at or below the
        lower margin), p_upper, p (the larger), low90 and high90 (the interval of confidence
        ``1 - 2 (1 - level)``, named after it), verdict (whether equivalence is shown). Estimate
        and interval are on the scale of the margin.

        Raises
        ------
        ModelError
            If the margin does not enclose no difference, or a level is unknown.
        """
        return means.equivalence(self, by, margin, reference, level, at)

    def variance_intervals(self, level: float = 0.95) -> pd.DataFrame:
        """Profile-likelihood intervals of standard deviations, correlations and dispersion.

        The fit's own likelihood (restricted for REML fits), maximised with each quantity held in
        turn. An interval that reaches zero means the variance may be zero.

        Returns
        -------
        DataFrame: level, term, quantity ("sd" or "correlation"; the last row, "residual", is the
        residual sd or the family's dispersion), estimate, low, high.
        """
        return variance_inference.variance_intervals(self, level)

    def variance_test(self, level: str, term: str | None = None) -> pd.Series:
        """Likelihood-ratio test that a variance is zero, a bound of its range.

        With ``k`` parameters vanishing (the variance, and its free correlations) the null
        distribution is the 50:50 mixture of chi-squares with ``k - 1`` and ``k`` df (Self & Liang
        1987, J. Am. Stat. Assoc. 82:605-610; Stram & Lee 1994, Biometrics 50:1171-1177); it holds
        for many units and is conservative for few.

        Parameters
        ----------
        level : nested level.
        term : random column of the level, where it has several.

        Returns
        -------
        Series: statistic, p, null (the mixture in words).

        Raises
        ------
        ModelError
            For an unknown level or term.
        """
        return variance_inference.variance_test(self, level, term)

    def intraclass_correlation(self, level: float = 0.95) -> pd.DataFrame:
        """Correlation of two rows of the same unit, per level, with profile intervals.

        The variance of the level and those above it as a share of the total (Gaussian responses,
        levels without slopes).

        Returns
        -------
        DataFrame: level, estimate, low, high.

        Raises
        ------
        ModelError
            For other families, slopes, or no nested level.
        """
        return variance_inference.intraclass_correlation(self, level)

    def compare(self, other: MixedFit) -> pd.DataFrame:
        """Likelihood-ratio test between two fits, one nested in the other.

        Where the fits differ by one variance (or by the extra dispersion of a family) the null
        distribution is the mixture of :meth:`variance_test`. Tests of fixed effects by this
        ratio are liberal with few units; :meth:`term_tests` is the better one.

        Returns
        -------
        DataFrame by fit ("smaller", "larger"): fixed, levels, parameters, loglik, aic, and on the
        larger's row statistic, df, p and null (the reference distribution).

        Raises
        ------
        ModelError
            If the fits differ in data or method, are not nested, or are REML fits with different
            fixed parts.
        """
        return compare.compare(self, other)

    # ------------------------------------------------------------------ units and rows
    def unit_effects(self, level: str) -> pd.DataFrame:
        """Predicted effects of the units of one level, with their standard errors.

        Returns
        -------
        DataFrame, one row a unit: its labels coarse to fine, then per random column the
        conditional mode and ``_se``, the conditional standard deviation (fixed effects'
        uncertainty included for REML fits).
        """
        return effects.unit_effects(self, level)

    def predict(
        self, newdata: pd.DataFrame | None = None, scale: str = "response",
        include_units: bool = True,
    ) -> np.ndarray:  # fmt: skip
        """Predicted values, shape (rows,).

        Parameters
        ----------
        newdata : DataFrame, optional
            Rows to predict for, with zero random effects and unit exposure; default: the rows
            fitted, in their original order, with their exposure.
        scale : {"response", "link"}
            Counts (per exposure), proportions, or the linear predictor.
        include_units : bool
            Add the predicted unit effects of the rows fitted.
        """
        if scale not in ("response", "link"):
            raise ModelError(f"scale {scale!r} is not known; choose 'response' or 'link'.")
        if newdata is not None:
            eta = self.model.part.matrix(newdata) @ self.fixed_effects.to_numpy()
        else:
            eta = self.model.offset + self.model.x @ self.found.point.beta
            if include_units:
                eta = eta + effects.unit_part(self)
            eta = self.model.original_order(eta)
        return eta if scale == "link" else self.family.inverse_link(eta)

    def simulate(self, n: int = 1, seed: int | np.random.Generator | None = None) -> np.ndarray:
        """Draw new responses from the fitted model, new units included.

        Returns
        -------
        ndarray, shape (rows, n), rows in the order of :attr:`rows`.
        """
        return resample.simulate(self, n, seed)

    def quantile_residuals(self, seed: int | np.random.Generator | None = None) -> np.ndarray:
        """Randomised quantile residuals given the unit effects, shape (rows,).

        Standard normal when the model holds (Dunn & Smyth 1996, J. Comput. Graph. Stat.
        5:236-244). Rows in the order of :attr:`rows`.
        """
        return check.quantile_residuals(self, seed)

    @property
    def rows(self) -> pd.DataFrame:
        """The rows used, in the order of the input."""
        return self.model.frame

    # ------------------------------------------------------------------ resampling and checks
    def bootstrap(
        self, n: int = 1000, seed: int | None = None, jobs: int = 1,
        statistic: Statistic | None = None, progress: Progress | None = None,
    ) -> Bootstrap:  # fmt: skip
        """Parametric bootstrap: draw from the fit, new units included, and fit again.

        Parameters
        ----------
        n : rounds.
        seed : whole number; the same seed gives the same rounds for any number of jobs.
        jobs : processes.
        statistic : callable, optional
            Takes the fit of a round, returns a number or a mapping of names to numbers.
        progress : callable, optional
            Called with (rounds done, rounds in all).

        Returns
        -------
        Bootstrap : ``draws``, ``summary``, ``intervals(level, kind)``, ``failures``.

        Raises
        ------
        ModelError
            If fewer than two rounds can be fitted, or n or jobs is too small.
        """
        return bootstrap.bootstrap(self, n, seed, jobs, statistic, progress)

    def bootstrap_test(
        self, hypothesis: str | np.ndarray, n: int = 1000, seed: int | None = None,
        jobs: int = 1, progress: Progress | None = None,
    ) -> BootstrapTest:  # fmt: skip
        """Test of a term or contrasts against data drawn from the model fitted without them.

        Parameters
        ----------
        hypothesis : str or ndarray, shape (functions, terms)
            A term of the fixed part (tested as in :meth:`term_tests`), or rows of coefficients
            that are jointly zero.
        n, seed, jobs, progress : as for :meth:`bootstrap`.

        Returns
        -------
        BootstrapTest : statistic F, ``p = (1 + exceedances) / (1 + n - failures)``, draws.

        Raises
        ------
        ModelError
            If the term is unknown, or the rows do not suit the coefficients.
        """
        return bootstrap.bootstrap_test(self, hypothesis, n, seed, jobs, progress)

    def influence(self, level: str, jobs: int = 1, progress: Progress | None = None) -> Influence:
        """Leave one unit out at a time and fit again, from the fit's own variances on.

        Parameters
        ----------
        level : str
            A nested level, or ``"row"``.

        Returns
        -------
        Influence : Cook's distance, DFBETAS, coefficients and variances without each unit; what
        cannot be fitted without a unit is named with its reason.
        """
        return influence.influence(self, level, jobs, progress)

    def dispersion_check(
        self, n: int = 1000, seed: int | np.random.Generator | None = None
    ) -> Check:
        """Do the rows vary about their fitted units as the family says? By simulation.

        Returns
        -------
        Check : Pearson chi-square observed, expected, their ratio, two-sided p, a sentence.

        Raises
        ------
        ModelError
            For a Gaussian or gamma response: their dispersion is estimated, not implied.
        """
        return goodness.dispersion_check(self, n, seed)

    def zero_check(self, n: int = 1000, seed: int | np.random.Generator | None = None) -> Check:
        """Are there as many zeros as the model leads one to expect? By simulation.

        Returns
        -------
        Check : zeros observed, expected given the fitted units, their ratio, two-sided p, a
        sentence.

        Raises
        ------
        ModelError
            For a continuous response.
        """
        return goodness.zero_check(self, n, seed)

    def effect_quantiles(
        self, level: str, n: int = 1000, seed: int | np.random.Generator | None = None,
        band: float = 0.95,
    ) -> pd.DataFrame:  # fmt: skip
        """Normal Q-Q data of the predicted unit effects of a level.

        Returns
        -------
        DataFrame, per random column sorted by effect: the unit's labels, term, effect,
        standardised, theoretical, and the pointwise band low, high.

        Raises
        ------
        ModelError
            If the level is unknown or its variance is estimated at zero.
        """
        return goodness.effect_quantiles(self, level, n, seed, band)

    def quadrature(self, nodes: int = 15) -> Quadrature:
        """The maximum-likelihood fit by adaptive Gauss-Hermite quadrature, beside Laplace's.

        Started from the Laplace fit (a restricted one is first refitted by maximum likelihood).
        The two differ where units have few rows and small counts, binary responses above all.

        Parameters
        ----------
        nodes : int
            Nodes for every unit, 1 (the Laplace approximation) to 100. ``node_error`` of the
            result tells whether they were enough.

        Returns
        -------
        Quadrature : loglik, coefficients, variances, dispersion, comparison, converged, notes.

        Raises
        ------
        ModelError
            For a Gaussian response, no or several levels, random slopes, or nodes out of range.
        """
        return quadrature.quadrature(self, nodes)

    # ------------------------------------------------------------------ again
    def refit(self, values: np.ndarray) -> MixedFit:
        """Fit the same model to new responses, shape (rows,), rows in the order of :attr:`rows`.

        Raises
        ------
        ModelError
            If the number of values differs or they do not suit the family.
        """
        values = np.asarray(values, dtype=float)
        if values.shape != (self.n_rows,):
            raise ModelError(f"refit needs {self.n_rows} values, got shape {values.shape}.")
        ordered = values[self.model.chain.order]
        self.model.check_response(ordered)
        return self._again(ordered, self._reml)

    def _again(self, y: np.ndarray, reml: bool) -> MixedFit:
        found = estimate(self.model, y, reml, before=self.found)
        return MixedFit(self.model, found, y, reml)
