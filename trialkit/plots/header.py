"""A header from above: the slot between the plates, the guides and the rolls of every row."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.header.plates import ENDS, PLACES, STATIONS
from trialkit.header.words import Lengths, extent
from trialkit.plots.canvas import FAINT, INK, QUIET, WIDTH, Plot, fold, style
from trialkit.quantities import lower_first

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.header import HeaderReport

SIZE = 9.5
HEAD, LINE, STEP = 0.5, 0.165, 0.19  # inches
# Left and right ends of what stands in a lane, in inches from the left.
REAR, FRONT = 0.98, 2.3
GUIDES = (2.84, 3.46)
WORDS = 3.6
PLATES, WIDER = "#b9c2bd", "#c98d3c"
ROOM = WIDTH - WORDS - 0.04
PER_FIGURE = 8
# Findings that need no figure in a lane.
SHORT = {
    "bent": "plate bent", "edge": "edges worn", "flute": "flutes low", "open": "knives apart",
    "touching": "knives touch", "slack": "chain slack", "tight": "chain tight",
    "stretched": "chain long", "torn": "flaps torn", "missing": "flaps missing",
    "half": "half a gap?", "unlike": "read again", "pair": "rolls unlike",
    "flute pair": "flutes unlike",
}


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
    to front, over and under the limit; a pinch is a filled triangle. Row 1 is at the top, which is
    the left of the machine.

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
    told = [_told(report, place, say) for place in rows.index]
    lane = max(0.58 if len(rows) > PER_FIGURE else 0.74, LINE * max(map(len, told)) + 0.06)
    foot = 5 * STEP + 0.14
    height = HEAD + lane * len(rows) + foot
    scale = _scale(report, lane)
    with style():
        figure = Plot(figsize=(WIDTH, height))
        figure.set_layout_engine("none")
        ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        ax.set_axis_off()
        ax.set_xlim(0, WIDTH)
        ax.set_ylim(height, 0)
        _head(ax, say)
        for i, (_, row) in enumerate(rows.iterrows()):
            middle = HEAD + lane * (i + 0.5)
            if i % 2 == 0:
                ax.axhspan(middle - lane / 2, middle + lane / 2, color="#f4f6f4", lw=0, zorder=0)
            number = textwrap.shorten(str(row["row"]), 6, placeholder="…")
            if pd.notna(row["rank"]):
                _badge(ax, 0.42, middle, f"{row['rank']:.0f}")
            ax.text(0.06, middle, number, size=SIZE, weight="bold", va="center")
            _slot(ax, row, middle, lane, scale, report)
            _roll(ax, row, middle + lane / 2 - 0.07, report.unit.roll_length)
            _guides(ax, row, middle, lane, report)
            for k, words in enumerate(told[i]):
                at = middle + LINE * (k - (len(told[i]) - 1) / 2)
                first = k == 0 and pd.notna(row["rank"])
                ax.text(WORDS, at, words, size=SIZE, va="center",
                        weight="bold" if first else "normal", gid="found")  # fmt: skip
        _legend(ax, HEAD + lane * len(rows) + 0.14, scale, say, report)
    figure.summary = _summary(report)
    figure.alt_text = _alt(report, rows, say, figure.summary)
    figure.lettering = SIZE
    return figure


def _summary(report: HeaderReport) -> str:
    if not report.items:
        return "Nothing to repair was found."
    return f"{extent(report)}; first {lower_first(report.items[0].label)}."


def _badge(ax: Axes, x: float, y: float, text: str) -> None:
    """Place in the order of repair."""
    ax.plot([x], [y], ls="none", marker="o", ms=14.5, mfc=INK, mec=INK, zorder=4, gid="order")
    ax.text(x, y, text, size=SIZE, color="white", weight="bold", ha="center", va="center_baseline",
            zorder=5)  # fmt: skip


def _told(report: HeaderReport, place: int, say: Lengths) -> list[str]:
    """The verdict in lines that fit; the report's table has it in full."""
    row = report.rows.iloc[place]
    item = next((i for i in report.items if not i.whole and place in i.places), None)
    if item is None:
        if "all rows have" in row["verdict"]:
            return fold("as all rows", ROOM, SIZE, "bold")
        return fold(row["verdict"].split(" as far")[0], ROOM, SIZE, "bold")
    lines = []
    for kind in item.kinds:
        if kind in ("wide", "narrow"):
            sign = "+" if kind == "wide" else "\N{MINUS SIGN}"
            lines += [f"{end} {sign}{say.short(abs(row[f'own_{end}']))}" for end in ENDS
                      if row[f"off_{end}"] and (row[f"own_{end}"] > 0) == (kind == "wide")]
        elif kind in ("reversed", "steep"):
            lines.append(f"taper {say.short(row['taper'])}")
        elif kind == "crooked":
            by = np.nanmax(np.abs([row["aside_front"], row["aside_rear"]]))
            lines.append(f"crooked {say.short(by)}")
        elif kind == "pinched":
            # What all rows have is not told again in each.
            lines.append(f"pinched, {say.short(row['least_clearance'])}")
        elif kind.startswith(("worn", "sound")):
            lines.append(f"worn {say.roll(row['wear'])}")
        else:
            lines.append(SHORT[kind])
    return [part for line in lines for part in fold(line, ROOM, SIZE, "bold")]


