"""From a model on the link scale to means, ratios and differences in the units people use.

How a mean ``M`` is read off the cells' means ``m_c(b)``, less ``P``, stands in `reading`; how two
are compared, in `comparisons`.

Approximations. Standard errors are by the delta method from the Kenward-Roger covariance of b
and, independently of it, the variance of P; the variance components inside ``m_c`` are taken as
known, and sharing of field or strip effects between P and the counts that contain it is ignored. A
level's mean has Welch-Satterthwaite degrees of freedom over b and P; a difference, in which P
cancels, the smaller of those along its own gradient and of the contrast on the link scale. A mean
has at most the strips less one and a difference at most the units its factor was set on less the
setups. How often a true null is rejected that way: ``notebooks/calibration.csv``, kenward-roger.

Means have intervals on their logarithm where they stand well clear of zero, ratios always;
differences, and means of a response that has no ratios, have symmetric ones. The p-value tests
that a difference is zero: by the Kenward-Roger t of the link-scale contrast, which is zero with
it, or, for a factor with interactions or a difference between zones, where it need not be, by the
difference over its own standard error.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.comparisons import (
    Compared,
    against,
    differences,
    link_contrasts,
    log_ratios,
    singly,
)
from trialkit.analysis.reading import Cells, Means, Offset, Reading, means_of, setting_cells
from trialkit.errors import DesignError
from trialkit.mixed import MixedFit
from trialkit.mixed.means import reference_grid

if TYPE_CHECKING:
    from trialkit.analysis.design import Design

__all__ = ["Offset", "Reading", "balanced_tests", "estimate_factors", "holm"]

# A log or logit known no better than this leaves a ratio open by a factor of e^20 or more.
LARGEST_SE = 10.0
# Random effects with a larger variance on the log scale put the mean above the typical value by a
# factor of e^4.5 = 90 or more: a few counts can be fitted so, but they hold no mean.
LARGEST_SPREAD = 9.0


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
    most = len(design.strips) - 1
    mean_rows, contrast_rows, notes = [], [], []
    for factor in design.factors:
        cells = setting_cells(fit, design, reading, factor.name)
        _check_held(fit, cells, reading)
        means = means_of(fit, reading, cells)
        reference, *others = design.levels[factor.name]
        labels = dict(zip(factor.levels, factor.level_labels, strict=True))
        table, steady = _means(fit, means, reading, level, most)
        table.insert(0, "factor", factor.name)
        table.insert(1, "level", [reference, *others])
        table.insert(2, "label", [labels[name] for name in (reference, *others)])
        mean_rows.append(table)
        clear = steady[0] & steady[1:] & reading.ratios
        crossed = bool(reading.zones) or any(factor.name in pair for pair in design.interactions)
        own = _contrasts(fit, means, reading, level, clear, design.strata[factor.name], crossed)
        own.insert(0, "factor", factor.name)
        own.insert(1, "level", others)
        own.insert(2, "reference", reference)
        own.insert(3, "label", [labels[name] for name in others])
        contrast_rows.append(own)
        notes += [
            f"{labels[name]} against {labels[reference]}: a mean is too near zero for "
            "a ratio to be given; the difference stands."
            for name, given in zip(others, clear, strict=True)
            if reading.ratios and not given
        ]
    return (
        pd.concat(mean_rows, ignore_index=True),
        pd.concat(contrast_rows, ignore_index=True),
        notes,
    )


def _check_held(fit: MixedFit, cells: Cells, reading: Reading) -> None:
    with np.errstate(all="ignore"):
        known = fit.linear(cells.rows)
    held = np.isfinite(known[["estimate", "se"]].to_numpy()).all()
    if not held or (not reading.additive(fit) and known["se"].max() > LARGEST_SE):
        raise DesignError(
            "Too little was counted for the number of setups: the model's estimates are not held "
            "by the data. Count more ground or more kernels, or compare fewer setups."
        )
    spread = float(np.max(cells.spread)) + (fit.dispersion**2 if reading.log else 0.0)
    if (reading.log or fit.family.link == "log") and spread > LARGEST_SPREAD:
        raise DesignError(
            "Too little was counted: what was found varies so much between strips and between "
            f"samples that the model puts the mean over {np.exp(LARGEST_SPREAD / 2):.0f} times "
            "above the typical value, which the data do not hold. Each strip's own value can still "
            "be read; count more ground or more kernels for a comparison of setups."
        )


def _means(
    fit: MixedFit, means: Means, reading: Reading, level: float, most: int
) -> tuple[pd.DataFrame, np.ndarray]:
    """Estimates with their intervals, and which stand clear of zero."""
    se, df = singly(fit, means, reading.taken_off, most)
    value, half = means.value, stats.t.ppf(0.5 + level / 2, df) * se
    steady = value > half
    logarithmic = steady & reading.ratios
    with np.errstate(all="ignore"):
        factor = np.where(logarithmic, np.exp(half / value), 1.0)
    table = pd.DataFrame(
        {
            "estimate": value,
            "se": se,
            "df": df,
            "low": np.where(logarithmic, value / factor, value - half),
            "high": np.where(logarithmic, value * factor, value + half),
        }
    )
    return table, steady


def _contrasts(
    fit: MixedFit, means: Means, reading: Reading, level: float, clear: np.ndarray, most: int,
    crossed: bool,
) -> pd.DataFrame:  # fmt: skip
    """Every level against the first: ratios where both means are clear of zero, differences."""
    one, other = against(means)
    ratio = log_ratios(fit, one, other, reading.taken_off, most)
    difference = differences(fit, one, other, most)
    # Where effects of a factor do not differ, a difference is zero when the link contrast is.
    tested: Compared = difference if crossed else link_contrasts(fit, one, other, most)
    statistic = tested.estimate / tested.se
    p = 2 * stats.t.sf(np.abs(statistic), tested.df)
    columns: dict[str, np.ndarray] = {}
    for name, found in (("ratio", ratio), ("difference", difference)):
        half = found.half(level)
        for end, move in (("", 0.0), ("_low", -half), ("_high", half)):
            value = found.estimate + move
            columns[name + end] = (
                np.where(clear, np.exp(value), np.nan) if name == "ratio" else value
            )
    return pd.DataFrame(
        {**columns, "df": tested.df, "statistic": statistic, "p": p, "p_adjusted": holm(p)}
    )


def balanced_tests(fit: MixedFit, design: Design) -> pd.DataFrame:
    """F tests of the fixed terms; a factor's own is balanced over the factors it interacts with."""
    table = fit.term_tests().drop(columns="tested", errors="ignore")
    cells, rows, _ = reference_grid(fit, design.names, dict.fromkeys(design.covariates, 0.0))
    beta = fit.fixed_effects.to_numpy()
    for name in design.names if design.interactions else ():
        label = cells[name].astype(str)
        first, *others = (rows[label == level].mean(axis=0) for level in design.levels[name])
        contrast = np.array([other - first for other in others])
        f, df = fit.inference.f_test(contrast, beta)
        table.loc[name, ["F", "num_df", "den_df"]] = [f, len(contrast), df]
    table = table[table["num_df"] > 0]  # of the others nothing can be estimated
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
