"""Strips joined within their pair."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.lines import Line2D

from trialkit.plots.canvas import (
    FAINT,
    INK,
    LARGE,
    LEVELS,
    WIDTH,
    Plot,
    fold,
    other_units,
    response_of,
    row_by_row,
    style,
    text_width,
)
from trialkit.quantities import run_with, scales

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis import TrialAnalysis


def paired_strips(
    analysis: TrialAnalysis,
    response: str = "header_loss",
    factor: str | None = None,
    *,
    field_names: Mapping[str, str] | None = None,
) -> Plot:
    """Strips of one pair (block) joined across the levels of a setup factor, field by field.

    With two levels the reference stands first, and a pair that does not fall from it is drawn
    dashed. Where a pair has several strips at a level, their mean is drawn. Names of levels too
    long to stand side by side under the marks stand in a legend at the head.

    Parameters
    ----------
    response : str
        "header_loss" or "kernel_damage".
    factor : str, optional
        Name of the setup factor; the trial's first by default.
    field_names : mapping, optional
        What to print instead of each field's own name.
    """
    result = response_of(analysis, response)
    setups = {f.name: f for f in analysis.trial.config.setups}
    chosen = setups[factor] if factor else analysis.trial.config.setups[0]
    own, *others = scales(result.unit, analysis.trial.config.units)
    rows = result.by_strip.dropna(subset=["value", chosen.name])
    levels = [level for level in chosen.levels if (rows[chosen.name] == level).any()]
    if len(levels) == 2:
        levels.sort(key=lambda level: level != chosen.reference)
    labels = dict(zip(chosen.levels, chosen.level_labels, strict=True))
    wide = (
        rows.assign(value=rows["value"] * own.factor)
        .pivot_table(index=["field", "pair"], columns=chosen.name, values="value", sort=False)
        .reindex(columns=levels)
    )
    wide.columns = list(levels)
    most = int(rows.groupby(["field", "pair", chosen.name], observed=True).size().max())
    word = "pairs" if len(levels) == 2 and most == 1 else "blocks"
    fields = list(dict.fromkeys(wide.index.get_level_values("field")))
    columns = 1 if len(fields) == 1 else 2
    n_down = -(-len(fields) // columns)
    looks = [LEVELS[chosen.levels.index(level) % len(LEVELS)] for level in levels]
    # A tick label has the width between two marks, less what keeps it off its neighbour.
    slot = (WIDTH - 1.5) / columns / (len(levels) - 0.3) - 0.1
    names = [_under(labels[level], slot) for level in levels]
    keyed = any(name is None for name in names)
    with style(LARGE):
        legend_rows, per_row = _rows([labels[level] for level in levels])
        figure = Plot(
            figsize=(
                WIDTH,
                (3.5 if columns == 1 else 0.6 + (1.75 if keyed else 2.2) * n_down)
                + (0.22 * legend_rows if keyed else 0.0),
            )
        )
        axes = figure.subplots(n_down, columns, sharey=True, squeeze=False).ravel()
        for ax, field in zip(axes, fields, strict=False):
            pairs = wide.xs(field, level="field")
            for _, values in pairs.iterrows():
                _joined(ax, values.to_numpy(dtype=float), looks)
            ax.set_xlim(-0.35, len(levels) - 0.65)
            ax.set_xticks([] if keyed else range(len(levels)))
            if not keyed:
                ax.set_xticklabels([str(name) for name in names], color=INK)
            ax.tick_params(length=0)
            ax.yaxis.grid(True, color=FAINT, lw=0.7)
            ax.spines["bottom"].set_visible(False)
            if columns > 1:
                name = (field_names or {}).get(field, str(field))
                ax.set_title(name, loc="left", size=LARGE - 1, weight="bold")
        for ax in axes[len(fields) :]:
            ax.set_axis_off()
        lowest = min(0.0, float(np.nanmin(wide.to_numpy())))
        axes[0].set_ylim(lowest * 1.05, float(np.nanmax(wide.to_numpy())) * 1.07)
        for ax in axes[::columns]:
            ax.set_ylabel(f"{result.title}, {own.unit}")
        for other in others:
            for ax in axes[columns - 1 : len(fields) : columns]:
                other_units(ax, own, other, "right")
        if keyed:
            handles = [
                Line2D([], [], ls="none", marker=marker, color=colour, ms=7,
                       label="\n".join(fold(labels[level], WIDTH - 0.8, LARGE - 1)))
                for level, (marker, colour) in zip(levels, looks, strict=True)
            ]  # fmt: skip
            figure.legend(
                handles=row_by_row(handles, per_row),
                loc="outside upper left",
                ncols=per_row,
                frameon=False,
                handlelength=0.8,
                handletextpad=0.4,
                columnspacing=1.0,
                borderpad=0.1,
            )
        figure.summary = _pairs_in_words(result.title, wide, labels, chosen.reference, word)
        if most > 1:
            figure.summary += f" Marks are means of up to {most} strips."
        figure.alt_text = (
            f"{result.title} of single strips in {own.unit}, joined within each of "
            f"{len(wide)} {word}. {figure.summary}"
        )
    return figure


def _under(label: str, slot: float) -> str | None:
    """A label on at most two lines as wide as its slot, broken before a bracket if it has one;
    None where it does not fit."""
    size = LARGE - 1
    if any(text_width(word, size) > slot for word in label.split()):
        return None
    lines = [line for part in label.replace(" (", "\n(").split("\n")
             for line in fold(part, slot, size)]  # fmt: skip
    return "\n".join(lines) if len(lines) <= 2 else None


def _rows(labels: list[str]) -> tuple[int, int]:
    """Lines of a legend, and entries on a row, as many as fit beside one another."""
    size = LARGE - 1
    widest = max(text_width(label, size) for label in labels) + 0.45
    per_row = max(1, min(len(labels), int((WIDTH - 0.1) / widest)))
    lines = sum(len(fold(label, WIDTH - 0.8, size)) for label in labels)
    return (lines if per_row == 1 else -(-len(labels) // per_row)), per_row


def _joined(ax: Axes, values: np.ndarray, looks: list[tuple[str, str]]) -> None:
    """One pair: a line, and on it one mark a level."""
    x = np.arange(len(values))
    seen = np.isfinite(values)
    rises = len(values) == 2 and values[1] >= values[0]
    ax.plot(
        x[seen],
        values[seen],
        color="#8a2d4f" if rises else INK,
        lw=1.3,
        ls=(0, (3, 2)) if rises else "-",
        zorder=2,
        gid="pair",
    )
    for position in x[seen]:
        marker, colour = looks[position]
        ax.plot(
            [position],
            [values[position]],
            marker=marker,
            ms=6.5,
            color=colour,
            mec="white",
            mew=0.8,
            zorder=3,
            gid="strip",
        )


def _pairs_in_words(
    title: str, wide: pd.DataFrame, labels: dict[str, str], reference: str, word: str
) -> str:
    """In how many pairs each level lies below the reference."""
    if reference not in wide:
        return ""
    sentences = []
    for level in wide.columns.drop(reference):
        change = (wide[level] - wide[reference]).dropna()
        sentences.append(
            f"{title}: lower {run_with(labels[level])} than {run_with(labels[reference])} in "
            f"{int((change < 0).sum())} of {len(change)} {word}."
        )
    return " ".join(sentences)
