"""Is a setup no worse, or as good as the same? Tests against a margin, in the reported quantity.

Two one-sided tests (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657-680), each of size
``1 - confidence``; one of them alone is the test of non-inferiority. `MixedFit.equivalence` asks
this of typical units on the model's own scale (for damage, of odds). Here the margin is in the
unit or the ratio that the analysis reports, for every response: means over the random effects, the
preharvest loss taken off, estimates, standard errors and degrees of freedom those of
`ResponseAnalysis.contrasts`.

Not shown is not shown: where a margin is neither kept nor exceeded with confidence, the trial has
not answered, and the verdict says so whatever the estimate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.comparisons import against
from trialkit.analysis.intervals import compare_means
from trialkit.analysis.reading import Measure, means_of, setting_cells
from trialkit.analysis.result import ResponseResult
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.words import equivalence as words
from trialkit.words.equivalence import ABOVE, BELOW, OPEN, WITHIN


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Levels of a factor against their reference and a margin.

    Attributes
    ----------
    result : ResponseAnalysis
    scale : {"ratio", "difference"}
        What the margin is of; a difference is in the result's unit.
    margin : (float, float)
        Lower and upper; the lower is 0 (ratio) or minus infinity (difference) where only more
        than the upper would matter.
    confidence : float
        One less the size of each test.
    table : DataFrame
        One row a level: ``factor, level, reference, label, estimate, df``; ``low, high``, the
        interval of confidence ``2 * confidence - 1`` that decides both tests; ``p_lower`` against
        a value at or below the lower margin (missing where there is none), ``p_upper``, ``p`` the
        larger; ``verdict``, "within the margin", "not shown", "above the margin" (shown to lie
        above the upper) or "below the margin" (below the lower); ``words``.
    """

    result: ResponseResult
    scale: Measure
    margin: tuple[float, float]
    confidence: float
    table: pd.DataFrame

    def _repr_html_(self) -> str:
        unit = "" if self.scale == "ratio" else f" {self.result.unit}"
        columns = ["label", "estimate", "low", "high", "df", "p_lower", "p_upper", "p", "verdict"]
        shown = self.table[columns].dropna(axis="columns", how="all")
        return card(
            words.heading(self.result.title, self.scale, self.margin, self.result.unit),
            [*self.table["words"], words.in_brackets(self.confidence)],
            table(shown, names={"label": "level", "estimate": f"{self.scale}{unit and ','}{unit}"}),
        )


def equivalence(
    result: ResponseResult, margin: float | tuple[float, float], *, scale: Measure = "ratio",
    factor: str | None = None, confidence: float = 0.95,
) -> Equivalence:  # fmt: skip
    """Two one-sided tests that setups differ by less than a margin.

    Parameters
    ----------
    result : ResponseAnalysis
    margin : float or (float, float)
        A ratio ``m`` means ``(1 / m, m)``, a difference ``d`` in the result's unit ``(-d, d)``.
    scale : {"ratio", "difference"}
    factor : str, optional
        Setup factor; default the first.
    confidence : float
        One less the size of each test, above 0.5.

    Raises
    ------
    DesignError
        For an unknown factor, or a ratio of a response without ratios or with a mean too near
        zero for one.
    ValueError
        For a margin that does not enclose no difference.
    """
    none = _none(scale)
    if scale == "ratio":
        _require_ratios(result)
    if np.ndim(margin) == 0:
        one = float(margin)  # type: ignore[arg-type]
        if scale == "ratio" and one > 0:
            margin = (min(one, 1 / one), max(one, 1 / one))
        else:
            margin = (-abs(one), abs(one))
    low, high = (float(m) for m in margin)  # type: ignore[union-attr]
    if not (low < none < high) or (scale == "ratio" and not low > 0) or not np.isfinite(low + high):
        raise ValueError(f"margin {margin!r} must enclose {none:g}, with finite ends.")
    return _test(result, scale, (low, high), factor, confidence)


def no_more_than(
    result: ResponseResult, margin: float, *, scale: Measure = "ratio", factor: str | None = None,
    confidence: float = 0.95,
) -> Equivalence:  # fmt: skip
    """One-sided test that setups have no more of the quantity than the reference by a margin.

    Parameters
    ----------
    result : ResponseAnalysis
    margin : float
        A ratio above 1 ("no more than 1.2 times the residue") or a difference above 0 in the
        result's unit ("no more than 5 kg/ha above").
    scale, factor, confidence
        As for `equivalence`.

    Raises
    ------
    DesignError, ValueError
        As `equivalence` does.
    """
    none = _none(scale)
    if scale == "ratio":
        _require_ratios(result)
    if not (np.isfinite(margin) and margin > none):
        raise ValueError(f"margin {margin!r} must be a number above {none:g}.")
    lower = 0.0 if scale == "ratio" else -np.inf
    return _test(result, scale, (lower, float(margin)), factor, confidence)


def _none(scale: Measure) -> float:
    if scale not in ("ratio", "difference"):
        raise ValueError(f"scale {scale!r} is not known; choose 'ratio' or 'difference'.")
    return 1.0 if scale == "ratio" else 0.0


def _require_ratios(result: ResponseResult) -> None:
    if not result.reading.ratios:
        raise DesignError(
            f"{result.title} has no ratio; give the margin as a difference (scale='difference')."
        )


def _test(
    result: ResponseResult, scale: Measure, margin: tuple[float, float], factor: str | None,
    confidence: float,
) -> Equivalence:  # fmt: skip
    if not 0.5 < confidence < 1:
        raise ValueError(f"confidence must lie between 0.5 and 1, not {confidence!r}.")
    design = result.design
    chosen = design.factor(factor)
    reference, *others = design.levels[chosen.name]
    own = result.contrasts.loc[result.contrasts["factor"].eq(chosen.name), "ratio"]
    if scale == "ratio" and own.isna().any():
        raise DesignError(
            "A mean is too near zero for a ratio to be given; give the margin as a difference."
        )
    fit, reading, (low, high) = result.fit, result.reading, margin
    means = means_of(fit, reading, setting_cells(fit, design, reading, chosen.name))
    found = compare_means(fit, reading, *against(means), result.judges[chosen.name])
    estimate, first, last = found.interval(scale, stats.t.ppf(confidence, found.df))
    p_lower, p_upper = 1.0 - found.below(scale, low), found.below(scale, high)
    verdict = np.select(
        [(first > low) & (last < high), first > high, last < low], [WITHIN, ABOVE, BELOW], OPEN
    )
    labels = design.labels(chosen.name)
    one_sided = low == 0 if scale == "ratio" else not np.isfinite(low)
    table = pd.DataFrame(
        {
            "factor": chosen.name, "level": others, "reference": reference,
            "label": [labels[name] for name in others], "estimate": estimate,
            "df": found.df, "low": first, "high": last,
            "p_lower": np.nan if one_sided else p_lower, "p_upper": p_upper,
            "p": p_upper if one_sided else np.maximum(p_lower, p_upper), "verdict": verdict,
        }
    )  # fmt: skip
    table["words"] = [
        words.against_margin(
            result.title, row.label, labels[reference], row.verdict, scale, margin, row.estimate,
            row.low, row.high, result.unit, design.units, confidence,
        )
        for row in table.itertuples()
    ]  # fmt: skip
    return Equivalence(result, scale, margin, confidence, table)
