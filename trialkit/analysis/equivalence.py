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
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.comparisons import against
from trialkit.analysis.intervals import told
from trialkit.analysis.reading import means_of, setting_cells, unit_words
from trialkit.analysis.result import ResponseAnalysis
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.quantities import scales

WITHIN, OPEN = "within the margin", "not shown"
ABOVE, BELOW = "above the margin", "below the margin"
Scale = Literal["ratio", "difference"]


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

    result: ResponseAnalysis
    scale: Scale
    margin: tuple[float, float]
    confidence: float
    table: pd.DataFrame

    def _repr_html_(self) -> str:
        low, high = self.margin
        unit = "" if self.scale == "ratio" else f" {self.result.unit}"
        one_sided = low == 0 or not np.isfinite(low)
        margin = f"{high:.4g}{unit}" if one_sided else f"{low:.4g} to {high:.4g}{unit}"
        told = "no more than" if one_sided else "within"
        columns = ["label", "estimate", "low", "high", "df", "p_lower", "p_upper", "p", "verdict"]
        shown = self.table[columns].dropna(axis="columns", how="all")
        return card(
            f"{self.result.title}: {self.scale} {told} {margin}?",
            [*self.table["words"], f"{100 * (2 * self.confidence - 1):g} % intervals in brackets."],
            table(shown, names={"label": "level", "estimate": f"{self.scale}{unit and ','}{unit}"}),
        )


def equivalence(
    result: ResponseAnalysis, margin: float | tuple[float, float], *, scale: Scale = "ratio",
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
    result: ResponseAnalysis, margin: float, *, scale: Scale = "ratio", factor: str | None = None,
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


def _none(scale: Scale) -> float:
    if scale not in ("ratio", "difference"):
        raise ValueError(f"scale {scale!r} is not known; choose 'ratio' or 'difference'.")
    return 1.0 if scale == "ratio" else 0.0


def _require_ratios(result: ResponseAnalysis) -> None:
    if not result.reading.ratios:
        raise DesignError(
            f"{result.title} has no ratio; give the margin as a difference (scale='difference')."
        )


def _test(
    result: ResponseAnalysis, scale: Scale, margin: tuple[float, float], factor: str | None,
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
    found = told(fit, reading, *against(means), result.judges[chosen.name])
    estimate, first, last = found.interval(scale, stats.t.ppf(confidence, found.df))
    p_lower, p_upper = 1.0 - found.below(scale, low), found.below(scale, high)
    verdict = np.select(
        [(first > low) & (last < high), first > high, last < low], [WITHIN, ABOVE, BELOW], OPEN
    )
    labels = dict(zip(chosen.levels, chosen.level_labels, strict=True))
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
        _words(row, labels[reference], result, scale, margin, confidence)
        for row in table.itertuples()
    ]
    return Equivalence(result, scale, margin, confidence, table)


def _words(
    row, reference: str, result: ResponseAnalysis, scale: Scale, margin: tuple[float, float],
    confidence: float,
) -> str:  # fmt: skip
    own = scales(result.unit, result.design.units)[0]
    unit, factor = unit_words(own.unit), 1.0 if scale == "ratio" else own.factor
    if factor != 1.0:  # a margin given in SI is seldom round in another unit
        margin = (float(f"{margin[0] * factor:.3g}"), float(f"{margin[1] * factor:.3g}"))
    low, high = margin
    estimate, least, most = (factor * v for v in (row.estimate, row.low, row.high))
    if scale == "ratio":
        band = f"within {low:.3g} to {high:.3g} times {reference}"
        over = f"{high:.3g} times {reference}"
        shown = f"ratio {estimate:.3g}, {least:.3g} to {most:.3g}"
    else:
        band = f"within {low:g} to {high:+g} {unit} of {reference}"
        over = f"{reference} by more than {high:g} {unit}"
        shown = f"difference {estimate:.3g} {unit}, {least:.3g} to {most:.3g}"
    one_sided = low == 0 if scale == "ratio" else not np.isfinite(low)
    said = {
        WITHIN: f"is shown {f'not to exceed {over}' if one_sided else f'to lie {band}'}",
        ABOVE: f"is shown to {f'exceed {over}' if one_sided else f'lie above, not {band}'}",
        BELOW: f"is shown to lie below, not {band}",
        OPEN: (
            f"is neither shown to exceed {over} nor shown not to"
            if one_sided
            else f"is neither shown to lie {band} nor beyond that"
        ),
    }[row.verdict]
    return (
        f"{result.title}: {row.label} {said} ({shown}, {100 * (2 * confidence - 1):g} % interval)."
    )