def _edges(row: pd.Series, side: str) -> np.ndarray:
    """Rear and front distance (mm) of a plate's edge from the row's centre: as read, else half of
    the gap."""
    own = row[[f"plate_{side}_rear", f"plate_{side}_front"]].to_numpy(float)
    gap = row[["gap_rear", "gap_front"]].to_numpy(float)
    known = ~np.isnan(row[["aside_rear", "aside_front"]].to_numpy(float))
    return np.where(known, own, gap / 2)


def _scale(report: HeaderReport, lane: float) -> float:
    """Inches of drawing for a mm of gap."""
    rows = [row for _, row in report.rows.iterrows()]
    read = [2 * _edges(row, side) for row in rows for side in ("left", "right")]
    widest = np.nanmax([*np.ravel(read), *report.aims])
    return (lane - 0.2) / max(widest, 1.0)


def _head(ax: Axes, say: Lengths) -> None:
    unit = say.length_unit
    look: dict[str, Any] = {"size": SIZE, "color": QUIET, "va": "center"}
    ax.text(0.06, 0.14, "Row", **look)
    ax.text((REAR + FRONT) / 2, 0.14, f"Gap, {unit}", ha="center", **look)
    ax.text(REAR - 0.06, 0.36, "rear", ha="right", **look)
    ax.text(FRONT + 0.06, 0.36, "front", ha="left", **look)
    ax.annotate("", (FRONT - 0.2, 0.36), (REAR + 0.2, 0.36),
                arrowprops={"arrowstyle": "->", "color": QUIET, "lw": 0.9})  # fmt: skip
    middle = sum(GUIDES) / 2
    ax.text(middle, 0.14, "Guides", ha="center", **look)
    ax.text(GUIDES[0] - 0.02, 0.36, "rear", ha="left", **look)
    ax.text(GUIDES[1] + 0.06, 0.36, "front", ha="right", **look)
    ax.text(WORDS, 0.14, "Found", **look)


def _slot(
    ax: Axes, row: pd.Series, y: float, lane: float, scale: float, report: HeaderReport
) -> None:
    """Plates above and below the slot; the left side of the machine is up."""
    say, aim = Lengths(report.system), np.array(report.aims[::-1])
    y -= 0.05
    reach = lane / 2 - 0.08
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
        words = "–" if np.isnan(value) else say.value(value)
        ax.text(x, y, words, size=SIZE, ha=align, va="center", gid="gap")
    if not np.isnan(row["taper"]):
        ax.text((REAR + FRONT) / 2, y, f"taper {say.value(row['taper'])}", size=SIZE,
                color=QUIET, ha="center", va="center", gid="taper")  # fmt: skip


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


