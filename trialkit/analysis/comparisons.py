"""Means on the reported scale as smooth functions of the fixed effects, and their comparisons.

What `estimates` does for the levels of a factor, for any set of means ``M = scale * mean_c m_c(b) -
P`` with their gradients in ``b``: the difference and the ratio of two such means by the delta
method from the Kenward-Roger covariance, with the variance of ``P`` added where ``P`` does not
cancel. Variance components inside ``m`` are taken as known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from trialkit.analysis.estimates import Offset
from trialkit.analysis.result import ResponseAnalysis
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed.means import averaged_response

STEP = 1e-5


@dataclass(frozen=True, slots=True)
class Means:
    """Several means of the reported quantity.

    Attributes
    ----------
    value : ndarray, shape (means,)
        In the result's unit.
    gradient, link : ndarray, shape (means, terms)
        Gradient of `value` in the fixed effects, and the linear function on the link scale.
    """

    value: np.ndarray
    gradient: np.ndarray
    link: np.ndarray


@dataclass(frozen=True, slots=True)
class Compared:
    """Comparisons of pairs of means, one entry a pair.

    Attributes
    ----------
    estimate, se, df : ndarray, shape (pairs,)
        Of the difference in the result's unit, or of the logarithm of the ratio.
    gradient : ndarray, shape (pairs, terms)
    along_offset : ndarray, shape (pairs,)
        Slope in the quantity taken off, zero for differences.
    """

    estimate: np.ndarray
    se: np.ndarray
    df: np.ndarray
    gradient: np.ndarray
    along_offset: np.ndarray

    def half(self, level: float) -> np.ndarray:
        """Half widths of the single intervals of confidence `level`."""
        return stats.t.ppf(0.5 + level / 2, self.df) * self.se

    def covariance(self, fit: MixedFit, offset: Offset) -> np.ndarray:
        """Covariance of the estimates, shape (pairs, pairs)."""
        own = self.gradient @ fit.inference.adjusted @ self.gradient.T
        return own + offset.variance * np.outer(self.along_offset, self.along_offset)


def means_of(
    fit: MixedFit, rows: np.ndarray, spread: np.ndarray, each: int, scale: float, offset: Offset
) -> Means:
    """Plain means over groups of cells.

    Parameters
    ----------
    rows : ndarray, shape (means * each, terms)
        Linear function of each cell; the cells of a mean follow one another.
    spread : ndarray, shape (means * each,)
        Variance of the random effects of each cell (link scale).
    each : int
        Cells in a mean.
    scale, offset
        As `ResponseAnalysis` has them.
    """
    eta = rows @ fit.fixed_effects.to_numpy()
    mean = averaged_response(fit, eta, spread)
    up, down = (averaged_response(fit, eta + h, spread) for h in (STEP, -STEP))
    slope = (up - down) / (2 * STEP)

    def average(values: np.ndarray) -> np.ndarray:
        return values.reshape(-1, each, *values.shape[1:]).mean(axis=1)

    return Means(
        scale * average(mean) - offset.value, scale * average(slope[:, None] * rows), average(rows)
    )


def _se_df(fit: MixedFit, rows: np.ndarray, most: float) -> tuple[np.ndarray, np.ndarray]:
    table = fit.linear(rows)
    return table["se"].to_numpy(), np.minimum(table["df"].to_numpy(), most)


def singly(fit: MixedFit, means: Means, offset: Offset, most: float) -> tuple[np.ndarray, ...]:
    """Standard errors and degrees of freedom of the means themselves."""
    se, df = _se_df(fit, means.gradient, most)
    return np.hypot(se, np.sqrt(offset.variance)), _welch(se**2, df, offset)


def _welch(variance: np.ndarray, df: np.ndarray, offset: Offset, times=1.0) -> np.ndarray:
    """Degrees of freedom with the offset's variance added (Welch 1947)."""
    other = offset.variance * times
    with np.errstate(divide="ignore", invalid="ignore"):
        out = (variance + other) ** 2 / (variance**2 / df + other**2 / offset.df)
    return np.where(other > 0, out, df)


def differences(fit: MixedFit, one: Means, other: Means, most: float) -> Compared:
    """Differences of means, in which the offset cancels."""
    gradient = one.gradient - other.gradient
    se, df = _se_df(fit, gradient, most)
    df = np.minimum(df, _se_df(fit, one.link - other.link, most)[1])
    return Compared(one.value - other.value, se, df, gradient, np.zeros(len(se)))


def log_ratios(fit: MixedFit, one: Means, other: Means, offset: Offset, most: float) -> Compared:
    """Logarithms of ratios of means; not a number where a mean is not above zero."""
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.log(one.value / other.value)
    gradient = one.gradient / one.value[:, None] - other.gradient / other.value[:, None]
    along = 1 / other.value - 1 / one.value
    se, df = _se_df(fit, gradient, most)
    link = _se_df(fit, one.link - other.link, most)[1]
    df = np.minimum(_welch(se**2, df, offset, along**2), link)
    value = np.where((one.value > 0) & (other.value > 0), value, np.nan)
    return Compared(value, np.sqrt(se**2 + offset.variance * along**2), df, gradient, along)


def refit(result: ResponseAnalysis, fixed: str, **columns: np.ndarray) -> MixedFit:
    """The response's own model with another fixed part.

    Parameters
    ----------
    fixed : str
        Right-hand side of the fixed part.
    **columns : ndarray, shape (rows,)
        Columns to add to the rows the model saw.

    Raises
    ------
    ModelError
        When that model cannot be fitted.
    """
    model = result.fit.model
    data = result.data.dropna(subset=[c for c in model.columns if c in result.data])
    data = data.assign(**columns)
    family = model.family
    more: dict[str, str] = {}
    for option, values, used in (
        ("exposure", np.exp(model.offset), family.link == "log"),
        ("trials", model.size, family.link == "logit"),
        ("weights", model.weight, bool((model.weight != 1.0).any())),
    ):
        if used:
            more[option] = f"own_{option}"
            data[f"own_{option}"] = model.original_order(values)
    names = list(model.chain.names)
    nested = names[: model.chain.n_nested][::-1]
    slopes = {}
    for name, own in zip(names, model.slopes, strict=True):
        variables = dict.fromkeys(c.variable for c in own if c.variable is not None)
        if name in nested and variables:
            slopes[name] = list(variables)
    return fit_mixed(
        data, model.response, fixed, nested, slopes=slopes,
        crossed=names[model.chain.n_nested :],
        covariance={name: model.covariances[name] for name in slopes}, family=family.name,
        method=result.fit.method, **more,
    )  # fmt: skip
