"""Cost of grain lost and of time against ground speed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit import units
from trialkit.plots.canvas import FAINT, INK, KEY, LARGE, LEVELS, QUIET, WIDTH, Plot, rule, style
from trialkit.quantities import number
from trialkit.words import figures_money as words
from trialkit.words.money import area_unit

if TYPE_CHECKING:
    from trialkit.decide import SpeedChoice


# Colour, line and width of the curves: all of it, grain lost, time.
LOOKS: tuple[tuple[str, Any, float], ...] = (
    (LEVELS[1][1], "solid", 2.4),
    (LEVELS[0][1], (0, (5, 2)), 1.6),
    (LEVELS[2][1], (0, (1.5, 1.5)), 1.8),
)


def cost_by_speed(result: SpeedChoice) -> Plot:
    """Grain lost, time and their sum against ground speed, with the flat region round the best.

    Parameters
    ----------
    result : SpeedChoice
    """
    area, size = area_unit(result.system)
    unit = "mph" if result.system == "US" else "km/h"
    factor = float(units.convert(1.0, "km/h", unit))
    table = result.table
    speed = table["speed"] * factor
    best, low, high = (v * factor for v in (result.best, result.flat_low, result.flat_high))
    least = float((table["total"] - table["above_best"]).iloc[0]) * size
    within = number(result.within * size, 2)
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, 3.9))
        ax = figure.add_subplot()
        ax.axvspan(low, high, color=FAINT, lw=0, alpha=0.7, gid="flat")
        ax.fill_between(speed, table["low"] * size, table["high"] * size, color="#b9c7c6", lw=0,
                        gid="interval")  # fmt: skip
        for (column, label), (colour, line, width) in zip(words.COSTS.items(), LOOKS, strict=True):
            ax.plot(speed, table[column] * size, color=colour, ls=line, lw=width, gid=column,
                    label=label)  # fmt: skip
        ax.plot([best], [least], marker="D", ms=8, color=LEVELS[1][1], mec="white", gid="best")
        figure.legend(ncols=3, handlelength=2.6, **KEY)
        ax.set_ylim(0, 1.18 * float(table["high"].max()) * size)
        right = best > speed.mean()
        ax.annotate(
            words.least_at(best, unit, result.best_low * factor, result.best_high * factor,
                           result.end),
            (best, least), (0.98 if right else 0.02, 0.98), textcoords="axes fraction", va="top",
            ha="right" if right else "left", weight="bold", size=LARGE - 0.5, color=INK,
            arrowprops={"arrowstyle": "-", "color": QUIET, "shrinkB": 5},
        )  # fmt: skip
        ax.set_xlim(speed.iloc[0], speed.iloc[-1])
        ax.margins(x=0)
        ax.set_xlabel(words.speed_axis(unit, within, result.currency, area), color=INK)
        ax.set_ylabel(words.cost_axis(result.currency, area))
        rule(ax, "y")
        ax.tick_params(colors=QUIET)
        ax.tick_params(axis="x", pad=8)
        ax.locator_params(axis="x", nbins=6)
    ends = table.iloc[[0, -1]]
    curves = [(label, *(ends[column] * size)) for column, label in words.COSTS.items()]
    figure.alt_text = words.cost_by_speed(
        result.currency, area, unit, (speed.iloc[0], speed.iloc[-1]), curves, least, best, within,
        (low, high),
    )  # fmt: skip
    figure.summary = result.sentences[0]
    return figure
