"""A whole header from above, everything in it to one scale, with the order of repair."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.header import HeaderReport
from trialkit.header.plates import STATIONS
from trialkit.plots.canvas import INK, LARGE, QUIET, WIDTH, Plot, style
from trialkit.units import convert
from trialkit.words import header_figures as words
from trialkit.words.header_page import nothing_to_repair

if TYPE_CHECKING:
    from matplotlib.axes import Axes

EDGE = 0.12  # inches left and right
DECK, FAULTY = "#c9d0cb", "#8f9a95"


def header_plan(report: HeaderReport) -> Plot:
    """The header from above, driving up the page: every length and width to one scale.

    Row units stand at their distance. In each the white channel is the room between the guides,
    station by station, and the black slot the gap between the plates, both as long as the roll.
    Rows with something to repair are dark and carry their place in the order of repair.

    Parameters
    ----------
    report : HeaderReport
        From `trialkit.check_header`.
    """
    rows = report.rows
    pitch = 1000 * report.width / max(report.row_units, len(rows))  # mm
    scale = (WIDTH - 2 * EDGE) / (pitch * len(rows))
    long = report.unit.roll_length * scale
    top, foot = 0.34, 0.62
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, top + long + foot))
        figure.set_layout_engine("none")
        ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        ax.set_axis_off()
        ax.set_xlim(0, WIDTH)
        ax.set_ylim(top + long + foot, 0)
        for i, (_, row) in enumerate(rows.iterrows()):
            middle = EDGE + pitch * scale * (i + 0.5)
            faulty = pd.notna(row["rank"])
            half = pitch * scale / 2 * 0.94
            ax.fill_between([middle - half, middle + half], top, top + long, lw=0,
                            color=FAULTY if faulty else DECK, gid="deck")  # fmt: skip
            _channel(ax, row, middle, top, long, scale)
            if faulty:
                ax.plot([middle], [0.17], ls="none", marker="o", ms=17, mfc=INK, mec=INK,
                        gid="order")  # fmt: skip
                ax.text(middle, 0.17, f"{row['rank']:.0f}", color="white", weight="bold",
                        ha="center", va="center_baseline")  # fmt: skip
            ax.text(middle, top + long + 0.14, str(row["row"])[:3], ha="center", va="center",
                    weight="bold" if faulty else "normal", gid="row")  # fmt: skip
        _bar(ax, top + long + 0.43, scale, report.system)
    named = [str(r) for r in report.first["row"]]
    figure.summary = nothing_to_repair()
    if report.items:
        figure.summary = words.plan_summary(named, [i.rank for i in report.items if i.whole])
    figure.alt_text = words.plan_alt(
        report.header, len(rows), named, report.unit.roll_length, report.system
    )
    figure.lettering = LARGE
    return figure


def _channel(
    ax: Axes, row: pd.Series, middle: float, top: float, long: float, scale: float
) -> None:
    """Room between the guides, front at the top, and in it the slot between the plates."""
    clearance = row[list(STATIONS)].to_numpy(float)
    known = ~np.isnan(clearance)
    along = top + long * np.linspace(0, 1, len(clearance))
    if known.any():
        half = clearance[known] / 2 * scale
        ax.fill_betweenx(along[known], middle - half, middle + half, color="white", lw=0,
                         zorder=1, gid="channel")  # fmt: skip
    gap = row[["gap_front", "gap_rear"]].to_numpy(float)
    if not np.isnan(gap).any():
        half = gap / 2 * scale
        ax.fill_betweenx([top, top + long], middle - half, middle + half, color=INK, lw=0,
                         zorder=2, gid="slot")  # fmt: skip


def _bar(ax: Axes, y: float, scale: float, system: str) -> None:
    us = system == "US"
    size = float(convert(2.0, "ft", "m")) * 1000 if us else 500.0
    ax.plot([EDGE, EDGE + size * scale], [y, y], color=INK, lw=1.2, marker="|", ms=6, gid="bar")
    ax.text(EDGE + size * scale + 0.1, y, words.plan_bar(system), color=QUIET, va="center_baseline")
