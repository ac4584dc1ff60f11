"""Where a setup's effect reaches a given size along a covariate.

Estimated by inverting the pointwise band of a curve: the values of the covariate at which the
ratio, or difference, is not refused. For a straight line this is the set of Fieller (1954, J. R.
Stat. Soc. B 16:175-185); it may be open to a side, fall into two parts, or be the whole range.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from scipy import optimize, stats

from trialkit.analysis.curves import EffectCurve, Line
from trialkit.analysis.reading import unit_words
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.quantities import scales

Scale = Literal["ratio", "difference"]


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
    words : str
    """

    value: float
    scale: Scale
    at: tuple[float, ...]
    intervals: tuple[tuple[float, float], ...]
    open_low: bool
    open_high: bool
    words: str

    def _repr_html_(self) -> str:
        ranges = pd.DataFrame(self.intervals, columns=["from", "to"])
        return card(
            f"Where the {self.scale} is {self.value:.4g}",
            [self.words],
            table(ranges, "Where it cannot be refused") if len(ranges) > 1 else "",
        )


def crossing(
    curve: EffectCurve, value: float | None = None, *, scale: Scale | None = None,
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
        found = line.told(np.atleast_1d(at))
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
    found = Crossing(value, scale, tuple(at), intervals, bool(inside[0]), bool(inside[-1]), "")
    return replace(found, words=_crossing_words(curve, found, float(x[0]), float(x[-1])))


def _crossing_words(curve: EffectCurve, found: Crossing, low: float, high: float) -> str:
    system = curve.result.design.units
    own, shown = scales(curve.along_unit, system)[0], scales(curve.result.unit, system)[0]
    unit, percent = own.unit, f"{100 * curve.confidence:g} %"
    what, value = found.scale, f"{found.value:g}"
    if what == "difference":
        value = f"{found.value * shown.factor:.3g} {unit_words(shown.unit)}"
    low, high = low * own.factor, high * own.factor
    if not found.intervals:
        return (
            f"One {curve.along_label} at a time, a {what} of {value} is refused everywhere between "
            f"{low:.1f} and {high:.1f} {unit}."
        )
    whole = found.open_low and found.open_high and len(found.intervals) == 1
    if found.at:
        where = " and ".join(f"{v * own.factor:.1f}" for v in found.at)
        begin = f"The {what} is estimated to pass {value} at {where} {unit}"
    else:
        begin = (
            f"The estimated {what} does not pass {value} between {low:.1f} and {high:.1f} {unit}"
        )
    if whole:
        return f"{begin}; no value of that range can be refused ({percent})."
    parts = []
    for a, b in ((a * own.factor, b * own.factor) for a, b in found.intervals):
        first = f"the lowest run, {a:.1f} {unit}, or below," if a == low else f"{a:.1f}"
        last = f"the highest run, {b:.1f} {unit}, or beyond" if b == high else f"{b:.1f} {unit}"
        if f"{a:.1f}" != f"{b:.1f}":
            parts.append(f"from {first} to {last}")
        else:
            parts.append(first.rstrip(",") if a == low else last if b == high else f"at {last}")
    return f"{begin}; {percent} interval {' and '.join(parts)}."
