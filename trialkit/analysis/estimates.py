"""From a model on the link scale to means, ratios and differences in the units people use.

Model: ``g(E y) = x'b + random effects``. For every combination c of the setup factors, at mean
covariates, the mean over the distribution of the random effects is ``m_c(b)``; a factor level's
mean is the plain average of ``m_c`` over the other factors, times the unit's scale, less an
offset ``P`` estimated from other counts (the preharvest loss, for the header loss)::

    M_l = scale * mean_c m_c(b) - P

A response found as a difference between zones has the zone as one more factor of the model;
``m_c`` is then the weighted sum over zones (total less header), and its standard error comes from
the joint covariance of b. A response modelled on the log scale with normal errors (a share by
mass) has ``m_c = exp(x'b + half the variance of random effects and residual)``; one modelled as
it stands has ``m_c = x'b``.

Approximations. Standard errors are by the delta method from the Kenward-Roger covariance of b
and, independently of it, the variance of P; the variance components inside ``m_c`` are taken as
known, and sharing of field or strip effects between P and the counts that contain it is ignored. A
level's mean has Welch-Satterthwaite degrees of freedom over b and P; a difference, in which P
cancels, the smaller of those along its own gradient and of the contrast on the link scale. A mean
has at most the strips less one and a difference at most the units its factor was set on less the
setups: where variances are estimated at zero the model alone would count frames or samples as
replicates. Simulated trials of three to eight pairs reject a true null in 4.0 to 4.8 % of rounds
that way, in 4.4 to 8 % without a limit, in 0.8 to 4.5 % if pairs are taken off as well
(``tests/calibration``; methods "capped pooled", none, "capped").

Means have intervals on their logarithm where they stand well clear of zero, ratios always;
differences, and means of a response that has no ratios, have symmetric ones. The p-value tests
that a difference is zero: by the Kenward-Roger t of the link-scale contrast, which is zero with
it, or, for a factor with interactions or a difference between zones, where it need not be, by the
difference over its own standard error.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.errors import DesignError
from trialkit.mixed import MixedFit
from trialkit.mixed.means import averaged_response, reference_grid

if TYPE_CHECKING:
    from trialkit.analysis.design import Design

# A log or logit known no better than this leaves a ratio open by a factor of e^20 or more.
LARGEST_SE = 10.0


@dataclass(frozen=True, slots=True)
class Offset:
    """A quantity taken off every mean: value, variance (unit of the result) and df."""

    value: float = 0.0
    variance: float = 0.0
    df: float = np.inf


@dataclass(frozen=True, slots=True)
class Reading:
    """How means are read off a fit.

    Attributes
    ----------
    scale : float
        Result units per unit of the response's mean.
    offset : Offset or None
        Taken off every mean.
    zones : mapping of str to float
        Weight of each level of the model's factor ``zone``; empty when it has none.
    log : bool
        The model's response is the logarithm of what is reported.
    ratios : bool
        Whether a ratio of means has a meaning.
    """

    scale: float
    offset: Offset | None = None
    zones: Mapping[str, float] = field(default_factory=dict)
    log: bool = False
    ratios: bool = True


@dataclass(frozen=True, slots=True)
class LevelMean:
    """A factor level's mean and its gradient in the fixed effects."""

    value: float
    gradient: np.ndarray
    link: np.ndarray


