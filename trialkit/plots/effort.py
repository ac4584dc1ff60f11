"""Power against minutes of work: what another pair buys, and what more frames do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.plan.power_words import hours
from trialkit.plots.canvas import FAINT, INK, QUIET, WIDTH, Plot, style
from trialkit.quantities import lower_first

if TYPE_CHECKING:
    from trialkit.plan import PowerGrid

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
    block = "pair" if grid.layout == "pairs" else "block"
    pairs = sorted(rows["pairs"].unique())
    with style():
        figure = Plot(figsize=(WIDTH, 4.1))
        ax = figure.add_subplot()
        ax.axhline(100 * aim, color=QUIET, lw=1, ls=(0, (4, 2)), gid="aim")
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
            told.append(
                f"{n} {block}s: "
                + ", ".join(
                    f"{100 * r.power:.0f} % with {r.frames} {grid.row}s in {hours(r.minutes)}"
                    for r in ends.itertuples()
                )
            )
        if best is not None:
            ax.plot([best.minutes / 60], [100 * best.power], marker="o", ms=15, mfc="none", mec=INK,
                    mew=1.6, gid="cheapest", zorder=4)  # fmt: skip
            ax.annotate(
                f"fewest hours: {best.pairs} {block}s\nwith {best.frames} {grid.row}s a strip",
                (best.minutes / 60, 100 * best.power), xytext=(-26, 22), ha="right",
                textcoords="offset points", fontsize=8.5, weight="bold",
                arrowprops={"arrowstyle": "-", "color": INK, "lw": 0.9, "shrinkB": 7},
                bbox={"fc": "white", "ec": "none", "pad": 1.5, "alpha": 0.85}, zorder=5,
            )  # fmt: skip
        else:
            ax.annotate("no plan reaches it", (0.02, 100 * aim), xytext=(0, 4), fontsize=8.5,
                        xycoords=ax.get_yaxis_transform(), textcoords="offset points")  # fmt: skip
        if chosen is not None:
            own = rows[rows["pairs"].eq(chosen[0]) & rows["frames"].eq(chosen[1])]
            ax.plot(own["minutes"] / 60, 100 * own["power"], marker="s", ms=19, mfc="none", ls="",
                    mec="#8a2d4f", mew=2.0, gid="chosen", zorder=4)  # fmt: skip
        error = 100 * rows["power_se"].max()
        ax.set_ylim(-3, 108)
        ax.set_yticks([0, 20, 40, 60, 80, 100])
        ax.margins(x=0.07)
        ax.grid(True, color=FAINT, lw=0.7)
        ax.set_axisbelow(True)
        ax.tick_params(length=0)
        ax.set_xlabel("Hours of work: counting, driving, changes of setup")
        ax.set_ylabel("Power, %")
        ax.set_title(
            f"Bold: {block}s{' in each field' if fields > 1 else ''}. "
            f"Small: {grid.row}s on each strip.",
            loc="left", fontsize=8.5, color=QUIET,
        )  # fmt: skip
        what = _comparison(grid, factor, level)
        figure.alt_text = (
            f"Power to tell {what} apart against hours of work, a line for each number of "
            f"{block}s{f' on {fields} fields' if fields > 1 else ''}. {'; '.join(told)}. "
            f"Simulated, each power +- {error:.1f} points. "
            + ("No plan reaches " if best is None else "Marked: the cheapest plan that reaches ")
            + f"{100 * aim:.0f} %"
            + ("." if best is None else f", {best.pairs} {block}s with {best.frames} {grid.row}s.")
        )
        figure.summary = (
            f"No plan drawn reaches a power of {100 * aim:.0f} %." if best is None
            else best.sentence
        )  # fmt: skip
    return figure


def _comparison(grid: PowerGrid, factor: str | None, level: str | None) -> str:
    rows = grid.of(factor, level)
    if rows["factor"].nunique() > 1 or rows["level"].nunique() > 1:
        return "the hardest comparison"
    row = rows.iloc[0]
    own = next(f for f in grid.config.setups if f.name == row["factor"])
    words = dict(zip(own.levels, own.level_labels, strict=True))
    return f"{lower_first(words[row['level']])} from {lower_first(words[row['reference']])}"
