"""Cost of grain lost and of time against ground speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit import units
from trialkit.decide.words import area_unit
from trialkit.plots.canvas import FAINT, INK, LARGE, LEVELS, QUIET, WIDTH, Plot, style
from trialkit.quantities import number

if TYPE_CHECKING:
    from trialkit.decide import SpeedChoice


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
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, 3.9))
        ax = figure.add_subplot()
        ax.axvspan(low, high, color=FAINT, lw=0, alpha=0.7, gid="flat")
        ax.fill_between(
            speed, table["low"] * size, table["high"] * size, color="#b9c7c6", lw=0, gid="interval"
        )
        curves = (
            ("total", "together", LEVELS[1][1], "solid", 2.4),
            ("loss_cost", "grain lost", LEVELS[0][1], (0, (5, 2)), 1.6),
            ("time_cost", "time", LEVELS[2][1], (0, (1.5, 1.5)), 1.8),
        )
        for column, label, colour, line, width in curves:
            ax.plot(
                speed,
                table[column] * size,
                color=colour,
                ls=line,
                lw=width,
                gid=column,
                label=label,
            )
        ax.plot([best], [least], marker="D", ms=8, color=LEVELS[1][1], mec="white", gid="best")
        figure.legend(
            loc="outside upper left",
            ncols=3,
            frameon=False,
            handlelength=2.6,
            borderpad=0.1,
            columnspacing=1.2,
        )
        ax.set_ylim(0, 1.18 * float(table["high"].max()) * size)
        right = best > speed.mean()
        spread = f"{number(result.best_low * factor, 1)} to {number(result.best_high * factor, 1)}"
        told = f"(interval {spread})"
        if result.end:  # an interval cannot reach beyond the speeds looked at
            told = f"the {'fastest' if result.end == 'highest' else 'slowest'} looked at"
        ax.annotate(
            f"least at {number(best, 1)} {unit}\n{told}",
            (best, least),
            (0.98 if right else 0.02, 0.98),
            textcoords="axes fraction",
            va="top",
            ha="right" if right else "left",
            weight="bold",
            size=LARGE - 0.5,
            color=INK,
            arrowprops={"arrowstyle": "-", "color": QUIET, "shrinkB": 5},
        )
        ax.set_xlim(speed.iloc[0], speed.iloc[-1])
        ax.margins(x=0)
        ax.set_xlabel(
            f"Ground speed, {unit}\n(grey: within {result.currency} "
            f"{number(result.within * size, 2)} per {area} of the least)",
            color=INK,
        )
        ax.set_ylabel(f"Cost, {result.currency} per {area}")
        ax.yaxis.grid(True, color=FAINT, lw=0.7)
        ax.set_axisbelow(True)
        ax.tick_params(length=0, colors=QUIET)
        ax.tick_params(axis="x", pad=8)
        ax.locator_params(axis="x", nbins=6)
        ends = table.iloc[[0, -1]]
        parts = ", ".join(
            f"{label} from {number(ends[column].iloc[0] * size, 2)} to "
            f"{number(ends[column].iloc[1] * size, 2)}"
            for column, label, *_ in curves
        )
        figure.alt_text = (
            f"Cost in {result.currency} per {area} against ground speeds of "
            f"{number(speed.iloc[0], 1)} to {number(speed.iloc[-1], 1)} {unit}: {parts}; least, "
            f"{number(least, 2)}, at {number(best, 1)} {unit}, within "
            f"{number(result.within * size, 2)} of it from {number(low, 1)} to {number(high, 1)}."
        )
        figure.summary = result.sentences[0]
    return figure
