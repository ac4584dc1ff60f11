"""Adjusted means of the setups with their intervals, and the single strips."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.errors import DesignError
from trialkit.plots.canvas import (
    LARGE,
    LEVELS,
    QUIET,
    WIDTH,
    Plot,
    fold,
    response_of,
    style,
    text_width,
    value_axis,
)
from trialkit.quantities import Scale, scales, shared_places, span
from trialkit.words import figures_setups as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis import TrialAnalysis

# Heights in inches, from the head of a lane down; a further line of a label adds LINE.
LINE = 0.2
TO_MEAN, TO_STRIPS, LANE = 0.37, 0.53, 0.74
INSIDE = WIDTH - 0.45  # at least, between the ends of the axis


def means_by_setup(
    analysis: TrialAnalysis, response: str, factor: str | None = None
) -> Plot:  # fmt: skip
    """A response for every level of the setup factors, or of one: adjusted means, intervals,
    strips.

    Parameters
    ----------
    analysis : TrialAnalysis
    response : str
        Name of a response that was analysed.
    factor : str, optional
        Name of a setup factor; all that were compared by default.

    Raises
    ------
    DesignError
        When the response was not analysed, or there is no such factor.
    """
    return _by_setup(analysis, response, factor)


def loss_by_setup(analysis: TrialAnalysis, factor: str | None = None) -> Plot:
    """Header loss for every level of the setup factors, or of one: adjusted means, intervals,
    strips.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor : str, optional
        Name of a setup factor; all that were compared by default.

    Raises
    ------
    DesignError
        When the trial's header loss was not analysed, or has no such factor.
    """
    return _by_setup(analysis, "header_loss", factor)


def damage_by_setup(analysis: TrialAnalysis, factor: str | None = None) -> Plot:
    """Damaged kernels, in percent, for every level: adjusted means, intervals, strips.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor : str, optional
        Name of a setup factor; all that were compared by default.

    Raises
    ------
    DesignError
        When the trial's kernel damage was not analysed, or has no such factor.
    """
    return _by_setup(analysis, "kernel_damage", factor)


def _by_setup(analysis: TrialAnalysis, response: str, only: str | None) -> Plot:
    result = response_of(analysis, response)
    own, *others = scales(result.unit, analysis.trial.config.units)
    factors = [f for f in analysis.trial.config.setups if f.name in set(result.means["factor"])]
    if only is not None:
        known = ", ".join(f.name for f in factors)
        factors = [f for f in factors if f.name == only]
        if not factors:
            raise DesignError(f"{only!r} was not compared; the factors are {known}.")
    headings = len(factors) > 1
    sentences = []
    with style(LARGE):
        figure = Plot()
        ax = figure.add_subplot()
        across = ax.get_yaxis_transform()
        y = 0.05
        for factor in factors:
            if headings:
                lines = fold(factor.label, INSIDE, LARGE - 1)
                ax.text(0, y, "\n".join(lines), color=QUIET, size=LARGE - 1, va="top",
                        style="italic", transform=across)  # fmt: skip
                y += LINE * len(lines) + 0.12
            means = result.means[result.means["factor"] == factor.name].set_index("level")
            places = shared_places(means["low"], means["high"], own)
            parts = []
            for level in (level for level in factor.levels if level in means.index):
                row = means.loc[level]
                marker, colour = LEVELS[factor.levels.index(level) % len(LEVELS)]
                at_level = result.by_strip[factor.name] == level
                strips = result.by_strip.loc[at_level, "value"].dropna()
                told = span(row["estimate"], row["low"], row["high"], own, places)
                value = f"{told.value} {own.unit}"
                room = INSIDE - text_width(value, LARGE, "bold") - 0.2
                lines = fold(str(row["label"]), room, LARGE, "bold")
                ax.text(0, y, "\n".join(lines), weight="bold", va="top", transform=across)
                ax.text(1, y, value, weight="bold", va="top", ha="right", transform=across)
                y += LINE * (len(lines) - 1)
                _lane(ax, y, row, strips.to_numpy() * own.factor, own, marker, colour)
                label = str(row["label"])
                parts.append(words.mean_of_setup(label, told.value, told.interval, len(strips)))
                y += LANE
            sentences.append((factor.label, parts))
        ax.set_ylim(y - 0.06, 0)
        figure.set_size_inches(WIDTH, y + 0.55 + 0.5 * bool(others))
        value_axis(ax, own, others, result.title)
        for text in ax.texts:  # folded to fit the axis; they must not narrow it
            text.set_in_layout(False)
        figure.alt_text = words.means_by_setup(result.title, own.unit, sentences)
    return figure


def _lane(
    ax: Axes, y: float, row: pd.Series, strips: np.ndarray, scale: Scale, marker: str, colour: str
) -> None:
    """One level: its mean and interval, the single strips as rings on the line below."""
    low, mean, high = (float(row[c]) * scale.factor for c in ("low", "estimate", "high"))
    at = y + TO_MEAN
    if np.isfinite([low, high]).all():
        ax.plot([low, high], [at, at], color=colour, lw=2.8, solid_capstyle="butt", gid="interval")
    ax.plot([mean], [at], marker=marker, ms=8.5, color=colour, mec="white", mew=0.9, gid="mean")
    ax.plot(strips, np.full(len(strips), y + TO_STRIPS), ls="none", marker="o", ms=4.2, mfc="none",
            mec=QUIET, mew=0.9, gid="strips")  # fmt: skip
