"""What is measured on a row unit, and where: plain drawings, not to scale and of no maker's unit.

What is written in them is what the boxes of the sheet are called, column by column of the
``header_check`` table, so that what is read goes where it belongs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.patches import Circle, FancyArrowPatch, Polygon, Rectangle

from trialkit.plots.canvas import Plot, style
from trialkit.words import ENGLISH, spoken

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Say = Callable[[str], str]
INK, QUIET = "#202020", "#606060"
METAL, PALE = "#cfcfcf", "#e9e9e9"
FRONT, REAR = 3.0, 0.3  # the plates, from above
READ = {"front": 2.85, "middle": 1.65, "rear": 0.45}  # where the gap is read
BESIDE = {"front": 2.35, "rear": 0.95}  # where each plate is read against the row's centre
STATIONS = (2.75, 2.25, 1.75, 1.25, 0.75)
LETTERING = 9


@style(LETTERING)
def row_unit(*, width: float = 3.3, language: str = ENGLISH) -> Plot:
    """The plates of a row unit from above, driving up the page: gaps, plates, the row's centre."""
    say = spoken("row_unit", "written", language)
    figure, ax = _figure(width, width * 0.86, (-1.95, 1.95), (-0.1, 3.25))
    for side in (-1, 1):
        edge = [_edge(y) * side for y in (FRONT, REAR)]
        outer = side * 0.62
        ax.add_patch(Polygon([(edge[0], FRONT), (outer, FRONT), (outer, REAR), (edge[1], REAR)],
                             closed=True, fc=METAL, ec=INK, lw=1.0, gid="plate"))  # fmt: skip
    ax.plot([0, 0], [REAR - 0.15, FRONT + 0.05], color=INK, lw=0.8, ls=(0, (7, 2, 1.5, 2)),
            gid="centre")  # fmt: skip
    for place, y in READ.items():
        _arrow(ax, (-_edge(y), y), (_edge(y), y), f"gap_{place}")
        _led(ax, (_edge(y), y), (0.78, y), say(f"gap_{place}"), "left")
    for end, y in BESIDE.items():
        for side, name in ((-1, "left"), (1, "right")):
            _arrow(ax, (0, y), (side * _edge(y), y), f"plate_{name}_{end}")
            _led(ax, (side * _edge(y), y), (side * 0.78, y), say(f"plate_{name}_{end}"),
                 "left" if side > 0 else "right")
    ax.text(-0.78, 1.65, say("centre"), va="center", ha="right", color=INK)
    ax.plot([-0.75, -0.01], [1.65, 1.5], color=QUIET, lw=0.7)
    _ends(ax, say)
    return _told(figure, "row_unit", language)


@style(LETTERING)
def plate_section(*, width: float = 3.3, language: str = ENGLISH) -> Plot:
    """A row unit cut across, looking to the rear: the gap at the plates, the edges, the rolls."""
    say = spoken("row_unit", "written", language)
    figure, ax = _figure(width, width * 0.8, (-1.95, 1.95), (-1.75, 1.45))
    gap, thick = 0.36, 0.17
    for side in (-1, 1):
        top = [(gap + 0.1, thick), (1.15, thick), (1.15, 0), (gap, 0), (gap, 0.06)]
        ax.add_patch(Polygon([(side * x, y) for x, y in top], closed=True, fc=METAL, ec=INK, lw=1.0,
                             gid="plate"))  # fmt: skip
        ax.plot([side * gap, side * gap, side * (gap + 0.1)], [0.06, thick, thick], color=QUIET,
                lw=0.8, ls=(0, (2, 1.5)), gid="new edge")  # fmt: skip
        ax.add_patch(Circle((side * 0.46, -0.78), 0.3, fc=PALE, ec=INK, lw=1.0, gid="roll"))
        for turn in np.arange(6) * np.pi / 3 + (0 if side < 0 else np.pi):
            tip = 0.42 * np.array([np.cos(turn), np.sin(turn)])
            ax.plot([side * 0.46 + tip[0] * 0.7, side * 0.46 + tip[0]],
                    [-0.78 + tip[1] * 0.7, -0.78 + tip[1]], color=INK, lw=2.0)  # fmt: skip
        ax.add_patch(Rectangle((side * 0.82 - 0.17, thick + 0.06), 0.34, 0.2, fc="white", ec=INK,
                               lw=0.9, gid="chain"))  # fmt: skip
    ax.plot([0, 0], [-1.3, 0.95], color=INK, lw=0.8, ls=(0, (7, 2, 1.5, 2)), gid="centre")
    _arrow(ax, (-gap, 0.02), (gap, 0.02), "gap")
    ax.plot([0.12, 0.3], [0.06, 0.98], color=QUIET, lw=0.7)
    ax.text(0.1, 1.02, say("gap"), va="bottom", ha="center",
            color=INK, weight="bold")  # fmt: skip
    ax.text(-1.9, -0.22, say("plate_edge_wear"), va="top", ha="left", color=INK)
    ax.plot([-1.08, -gap - 0.04], [-0.3, 0.11], color=QUIET, lw=0.7)
    for y, mark, name in ((0.3, (1.0, 0.3), "chain"), (0.0, (1.12, 0.08), "plate"),
                          (-0.76, (0.62, -0.78), "roll")):  # fmt: skip
        ax.text(1.29, y, say(name), va="center", ha="left", color=INK)
        ax.plot([1.26, mark[0]], [y, mark[1]], color=QUIET, lw=0.7)
    _arrow(ax, (-0.5, -1.3), (-0.04, -1.3), "roll_clearance", inward=False)
    _arrow(ax, (0.5, -1.3), (0.04, -1.3), "roll_clearance", inward=False)
    ax.text(0, -1.36, say("roll_clearance"), va="top", ha="center", color=INK)
    for side, name in ((-1, "left"), (1, "right")):
        ax.text(side * 1.9, -1.72, say(name), weight="bold", va="bottom", color=INK,
                ha="left" if side < 0 else "right")  # fmt: skip
    return _told(figure, "plate_section", language)


