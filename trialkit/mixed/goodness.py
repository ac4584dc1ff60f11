"""Does the model hold? Observed statistics against their distribution over simulated data.

Statistics are taken about the fitted means: conditional modes of the unit effects and fixed
effects found anew on every simulated data set, random effects redrawn, variances held at their
estimates. So a simulated data set lends itself to its units as much as the observed one did;
holding the observed fit's means instead would find the observed rows too close to them. Where the
family has a dispersion parameter, which adapts to the very thing checked, every simulated data set
is fitted in full.
p values are two-sided Monte Carlo ones, ``2 min((1 + #{T >= t}), (1 + #{T <= t})) / (n + 1)``
(Davison & Hinkley 1997, section 4.2), with ``n`` the simulations that could be fitted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.display import card, table
from trialkit.errors import ModelError
from trialkit.mixed import notes
from trialkit.mixed.effects import linear_predictor
from trialkit.mixed.fitted import Fitted, refit
from trialkit.mixed.law import response_law, simulate
from trialkit.mixed.parallel import Progress
from trialkit.mixed.problem import GaussianProblem, LaplaceProblem

BLOCK_VALUES = 200_000

# Of a fit (for its dispersion), responses and fitted means, both (data sets, rows).
Statistic = Callable[[Fitted, np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True, slots=True)
class Check:
    """One observed statistic against the model's own.

    Attributes
    ----------
    what : the statistic in words.
    observed, expected : its value, and the mean under the model for data like these.
    ratio : observed / expected.
    p : two-sided Monte Carlo p value.
    draws : ndarray, shape (simulations,): what it could have been with the same expectation.
    failures : simulated data sets that could not be fitted.
    verdict : a sentence.
    """

    what: str
    observed: float
    expected: float
    ratio: float
    p: float
    draws: np.ndarray
    failures: int
    verdict: str

    @property
    def summary(self) -> pd.DataFrame:
        """One row: observed, expected, ratio, p, simulations."""
        return pd.DataFrame(
            {"observed": self.observed, "expected": self.expected, "ratio": self.ratio,
             "p": self.p, "simulations": len(self.draws), "failures": self.failures},
            index=pd.Index([self.what], name="statistic"),
        )  # fmt: skip

    def __repr__(self) -> str:
        return f"{self.verdict}\n\n{self.summary.round(4).to_string()}"

    def _repr_html_(self) -> str:
        return card(self.what, [self.verdict], table(self.summary))


@dataclass(frozen=True, slots=True)
class Redrawn:
    """Data sets simulated from a fit, each with its effects found anew, for several checks.

    Attributes
    ----------
    fits : sequence of fits
        Of chain-ordered responses ``y``; what they say of their own precision is not theirs.
    failures : data sets that could not be fitted.
    """

    fits: Sequence[Fitted]
    failures: int


def redrawn(
    fit: Fitted, n: int, seed: int | np.random.Generator | None,
    progress: Progress | None = None,
) -> Redrawn:  # fmt: skip
    """Simulate ``n`` data sets from a fit and find their effects, see the module.

    Raises
    ------
    ModelError
        If n is below 20, or more than half of the data sets cannot be fitted.
    """
    again = _refitted if fit.family.dispersed else given_variances
    fits, failures = [], 0
    for done, y in enumerate(_responses(fit, n, seed), 1):
        try:
            new = again(fit, y)
        except (ModelError, np.linalg.LinAlgError):
            failures += 1
        else:
            # Hundreds of fits: without the working arrays of each.
            found = replace(new.found, problem=fit.found.problem)
            fits.append(replace(new, found=found))
        if progress is not None:
            progress(done, n)
    if 2 * failures > n:
        raise ModelError(f"{failures} of {n} simulated data sets could not be fitted.")
    return Redrawn(fits, failures)


def dispersion_check(
    fit: Fitted, n: int = 1000, seed: int | np.random.Generator | None = None,
    drawn: Redrawn | None = None,
) -> Check:  # fmt: skip
    """Do the rows vary about their fitted units as the family says? By simulation.

    Parameters
    ----------
    n, seed : simulations, at least 20, and their seed.
    drawn : Redrawn, optional
        Data sets to compare with instead of ``n`` new ones, from :func:`redrawn`.

    Returns
    -------
    Check : Pearson chi-square observed, expected, their ratio, two-sided p, a sentence.

    Raises
    ------
    ModelError
        For a Gaussian or gamma response: their dispersion is estimated, not implied.
    """
    if not fit.family.counts:
        raise ModelError(
            f"the dispersion of a {fit.family.name} response is estimated, so there is nothing to "
            f"check it against; look at the quantile residuals."
        )

    def pearson(at: Fitted, y: np.ndarray, mean: np.ndarray) -> np.ndarray:
        law = response_law(at, mean)
        # A row fitted without variation (a share of zero or one) has nothing to show.
        square, variance = (y - law.mean()) ** 2, law.var()
        none = np.zeros_like(square)
        return np.divide(square, variance, out=none, where=variance > 0).sum(axis=1)

    drawn = drawn or redrawn(fit, n, seed)
    observed, draws = _against_simulated(fit, pearson, drawn)
    expected = float(draws.mean())
    ratio, p = observed / expected, _p_value(observed, draws)
    verdict = notes.dispersion_found(ratio, fit.family.name, p)
    return Check("Pearson chi-square", observed, expected, ratio, p, draws, drawn.failures, verdict)


def zero_check(
    fit: Fitted, n: int = 1000, seed: int | np.random.Generator | None = None,
    drawn: Redrawn | None = None,
) -> Check:  # fmt: skip
    """Are there as many zeros as the model leads one to expect? By simulation.

    Parameters
    ----------
    n, seed, drawn : as for :func:`dispersion_check`.

    Returns
    -------
    Check : zeros observed, expected given the fitted units, their ratio, two-sided p, a
    sentence.

    Raises
    ------
    ModelError
        For a continuous response.
    """
    if not fit.family.counts:
        raise ModelError(f"a {fit.family.name} response has no zeros to count.")

    def excess(at: Fitted, y: np.ndarray, mean: np.ndarray) -> np.ndarray:
        return (y == 0).sum(axis=1) - response_law(at, mean).pmf(0).sum(axis=1)

    zeros = float((fit.y == 0).sum())
    drawn = drawn or redrawn(fit, n, seed)
    own, draws = _against_simulated(fit, excess, drawn)
    # What the fitted means lead one to expect, less the bias that comes from fitting them.
    expected = max(zeros - own + float(draws.mean()), 0.0)
    p = _p_value(own, draws)
    ratio = zeros / expected if expected > 0 else np.nan
    verdict = notes.zeros_found(zeros, expected, p)
    draws = draws - draws.mean() + expected
    return Check("zeros", zeros, expected, ratio, p, draws, drawn.failures, verdict)


def _against_simulated(
    fit: Fitted, statistic: Statistic, drawn: Redrawn
) -> tuple[float, np.ndarray]:
    """The statistic observed, and simulated."""

    def statistics(fits: Sequence[Fitted]) -> np.ndarray:
        mean = fit.family.inverse_link(np.array([linear_predictor(f) for f in fits]))
        return statistic(fits[0], np.array([f.y for f in fits]), mean)

    # The laws of scipy are slow to set up: data sets of one dispersion share one.
    size = 1 if fit.family.dispersed else max(1, BLOCK_VALUES // fit.n_rows)
    draws = [statistics(drawn.fits[i : i + size]) for i in range(0, len(drawn.fits), size)]
    observed = fit if fit.family.dispersed else given_variances(fit, fit.y)
    return float(statistics([observed])[0]), np.concatenate(draws)


def _refitted(fit: Fitted, y: np.ndarray) -> Fitted:
    return refit(fit, fit.model.original_order(y))


def given_variances(fit: Fitted, y: np.ndarray) -> Fitted:
    """Fixed and unit effects for responses in chain order, the variances held.

    Raises
    ------
    ModelError
        If they cannot be found.
    """
    model, point = fit.model, fit.found.point
    problem: GaussianProblem | LaplaceProblem
    if fit.family.name == "gaussian":
        problem = model.gaussian(y, reml=True)
        new = problem.point(point.theta, sigma=point.sigma)
    else:
        problem = model.laplace(y, restricted=True)
        problem.start_beta = point.beta
        new = problem.point(point.theta, point.beta, graded=False)
    if new is None:
        raise ModelError("the unit effects of a data set could not be found; see fit.notes.")
    found = replace(fit.found, problem=problem, point=new)
    return replace(fit, found=found, y=y, method="reml")


def _responses(fit: Fitted, n: int, seed: int | np.random.Generator | None) -> Iterator[np.ndarray]:
    """Responses drawn from the fit, new units included, in chain order."""
    if n < 20:
        raise ModelError(f"a check by simulation needs at least 20 simulations, got {n}.")
    rng = np.random.default_rng(seed)
    for _ in range(n):
        yield simulate(fit, 1, rng)[:, 0][fit.model.chain.order]


def plotting_positions(m: int) -> np.ndarray:
    """Blom's, for a normal Q-Q plot of ``m`` values."""
    return stats.norm.ppf((np.arange(1, m + 1) - 0.375) / (m + 0.25))


def _p_value(observed: float, draws: np.ndarray) -> float:
    tails = min((draws >= observed).sum(), (draws <= observed).sum())
    return float(min(1.0, 2.0 * (1 + tails) / (len(draws) + 1)))
