"""A header from above: the slot between the plates, the guides and the rolls of every row."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.patches import Rectangle

from trialkit.header import HeaderReport
from trialkit.header.plates import ENDS, PLACES, STATIONS
from trialkit.plots.canvas import FAINT, INK, LARGE, QUIET, WIDTH, Plot, fold, style
from trialkit.words import header_figures as words
from trialkit.words import said
from trialkit.words.header_page import nothing_to_repair
from trialkit.words.lengths import Lengths

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HEAD, LANE, LINE, STEP = 0.56, 0.64, 0.2, 0.23  # inches
# Left and right ends of what stands in a lane, in inches from the left.
REAR, FRONT = 1.18, 2.72
GUIDES = (3.66, 4.7)
WORDS, EDGE = 0.76, 0.06
PLATES, WIDER = "#b9c2bd", "#c98d3c"
PER_FIGURE = 8


def header_parts(report: HeaderReport) -> list[Plot]:
    """`header_rows` in figures of at most eight rows each, all to one scale, as even as can be."""
    n = len(report.rows)
    parts = np.array_split(np.arange(n), max(-(-n // PER_FIGURE), 1))
    return [header_rows(report, part.tolist()) for part in parts]


def header_rows(report: HeaderReport, places: Sequence[int] | None = None) -> Plot:
    """Every row unit in a lane of its own, seen from above and driving to the right.

    The slot between the plates is drawn across to one scale for all rows (a bar tells it): its
    upper and lower edge lie off the middle as the left and right plate from the row's centre, or by
    half the gap where those were not read, at the rear and at the front. Dashes stand
    where the edges should be; what is wider is filled, and what is narrower is black. Crooked
    plates are hatched. Below it lies the roll, its worn front left
    open, to a scale of its own. To the right the clearance of the guides station by station, rear
    to front, over and under the limit; a pinch is a filled triangle. What is found stands under a
    row's lane. Row 1 is at the top, which is the left of the machine.

    Its lettering is large enough for a telephone, where it is drawn at 0.73 of its width.

    Parameters
    ----------
    report : HeaderReport
        From `trialkit.check_header`.
    places : sequence of int, optional
        Which of its rows, counted from 0; all by default. Scales are those of the whole header.
    """
    rows, say = report.rows, Lengths(report.system)
    if places is not None:
        rows = rows.iloc[list(places)]
    told = [_told(report, place) for place in rows.index]
    lanes = [LANE + LINE * len(lines) + 0.04 * bool(lines) for lines in told]
    foot = 5 * STEP + 0.14
    height = HEAD + sum(lanes) + foot
    scale = _scale(report)
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, height))
        figure.set_layout_engine("none")
        ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        ax.set_axis_off()
        ax.set_xlim(0, WIDTH)
        ax.set_ylim(height, 0)
        _head(ax, report.system)
        top = HEAD
        for i, ((_, row), lane) in enumerate(zip(rows.iterrows(), lanes, strict=True)):
            middle = top + LANE / 2
            if i % 2 == 0:
                ax.axhspan(top, top + lane, color="#f4f6f4", lw=0, zorder=0)
            number = textwrap.shorten(str(row["row"]), 4, placeholder="…")
            if pd.notna(row["rank"]):
                _badge(ax, 0.5, middle, f"{row['rank']:.0f}")
            ax.text(EDGE, middle, number, weight="bold", va="center")
            _slot(ax, row, middle, scale, report, say)
            _roll(ax, row, top + LANE - 0.07, report.unit.roll_length)
            _guides(ax, row, middle, report)
            for k, line in enumerate(told[i]):
                weight = "bold" if pd.notna(row["rank"]) else "normal"
                ax.text(WORDS, top + LANE + LINE * (k + 0.5), line, va="center", weight=weight,
                        gid="found")  # fmt: skip
            top += lane
        _legend(ax, top + 0.16, scale, report)
    figure.summary = nothing_to_repair()
    if report.items:
        figure.summary = words.rows_summary(report.extent, report.items[0].label)
    figure.alt_text = _alt(report, rows, figure.summary)
    figure.lettering = LARGE
    return figure


def _badge(ax: Axes, x: float, y: float, text: str) -> None:
    """Place in the order of repair."""
    ax.plot([x], [y], ls="none", marker="o", ms=17, mfc=INK, mec=INK, zorder=4, gid="order")
    ax.text(x, y, text, color="white", weight="bold", ha="center", va="center_baseline", zorder=5)


def _told(report: HeaderReport, place: int) -> list[str]:
    """What is found on a row, in lines that fit; none where it is in order. The report's table has
    it in full."""
    row, system = report.rows.iloc[place], report.system
    room = WIDTH - WORDS - EDGE
    item = next((i for i in report.items if not i.whole and place in i.places), None)
    if item is None:
        return fold(report.verdicts[place], room, LARGE) if row["bare"] else []
    parts: list[str] = []
    for kind in item.kinds:
        if kind in ("wide", "narrow"):
            parts += [
                words.off(end, abs(row[f"own_{end}"]), kind == "wide", system) for end in ENDS
                if row[f"off_{end}"] and (row[f"own_{end}"] > 0) == (kind == "wide")
            ]  # fmt: skip
        elif kind in ("reversed", "steep"):
            parts.append(words.taper(row["taper"], system))
        elif kind == "crooked":
            by = np.nanmax(np.abs([row["aside_front"], row["aside_rear"]]))
            parts.append(words.crooked(by, system))
        elif kind == "pinched":
            # What all rows have is not told again in each.
            parts.append(words.pinched(row["least_clearance"], system))
        elif kind.startswith(("worn", "sound")):
            parts.append(words.worn(row["wear"], system))
        else:
            parts.append(words.short(kind))
    return fold("; ".join(parts), room, LARGE, "bold")


def _edges(row: pd.Series, side: str) -> np.ndarray:
    """Rear and front distance (mm) of a plate's edge from the row's centre: as read, else half of
    the gap."""
    own = row[[f"plate_{side}_rear", f"plate_{side}_front"]].to_numpy(float)
    gap = row[["gap_rear", "gap_front"]].to_numpy(float)
    known = ~np.isnan(row[["aside_rear", "aside_front"]].to_numpy(float))
    return np.where(known, own, gap / 2)


def _scale(report: HeaderReport) -> float:
    """Inches of drawing for a mm of gap."""
    rows = [row for _, row in report.rows.iterrows()]
    read = [2 * _edges(row, side) for row in rows for side in ("left", "right")]
    widest = np.nanmax([*np.ravel(read), *report.aims])
    return (LANE - 0.2) / max(widest, 1.0)


def _head(ax: Axes, system: str) -> None:
    heads = words.heads(system)
    look: dict[str, Any] = {"color": QUIET, "va": "center"}
    ax.text(EDGE, 0.15, heads["row"], **look)
    ax.text((REAR + FRONT) / 2, 0.15, heads["gap"], ha="center", **look)
    ax.text(REAR - 0.06, 0.4, heads["rear"], ha="right", **look)
    ax.text(FRONT + 0.06, 0.4, heads["front"], ha="left", **look)
    ax.annotate("", (FRONT - 0.2, 0.4), (REAR + 0.2, 0.4),
                arrowprops={"arrowstyle": "->", "color": QUIET, "lw": 0.9})  # fmt: skip
    ax.text(sum(GUIDES) / 2, 0.15, heads["guides"], ha="center", **look)
    ax.text(GUIDES[0] - 0.04, 0.4, heads["rear"], ha="left", **look)
    ax.text(GUIDES[1] + 0.1, 0.4, heads["front"], ha="right", **look)


def _slot(
    ax: Axes, row: pd.Series, y: float, scale: float, report: HeaderReport, say: Lengths
) -> None:
    """Plates above and below the slot; the left side of the machine is up."""
    aim = np.array(report.aims[::-1])
    y -= 0.05
    reach = LANE / 2 - 0.08
    ends = np.array([REAR, FRONT])
    for side, sign in (("left", -1), ("right", 1)):
        edge_mm = _edges(row, side)
        if not np.isnan(edge_mm).any():
            edge = y + sign * edge_mm * scale
            ax.fill_between([REAR, FRONT], edge, y + sign * reach, lw=0, zorder=1, color=PLATES)
            if row["crooked"]:
                ax.fill_between([REAR, FRONT], edge, y + sign * reach, lw=0, zorder=1.1,
                                facecolor="none", edgecolor=INK, hatch="////")  # fmt: skip
            _departure(ax, ends, 2 * edge_mm, aim, y, sign * scale / 2)
            ax.plot([REAR, FRONT], edge, color=INK, lw=1.3, zorder=2, gid=f"edge {side}")
        ax.plot([REAR, FRONT], y + sign * aim / 2 * scale, color=INK, lw=0.8, ls=(0, (3, 2)),
                zorder=3, gid=f"aim {side}")  # fmt: skip
    for x, align, value in (
        (REAR - 0.06, "right", row["gap_rear"]), (FRONT + 0.06, "left", row["gap_front"]),
    ):  # fmt: skip
        read = "–" if np.isnan(value) else say.value(value)
        ax.text(x, y, read, ha=align, va="center", gid="gap")
    if not np.isnan(row["taper"]):
        ax.text((REAR + FRONT) / 2, y, words.in_slot(row["taper"], report.system), color=QUIET,
                ha="center", va="center", gid="taper")  # fmt: skip


def _departure(
    ax: Axes, x: np.ndarray, gap: np.ndarray, aim: np.ndarray, y: float, per_mm: float
) -> None:
    """Between the edge of a plate and where it should be: filled where wider, black where not."""
    for color, where in ((WIDER, gap >= aim), (INK, gap < aim)):
        ax.fill_between(x, y + per_mm * gap, y + per_mm * aim, where=where.tolist(), lw=0,
                        color=color, interpolate=True, zorder=1.5)  # fmt: skip


def _roll(ax: Axes, row: pd.Series, y: float, length: float) -> None:
    if np.isnan(row["effective_length"]):
        return
    grip = REAR + (FRONT - REAR) * row["effective_length"] / length
    ax.plot([REAR, grip], [y, y], color=QUIET, lw=4, solid_capstyle="butt", gid="grip")
    for off in (-0.024, 0.024):
        ax.plot([grip, FRONT], [y + off, y + off], color=QUIET, lw=0.7, gid="worn")
    ax.plot([FRONT, FRONT], [y - 0.024, y + 0.024], color=QUIET, lw=0.7)


def _guides(ax: Axes, row: pd.Series, y: float, report: HeaderReport) -> None:
    """Clearance over (up) and under the limit, one scale for all rows."""
    limit = report.limits.guide_clearance
    every = report.rows[list(STATIONS)].to_numpy(float) - limit
    most = max(np.nanmax(np.abs(every), initial=0.0), 10.0)
    step = (LANE / 2 - 0.09) / most
    ax.plot(GUIDES, [y, y], color=QUIET, lw=0.8, ls=(0, (3, 2)), gid="limit")
    over = row[list(STATIONS)].to_numpy(float) - limit
    x = np.linspace(GUIDES[1], GUIDES[0], len(over))
    at = y - over * step
    known = ~np.isnan(over)
    for station, reading in zip(x, over, strict=True):  # as a stem, so that the limit is its foot
        ax.plot([station, station], [y, y - reading * step], color=FAINT, lw=1.0, zorder=0.9)
    ax.plot(x[known], at[known], color=FAINT, lw=1.2, zorder=1)
    pinched = {PLACES.index(k) for k in row["pinched"].split(", ") if k}
    for k in np.flatnonzero(known):
        tight = k in pinched
        ax.plot([x[k]], [at[k]], ls="none", marker="v" if tight else "o", ms=7 if tight else 4.4,
                mfc=INK if tight else "white", mec=INK, mew=0.9, zorder=2,
                gid="pinch" if tight else "station")  # fmt: skip


def _legend(ax: Axes, y: float, scale: float, report: HeaderReport) -> None:
    """What the marks stand for, in two columns where the words leave room for them."""
    named = words.legend(report.limits.guide_clearance, report.system)
    look: dict[str, Any] = {"color": INK, "va": "center"}
    mark, text, far = EDGE, 0.42, 2.62
    box: dict[str, Any] = {"width": 0.26, "height": 0.12, "lw": 0}

    def patch(name: str, x: float, y: float, **paint: Any) -> None:
        ax.add_patch(Rectangle((x, y - 0.06), **box, **paint))
        ax.text(x + text - mark, y, named[name], **look)

    def spot(name: str, x: float, y: float, marker: str, size: float, fill: str) -> None:
        ax.plot([x + 0.13], [y], ls="none", marker=marker, ms=size, mfc=fill, mec=INK, mew=0.9)
        ax.text(x + text - mark, y, named[name], **look)

    patch("plate", mark, y, fc=PLATES)
    patch("crooked", far, y, fc=PLATES, hatch="////", ec=INK)
    y += STEP
    ax.plot([mark, mark + 0.26], [y, y], color=INK, lw=0.8, ls=(0, (3, 2)))
    ax.text(text, y, named["aim"], **look)
    spot("station", far, y, "o", 4.4, "white")
    y += STEP
    patch("wider", mark, y, fc=WIDER)
    patch("narrower", far, y, fc=INK)
    y += STEP
    ax.plot([mark, mark + 0.16], [y, y], color=QUIET, lw=4, solid_capstyle="butt")
    for off in (-0.024, 0.024):
        ax.plot([mark + 0.16, mark + 0.26], [y + off, y + off], color=QUIET, lw=0.7)
    ax.plot([mark + 0.26, mark + 0.26], [y - 0.024, y + 0.024], color=QUIET, lw=0.7)
    ax.text(text, y, named["roll"], **look)
    spot("pinch", far, y, "v", 7, INK)
    y += STEP
    half = (25.4 if report.system == "US" else 20.0) * scale / 2
    ax.plot([mark + 0.13, mark + 0.13], [y - half, y + half], color=INK, lw=1.2, marker="_", ms=6,
            gid="bar")  # fmt: skip
    ax.text(text, y, named["bar"], **look)


def _alt(report: HeaderReport, rows: pd.DataFrame, summary: str) -> str:
    shared = [(item.label, said(item.found)) for item in report.items if item.whole]
    lines = [
        (str(row["row"]), None if pd.isna(row["rank"]) else int(row["rank"]),
         row["gap_front"], row["gap_rear"], report.verdicts[place])
        for place, row in rows.iterrows()
    ]  # fmt: skip
    return words.rows_alt(report.header, summary, shared, report.aims, lines, report.system)
