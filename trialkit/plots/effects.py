"""Predicted effects of the random levels against normal quantiles."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.errors import DesignError
from trialkit.plots.canvas import INK, WIDTH, Plot, style
from trialkit.plots.checks import against_normal
from trialkit.words import figures_checks as words

if TYPE_CHECKING:
    from trialkit.analysis.questions.checks import ModelCheck


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
            name = words.effects_of(str(level), term)
            told.append((name, against_normal(ax, own, "standardised"), len(own)))
            ax.set_title(f"{name} ({len(own)})", size=9, loc="left")
        for ax in axes[len(groups) :]:
            ax.set_visible(False)
        figure.supxlabel(words.NORMAL_AXIS, size=9, color=INK)
        figure.supylabel(words.EFFECT_AXIS, size=9, color=INK)
    figure.summary = words.effects_outside(told)
    figure.alt_text = words.effects(check.title, figure.summary)
    return figure
