"""Where a setup's effect reaches a given size along a covariate.

Estimated by inverting the pointwise band of a curve: the values of the covariate at which the
ratio, or difference, is not refused. For a straight line this is the set of Fieller (1954, J. R.
Stat. Soc. B 16:175-185); it may be open to a side, fall into two parts, or be the whole range.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, stats

from trialkit.analysis.questions.curve_line import Line
from trialkit.analysis.questions.curves import EffectCurve
from trialkit.analysis.reading import Measure
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.words import curves as curve_words
from trialkit.words import say


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a curve meets a ratio or a difference.

    Attributes
    ----------
    value : float
    scale : {"ratio", "difference"}
        What `value` is; a difference is in the result's unit.
    at : tuple of float
        Values of the covariate at which the estimated curve has the value, inside the range.
    intervals : tuple of (float, float)
        Values of the covariate at which it is not refused; empty if it is refused everywhere.
    open_low, open_high : bool
        Whether they reach the lowest or highest value run, beyond which nothing is known.
    finding : Note
        Where it is (`words`).
    """

    value: float
    scale: Measure
    at: tuple[float, ...]
    intervals: tuple[tuple[float, float], ...]
    open_low: bool
    open_high: bool
    finding: Note

    @property
    def words(self) -> str:
        """Where it is, in words."""
        return say(self.finding)

    def _repr_html_(self) -> str:
        ranges = pd.DataFrame(self.intervals, columns=["from", "to"])
        return card(
            curve_words.crossing_heading(self.scale, self.value),
            [self.words],
            table(ranges, curve_words.not_refused()) if len(ranges) > 1 else "",
        )


def crossing(
    curve: EffectCurve, value: float | None = None, *, scale: Measure | None = None,
    points: int = 401,
) -> Crossing:  # fmt: skip
    """Where the curve meets `value`, with the set of Fieller.

    Parameters
    ----------
    curve : EffectCurve
    value : float, optional
        A ratio above zero, or a difference in the result's unit; no effect (1 or 0) by default.
    scale : {"ratio", "difference"}, optional
        By default the ratio, for a response without ratios the difference.
    points : int
        At which the band is looked at before its ends are found exactly.

    Raises
    ------
    DesignError
        When the curve has no ratio, or none in part of its range.
    ValueError
        For a ratio that is not above zero, or an unknown scale.
    """
    ratios = curve.result.reading.ratios
    scale = scale or ("ratio" if ratios else "difference")
    if scale not in ("ratio", "difference"):
        raise ValueError(f"scale {scale!r} is not known; choose 'ratio' or 'difference'.")
    value = float(scale == "ratio") if value is None else float(value)
    if scale == "ratio" and not ratios:
        raise DesignError(f"{curve.result.title} has no ratio; ask for a difference.")
    if not value > (0 if scale == "ratio" else -np.inf):
        raise ValueError(f"ratio must be above zero, not {value!r}.")
    line = Line(
        curve.fit, curve.result, curve.factor.name, curve.level, curve.reference, curve.along
    )
    x = np.linspace(curve.table["x"].iloc[0], curve.table["x"].iloc[-1], points)

    def away(at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        found = line.compared(np.atleast_1d(at))
        critical = stats.t.ppf(0.5 + curve.confidence / 2, found.df)
        estimate, low, high = found.interval(scale, critical)
        return estimate - value, np.maximum(low - value, value - high)

    gap, outside = away(x)
    if curve.table[scale].isna().any() or not np.isfinite(gap).all():
        raise DesignError(
            "A mean is too near zero in part of the range for a ratio to be given; ask for a "
            "difference."
        )

    def roots(values: np.ndarray, which: int) -> list[float]:
        change = np.flatnonzero(np.sign(values[:-1]) * np.sign(values[1:]) < 0)
        return [
            float(optimize.brentq(lambda v: float(away(v)[which][0]), x[i], x[i + 1]))
            for i in change
        ]

    at = roots(gap, 0)
    edges = roots(outside, 1)
    inside = outside <= 0
    ends = [*([float(x[0])] if inside[0] else []), *edges, *([float(x[-1])] if inside[-1] else [])]
    intervals = tuple(zip(ends[::2], ends[1::2], strict=True))
    open_low, open_high = bool(inside[0]), bool(inside[-1])
    values = {
        "at": tuple(at), "intervals": intervals, "low": float(x[0]), "high": float(x[-1]),
        "whole": open_low and open_high and len(intervals) == 1, "along": curve.along_label,
        "along_unit": curve.along_unit, "scale": scale, "value": value,
        "unit": curve.result.unit, "system": curve.result.design.units,
        "confidence": curve.confidence,
    }  # fmt: skip
    finding = Note("curves.crosses", values)
    return Crossing(value, scale, tuple(at), intervals, open_low, open_high, finding)
