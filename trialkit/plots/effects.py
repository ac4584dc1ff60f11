"""Predicted effects of the random levels against normal quantiles."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.errors import DesignError
from trialkit.plots.canvas import FAINT, INK, QUIET, WIDTH, Plot, style
from trialkit.plots.checks import OUTSIDE
from trialkit.quantities import lower_first

if TYPE_CHECKING:
    from trialkit.analysis.checks import ModelCheck


def effect_quantiles(check: ModelCheck) -> Plot:
    """Standardised effects of every random level against normal quantiles, a panel each.

    Effects inside the pointwise 95 % band of simulated data are rings, those outside diamonds.

    Raises
    ------
    DesignError
        If every variance is estimated at zero, so that there are no effects to draw.
    """
    table = check.effects
    if table.empty:
        raise DesignError(
            "Every variance above the single row is estimated at zero: no effects to draw."
        )
    groups = list(table.groupby(["level", "term"], sort=False))
    columns = min(len(groups), 2)
    rows = -(-len(groups) // columns)
    told = []
    with style():
        figure = Plot(figsize=(WIDTH, 2.45 * rows))
        axes = figure.subplots(rows, columns, squeeze=False).ravel()
        for ax, ((level, term), own) in zip(axes, groups, strict=False):
            x, y, low, high = (
                own[c].to_numpy(dtype=float) for c in ("theoretical", "standardised", "low", "high")
            )
            outside = (y < low) | (y > high)
            ax.fill_between(x, low, high, color=FAINT, lw=0, gid="band")
            ends = np.array([x.min(), x.max()])
            ax.plot(ends, ends, color=QUIET, lw=1, ls=(0, (4, 3)), gid="normal")
            ax.plot(x[~outside], y[~outside], ls="none", marker="o", ms=4.2, mfc="none", mec=INK,
                    mew=0.9, gid="inside")  # fmt: skip
            ax.plot(x[outside], y[outside], ls="none", marker="D", ms=4.6, color=OUTSIDE,
                    mec="white", mew=0.6, gid="outside")  # fmt: skip
            name = str(level).replace("_", " ")
            if term != "Intercept":
                name = f"setup by {name}"
            ax.set_title(f"{name} ({len(own)})", size=9, loc="left")
            ax.grid(True, color=FAINT, lw=0.5)
            ax.set_axisbelow(True)
            ax.tick_params(length=0)
            told.append(f"{name}: {int(outside.sum())} of {len(own)} outside")
        for ax in axes[len(groups) :]:
            ax.set_visible(False)
        figure.supxlabel("Normal quantile", size=9, color=INK)
        figure.supylabel("Standardised effect", size=9, color=INK)
    figure.summary = (
        "Effects outside the band in which 95 % of those at their place would lie if the model "
        f"held: {'; '.join(told)}."
    )
    figure.alt_text = (
        f"{check.title}: predicted effects behind {lower_first(check.title)}, each divided by its "
        f"expected spread, against normal quantiles. {figure.summary}"
    )
    return figure
