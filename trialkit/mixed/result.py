"""MixedFit: what a fitted mixed model can tell."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed import (
    bootstrap,
    check,
    effects,
    goodness,
    influence,
    quadrature,
    resample,
)
from trialkit.mixed.answers import AnsweringFit
from trialkit.mixed.bootstrap import Bootstrap, BootstrapTest, Statistic
from trialkit.mixed.estimate import estimate
from trialkit.mixed.goodness import Check
from trialkit.mixed.influence import Influence
from trialkit.mixed.parallel import Progress
from trialkit.mixed.quadrature import Quadrature


class MixedFit(AnsweringFit):
    """A fitted mixed model; made by :func:`trialkit.mixed.fit_mixed`.

    Each method hands over to the room that does the work. Estimates, standard errors and tests
    of terms are inherited from :class:`~trialkit.mixed.fitted.FittedModel`, means, contrasts and
    inference on variances from :class:`~trialkit.mixed.answers.AnsweringFit`.
    """

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