@style(LETTERING)
def guides_and_chains(*, width: float = 3.3, language: str = ENGLISH) -> Plot:
    """Guides and chains from above: five stations of clearance, slack, stretch and the flaps."""
    say = spoken("row_unit", "written", language)
    figure, ax = _figure(width, width * 0.86, (-1.95, 1.95), (-0.1, 3.35))
    for side in (-1, 1):
        ax.plot([side * 0.5] * 2, [0.45, 2.9], color=INK, lw=2.6, gid="guide")
        for y in np.arange(0.5, 2.9, 0.16):
            link = Rectangle((side * 0.66 - 0.055, y), 0.11, 0.11, fc="white", ec=INK, lw=0.7)
            ax.add_patch(link)
        flap = [(side * 0.82, 3.02), (side * 0.12, 2.93), (side * 0.12, 2.98), (side * 0.82, 3.1)]
        ax.add_patch(Polygon(flap, closed=True, fc="#9a9a9a", ec=INK, lw=0.8, gid="flap"))
    for number, y in enumerate(STATIONS, start=1):
        _arrow(ax, (-0.47, y), (0.47, y), f"clearance_{number}")
        ax.plot([0.73, 0.84], [y, y], color=QUIET, lw=0.7)
        station = spoken("row_unit", "station", language)(number)
        ax.text(0.87, y, station, va="center", ha="left", color=INK)
    ax.plot([-0.66, -0.9, -0.66], [0.6, 1.75, 2.8], color=QUIET, lw=0.8, ls=(0, (3, 2)))
    _arrow(ax, (-0.72, 1.75), (-1.0, 1.75), "chain_slack")
    ax.text(-1.04, 1.6, say("chain_slack"), va="center", ha="right", color=INK)
    ax.plot([-0.8, -0.86, -0.86, -0.8], [2.22, 2.22, 2.7, 2.7], color=INK, lw=0.8)
    ax.text(-0.92, 2.46, say("chain_stretch"), va="center", ha="right", color=INK)
    ax.text(-0.9, 3.06, say("flaps"), va="center", ha="right", color=INK)
    ax.text(-0.62, 0.28, say("guides"), va="top", ha="center", color=INK)
    ax.plot([-0.6, -0.5], [0.3, 0.46], color=QUIET, lw=0.7)
    _ends(ax, say)
    return _told(figure, "guides_and_chains", language)


@style(LETTERING)
def roll_wear(*, width: float = 3.3, language: str = ENGLISH) -> Plot:
    """What worn is measured by: the taper at the front of a roll, and the flute left there."""
    say = spoken("row_unit", "written", language)
    figure, ax = _figure(width, width * 0.86, (-1.95, 1.95), (-1.75, 1.65))
    _roll_from_the_side(ax, say)
    _flutes(ax, say)
    return _told(figure, "roll_wear", language)


