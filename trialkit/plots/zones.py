"""Where frames are laid round a stopped combine, seen from above."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

from matplotlib.patches import FancyArrowPatch, Polygon, Rectangle

from trialkit.plots.canvas import Plot, style
from trialkit.responses import ZONES
from trialkit.words import ENGLISH, spoken

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes

    from trialkit.responses.schema import System

INK, QUIET, FAINT = "#202020", "#606060", "#b8b8b8"
# Along the rows in m, 0 where the header stopped; the machine has backed up.
BACKED, HEADER, BODY = 6.1, 1.4, 7.6
LEFT, CORN = -21.5, 7.6
SPAN = 6.0  # drawn width of any header


def count_zones(
    system: System = "US", *, rows: int = 8, width: float = 7.4, language: str = ENGLISH,
    numbers: float | None = None,
) -> Plot:
    """Plan view of a combine that stopped in the row and backed up, with the three zones.

    Preharvest frames lie in the standing corn ahead, header frames between the corn and the
    header, frames of the total behind the machine. Rows are numbered from the left in the direction
    of travel, which is to the right. The distances are those of a usual machine, the ground along
    the rows and across them to one scale.

    How far to back up differs between sources: 20 ft (Sumner & Williams, *Measuring Field Losses
    From Grain Combines*, University of Georgia Extension); one combine length (University of
    Missouri Extension G1290).

    Parameters
    ----------
    system : {"US", "SI"}
    rows : int
        Rows of the header.
    width : float
        Inches.
    language : str
        What is written in it is said in it.
    numbers : float, optional
        Points that row numbers are high, where they must be read on a small screen: as many stand
        there as have room, the first and the last among them. By default all of them, as high as
        their rows are wide.
    """
    say = partial(_say, language)
    low, high = -SPAN / 2 - 1.15, SPAN / 2 + 1.75
    with style(8):
        figure = Plot(figsize=(width, width * (high - low) / (CORN - LEFT)))
        figure.set_layout_engine("none")
        ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        ax.set_axis_off()
        ax.set_xlim(LEFT, CORN)
        ax.set_ylim(low, high)
        centres = [SPAN / 2 - SPAN * (i + 0.5) / rows for i in range(rows)]
        _ground(ax, centres)
        _machine(ax, rows, say)
        _zones(ax, centres, language)
        _marks(ax, system, say)
        pitch = 72 * width / (CORN - LEFT) * SPAN / rows  # points from row to row
        size = numbers or min(6.5, pitch * 0.62)
        for number, y in _numbered(centres, size if numbers else 0.0, pitch):
            ax.text(-BACKED - HEADER / 2 - 0.05, y, str(number), size=size, color=INK, ha="center",
                    va="center", gid=f"row {number}")  # fmt: skip
    grounds = {name: z.ground(language) for name, z in ZONES.items() if z.drawn is not None}
    places = {words.called or name: words.seen or words.where for name, words in grounds.items()}
    figure.summary = say("zones_drawn", len(places))
    figure.alt_text = say("count_zones", system, rows, places)
    return figure


def _numbered(centres: list[float], size: float, pitch: float) -> list[tuple[int, float]]:
    """Rows by number that lettering of this size has room for; all of them at size 0."""
    every = list(enumerate(centres, start=1))
    apart = max(1, math.ceil(size / pitch))
    return [row for row in every if row[0] == len(every)
            or ((row[0] - 1) % apart == 0 and len(every) - row[0] >= apart)]  # fmt: skip


def _say(language: str, name: str, *values: Any) -> str:
    return str(spoken("frames_laid", name, language)(*values))


def _ground(ax: Axes, centres: list[float]) -> None:
    for y in centres:
        ax.plot([LEFT, -0.2], [y, y], color=FAINT, lw=0.8, ls=(0, (2, 3)), zorder=0)
        n = int((CORN - 0.2) / 0.45)
        ax.plot([0.2 + 0.45 * i for i in range(n)], [y] * n, ls="none", marker="o", ms=2.4,
                color=QUIET, zorder=0, gid="standing corn")  # fmt: skip


def _machine(ax: Axes, rows: int, say: Callable[..., str]) -> None:
    front, half = -BACKED, SPAN / 2
    step = SPAN / rows
    edge = [(front - HEADER, half)]
    for i in range(rows + 1):  # snouts between the rows
        y = half - i * step
        edge.append((front, y))
        if i < rows:
            edge.append((front - 0.55, y - step / 2))
    edge.append((front - HEADER, -half))
    ax.add_patch(Polygon(edge, closed=True, fc="#dcdcdc", ec=INK, lw=1.0, gid="header"))
    body = front - HEADER
    ax.add_patch(Rectangle((body - 1.2, -0.7), 1.2, 1.4, fc="#dcdcdc", ec=INK, lw=1.0))
    ax.add_patch(Rectangle((body - BODY, -1.5), BODY - 1.1, 3.0, fc="white", ec=INK, lw=1.2,
                           gid="body"))  # fmt: skip
    for x, long, wide in ((-2.6, 1.9, 0.7), (-6.9, 1.2, 0.5)):
        for side in (1, -1):
            ax.add_patch(Rectangle((body + x, side * 1.95 - wide / 2), long, wide, fc=QUIET, ec=INK,
                                   lw=0.8))  # fmt: skip
    ax.text(body - BODY / 2 - 0.6, 0, say("engine_off"), size=8, weight="bold",
            ha="center", va="center", color=INK, linespacing=1.25)  # fmt: skip


def _zones(ax: Axes, centres: list[float], language: str) -> None:
    for number, (name, zone) in enumerate(ZONES.items(), start=1):
        if zone.drawn is None:
            continue
        left, right = zone.drawn
        ax.add_patch(Rectangle((left, -SPAN / 2), right - left, SPAN, fc="none", ec=INK, lw=1.6,
                               ls=(0, (4, 2)), gid=f"zone {name}"))  # fmt: skip
        middle = (left + right) / 2
        called = zone.ground(language).called or name
        ax.text(middle, SPAN / 2 + 0.28, f"{number} {called}", size=10, weight="bold", ha="center",
                va="bottom", color=INK)  # fmt: skip
        side = min(0.62, SPAN / len(centres) * 0.8)
        shown = centres[1:-1] if len(centres) > 4 else centres
        take = shown[:: max(1, round(len(shown) / 3))][:3] if len(shown) > 3 else shown
        for i, y in enumerate(take):
            x = left + (right - left) * (0.25 + 0.25 * (i % 3))
            ax.add_patch(Rectangle((x - 0.7, y - side / 2), 1.4, side, fc="white", ec=INK, lw=1.3,
                                   zorder=3, gid="frame"))  # fmt: skip


def _marks(ax: Axes, system: System, say: Callable[..., str]) -> None:
    foot = -SPAN / 2 - 0.5
    ax.plot([0, 0], [-SPAN / 2 - 0.7, SPAN / 2 + 0.2], color=INK, lw=1.0)
    ax.add_patch(FancyArrowPatch((0, foot), (-BACKED, foot), arrowstyle="-|>", mutation_scale=9,
                                 color=INK, lw=1.2, shrinkA=0, shrinkB=0))  # fmt: skip
    ax.text(-BACKED - 0.25, foot, say("back_up", system), size=8, ha="right", va="center",
            color=INK)  # fmt: skip
    ax.text(0.25, foot, say("stopped_here"), size=8, ha="left", va="center", color=INK)
    top = SPAN / 2 + 0.72
    ax.text(-11.2, top + 0.2, say("direction"), size=8, ha="center", va="bottom", color=INK)
    ax.add_patch(FancyArrowPatch((-13.6, top), (-8.8, top), arrowstyle="-|>", mutation_scale=11,
                                 color=INK, lw=1.4, shrinkA=0, shrinkB=0,
                                 gid="travel"))  # fmt: skip
