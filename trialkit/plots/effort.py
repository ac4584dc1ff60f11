"""Power against minutes of work: what another pair buys, and what more frames do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.plan.power_notes import labels_of
from trialkit.plots.canvas import FAINT, INK, QUIET, WIDTH, Plot, style
from trialkit.words import power as say

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from trialkit.plan import CheapestPlan, PowerGrid

# From light to dark as pairs grow; the darkest is nearly ink.
_LIGHT, _DARK = np.array([0.72, 0.55, 0.32]), np.array([0.05, 0.21, 0.24])
_MARKERS = "osD^vPX*"


def effort(
    grid: PowerGrid, factor: str | None = None, level: str | None = None,
    fields: int | None = None, power: float | None = None,
    chosen: tuple[int, int] | None = None,
) -> Plot:  # fmt: skip
    """A line for every number of pairs, frames along it, the cheapest plan of the power marked.

    Parameters
    ----------
    grid : PowerGrid
    factor, level : str, optional
        The comparison; in every plan the one told apart least often unless told.
    fields : int, optional
        The number of fields drawn; that of the cheapest plan unless told.
    power : float, optional
        The power aimed at, the grid's own unless told.
    chosen : (int, int), optional
        Pairs and frames of a plan to mark by a square.
    """
    aim = grid.aim if power is None else power
    best = grid.cheapest(aim, factor, level)
    rows = grid.of(factor, level)
    if fields is None:
        fields = int(rows["fields"].min()) if best is None else best.fields
    elif best is not None and best.fields != fields:
        best = None
    rows = rows[rows["fields"].eq(fields)].sort_values(["pairs", "frames"])
    block = say.block(grid.layout)
    with style():
        figure = Plot(figsize=(WIDTH, 4.1))
        ax = figure.add_subplot()
        ax.axhline(100 * aim, color=QUIET, lw=1, ls=(0, (4, 2)), gid="aim")
        lines = _lines(ax, rows, block, grid.row)
        _mark(ax, best, aim, block, grid.row)
        if chosen is not None:
            own = rows[rows["pairs"].eq(chosen[0]) & rows["frames"].eq(chosen[1])]
            ax.plot(own["minutes"] / 60, 100 * own["power"], marker="s", ms=19, mfc="none", ls="",
                    mec="#8a2d4f", mew=2.0, gid="chosen", zorder=4)  # fmt: skip
        ax.set_ylim(-3, 108)
        ax.set_yticks([0, 20, 40, 60, 80, 100])
        ax.margins(x=0.07)
        ax.grid(True, color=FAINT, lw=0.7)
        ax.set_axisbelow(True)
        ax.tick_params(length=0)
        ax.set_xlabel(say.work_axis())
        ax.set_ylabel("Power, %")
        ax.set_title(say.key(block, grid.row, fields > 1), loc="left", fontsize=8.5, color=QUIET)
        figure.alt_text = say.figure(
            _comparison(grid, factor, level), block, grid.row, fields, lines,
            float(rows["power_se"].max()), aim, None if best is None else (best.pairs, best.frames),
        )  # fmt: skip
        figure.summary = say.none_drawn(aim) if best is None else best.sentence
    return figure


def _lines(ax: Axes, rows: pd.DataFrame, block: str, row: str) -> list[str]:
    """A line for every number of pairs; what each shows, in words."""
    pairs = sorted(rows["pairs"].unique())
    told = []
    for i, n in enumerate(pairs):
        own = rows[rows["pairs"].eq(n)]
        part = i / max(len(pairs) - 1, 1)
        colour = tuple(_LIGHT + part * (_DARK - _LIGHT))
        x, y = own["minutes"] / 60, 100 * own["power"]
        ax.plot(x, y, color=colour, lw=1.3 + 0.5 * part, marker=_MARKERS[i % len(_MARKERS)],
                ms=5, mec="white", mew=0.6, gid=f"pairs {n}", zorder=3)  # fmt: skip
        # Lines begin apart and come together above: their names stand where they begin.
        ax.annotate(f"{n}", (x.iloc[0], y.iloc[0]), xytext=(0, -13), weight="bold", ha="center",
                    textcoords="offset points", color=colour, fontsize=9.5)  # fmt: skip
        if i in (0, len(pairs) - 1):
            for frames, a, b in zip(own["frames"], x, y, strict=True):
                below = i == len(pairs) - 1
                ax.annotate(f"{frames}", (a, b), xytext=(7, -9) if below else (-3, 5),
                            textcoords="offset points", color=QUIET, fontsize=7.5,
                            ha="left" if below else "right")  # fmt: skip
        ends = own.iloc[[0, -1]] if len(own) > 1 else own
        told.append(say.line(n, block, row, [*zip(ends["power"], ends["frames"], ends["minutes"],
                                                  strict=True)]))  # fmt: skip
    return told


def _mark(ax: Axes, best: CheapestPlan | None, aim: float, block: str, row: str) -> None:
    """The cheapest plan, or that there is none."""
    if best is None:
        ax.annotate(say.nothing_reaches(), (0.02, 100 * aim), xytext=(0, 4), fontsize=8.5,
                    xycoords=ax.get_yaxis_transform(), textcoords="offset points")  # fmt: skip
        return
    at = (best.minutes / 60, 100 * best.power)
    ax.plot([at[0]], [at[1]], marker="o", ms=15, mfc="none", mec=INK, mew=1.6, gid="cheapest",
            zorder=4)  # fmt: skip
    ax.annotate(
        say.marked(best.pairs, best.frames, block, row), at, xytext=(-26, 22), ha="right",
        textcoords="offset points", fontsize=8.5, weight="bold",
        arrowprops={"arrowstyle": "-", "color": INK, "lw": 0.9, "shrinkB": 7},
        bbox={"fc": "white", "ec": "none", "pad": 1.5, "alpha": 0.85}, zorder=5,
    )  # fmt: skip


def _comparison(grid: PowerGrid, factor: str | None, level: str | None) -> str:
    """What is told from what; empty where it is the hardest of several."""
    rows = grid.of(factor, level)
    if rows["factor"].nunique() > 1 or rows["level"].nunique() > 1:
        return ""
    row, labels = rows.iloc[0], labels_of(grid.config)
    return say.comparison(*(labels[row["factor"], row[of]] for of in ("level", "reference")))