@style(LETTERING)
def stalk_and_butt(*, width: float = 3.3, language: str = ENGLISH) -> Plot:
    """Where the diameters of stalks and of ear butts are measured."""
    say = spoken("row_unit", "written", language)
    figure, ax = _figure(width, width * 0.58, (-1.95, 1.95), (-0.3, 1.98))
    for side in (-1, 1):
        ax.plot([-1.25 + side * 0.1] * 2, [0.0, 1.75], color=INK, lw=1.0)
    for y in (0.45, 1.1):
        ax.plot([-1.37, -1.13], [y, y], color=INK, lw=2.4, solid_capstyle="round", gid="node")
    ax.plot([-1.95, -0.6], [0, 0], color=QUIET, lw=1.4)
    _arrow(ax, (-1.35, 0.78), (-1.15, 0.78), "stalk", inward=None)
    ax.text(-1.05, 1.42, say("stalk"), va="center", ha="left", color=INK)
    ax.text(-0.6, -0.05, say("ground"), va="top", ha="right", color=INK)
    along = np.linspace(0, 1.45, 60)
    reach = np.where(along > 0.5, 0.95, 0.62)  # the tip is more pointed than the butt
    half = 0.34 * np.sqrt(np.clip(1 - ((along - 0.5) / reach) ** 2, 0, 1))
    half[0] = 0.17
    x = 0.55
    ax.fill_betweenx(0.3 + along, x - half, x + half, fc=PALE, ec=INK, lw=1.0, gid="ear")
    ax.plot([x - 0.04, x - 0.04], [0.02, 0.3], color=INK, lw=1.0)
    ax.plot([x + 0.04, x + 0.04], [0.02, 0.3], color=INK, lw=1.0)
    at = 0.58
    wide = float(np.interp(at - 0.3, along, half))
    _arrow(ax, (x - wide, at), (x + wide, at), "butt", inward=None)
    ax.text(x + 0.67, at + 0.02, say("butt"), va="center",
            ha="left", color=INK)  # fmt: skip
    ax.text(x, 1.76, say("ear"), va="bottom", ha="center", color=INK)
    return _told(figure, "stalk_and_butt", language)


DRAWINGS: dict[str, Callable[..., Plot]] = {
    "row_unit": row_unit, "plate_section": plate_section, "guides_and_chains": guides_and_chains,
    "roll_wear": roll_wear, "stalk_and_butt": stalk_and_butt,
}  # fmt: skip
"""Every drawing by its name."""


def _told(figure: Plot, drawing: str, language: str) -> Plot:
    """A drawing with what it shows in words."""
    figure.summary = spoken("row_unit", "summary", language)(drawing)
    figure.alt_text = spoken("row_unit", "shown", language)(drawing)
    return figure


def _figure(
    width: float, height: float, x: tuple[float, float], y: tuple[float, float]
) -> tuple[Plot, Axes]:
    figure = Plot(figsize=(width, height))
    figure.set_layout_engine("none")
    ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    ax.set_axis_off()
    ax.set_xlim(*x)
    ax.set_ylim(*y)
    return figure, ax


def _edge(y: float) -> float:
    """Half the gap drawn at a height of the page: wider at the rear."""
    return 0.24 + (FRONT - y) / (FRONT - REAR) * 0.08


def _arrow(
    ax: Axes, start: tuple[float, float], end: tuple[float, float], gid: str,
    inward: bool | None = True,
) -> None:  # fmt: skip
    """A length between two marks: both heads inside, one head at `end` where not `inward`, or
    heads outside a length too short for them (None)."""
    if inward is None:
        for tip, sign in ((start, -1), (end, 1)):
            _arrow(ax, (tip[0] + sign * 0.3, tip[1]), tip, gid, inward=False)
        return
    ax.add_patch(FancyArrowPatch(start, end, arrowstyle="<|-|>" if inward else "-|>",
                                 mutation_scale=6, color=INK, lw=0.9, shrinkA=0, shrinkB=0,
                                 gid=gid))  # fmt: skip


def _led(
    ax: Axes, mark: tuple[float, float], at: tuple[float, float], text: str, ha: str
) -> None:
    ax.plot([mark[0], at[0]], [mark[1], at[1]], color=QUIET, lw=0.7)
    out = 0.04 if ha == "left" else -0.04
    ax.text(at[0] + out, at[1], text, va="center", ha=ha, color=INK)


