"""Every two levels of a setup factor compared, adjusted for their number.

Differences and ratios of means in the reported quantity with intervals that hold together, by the
methods of `trialkit.mixed.multiplicity`: "tukey" for all pairs (Tukey 1953; Kramer 1956), "dunnett"
for every level against the reference (Dunnett 1955), "holm" and "bonferroni" for all pairs with no
use of their correlation (intervals of "holm" are the single ones). Each comparison keeps its own
degrees of freedom, those of `ResponseAnalysis.contrasts`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.analysis.intervals import compare_means
from trialkit.analysis.reading import means_of, setting_cells
from trialkit.display import card, table
from trialkit.mixed.multiplicity import ADJUSTMENTS
from trialkit.mixed.multiplicity import adjust as adjust_contrasts

if TYPE_CHECKING:
    from trialkit.analysis.result import ResponseResult


@dataclass(frozen=True, slots=True)
class Pairwise:
    """Levels of a factor, two by two.

    Attributes
    ----------
    title, unit, factor : str
    adjustment : str
    level : float
        Confidence level of all intervals together ("holm", "none": of each).
    table : DataFrame
        One row a comparison: ``level, against, label, against_label``; ``ratio`` and
        ``difference`` (level less the other, `unit`) with ``_low`` and ``_high``; ``df,
        statistic, p, p_adjusted``. A ratio is missing where a mean is too near zero to carry one
        or ratios have no meaning.
    """

    title: str
    unit: str
    factor: str
    adjustment: str
    level: float
    table: pd.DataFrame

    def _repr_html_(self) -> str:
        return card(
            f"{self.title}, {self.unit}: every two levels",
            [f"p adjusted and {100 * self.level:g} % intervals by {self.adjustment}."],
            table(
                self.table.drop(columns=["level", "against"]),
                names={"label": "level", "against label": "against"},
                rows=len(self.table),
            ),
        )


def pairwise(
    result: ResponseResult, factor: str | None = None, *, adjust: str = "tukey",
    level: float = 0.95,
) -> Pairwise:  # fmt: skip
    """Compare every two levels of a factor, or every level with the reference.

    Parameters
    ----------
    result : ResponseAnalysis
    factor : str, optional
        A setup factor; the first unless told.
    adjust : {"tukey", "dunnett", "holm", "bonferroni", "none"}
        "dunnett" compares with the reference only.
    level : float
        Confidence level.

    Raises
    ------
    DesignError
        For an unknown factor.
    ValueError
        For an unknown adjustment, or a level outside 0 to 1.
    """
    design, fit, reading = result.design, result.fit, result.reading
    factor = design.factor(factor).name
    if adjust not in ADJUSTMENTS:
        raise ValueError(f"adjust must be one of {', '.join(ADJUSTMENTS)}, not {adjust!r}.")
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    levels = design.levels[factor]
    pairs = [(j, i) for i, j in combinations(range(len(levels)), 2)]
    if adjust == "dunnett":
        pairs = [(j, 0) for j in range(1, len(levels))]
    one_at, other_at = (np.array(side) for side in zip(*pairs, strict=True))
    means = means_of(fit, reading, setting_cells(fit, design, reading, factor))
    one, other = means.take(one_at), means.take(other_at)
    found = compare_means(fit, reading, one, other, result.judges[factor])
    # A ratio is told only where `estimates` tells it: the intervals of both means above zero.
    own = result.means[result.means["factor"].eq(factor)].set_index("level").loc[list(levels)]
    steady = (own["low"] > 0).to_numpy() & reading.ratios
    clear = steady[one_at] & steady[other_at]
    covariance = found.rows @ fit.inference.adjusted @ found.rows.T
    sd = np.sqrt(np.diag(covariance))
    p, critical = adjust_contrasts(
        found.estimate / found.se, found.df, covariance / np.outer(sd, sd), adjust, level,
        len(levels),
    )  # fmt: skip
    labels = design.labels(factor)
    names = [(levels[j], levels[i]) for j, i in pairs]
    table = pd.DataFrame(names, columns=["level", "against"])
    table["label"], table["against_label"] = (table[c].map(labels) for c in ("level", "against"))
    for what in ("ratio", "difference"):
        values = found.interval(what, critical)
        given = np.isfinite(values).all(axis=0) & (clear if what == "ratio" else True)
        for end, value in zip(("", "_low", "_high"), values, strict=True):
            table[what + end] = np.where(given, value, np.nan)
    table["df"], table["statistic"] = found.df, found.estimate / found.se
    table["p"], table["p_adjusted"] = found.p, p
    return Pairwise(result.title, result.unit, factor, adjust, level, table)
