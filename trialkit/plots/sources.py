"""Loss by source, stacked for every setup."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.patches import Patch

from trialkit.analysis.family import comparisons
from trialkit.decide.verdict import verdict
from trialkit.errors import DesignError
from trialkit.losses import setup_table
from trialkit.plots.canvas import (
    INK,
    KEY,
    WIDTH,
    Plot,
    fold,
    sources_of,
    style,
    text_width,
    value_axis,
)
from trialkit.quantities import Scale, decimals, number, scales
from trialkit.responses import RESPONSES, SOURCES
from trialkit.words import figures_setups as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis import TrialAnalysis
    from trialkit.intake.config import SetupFactor


def pooled_losses(analysis: TrialAnalysis) -> tuple[pd.DataFrame, list[SetupFactor]]:
    """Loss by source per level of each factor that a difference in loss was found in, over all
    strips of the level; of the verdict's first factor where none was found.

    Returns
    -------
    table : DataFrame
        As `trialkit.losses.Losses.setups`, with ``setup``, the label of the level, in place of a
        column for each factor.
    factors : list of SetupFactor
    """
    config = analysis.trial.config
    found = {
        own.factor
        for name in losses_found() if name in analysis.responses
        for own in comparisons(analysis.responses[name]) if own.grade.found
    } or set(verdict(analysis).factors[:1])  # fmt: skip
    factors = [f for f in config.setups if f.name in found]
    each = []
    for f in factors:
        labels = dict(zip(f.levels, f.level_labels, strict=True))
        table = setup_table(analysis.losses.strips, config, [f.name])
        each.append(table.assign(setup=table.pop(f.name).map(labels)))
    return pd.concat(each, ignore_index=True), factors


def losses_found() -> list[str]:
    """Responses that are a loss by the machine."""
    return [n for n, r in RESPONSES.items() if r.source and SOURCES[r.source[0]].machine]


def loss_places(losses: pd.DataFrame, scale: Scale) -> int:
    """Decimal places of measured losses (rows of `pooled_losses`) read side by side, in `scale`."""
    errors = losses.loc[losses["kg_ha"].notna(), "se_kg_ha"]
    return max(int(median(decimals(2 * se * scale.factor) for se in errors)), 0)


BEFORE = next(name for name, source in SOURCES.items() if not source.machine)
"""No setup's doing: left out of what is told of a setup in all."""
LANE, LINE = 0.62, 0.16  # inches: of a setup with a line for its name; of every further line
INSIDE = WIDTH - 0.45  # at least, between the ends of the axis


def loss_by_source(analysis: TrialAnalysis) -> Plot:
    """Measured loss of every setup that the trial tells apart, stacked: before harvest, at the
    header, in processing.

    Plain means over strips (`pooled_losses`), kernels and ears together; an estimate below zero (a
    difference of two counts can be) is drawn to the left of zero.

    Raises
    ------
    DesignError
        When no loss by source could be computed.
    """
    table, _ = pooled_losses(analysis)
    told = sources_of(table)
    measured = table
    table = table[(table["kind"] == "all") & table["source"].isin(list(told))]
    table = table[np.isfinite(table["kg_ha"].astype(float))]
    if table.empty:
        raise DesignError("The trial has no frame counts from which loss by source could be drawn.")
    own, *others = scales("kg/ha", analysis.trial.config.units)
    places = loss_places(measured, own)
    shown = [source for source in told if source in set(table["source"])]
    sentences = []
    with style():
        figure = Plot()
        ax = figure.add_subplot()
        y = -1.0
        for setup, rows in table.groupby("setup", sort=False):
            values = rows.set_index("source")["kg_ha"].astype(float) * own.factor
            name = str(setup)
            machine = values.reindex([s for s in shown if s != BEFORE]).sum()
            total = words.by_the_machine(float(machine), places, own.unit)
            lines = fold(name, INSIDE - text_width(total, 9) - 0.2, 9, "bold")
            further = (len(lines) - 1) * LINE / LANE
            y += 1 + further
            _stack(ax, y, {s: (float(values[s]), told[s][1]) for s in shown if s in values})
            across = ax.get_yaxis_transform()
            ax.text(0, y - 0.36 - further / 2, "\n".join(lines), weight="bold", va="center", size=9,
                    transform=across)  # fmt: skip
            ax.text(1, y - 0.36 - further, total, va="center", ha="right", size=9, transform=across)
            parts = [(told[s][0], number(float(values[s]), places)) for s in shown if s in values]
            sentences.append(words.losses_of_setup(name, parts))
        ax.set_ylim(y + 0.4, -0.6)
        above = 1.15 + 0.2 * (len(shown) > 3) + 0.3 * bool(others)  # with a second line of the key
        figure.set_size_inches(WIDTH, above + LANE * (y + 1))
        for text in ax.texts:  # folded to fit the axis; they must not narrow it
            text.set_in_layout(False)
        value_axis(ax, own, others, words.LOSS)
        handles = [
            Patch(facecolor=told[s][1], edgecolor=INK, lw=0.6, label=told[s][0])
            for s in shown
        ]
        figure.legend(handles=handles, ncols=3 if len(shown) < 4 else 2, fontsize=8.5,
                      handlelength=1.4, **KEY | {"borderpad": 0})  # fmt: skip
        figure.alt_text = words.loss_by_source(own.unit, sentences)
    return figure


def _stack(ax: Axes, y: float, parts: dict[str, tuple[float, str]]) -> None:
    """Losses (and their colours) side by side from zero, those below it to its left."""
    ends = {1: 0.0, -1: 0.0}
    for source, (value, colour) in parts.items():
        side = 1 if value >= 0 else -1
        ax.barh(y, value, left=ends[side], height=0.42, color=colour, edgecolor=INK, lw=0.6,
                gid=source)  # fmt: skip
        ends[side] += value