def _ends(ax: Axes, say: Say) -> None:
    top, bottom = ax.get_ylim()[1], ax.get_ylim()[0]
    ax.text(0, top - 0.03, say("to the corn"), weight="bold", ha="center", va="top", color=INK)
    ax.text(0, bottom + 0.03, say("rear"), weight="bold", ha="center", va="bottom", color=INK)
    ax.text(-1.9, bottom + 0.03, say("left"), weight="bold", va="bottom", color=INK)
    ax.text(1.9, bottom + 0.03, say("right"), weight="bold", va="bottom", ha="right", color=INK)


def _roll_from_the_side(ax: Axes, say: Say) -> None:
    tip, front, full, rear, mid = -1.75, -1.2, -0.25, 1.75, 0.95
    ax.add_patch(Polygon([(tip, mid), (front, mid + 0.2), (front, mid - 0.2)], closed=True, fc=PALE,
                         ec=INK, lw=0.9))  # fmt: skip
    worn = [(front, mid + 0.22), (full, mid + 0.36), (rear, mid + 0.36), (rear, mid - 0.36),
            (full, mid - 0.36), (front, mid - 0.22)]  # fmt: skip
    ax.add_patch(Polygon(worn, closed=True, fc=METAL, ec=INK, lw=1.0, gid="worn roll"))
    for side in (-1, 1):
        ax.plot([front, front, full], [mid + side * 0.22, mid + side * 0.36, mid + side * 0.36],
                color=QUIET, lw=0.9, ls=(0, (2, 1.5)), gid="new outline")  # fmt: skip
        for y in (0.08, 0.2):
            ax.plot([front, full, rear], [mid + side * y * 0.65, mid + side * y, mid + side * y],
                    color=QUIET, lw=0.6)  # fmt: skip
    for x in (front, full):
        ax.plot([x, x], [mid - 0.3, mid - 0.62], color=INK, lw=0.7)
    _arrow(ax, (front, mid - 0.55), (full, mid - 0.55), "wear")
    ax.text(full + 0.06, mid - 0.55, say("wear_length"), va="center",
            ha="left", color=INK)  # fmt: skip
    ax.text(tip - 0.1, mid + 0.62, say("front"), weight="bold", va="center", color=INK)
    ax.text(rear + 0.1, mid + 0.62, say("rear"), weight="bold", va="center", ha="right", color=INK)
    ax.text(-0.72, mid + 0.5, say("new outline"), va="center", ha="center", color=INK)
    ax.text(0.75, mid, say("full height"), va="center", ha="center", color=INK)


def _flutes(ax: Axes, say: Say) -> None:
    base = -1.15
    for x, top, name in ((-1.2, 0.62, "new"), (0.15, 0.36, "worn")):
        body = np.linspace(-0.55, 0.55, 30)
        ax.fill_between(x + body, base - 0.3, base - 0.12 * body**2, fc=PALE, ec=INK, lw=0.9)
        new = [(x - 0.2, base), (x - 0.06, base + 0.62), (x + 0.06, base + 0.62), (x + 0.2, base)]
        if name == "new":
            shape = new
        else:
            turn = np.linspace(np.pi, 0, 20)
            crest = base + top - 0.15 + 0.15 * np.sin(turn)
            shape = [(x - 0.2, base), *zip(x + 0.14 * np.cos(turn), crest, strict=True),
                     (x + 0.2, base)]  # fmt: skip
            ax.add_patch(Polygon(new, closed=False, fill=False, ec=QUIET, lw=0.9,
                                 ls=(0, (2, 1.5))))  # fmt: skip
        ax.add_patch(Polygon(shape, closed=True, fc=METAL, ec=INK, lw=1.0, gid=f"{name} flute"))
        ax.text(x, base - 0.36, say(name), va="top", ha="center", color=INK)
    x, top = 0.15, 0.36
    for y in (base, base + top):
        ax.plot([x + 0.05, x + 0.62], [y, y], color=INK, lw=0.7)
    _arrow(ax, (x + 0.52, base), (x + 0.52, base + top), "flute")
    ax.text(x + 0.7, base + 0.2, say("flute_height"), va="center", ha="left",
            color=INK)  # fmt: skip
    ax.text(-1.9, -0.33, say("flute"), va="center", ha="left",
            color=INK)  # fmt: skip
