"""What an option earns or costs in a year, over the area harvested."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from trialkit.decide.words import amount, area_unit, whole_places
from trialkit.errors import DesignError
from trialkit.plots.canvas import FAINT, INK, LARGE, LEVELS, QUIET, WIDTH, Plot, style
from trialkit.quantities import number

if TYPE_CHECKING:
    from trialkit.decide import Money


def money_by_area(money: Money) -> Plot:
    """Value saved less the option's cost in a year, against the area harvested in it.

    Parameters
    ----------
    money : Money
        A comparison with an option that costs something; its `system` decides whether acres
        or hectares are drawn.

    Raises
    ------
    DesignError
        When the option states no cost.
    """
    if money.annual_cost is None:
        raise DesignError("The trial states no option cost, so there is no balance to draw.")
    us = money.system == "US"
    unit = "ac" if us else "ha"
    saved, low, high = (
        (money.value_per_ac, money.value_per_ac_low, money.value_per_ac_high)
        if us
        else (money.value_per_ha, money.value_per_ha_low, money.value_per_ha_high)
    )
    even = money.break_even_ac if us else money.break_even_ha
    ends = (
        (money.break_even_ac_low, money.break_even_ac_high)
        if us
        else (money.break_even_ha_low, money.break_even_ha_high)
    )
    least, most = (math.inf if end is None else end for end in ends)
    places = 0 if even is None else whole_places(even, least, most)
    shown = "" if even is None else amount(even, places)
    limit = amount(most, places) if np.isfinite(most) else "no limit"
    cost = money.annual_cost
    size = area_unit(money.system)[1]
    own = money.area_per_year / size if money.area_per_year else None
    reach = [1.6 * a for a in (own, even) if a is not None and np.isfinite(a)]
    # Finely, for the cost of what wears by the area bends where the area begins to end its life.
    area = np.linspace(0.0, min(max(reach), 6 * min(reach)) if reach else 1000.0, 121)
    area[0] = area[-1] * 1e-6
    balance, worst, best = money.net_at(area * size)
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, 3.4))
        ax = figure.add_subplot()
        ax.fill_between(area, worst, best, color=FAINT, lw=0, gid="interval")
        ax.plot(area, balance, color=LEVELS[1][1], lw=2.2, gid="balance")
        ax.axhline(0, color=INK, lw=0.9)
        if even is not None and even <= area[-1]:
            ax.plot([even], [0], marker="o", ms=8, color=LEVELS[1][1], mec="white", gid="even")
            ax.annotate(
                f"best guess: breaks even at\n{shown} {unit} a year ({amount(least, places)} to "
                f"{limit})",
                (even, 0),
                (0.03, 0.62),
                textcoords="axes fraction",
                weight="bold",
                size=LARGE - 0.5,
                bbox={"fc": "white", "ec": "none", "pad": 2},  # over the dashed line
                arrowprops={"arrowstyle": "-", "color": QUIET, "shrinkB": 5},
            )
        if own is not None and own <= area[-1]:
            ax.axvline(own, color=QUIET, lw=1, ls=(0, (3, 2)), gid="own")
            side = "left" if own < area[-1] / 2 else "right"
            ax.annotate(
                f"{number(own, 0)} {unit}: the area given",
                (own, 1),
                (4 if side == "left" else -4, -3),
                xycoords=("data", "axes fraction"),
                textcoords="offset points",
                va="top",
                ha=side,
                size=LARGE - 1,
                color=QUIET,
            )
        ax.set_xlim(0.0, area[-1])
        low_end, high_end = ax.get_ylim()
        # Room above the balance of nothing, so that no line runs through the lettering at the head.
        ax.set_ylim(low_end, max(high_end, 0.16 * abs(low_end)))
        ax.set_xlabel(f"Corn harvested in a year, {unit}")
        ax.set_ylabel(f"Balance in a year, {money.currency}")
        ax.yaxis.grid(True, color=FAINT, lw=0.7)
        ax.set_axisbelow(True)
        ax.yaxis.set_major_formatter(lambda value, _: number(value, 0))
        ax.xaxis.set_major_formatter(lambda value, _: number(value, 0))
        ax.tick_params(length=0)
        own_cost = f" At {number(own, 0)} {unit} it costs {number(cost, 0)} a year." if own else ""
        paid = (
            f"It reaches zero at {shown} {unit}."
            if even is not None and np.isfinite(even)
            else "It never reaches zero."
        )
        figure.alt_text = (
            f"Yearly balance of {money.label} in {money.currency}, from {number(balance[0], 0)} at "
            f"no area to {number(balance[-1], 0)} at {number(area[-1], 0)} {unit}; the grain saved "
            f"is worth {number(saved, 2)} per {unit} ({number(low, 2)} to {number(high, 2)})."
            f"{own_cost} {paid}"
        )
    return figure