def estimate_factors(
    fit: MixedFit, design: Design, reading: Reading, level: float
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Means and contrasts of every setup factor.

    Parameters
    ----------
    fit : MixedFit
        With the design's factors in its fixed part.
    reading : Reading
    level : float
        Confidence level.

    Returns
    -------
    means, contrasts : DataFrame
        As `ResponseAnalysis` describes them, in the result's unit only.
    notes : list of str

    Raises
    ------
    DesignError
        When the counts are too few to hold the estimates.
    """
    offset = reading.offset or Offset()
    by = [*design.names, *(["zone"] if reading.zones else [])]
    cells, rows, spread = reference_grid(fit, by, dict.fromkeys(design.covariates, 0.0))
    with np.errstate(all="ignore"):
        known = fit.linear(rows)
    held = np.isfinite(known[["estimate", "se"]].to_numpy()).all()
    linear = fit.family.link == "identity" and not reading.log
    if not held or (not linear and known["se"].max() > LARGEST_SE):
        raise DesignError(
            "Too little was counted for the number of setups: the model's estimates are not held "
            "by the data. Count more ground or more kernels, or compare fewer setups."
        )
    most = len(design.strips) - 1
    eta = known["estimate"].to_numpy()
    mean, slope = _mean_response(fit, eta, spread, reading.log)
    sign = cells["zone"].astype(str).map(reading.zones).to_numpy() if reading.zones else 1.0
    mean_rows, contrast_rows, notes = [], [], []
    for factor in design.factors:
        found = {}
        for name in design.levels[factor.name]:
            w = cells[factor.name].astype(str).eq(name).to_numpy(dtype=float)
            w *= sign * max(len(reading.zones), 1) / w.sum()
            found[name] = LevelMean(
                reading.scale * float(w @ mean) - offset.value,
                reading.scale * (w * slope) @ rows,
                w @ rows,
            )
        labels = dict(zip(factor.levels, factor.level_labels, strict=True))
        table = _means(fit, list(found.values()), reading, level, most)
        table.insert(0, "factor", factor.name)
        table.insert(1, "level", list(found))
        table.insert(2, "label", [labels[name] for name in found])
        mean_rows.append(table)
        stratum = design.strata[factor.name]
        crossed = bool(reading.zones) or any(factor.name in pair for pair in design.interactions)
        reference, *others = found
        steady = (table["estimate"] - _half(table["se"], table["df"], level)).to_numpy() > 0
        block = []
        for i, name in enumerate(others, start=1):
            clear = bool(reading.ratios and steady[0] and steady[i])
            row = _contrast(fit, found[name], found[reference], offset, level, clear, stratum)
            if not crossed:
                row |= _link_test(fit, found[name], found[reference], stratum)
            block.append(
                {
                    "factor": factor.name,
                    "level": name,
                    "reference": reference,
                    "label": labels[name],
                    **row,
                }
            )
            if reading.ratios and not clear:
                notes.append(
                    f"{labels[name]} against {labels[reference]}: a mean is too near zero for "
                    "a ratio to be given; the difference stands."
                )
        out = pd.DataFrame(block)
        out["p_adjusted"] = holm(out["p"].to_numpy())
        contrast_rows.append(out)
    return (
        pd.concat(mean_rows, ignore_index=True),
        pd.concat(contrast_rows, ignore_index=True),
        notes,
    )


def _mean_response(
    fit: MixedFit, eta: np.ndarray, spread: np.ndarray, log: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Mean over the random effects, and its slope in the linear predictor."""
    if log:
        mean = np.exp(eta + (spread + fit.dispersion**2) / 2)
        return mean, mean
    step = 1e-5
    slope = averaged_response(fit, eta + step, spread) - averaged_response(fit, eta - step, spread)
    return averaged_response(fit, eta, spread), slope / (2 * step)


def balanced_tests(fit: MixedFit, design: Design) -> pd.DataFrame:
    """F tests of the fixed terms; a factor's own is balanced over the factors it interacts with."""
    table = fit.term_tests()
    cells, rows, _ = reference_grid(fit, design.names, dict.fromkeys(design.covariates, 0.0))
    beta = fit.fixed_effects.to_numpy()
    for name in design.names if design.interactions else ():
        label = cells[name].astype(str)
        first, *others = (rows[label == level].mean(axis=0) for level in design.levels[name])
        contrast = np.array([other - first for other in others])
        f, df = fit.inference.f_test(contrast, beta)
        table.loc[name] = [f, len(contrast), df, np.nan]
    most = [
        max((design.strata[v] for v in str(term).split(":") if v in design.strata),
            default=len(design.strips) - 1)
        for term in table.index
    ]  # fmt: skip
    df = np.minimum(table["den_df"], most)
    return table.assign(den_df=df, p=stats.f.sf(table["F"], table["num_df"], df))


def holm(p: np.ndarray) -> np.ndarray:
    """p-values adjusted for their number (Holm 1979, Scand. J. Stat. 6:65-70), shape (n,).

    statsmodels' own collects garbage at every call, a tenth of a second each.
    """
    order = np.argsort(p)
    out = np.empty(len(p))
    out[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)), 1.0)
    return out


def _linear(fit: MixedFit, rows: np.ndarray, most: int) -> pd.DataFrame:
    """Estimate, se, statistic, df and p of combinations of the fixed effects, df at most `most`."""
    table = fit.linear(rows)
    df = table["df"].clip(upper=most)
    return table.assign(df=df, p=2 * stats.t.sf(table["statistic"].abs(), df))


def _half(se, df, level: float):
    return stats.t.ppf(0.5 + level / 2, df) * se


