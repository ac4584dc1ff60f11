"""Strips joined within their pair."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.lines import Line2D

from trialkit.plots.canvas import (
    FAINT,
    INK,
    KEY,
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
from trialkit.quantities import scales
from trialkit.words import figures_setups as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis import TrialAnalysis
    from trialkit.intake.config import SetupFactor


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
        Name of a response that was analysed.
    factor : str, optional
        Name of the setup factor; the trial's first by default.
    field_names : mapping, optional
        What to print instead of each field's own name.
    """
    result = response_of(analysis, response)
    setups = {f.name: f for f in analysis.trial.config.setups}
    chosen = setups[factor] if factor else analysis.trial.config.setups[0]
    own, *others = scales(result.unit, analysis.trial.config.units)
    labels = dict(zip(chosen.levels, chosen.level_labels, strict=True))
    wide, most = _side_by_side(result.by_strip, chosen, own.factor)
    levels = list(wide.columns)
    word = "pairs" if len(levels) == 2 and most == 1 else "blocks"
    fields = list(dict.fromkeys(wide.index.get_level_values("field")))
    columns = min(len(fields), 2)
    looks = [LEVELS[chosen.levels.index(level) % len(LEVELS)] for level in levels]
    # A tick label has the width between two marks, less what keeps it off its neighbour.
    slot = (WIDTH - 1.5) / columns / (len(levels) - 0.3) - 0.1
    named = [labels[level] for level in levels]
    under = [_under(name, slot) for name in named]
    keyed = any(name is None for name in under)
    with style(LARGE):
        legend_rows, per_row = _rows(named)
        down = -(-len(fields) // columns)
        height = 3.5 if columns == 1 else 0.6 + (1.75 if keyed else 2.2) * down
        figure = Plot(figsize=(WIDTH, height + (0.22 * legend_rows if keyed else 0.0)))
        axes = figure.subplots(down, columns, sharey=True, squeeze=False).ravel()
        for ax, field in zip(axes, fields, strict=False):
            title = (field_names or {}).get(field, str(field)) if columns > 1 else ""
            _panel(ax, wide.xs(field, level="field"), looks, [] if keyed else under, title)
        for ax in axes[len(fields) :]:
            ax.set_axis_off()
        lowest = min(0.0, float(np.nanmin(wide.to_numpy())))
        axes[0].set_ylim(lowest * 1.05, float(np.nanmax(wide.to_numpy())) * 1.07)
        for ax in axes[::columns]:
            ax.set_ylabel(words.value_axis(result.title, own.unit))
        for ax, other in product(axes[columns - 1 : len(fields) : columns], others):
            other_units(ax, own, other, "right")
        if keyed:
            _key(figure, named, looks, per_row)
    figure.summary = " ".join(_said(result.title, wide, labels, chosen.reference, word, most))
    figure.alt_text = words.joined_strips(result.title, own.unit, len(wide), word, figure.summary)
    return figure


def _side_by_side(
    strips: pd.DataFrame, factor: SetupFactor, scale: float
) -> tuple[pd.DataFrame, int]:
    """A row for every pair and a column for every level that was run, of two the reference first;
    and the most strips a pair has at a level, of which their mean stands there."""
    rows = strips.dropna(subset=["value", factor.name])
    levels = [level for level in factor.levels if (rows[factor.name] == level).any()]
    if len(levels) == 2:
        levels.sort(key=lambda level: level != factor.reference)
    wide = (
        rows.assign(value=rows["value"] * scale)
        .pivot_table(index=["field", "pair"], columns=factor.name, values="value", sort=False)
        .reindex(columns=levels)
    )
    wide.columns = list(levels)
    return wide, int(rows.groupby(["field", "pair", factor.name], observed=True).size().max())


def _panel(
    ax: Axes, pairs: pd.DataFrame, looks: list[tuple[str, str]], names: list[str | None],
    title: str,
) -> None:  # fmt: skip
    """The pairs of one field; `names` stand under the marks, the field's own over them."""
    for _, values in pairs.iterrows():
        _joined(ax, values.to_numpy(dtype=float), looks)
    ax.set_xlim(-0.35, len(looks) - 0.65)
    ax.set_xticks(range(len(names)))
    if names:
        ax.set_xticklabels([str(name) for name in names], color=INK)
    ax.tick_params(length=0)
    ax.yaxis.grid(True, color=FAINT, lw=0.7)
    ax.spines["bottom"].set_visible(False)
    if title:
        ax.set_title(title, loc="left", size=LARGE - 1, weight="bold")


def _key(figure: Plot, labels: list[str], looks: list[tuple[str, str]], per_row: int) -> None:
    """Names of levels in a legend at the head, where they find no room under the marks."""
    handles = [
        Line2D([], [], ls="none", marker=marker, color=colour, ms=7,
               label="\n".join(fold(label, WIDTH - 0.8, LARGE - 1)))
        for label, (marker, colour) in zip(labels, looks, strict=True)
    ]  # fmt: skip
    figure.legend(handles=row_by_row(handles, per_row), ncols=per_row, handlelength=0.8,
                  handletextpad=0.4, **KEY | {"columnspacing": 1.0})  # fmt: skip


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
    ax.plot(x[seen], values[seen], color="#8a2d4f" if rises else INK, lw=1.3,
            ls=(0, (3, 2)) if rises else "-", zorder=2, gid="pair")  # fmt: skip
    for position in x[seen]:
        marker, colour = looks[position]
        ax.plot([position], [values[position]], marker=marker, ms=6.5, color=colour, mec="white",
                mew=0.8, zorder=3, gid="strip")  # fmt: skip


def _said(
    title: str, wide: pd.DataFrame, labels: dict[str, str], reference: str, word: str, most: int
) -> list[str]:
    """In how many pairs each level lies below the reference, a sentence each; and what marks are
    where they are no single strips."""
    said = []
    for level in wide.columns.drop(reference) if reference in wide else ():
        change = (wide[level] - wide[reference]).dropna()
        said.append(
            words.lower_in(title, labels[level], labels[reference], int((change < 0).sum()),
                           len(change), word)
        )  # fmt: skip
    return [*said, words.means_of_strips(most)] if most > 1 else said