def _guides(ax: Axes, row: pd.Series, y: float, lane: float, report: HeaderReport) -> None:
    """Clearance over (up) and under the limit, one scale for all rows."""
    limit = report.limits.guide_clearance
    every = report.rows[list(STATIONS)].to_numpy(float) - limit
    most = max(np.nanmax(np.abs(every), initial=0.0), 10.0)
    step = (lane / 2 - 0.09) / most
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
        ax.plot([x[k]], [at[k]], ls="none", marker="v" if tight else "o", ms=6 if tight else 3.6,
                mfc=INK if tight else "white", mec=INK, mew=0.9, zorder=2,
                gid="pinch" if tight else "station")  # fmt: skip


def _legend(ax: Axes, y: float, scale: float, say: Lengths, report: HeaderReport) -> None:
    from matplotlib.patches import Rectangle

    look: dict[str, Any] = {"size": SIZE, "color": INK, "va": "center"}
    box: dict[str, Any] = {"width": 0.26, "height": 0.11, "lw": 0}
    left, middle, right = 0.08, 0.42, 2.46

    ax.add_patch(Rectangle((left, y - 0.055), fc=PLATES, **box))
    ax.text(middle, y, "plate; hatched: crooked", **look)
    ax.plot([right - 0.33, right - 0.07], [y, y], color=INK, lw=0.8, ls=(0, (3, 2)))
    ax.text(right, y, "gap to set; guides' limit", **look)
    y += STEP
    ax.add_patch(Rectangle((left, y - 0.055), fc=WIDER, **box))
    ax.text(middle, y, "wider than that", **look)
    ax.add_patch(Rectangle((right - 0.33, y - 0.055), fc=INK, **box))
    ax.text(right, y, "narrower than that", **look)
    y += STEP
    ax.plot([left, left + 0.16], [y, y], color=QUIET, lw=4, solid_capstyle="butt")
    for off in (-0.024, 0.024):
        ax.plot([left + 0.16, left + 0.26], [y + off, y + off], color=QUIET, lw=0.7)
    ax.plot([left + 0.26, left + 0.26], [y - 0.024, y + 0.024], color=QUIET, lw=0.7)
    ax.text(middle, y, "roll, open where worn", **look)
    ax.plot([right - 0.2], [y], ls="none", marker="o", ms=3.6, mfc="white", mec=INK, mew=0.9)
    ax.text(right, y, "station of the guides", **look)
    y += STEP
    unit_mm, words = (25.4, "1 in of gap") if say.system == "US" else (20.0, "20 mm of gap")
    half = unit_mm * scale / 2
    foot = y + STEP / 2
    ax.plot([0.21, 0.21], [foot - half, foot + half], color=INK, lw=1.2, marker="_", ms=6,
            gid="bar")  # fmt: skip
    ax.text(middle, y, words, **look)
    ax.plot([right - 0.2], [y], ls="none", marker="v", ms=6, mfc=INK, mec=INK)
    ax.text(right, y, f"pinched: under {say.given(report.limits.guide_clearance)}", **look)
    y += STEP
    ax.text(middle, y, "lengthwise not to scale", **look)


def _alt(report: HeaderReport, rows: pd.DataFrame, say: Lengths, summary: str) -> str:
    parts = [
        f"Header {report.header} from above, row 1 at the left of the machine.", summary,
        *(f"{item.label}: {'; '.join(item.found)}." for item in report.items if item.whole),
        f"Gap to set: {say.trade(report.aims[0])} at the front, {say.trade(report.aims[1])} at the "
        "rear.",
    ]  # fmt: skip
    for _, row in rows.iterrows():
        gaps = [row["gap_front"], row["gap_rear"]]
        front, rear = ("not measured" if np.isnan(g) else say.length(g) for g in gaps)
        order = "" if pd.isna(row["rank"]) else f", {row['rank']:.0f} in the order of repair"
        parts.append(f"Row {row['row']}{order}: {front} front, {rear} rear; {row['verdict']}.")
    return " ".join(parts)