def _means(
    fit: MixedFit, found: list[LevelMean], reading: Reading, level: float, most: int
) -> pd.DataFrame:
    offset = reading.offset or Offset()
    own = _linear(fit, np.array([m.gradient for m in found]), most)
    value = np.array([m.value for m in found])
    variance = own["se"].to_numpy() ** 2
    se = np.sqrt(variance + offset.variance)
    df = _welch(variance, own["df"].to_numpy(), offset.variance, offset.df)
    half = _half(se, df, level)
    clear = (value > half) & reading.ratios
    with np.errstate(all="ignore"):
        factor = np.exp(half / np.abs(value))
    return pd.DataFrame(
        {
            "estimate": value,
            "se": se,
            "df": df,
            "low": np.where(clear, value / factor, value - half),
            "high": np.where(clear, value * factor, value + half),
        }
    )


def _welch(v1, df1, v2, df2):
    """Degrees of freedom of a sum of two independent variances (Welch 1947)."""
    with np.errstate(divide="ignore"):
        return np.divide((v1 + v2) ** 2, v1**2 / df1 + v2**2 / df2)


def link_contrast(fit: MixedFit, linear: np.ndarray, most: int) -> tuple[float, float]:
    """Standard error and degrees of freedom, at most `most`, of a contrast on the link scale."""
    row = _linear(fit, linear, most).iloc[0]
    return float(row["se"]), float(row["df"])


def contrast_se(
    fit: MixedFit,
    rows: np.ndarray,
    spread: np.ndarray,
    weights: tuple[np.ndarray, np.ndarray],
    scale: float,
    offset: Offset,
    most: int,
    *,
    ratio: bool = True,
) -> tuple[float, float, float]:
    """Variance of a log ratio (or difference) of two means: the model's, the offset's, and df.

    Parameters
    ----------
    rows, spread : ndarray, shapes (combinations, terms) and (combinations,)
        Of `trialkit.mixed.means.reference_grid`.
    weights : pair of ndarray, shape (combinations,)
        That average them to the level and to its reference.
    """
    eta = rows @ fit.fixed_effects.to_numpy()
    step = 1e-5
    ends = [averaged_response(fit, eta + side * step, spread) for side in (1, -1)]
    slope = (ends[0] - ends[1]) / (2 * step)
    mean = averaged_response(fit, eta, spread)
    one, reference = (
        LevelMean(scale * float(w @ mean) - offset.value, scale * (w * slope) @ rows, w @ rows)
        for w in weights
    )
    link = link_contrast(fit, one.link - reference.link, most)
    by = (one.value, reference.value) if ratio else (1.0, 1.0)
    se, df = link_contrast(fit, one.gradient / by[0] - reference.gradient / by[1], most)
    v2 = offset.variance * (1 / by[0] - 1 / by[1]) ** 2
    return se**2, v2, min(float(_welch(se**2, df, v2, offset.df)), link[1])


def _contrast(
    fit: MixedFit,
    one: LevelMean,
    reference: LevelMean,
    offset: Offset,
    level: float,
    clear: bool,
    most: int,
) -> dict[str, float]:
    link = _linear(fit, one.link - reference.link, most).iloc[0]
    along = _linear(fit, one.gradient - reference.gradient, most).iloc[0]
    df = min(float(along["df"]), float(link["df"]))
    difference = one.value - reference.value
    half = _half(float(along["se"]), df, level)
    out = {"ratio": np.nan, "ratio_low": np.nan, "ratio_high": np.nan}
    if clear:
        log = np.log(one.value / reference.value)
        part = _linear(fit, one.gradient / one.value - reference.gradient / reference.value, most)
        v1 = float(part["se"].iloc[0]) ** 2
        v2 = offset.variance * (1 / one.value - 1 / reference.value) ** 2
        df_ratio = min(
            float(_welch(v1, float(part["df"].iloc[0]), v2, offset.df)), float(link["df"])
        )
        spread = _half(np.sqrt(v1 + v2), df_ratio, level)
        out = {
            "ratio": float(np.exp(log)),
            "ratio_low": float(np.exp(log - spread)),
            "ratio_high": float(np.exp(log + spread)),
        }
    statistic = difference / float(along["se"])
    return {
        **out,
        "difference": difference,
        "difference_low": difference - half,
        "difference_high": difference + half,
        "df": df,
        "statistic": statistic,
        "p": float(2 * stats.t.sf(abs(statistic), df)),
    }


def _link_test(fit: MixedFit, one: LevelMean, reference: LevelMean, most: int) -> dict[str, float]:
    row = _linear(fit, one.link - reference.link, most).iloc[0]
    return {name: float(row[name]) for name in ("df", "statistic", "p")}
