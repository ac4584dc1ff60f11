"""What an option earns or costs in a year, over the area harvested."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.patheffects import withStroke

from trialkit.errors import DesignError
from trialkit.plots.canvas import FAINT, INK, LARGE, LEVELS, QUIET, WIDTH, Plot, rule, style
from trialkit.quantities import number
from trialkit.words import figures_money as words
from trialkit.words.money import amount, area_unit, whole_places

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.decide import Balance


def money_by_area(money: Balance) -> Plot:
    """Value saved less the option's cost in a year, against the area harvested in it.

    Parameters
    ----------
    money : Balance
        A comparison with an option that costs something; its `system` decides whether acres
        or hectares are drawn.

    Raises
    ------
    DesignError
        When the option states no cost.
    """
    if not money.bought:
        raise DesignError("The trial states no option cost, so there is no balance to draw.")
    unit, size = area_unit(money.system)
    even, least, most = money.even_area.in_system
    places = whole_places(even, least, most)
    own = float(money.given.area) / size
    reach = [1.6 * a for a in (own, even) if np.isfinite(a)]
    # Finely, for the cost of what wears by the area bends where the area begins to end its life.
    area = np.linspace(0.0, min(max(reach), 6 * min(reach)), 121)
    area[0] = area[-1] * 1e-6
    balance, worst, best = money.net_at(area * size)
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, 3.4))
        ax = figure.add_subplot()
        ax.fill_between(area, worst, best, color=FAINT, lw=0, gid="interval")
        ax.plot(area, balance, color=LEVELS[1][1], lw=2.2, gid="balance")
        ax.axhline(0, color=INK, lw=0.9)
        if even <= area[-1]:
            area_, low, high = (amount(v, places) for v in (even, least, most))
            _even(ax, even, words.break_even(area_, low, high, unit))
        if own <= area[-1]:
            _given(ax, own, words.area_given(own, unit), own < area[-1] / 2)
        ax.set_xlim(0.0, area[-1])
        low_end, high_end = ax.get_ylim()
        # Room above the balance of nothing, so that no line runs through the lettering at the head.
        ax.set_ylim(low_end, max(high_end, 0.16 * abs(low_end)))
        ax.set_xlabel(words.area_axis(unit))
        ax.set_ylabel(words.balance_axis(money.currency))
        rule(ax, "y")
        ax.yaxis.set_major_formatter(lambda value, _: number(value, 0))
        ax.xaxis.set_major_formatter(lambda value, _: number(value, 0))
    figure.alt_text = words.balance_by_area(
        money.label, money.currency, unit, balance[0], balance[-1], area[-1],
        money.grain.times(size), own, money.annual_cost,
        amount(even, places) if np.isfinite(even) else "",
    )  # fmt: skip
    return figure


def _even(ax: Axes, area: float, text: str) -> None:
    """The area at which the balance reaches zero."""
    ax.plot([area], [0], marker="o", ms=8, color=LEVELS[1][1], mec="white", gid="even")
    ax.annotate(
        text, (area, 0), (0.03, 0.62), textcoords="axes fraction", weight="bold", size=LARGE - 0.5,
        path_effects=[withStroke(linewidth=3, foreground="white")],  # over the dashed line
        arrowprops={"arrowstyle": "-", "color": QUIET, "shrinkB": 5},
    )  # fmt: skip


def _given(ax: Axes, area: float, text: str, to_the_right: bool) -> None:
    """The area the user gave, its name to the right of the line or to the left."""
    ax.axvline(area, color=QUIET, lw=1, ls=(0, (3, 2)), gid="own")
    ax.annotate(
        text, (area, 1), (4 if to_the_right else -4, -3), xycoords=("data", "axes fraction"),
        textcoords="offset points", va="top", ha="left" if to_the_right else "right",
        size=LARGE - 1, color=QUIET,
    )  # fmt: skip
