"""From a model on the link scale to means, ratios and differences in the units people use.

How a mean ``M`` is read off the cells' means ``m_c(b)``, less ``P``, stands in `reading`; how two
are compared, in `comparisons`.

Approximations. Standard errors of means are by the delta method from the Kenward-Roger covariance
of b and, independently of it, the variance of P; the variance components inside ``m_c`` are taken
as known, and sharing of field or strip effects between P and the counts that contain it is ignored.
A level's mean has Welch-Satterthwaite degrees of freedom over b and P, at most the strips less one.

Comparisons are judged against the error stratum of their factor (`strata`): by a contrast of the
two means on the link scale, zero just when they are alike, whose spread of error is integrated over
or has the degrees of freedom of the layout. Its p and the intervals of ratio and difference come
from one distribution (`intervals`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special, stats

from trialkit.analysis.comparisons import against, singly
from trialkit.analysis.intervals import ComparedMeans, compare_means, f_test, mean_intervals
from trialkit.analysis.judges import Judge, judges
from trialkit.analysis.reading import MeanCells, Means, Offset, Reading, means_of, setting_cells
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.mixed import MixedFit
from trialkit.mixed.hypotheses import term_rows
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
    fit: MixedFit, design: Design, reading: Reading, level: float,
    judged: Mapping[str, Judge] | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame, list[Note]]:  # fmt: skip
    """Means and contrasts of every setup factor.

    Parameters
    ----------
    fit : MixedFit
        With the design's factors in its fixed part.
    reading : Reading
    level : float
        Confidence level.
    judged : mapping, optional
        What judges each factor's comparisons, where that is known already.

    Returns
    -------
    means, contrasts : DataFrame
        As `ResponseAnalysis` describes them, in the result's unit only.
    notes : list of Note

    Raises
    ------
    DesignError
        When the counts are too few to hold the estimates.
    """
    mean_rows, contrast_rows = [], []
    notes: list[Note] = []
    for factor in design.factors:
        cells = setting_cells(fit, design, reading, factor.name)
        check_held(fit, cells, reading)
        if judged is None:
            judged = judges(fit, design, bool(reading.zones))
        means = means_of(fit, reading, cells)
        reference, *others = design.levels[factor.name]
        labels = design.labels(factor.name)
        table = _means(fit, means, reading, level, len(design.strips) - 1)
        clear = clear_of_zero(reading, table["low"].to_numpy())
        table.insert(0, "factor", factor.name)
        table.insert(1, "level", [reference, *others])
        table.insert(2, "label", [labels[name] for name in (reference, *others)])
        mean_rows.append(table)
        found = compare_means(fit, reading, *against(means), judged[factor.name])
        own = pd.DataFrame(contrast_columns(found, clear, level))
        if not reading.zones and not reading.additive(fit):
            _within_means(own, table)
        own.insert(0, "factor", factor.name)
        own.insert(1, "level", others)
        own.insert(2, "reference", reference)
        own.insert(3, "label", [labels[name] for name in others])
        contrast_rows.append(own)
        notes += [
            Note("model.no_ratio", {"label": labels[name], "reference": labels[reference]})
            for name, given in zip(others, own["ratio"].notna(), strict=True)
            if reading.ratios and not given
        ]
    return (
        pd.concat(mean_rows, ignore_index=True),
        pd.concat(contrast_rows, ignore_index=True),
        notes,
    )


def _within_means(contrasts: pd.DataFrame, means: pd.DataFrame) -> None:
    """Differences reach no further than the intervals of both means, but keep their side of zero.

    Of sparse counts a contrast of logarithms may reach further than anything that was counted.
    """
    low, high = (means[end].to_numpy() for end in ("low", "high"))
    floor, top = low[1:] - high[0], high[1:] - low[0]
    own = contrasts["difference_low"], contrasts["difference_high"]
    contrasts["difference_low"] = np.where(floor < 0, np.maximum(own[0], floor), own[0])
    contrasts["difference_high"] = np.where(top > 0, np.minimum(own[1], top), own[1])


def clear_of_zero(reading: Reading, low: np.ndarray) -> np.ndarray:
    """Whether each later mean and the first can carry a ratio: their intervals lie above zero."""
    return (low[0] > 0) & (low[1:] > 0) & reading.ratios


def check_held(fit: MixedFit, cells: MeanCells, reading: Reading) -> None:
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
) -> pd.DataFrame:
    """Estimates with their intervals."""
    se, df = singly(fit, means, reading.taken_off, most)
    low, high = mean_intervals(fit, means, reading, level, most)
    return pd.DataFrame({"estimate": means.value, "se": se, "df": df, "low": low, "high": high})


def contrast_columns(
    found: ComparedMeans, clear: np.ndarray, level: float
) -> dict[str, np.ndarray]:
    """Columns of a table of contrasts; ratios only where the means are `clear` of zero."""
    critical = special.stdtrit(found.df, 0.5 + level / 2)
    columns: dict[str, np.ndarray] = {}
    for what in ("ratio", "difference"):
        values = found.interval(what, critical)
        given = np.isfinite(values).all(axis=0) & (clear if what == "ratio" else True)
        for end, value in zip(("", "_low", "_high"), values, strict=True):
            columns[what + end] = np.where(given, value, np.nan)
    return {
        **columns, "df": found.df, "statistic": found.estimate / found.se, "p": found.p,
        "p_adjusted": holm(found.p),
    }  # fmt: skip


def balanced_tests(fit: MixedFit, design: Design, judged: Mapping[str, Judge]) -> pd.DataFrame:
    """F tests of the fixed terms; a factor's own is balanced over the factors it interacts with.

    A factor is judged against its own stratum, an interaction against the finer of its factors'.
    Where zones are compared, only terms that meet the zone say something of their difference.
    """
    table = fit.term_tests().drop(columns="tested", errors="ignore")
    table = table[table["num_df"] > 0].copy()  # of the others nothing can be estimated
    if "zone" in fit.fixed_part.levels:
        table = table[[":zone" in str(term) or "zone:" in str(term) for term in table.index]].copy()
    cells, rows, _ = reference_grid(fit, design.names, dict.fromkeys(design.covariates, 0.0))
    finest = {name: len(design.strata[name].keys) for name in design.names}
    for term in table.index:
        names = str(term).split(":")
        if not set(names) <= set(design.names):
            most = len(design.strips) - 1
            table.loc[term, "den_df"] = min(table.loc[term, "den_df"], most)
            continue
        if len(names) == 1:
            own = _of_factor(cells, rows, names[0], design)
        else:
            own = term_rows(fit.fixed_part, str(term))
        judge = judged[max(names, key=lambda name: finest[name])]
        f, df = f_test(fit, own, judge)
        table.loc[term, ["F", "num_df", "den_df"]] = f, len(own), df
    return table.assign(p=stats.f.sf(table["F"], table["num_df"], table["den_df"]))


def _of_factor(cells: pd.DataFrame, rows: np.ndarray, name: str, design: Design) -> np.ndarray:
    """Differences of a factor's levels from its first, balanced over the other factors."""
    label = cells[name].astype(str)
    first, *others = (rows[label == level].mean(axis=0) for level in design.levels[name])
    return np.array([other - first for other in others])


def holm(p: np.ndarray) -> np.ndarray:
    """p-values adjusted for their number (Holm 1979, Scand. J. Stat. 6:65-70), shape (n,).

    statsmodels' own collects garbage at every call, a tenth of a second each.
    """
    order = np.argsort(p)
    out = np.empty(len(p))
    out[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)), 1.0)
    return out
