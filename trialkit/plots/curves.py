"""A setup's effect along grain moisture or ground speed, with its bands and the strips run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from trialkit.analysis.questions.curve_findings import stretches
from trialkit.errors import DesignError
from trialkit.plots.canvas import INK, LEVELS, QUIET, WIDTH, Plot, style
from trialkit.quantities import difference_unit, number, scales
from trialkit.units import convert
from trialkit.words import figures_effects as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis.questions.curves import EffectCurve

# Two greys that stay apart in print, the wider band lighter.
WIDE, NARROW = "#e3e7e3", "#b9c4be"
# Unit inside the program to the one a US trial prints.
US = {"km/h": "mph", "mm": "in"}
# Ratios a reader knows by heart, for the axis.
_TICKS = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 7, 10, 20)


def effect_along(curve: EffectCurve, *, shown: str | None = None, system: str = "SI") -> Plot:
    """The effect against the covariate: pointwise band, band for all values together, strips.

    Parameters
    ----------
    curve : EffectCurve
    shown : {"ratio", "difference"}, optional
        Ratios stand on a logarithmic axis; they are shown where the response has them.
    system : {"SI", "US"}

    Raises
    ------
    DesignError
        When ratios are asked for and the curve has none anywhere.
    """
    ratios = curve.result.reading.ratios
    shown = shown or ("ratio" if ratios else "difference")
    if shown not in ("ratio", "difference"):
        raise ValueError(f"shown {shown!r} is not known; choose 'ratio' or 'difference'.")
    table = curve.table
    if table[shown].isna().all():
        raise DesignError(f"{words.no_ratios(ratios)}; draw the difference.")
    unit = US.get(curve.along_unit, curve.along_unit) if system == "US" else curve.along_unit

    def horizontal(values: np.ndarray) -> np.ndarray:
        return in_unit(values, curve.along_unit, unit)

    own = scales(curve.result.unit, system)[0]
    factor = 1.0 if shown == "ratio" else own.factor
    none = 1.0 if shown == "ratio" else 0.0
    x = horizontal(table["x"].to_numpy())
    level, reference = curve.name(curve.level), curve.name(curve.reference)
    with style():
        figure = Plot(figsize=(WIDTH, 4.1))
        ax, rug = figure.subplots(2, 1, height_ratios=[5, 1], sharex=True)
        for suffix, colour, gid in (("_all", WIDE, "band_all"), ("", NARROW, "band")):
            ends = [table[f"{shown}_{end}{suffix}"].to_numpy() * factor for end in ("low", "high")]
            ax.fill_between(x, *ends, color=colour, lw=0, gid=gid)
        y = table[shown].to_numpy() * factor
        ax.plot(x, y, color=LEVELS[1][1], lw=2.2, gid="effect")
        for low, high in stretches(x, table["thin"].to_numpy()):
            inside = (x >= low) & (x <= high)
            ax.plot(x[inside], y[inside], color="white", lw=2.4, ls=(0, (1, 1.5)), gid="thin")
        ax.axhline(none, color=INK, lw=0.9, gid="none")
        _value_axis(ax, shown)
        what = curve.result.title.lower()
        told_in = "" if shown == "ratio" else difference_unit(own.unit)
        ax.set_title(words.effect_title(level, reference, what, told_in), size=9, loc="left")
        _rug(rug, curve, horizontal)
        rug.set_xlabel(words.covariate_axis(curve.along_label, unit))
        rug.xaxis.set_major_locator(MaxNLocator(6))
        _label_bands(ax, x, table, shown, factor, curve.confidence)
        figure.alt_text = _alt(curve, x, y, unit, told_in)
        figure.summary = curve.words[0]
    return figure


def in_unit(values: np.ndarray | pd.Series, inside: str, unit: str) -> np.ndarray:
    """Values of the program's unit in the one that is printed."""
    return np.asarray(values if unit == inside else convert(values, inside, unit), dtype=float)


def _value_axis(ax: Axes, shown: str) -> None:
    ax.tick_params(length=0, labelbottom=False)
    if shown == "ratio":
        low, high = ax.get_ylim()
        ax.set_yscale("log")
        ax.set_ylim(max(low, 0.01), high)
        ticks = [t for t in _TICKS if low < t < high]
        ax.yaxis.set_major_locator(FixedLocator(ticks))
        ax.yaxis.set_minor_locator(NullLocator())
        ax.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    else:
        places = max(0, 1 - int(np.floor(np.log10(np.ptp(ax.get_ylim())))))
        ax.yaxis.set_major_formatter(FuncFormatter(lambda v, _: number(v, places)))


def _rug(ax: Axes, curve: EffectCurve, horizontal) -> None:
    """One row of strips a setup, its name at the row."""
    names = (curve.level, curve.reference)
    for row, name in enumerate(names):
        marker, colour = LEVELS[curve.factor.levels.index(name) % len(LEVELS)]
        at = horizontal(curve.strips.loc[curve.strips["level"].eq(name), "x"].to_numpy())
        ax.plot(at, np.full(len(at), row), ls="none", marker=marker, ms=4.6, mfc="none",
                mec=colour, mew=1.0, gid="strips")  # fmt: skip
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_yticks(range(len(names)), [curve.name(n) for n in names])
    ax.tick_params(length=0)
    ax.spines["bottom"].set_visible(False)


def _label_bands(ax: Axes, x, table, shown: str, factor: float, confidence: float) -> None:
    """Names of the bands, at their right ends."""
    known = np.flatnonzero(table[shown].notna().to_numpy())
    last = known[-1]
    inner, outer = (float(table[f"{shown}_high{s}"].iloc[last]) * factor for s in ("", "_all"))
    every, single = words.band_names(confidence)
    edge: dict[str, Any] = {"textcoords": "offset points", "size": 8, "va": "center"}
    edge |= {"color": QUIET, "annotation_clip": False}
    ax.annotate(every, (x[last], outer), (5, 3), **edge)
    ax.annotate(single, (x[last], inner), (5, -13), **edge)
    none = 1.0 if shown == "ratio" else 0.0
    # Below the line where there is no room between it and the title.
    low, high = (ax.transData.transform((0.0, y))[1] for y in ax.get_ylim())
    at = ax.transData.transform((0.0, none))[1]
    near = (at - low) / (high - low) > 0.9
    ax.annotate(words.NO_DIFFERENCE, (x[known[0]], none), (2, -3 if near else 3), size=8, color=INK,
                textcoords="offset points", va="top" if near else "bottom")  # fmt: skip


def _alt(curve: EffectCurve, x, y, unit: str, told_in: str) -> str:
    first, last = np.flatnonzero(np.isfinite(y))[[0, -1]]
    n = curve.strips["level"].value_counts()
    return words.effect_along(
        curve.result.title, curve.name(curve.level), curve.name(curve.reference), curve.along_label,
        unit, words.Point(x[first], y[first]), words.Point(x[last], y[last]),
        (n.get(curve.level, 0), n.get(curve.reference, 0)), curve.confidence, curve.words, told_in,
    )  # fmt: skip
