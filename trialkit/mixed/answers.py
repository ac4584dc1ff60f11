"""Answers: means, contrasts, equivalence, variances and comparisons asked of a fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.mixed import compare, means, variance_inference
from trialkit.mixed.fitted import FittedModel


class AnsweringFit(FittedModel):
    """Adds to the fit itself what is asked of its fixed effects and variances."""

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
        scale: str = "link",
    ) -> pd.DataFrame:  # fmt: skip
        """Comparisons of adjusted means, with ratios where the link is a logarithm.

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
        scale : {"link", "response", "average"}
            Of the differences: the link's; that of the response for a typical unit; or of its
            average over the random effects, their variance taken as known. The latter two by the
            delta method, degrees of freedom along the gradient.

        Returns
        -------
        DataFrame: level and reference (or contrast, its name), estimate, se, df, statistic, p,
        low, high, p_adjusted and, on the scale of a log or logit link, ratio (odds ratio) with its
        interval.

        Raises
        ------
        ModelError
            For an unknown level, kind, adjustment, weighting or scale, or contrasts that do not
            fit the levels.
        """
        return means.contrasts(self, by, reference, kind, adjust, level, at, weights, scale)

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

    def variance_intervals(
        self, level: float = 0.95, only: tuple[str, str] | None = None
    ) -> pd.DataFrame:
        """Profile-likelihood intervals of standard deviations, correlations and dispersion.

        The fit's own likelihood (restricted for REML fits), maximised with each quantity held in
        turn. An interval that reaches zero means the variance may be zero.

        Parameters
        ----------
        level : float
            Confidence level.
        only : (str, str), optional
            Random level and term whose standard deviation alone is asked for.

        Returns
        -------
        DataFrame: level, term, quantity ("sd" or "correlation"; the last row, "residual", is the
        residual sd or the family's dispersion), estimate, low, high.
        """
        return variance_inference.variance_intervals(self, level, only)

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

    def compare(self, other: FittedModel) -> pd.DataFrame:
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
