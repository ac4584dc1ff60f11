"""Loss by source, stacked for every setup."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.patches import Patch

from trialkit.errors import DesignError
from trialkit.plots.canvas import (
    INK,
    SOURCES,
    WIDTH,
    Plot,
    fold,
    style,
    text_width,
    value_axis,
)
from trialkit.quantities import number, scales

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis


LANE, LINE = 0.62, 0.16  # inches: of a setup with a line for its name; of every further line
INSIDE = WIDTH - 0.45  # at least, between the ends of the axis


def loss_by_source(analysis: TrialAnalysis) -> Plot:
    """Measured loss of every setup, stacked: before harvest, at the header, in processing.

    Plain means over strips, kernels and ears together; an estimate below zero (a difference of
    two counts can be) is drawn to the left of zero.

    Raises
    ------
    DesignError
        When no loss by source could be computed.
    """
    table = analysis.losses.setups
    table = table[(table["kind"] == "all") & table["source"].isin(list(SOURCES))]
    table = table[np.isfinite(table["kg_ha"].astype(float))]
    if table.empty:
        raise DesignError("The trial has no frame counts from which loss by source could be drawn.")
    own, *others = scales("kg/ha", analysis.trial.config.units)
    setups = [f for f in analysis.trial.config.setups if f.name in table]
    labels = {f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in setups}
    shown = [source for source in SOURCES if source in set(table["source"])]
    groups = list(table.groupby([f.name for f in setups], sort=False, observed=True))
    order = {f.name: {level: i for i, level in enumerate(f.levels)} for f in setups}
    groups.sort(key=lambda g: [order[f.name].get(v, 99) for f, v in zip(setups, g[0], strict=True)])
    sentences = []
    with style():
        figure = Plot()
        ax = figure.add_subplot()
        y = -1.0
        for key, rows in groups:
            values = rows.set_index("source")["kg_ha"].astype(float) * own.factor
            name = ", ".join(labels[f.name].get(v, v) for f, v in zip(setups, key, strict=True))
            total = f"{number(float(values.reindex(shown).sum()), 1)} {own.unit} in all"
            lines = fold(name, INSIDE - text_width(total, 9) - 0.2, 9, "bold")
            further = (len(lines) - 1) * LINE / LANE
            y += 1 + further
            ends = {1: 0.0, -1: 0.0}
            for source in (s for s in shown if s in values.index):
                value = float(values[source])
                side = 1 if value >= 0 else -1
                _, colour = SOURCES[source]
                ax.barh(
                    y,
                    value,
                    left=ends[side],
                    height=0.42,
                    color=colour,
                    edgecolor=INK,
                    lw=0.6,
                    gid=source,
                )
                ends[side] += value
            across = ax.get_yaxis_transform()
            ax.text(0, y - 0.36 - further / 2, "\n".join(lines), weight="bold", va="center", size=9,
                    transform=across)  # fmt: skip
            ax.text(1, y - 0.36 - further, total, va="center", ha="right", size=9, transform=across)
            parts = [f"{SOURCES[s][0]} {number(float(values[s]), 1)}" for s in shown if s in values]
            sentences.append(f"{name}: {', '.join(parts)}")
        ax.set_ylim(y + 0.4, -0.6)
        figure.set_size_inches(WIDTH, 1.15 + LANE * (y + 1) + 0.3 * bool(others))
        for text in ax.texts:  # folded to fit the axis; they must not narrow it
            text.set_in_layout(False)
        value_axis(ax, own, others, "Loss")
        handles = [
            Patch(facecolor=SOURCES[s][1], edgecolor=INK, lw=0.6, label=SOURCES[s][0])
            for s in shown
        ]
        figure.legend(
            handles=handles,
            loc="outside upper left",
            ncols=3,
            frameon=False,
            fontsize=8.5,
            handlelength=1.4,
            columnspacing=1.2,
            borderpad=0,
        )
        figure.alt_text = f"Loss by source, in {own.unit}. {'. '.join(sentences)}."
    return figure
