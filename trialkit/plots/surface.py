"""A response over two settings: contours, the settings near the best, the settings run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path
from matplotlib.ticker import MaxNLocator
from matplotlib.tri import Triangulation

from trialkit.display import significant
from trialkit.plots.canvas import INK, LEVELS, QUIET, WIDTH, Plot, style
from trialkit.plots.curves import US, in_unit
from trialkit.quantities import decimals, difference_unit, number, scales, upper_first
from trialkit.words import figures_effects as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis.questions.surface import ResponseSurface


def loss_surface(surface: ResponseSurface, *, system: str = "SI") -> Plot:
    """Contours of the response inside the settings run; those near the best are hatched.

    Parameters
    ----------
    surface : ResponseSurface
    system : {"SI", "US"}
    """
    own = scales(surface.result.unit, system)[0]
    axes_units = [US.get(s.unit, s.unit) if system == "US" else s.unit for s in surface.settings]

    def along(i: int, values: np.ndarray | pd.Series | list[float]) -> np.ndarray:
        return in_unit(np.asarray(values), surface.settings[i].unit, axes_units[i])

    one, two = (s.name for s in surface.settings)
    grid, best = surface.grid, surface.best
    x, y = along(0, grid[one]), along(1, grid[two])
    value = grid["estimate"].to_numpy() * own.factor
    with style(), mpl.rc_context({"hatch.linewidth": 0.6, "hatch.color": LEVELS[1][1]}):
        figure = Plot(figsize=(WIDTH, 4.4))
        ax = figure.add_subplot()
        corners = np.column_stack([along(i, surface.hull[:, i]) for i in (0, 1)])
        ax.add_patch(Polygon(corners, closed=True, fc="none", ec=QUIET, lw=0.8, gid="hull"))
        net = Triangulation(*_unit_square(x, y))
        net = Triangulation(x, y, net.triangles)
        _near_best(ax, surface, net, corners)
        _contours(ax, net, value)
        run = surface.strips
        ax.plot(along(0, run[one]), along(1, run[two]), ls="none", marker="o", ms=4, mfc="white",
                mec=QUIET, mew=0.9, gid="strips")  # fmt: skip
        at = float(along(0, best[one])), float(along(1, best[two]))
        ax.plot(*([v] for v in at), marker="*", ms=13, color=LEVELS[0][1], mec="white", mew=0.9,
                gid="best", ls="none", clip_on=False)  # fmt: skip
        names = [upper_first(s.label) for s in surface.settings]
        titles = [f"{n}, {u}".rstrip(", ") for n, u in zip(names, axes_units, strict=True)]
        ax.set_xlabel(titles[0])
        ax.set_ylabel(titles[1])
        # Contours hold the limits to their edge, which would cut the rings there in half.
        reach = 0.03 * np.ptp(corners, axis=0)
        ax.set_xlim(corners[:, 0].min() - reach[0], corners[:, 0].max() + reach[0])
        ax.set_ylim(corners[:, 1].min() - reach[1], corners[:, 1].max() + reach[1])
        ax.spines["left"].set_visible(True)
        ax.tick_params(length=0)
        margin = f"{significant(surface.margin * own.factor, 2)} {difference_unit(own.unit)}"
        title, better = surface.result.title, surface.better
        ax.set_title(words.surface_title(title, own.unit, better, margin), size=8.5, loc="left")
        digits = max(decimals(float(np.ptp(value)) / 10), 0)
        figure.alt_text = words.surface(
            title, own.unit, better, margin,
            [f"{s.label} ({u})" for s, u in zip(surface.settings, axes_units, strict=True)],
            number(value.min(), digits), number(value.max(), digits),
            (f"{at[0]:.3g}", f"{at[1]:.3g}"),
            float(grid.loc[~grid["edge"], "near_best"].mean()), len(run),
        )  # fmt: skip
        figure.summary = surface.words[0]
    return figure


def _near_best(
    ax: Axes, surface: ResponseSurface, net: Triangulation, corners: np.ndarray
) -> None:
    """Hatching over the settings that are not shown to be worse than the best."""
    if surface.grid["near_best"].all():
        near = Polygon(corners, closed=True)
        ax.add_patch(PathPatch(Path(near.get_xy()), fc="none", ec=LEVELS[1][1], lw=0, hatch="////",
                               gid="near"))  # fmt: skip
        return
    excess = surface.grid["excess_low"].to_numpy()
    ax.tricontourf(net, excess, levels=[-1.0, surface.margin], colors="none",
                   hatches=["////"]).set_gid("near")  # fmt: skip
    ax.tricontour(net, excess, levels=[surface.margin], colors=[LEVELS[1][1]],
                  linewidths=1.8).set_gid("near_edge")  # fmt: skip


def _contours(ax: Axes, net: Triangulation, value: np.ndarray) -> None:
    levels = MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]).tick_values(value.min(), value.max())
    levels = levels[(levels > value.min()) & (levels < value.max())]
    if not len(levels):
        return
    places = max(decimals(float(np.diff(levels).min()) / 10) - 1, 0) if len(levels) > 1 else 1
    lines = ax.tricontour(net, value, levels=levels, colors=[INK], linewidths=0.9)
    lines.set_gid("loss")
    ax.clabel(lines, fmt=lambda v: number(v, places), fontsize=8.5)


def _unit_square(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Both coordinates from 0 to 1, so that triangles do not depend on the units."""
    return (x - x.min()) / np.ptp(x), (y - y.min()) / np.ptp(y)
