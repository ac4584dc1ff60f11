"""Adjusted means of the setups with their intervals, and the single strips."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.plots.canvas import LEVELS, QUIET, WIDTH, Plot, response_of, style, value_axis
from trialkit.quantities import Scale, scales, span

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis import TrialAnalysis


def loss_by_setup(analysis: TrialAnalysis) -> Plot:
    """Header loss for every level of every setup factor: adjusted means, intervals, strips.

    Raises
    ------
    DesignError
        When the trial's header loss was not analysed.
    """
    return _by_setup(analysis, "header_loss")


def damage_by_setup(analysis: TrialAnalysis) -> Plot:
    """Damaged kernels, in percent, for every level: adjusted means, intervals, strips.

    Raises
    ------
    DesignError
        When the trial's kernel damage was not analysed.
    """
    return _by_setup(analysis, "kernel_damage")


def _by_setup(analysis: TrialAnalysis, response: str) -> Plot:
    result = response_of(analysis, response)
    own, *others = scales(result.unit, analysis.trial.config.units)
    factors = [f for f in analysis.trial.config.setups if f.name in set(result.means["factor"])]
    headings = len(factors) > 1
    n_rows = len(result.means)
    height = 0.75 + 0.68 * n_rows + (0.62 * len(factors) if headings else 0) + 0.25 * bool(others)
    sentences = []
    with style():
        figure = Plot(figsize=(WIDTH, height))
        ax = figure.add_subplot()
        y = 0.0
        for factor in factors:
            if headings:
                ax.text(0, y + 0.02, factor.label, color=QUIET, size=9, va="center",
                        style="italic", transform=ax.get_yaxis_transform())
                y += 0.8
            means = result.means[result.means["factor"] == factor.name].set_index("level")
            parts = []
            for level in (level for level in factor.levels if level in means.index):
                row = means.loc[level]
                marker, colour = LEVELS[factor.levels.index(level) % len(LEVELS)]
                at_level = result.by_strip[factor.name] == level
                strips = result.by_strip.loc[at_level, "value"].dropna()
                _lane(ax, y, row, strips.to_numpy() * own.factor, own, marker, colour)
                words = span(row["estimate"], row["low"], row["high"], own)
                ax.text(0, y - 0.32, str(row["label"]), weight="bold", va="center",
                        transform=ax.get_yaxis_transform())
                ax.text(1, y - 0.32, f"{words.value} {own.unit}", weight="bold", va="center",
                        ha="right", transform=ax.get_yaxis_transform())
                parts.append(
                    f"{row['label']} {words.value} (interval {words.interval}; "
                    f"{len(strips)} strips)"
                )
                y += 1.0
            sentences.append((f"{factor.label}: " if headings else "") + ", ".join(parts))
        ax.set_ylim(y - 0.6, -0.6)
        value_axis(ax, own, others, result.title)
        figure.alt_text = f"{result.title} by setup, in {own.unit}. {'. '.join(sentences)}."
    return figure


def _lane(
    ax: Axes, y: float, row: pd.Series, strips: np.ndarray, scale: Scale, marker: str, colour: str
) -> None:
    """One level: its mean and interval, the single strips as rings on the line below."""
    low, mean, high = (float(row[c]) * scale.factor for c in ("low", "estimate", "high"))
    if np.isfinite([low, high]).all():
        ax.plot([low, high], [y, y], color=colour, lw=2.6, solid_capstyle="butt", gid="interval")
    ax.plot([mean], [y], marker=marker, ms=8.5, color=colour, mec="white", mew=0.9, gid="mean")
    ax.plot(strips, np.full(len(strips), y + 0.26), ls="none", marker="o", ms=4.2, mfc="none",
            mec=QUIET, mew=0.9, gid="strips")


