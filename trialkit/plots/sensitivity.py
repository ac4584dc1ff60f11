"""What moves an option's balance: bars of one input at a time, a map of area and price."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.decide.sensitivity import PER_BU, input_value
from trialkit.decide.words import area_unit
from trialkit.plots.canvas import FAINT, INK, LARGE, QUIET, WIDTH, Plot, style
from trialkit.quantities import number

if TYPE_CHECKING:
    from trialkit.decide import BalanceMap, Sensitivity

# Dark and light in greyscale; the low end of an input is also hatched.
LOW, HIGH = "#c98d3c", "#12484f"
PAYS = "#cfe0d8"


def sensitivity_bars(result: Sensitivity) -> Plot:
    """Balance in a year at each input's low and high value, the widest bar on top.

    Parameters
    ----------
    result : Sensitivity
    """
    table, n = result.table, len(result.table)
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, 1.0 + 0.78 * n))
        ax = figure.add_subplot()
        parts = []
        for y, (name, row) in enumerate(table.iterrows()):
            ends = {
                word: (row[f"net_{word}"], input_value(str(name), row[word], result.system))
                for word in ("low", "high")
            }
            for word, (net, _) in ends.items():
                ax.barh(
                    y,
                    net - result.net,
                    left=result.net,
                    height=0.42,
                    lw=0.7,
                    ec="white",
                    color=LOW if word == "low" else HIGH,
                    hatch="////" if word == "low" else None,
                    gid=word,
                )
            ax.text(
                0,
                y - 0.4,
                str(row["label"]),
                weight="bold",
                size=LARGE - 0.5,
                va="center",
                transform=ax.get_yaxis_transform(),
            )
            ax.text(
                1,
                y - 0.4,
                f"{ends['low'][1]} to {ends['high'][1]}",
                size=LARGE - 1.5,
                va="center",
                ha="right",
                color=QUIET,
                transform=ax.get_yaxis_transform(),
            )
            parts.append(
                f"{row['label']} {ends['low'][1]} to {ends['high'][1]}: "
                f"{result.left(ends['low'][0])} to {result.left(ends['high'][0])}"
            )
        # In pieces, beside the bars only, so that no line runs through a label.
        rows = np.arange(n)
        ax.vlines(
            [result.net] * n,
            rows - 0.25,
            rows + 0.25,
            color=QUIET,
            lw=1.2,
            ls=(0, (2, 1)),
            gid="base",
        )
        ax.vlines([0.0] * n, rows - 0.27, rows + 0.27, color=INK, lw=1.8, gid="zero")
        handles = [ax.patches[0], ax.patches[1]]
        figure.legend(
            handles,
            ["input at its low value", "at its high value"],
            ncols=2,
            loc="outside upper left",
            frameon=False,
            fontsize=LARGE - 1.5,
            handlelength=1.6,
            borderpad=0.1,
            columnspacing=1.2,
        )
        ax.margins(x=0.08)
        ax.set_ylim(n - 0.6, -0.68)
        ax.set_yticks([])
        ax.xaxis.grid(True, color=FAINT, lw=0.7)
        ax.set_axisbelow(True)
        ax.tick_params(axis="x", length=0)
        ax.locator_params(axis="x", nbins=5)
        ax.xaxis.set_major_formatter(lambda value, _: number(value, 0))
        ax.set_xlabel(
            f"Balance in a year, {result.currency} (dashed: {result.left(result.net)} as stated)"
        )
        figure.alt_text = (
            f"Yearly balance in {result.currency}, {result.left(result.net)} as stated, when one "
            f"input moves from its low to its high value. {'; '.join(parts)}."
        )
        figure.summary = result.sentences[0]
    return figure


def balance_by_area_and_price(result: BalanceMap) -> Plot:
    """Map of the balance in a year over area and grain price, with the line where it is zero.

    Parameters
    ----------
    result : BalanceMap
    """
    us = result.system == "US"
    unit, size = area_unit(result.system)
    area = result.area / size
    price = result.price * (PER_BU if us else 1.0)
    per = "bu" if us else "t"
    net = result.net
    with style():
        figure = Plot(figsize=(WIDTH, 3.6))
        ax = figure.add_subplot()
        low, high = float(net.min()), float(net.max())
        if high > 0:
            ax.contourf(area, price, net, levels=[0, max(high, 1e-9) * 1.001], colors=[PAYS])
        lines = ax.contour(
            area,
            price,
            net,
            levels=_levels(low, high),
            colors=[QUIET],
            linewidths=0.8,
            linestyles="solid",
        )
        ax.clabel(lines, fmt=lambda value: number(value, 0), fontsize=8, colors=[QUIET])
        if low < 0 < high:
            zero = ax.contour(area, price, net, levels=[0], colors=[INK], linewidths=2.2)
            zero.set_gid("zero")
        if high > 0:
            ax.text(
                0.98,
                0.97,
                "pays" if low < 0 else "pays everywhere",
                transform=ax.transAxes,
                ha="right",
                va="top",
                weight="bold",
                size=9,
            )
        if low < 0:
            ax.text(
                0.02,
                0.03,
                "does not pay" if high > 0 else "does not pay anywhere",
                transform=ax.transAxes,
                weight="bold",
                size=9,
            )
        base_area, base_price = result.base.area / size, result.base.price * (PER_BU if us else 1.0)
        inside = area[0] <= base_area <= area[-1] and price[0] <= base_price <= price[-1]
        if inside:
            ax.plot(
                [base_area], [base_price], marker="o", ms=8, color=HIGH, mec="white", gid="base"
            )
        ax.set_xlabel(f"Corn harvested in a year, {unit}")
        ax.set_ylabel(f"Grain price, {result.currency} per {per}")
        ax.xaxis.set_major_formatter(lambda value, _: number(value, 0))
        ax.tick_params(length=0)
        ax.spines["left"].set_visible(True)
        here = (
            f" The dot is the trial's own area and price: {number(result.base.net_per_year, 0)}."
            if inside
            else ""
        )
        figure.alt_text = (
            f"Map of the yearly balance in {result.currency}, from {number(low, 0)} to "
            f"{number(high, 0)}, over {number(area[0], 0)} to {number(area[-1], 0)} {unit} a year "
            f"and grain prices of {number(price[0], 2)} to {number(price[-1], 2)} per {per}; "
            f"contour lines are labelled with the balance. {result.sentences[0]}{here}"
        )
        figure.summary = result.sentences[0]
    return figure


def _levels(low: float, high: float) -> list[float]:
    """Round values between low and high, at most about six, zero left to its own line."""
    span = high - low
    step = 10 ** np.floor(np.log10(span / 4)) if span > 0 else 1.0
    step *= next(m for m in (1, 2, 5, 10) if span / (m * step) <= 7)
    values = np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step
    return [float(v) for v in values if abs(v) > step / 2 and low < v < high] or [high]
