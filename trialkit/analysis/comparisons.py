"""Comparisons of means on the reported scale, and refits of a response's own model.

For any means ``M(b)`` with their gradients (`reading`): the difference and the ratio of two of them
by the delta method, with the variance of what was taken off added where it does not cancel. The
covariance of b is the Kenward-Roger one, but for the contrast of the two means on the link scale,
whose variance and degrees of freedom are those of the factor's error stratum (`strata`): a gradient
``g`` is parted into ``a l``, along the contrast ``l``, and a rest that is uncorrelated with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from trialkit.analysis.judges import Judge
from trialkit.analysis.reading import Means, Offset
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed.integrated import Integrated
from trialkit.mixed.means import columns_of_functions as _functions

if TYPE_CHECKING:
    from trialkit.analysis.result import ResponseResult


@dataclass(frozen=True, slots=True)
class ByDelta:
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


def se_df(fit: MixedFit, rows: np.ndarray, most: float) -> tuple[np.ndarray, np.ndarray]:
    found = _functions(fit, rows, 0.95)  # `fit.linear` without its table: simulations ask often
    return found["se"], np.minimum(found["df"], most)


def link_se_df(fit: MixedFit, rows: np.ndarray, judge: Judge) -> tuple[np.ndarray, np.ndarray]:
    """Standard errors and degrees of freedom of contrasts on the link scale."""
    if isinstance(judge, Integrated):
        return judge.compare(rows)[1:]
    return se_df(fit, rows, judge)


def delta_se_df(
    fit: MixedFit, gradient: np.ndarray, link: np.ndarray, judge: Judge
) -> tuple[np.ndarray, np.ndarray]:
    """The same along gradients of which the contrasts ``link`` are the better part."""
    se, df = link_se_df(fit, link, judge)
    if not isinstance(judge, Integrated):
        own, own_df = se_df(fit, gradient, judge)
        return own, np.minimum(own_df, df)
    v = fit.inference.adjusted
    along, rest = parted(v, gradient, link)
    # Rounding leaves a rest of nothing where the function is its contrast.
    own, other = (along * se) ** 2, np.where(rest > 1e-12 * (along * se) ** 2, rest, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        other_df = fit.inference.df(gradient)
        both = (own + other) ** 2 / (own**2 / df + other**2 / other_df)
    return np.sqrt(own + other), np.minimum(both, np.where(other > 0, both, df))


def parted(v: np.ndarray, gradient: np.ndarray, link: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope of each function in its contrast, and its variance beside it."""
    moved = link @ v
    variance = np.einsum("ij,ij->i", moved, link)
    along = np.einsum("ij,ij->i", moved, gradient) / variance
    return along, np.einsum("ij,jk,ik->i", gradient, v, gradient) - along**2 * variance


def singly(fit: MixedFit, means: Means, offset: Offset, most: float) -> tuple[np.ndarray, ...]:
    """Standard errors and degrees of freedom of the means themselves."""
    se, df = se_df(fit, means.gradient, most)
    return np.hypot(se, np.sqrt(offset.variance)), _welch(se**2, df, offset)


def _welch(variance: np.ndarray, df: np.ndarray, offset: Offset, times=1.0) -> np.ndarray:
    """Degrees of freedom with the offset's variance added (Welch 1947)."""
    other = offset.variance * times
    with np.errstate(divide="ignore", invalid="ignore"):
        out = (variance + other) ** 2 / (variance**2 / df + other**2 / offset.df)
    return np.where(other > 0, out, df)


def against(means: Means, reference: int = 0) -> tuple[Means, Means]:
    """Every other mean, and beside each of them the mean of the reference."""
    others = np.delete(np.arange(len(means.value)), reference)
    return means.take(others), means.take(np.full(len(others), reference))


def differences(fit: MixedFit, one: Means, other: Means, judge: Judge) -> ByDelta:
    """Differences of means, in which the offset cancels."""
    gradient = one.gradient - other.gradient
    se, df = delta_se_df(fit, gradient, one.link - other.link, judge)
    return ByDelta(one.value - other.value, se, df, gradient, np.zeros(len(se)))


def link_contrasts(fit: MixedFit, one: Means, other: Means, judge: Judge) -> ByDelta:
    """Contrasts on the link scale: log ratios, log odds ratios or differences of typical units."""
    rows = one.link - other.link
    se, df = link_se_df(fit, rows, judge)
    return ByDelta(rows @ fit.fixed_effects.to_numpy(), se, df, rows, np.zeros(len(se)))


def log_ratios(fit: MixedFit, one: Means, other: Means, offset: Offset, judge: Judge) -> ByDelta:
    """Logarithms of ratios of means; not a number where a mean is not above zero."""
    clear = (one.value > 0) & (other.value > 0)
    above, below = (np.where(clear, m.value, np.nan) for m in (one, other))
    gradient = one.gradient / above[:, None] - other.gradient / below[:, None]
    along = 1 / below - 1 / above
    se, df = delta_se_df(fit, np.nan_to_num(gradient), one.link - other.link, judge)
    se, df = np.where(clear, se, np.nan), np.where(clear, df, np.nan)
    df = np.minimum(_welch(se**2, df, offset, along**2), df)
    se = np.sqrt(se**2 + offset.variance * along**2)
    return ByDelta(np.log(above / below), se, df, gradient, along)


def refit(result: ResponseResult, fixed: str, **columns: np.ndarray) -> MixedFit:
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
