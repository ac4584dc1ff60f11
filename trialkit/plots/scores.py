"""Scores of every setup: the shares read, and the shares the model gives."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.colors import LinearSegmentedColormap, to_hex, to_rgb
from matplotlib.patches import Patch

from trialkit.errors import DesignError
from trialkit.plots.canvas import INK, QUIET, WIDTH, Plot, style
from trialkit.words import figures_setups as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis.questions.ordinal import OrdinalModel

# From the lowest score to the highest; lightness falls evenly, so that greyscale keeps the order.
LADDER = LinearSegmentedColormap.from_list("scores", ["#f3ead3", "#d2a765", "#8f5f2c", "#1f3a3c"])
# A share narrower than this has no room for its number.
ROOM = 0.055
TALL, LOW = 0.42, 0.26


def score_shares(model: OrdinalModel, factor: str | None = None) -> Plot:
    """Share of every score for each level of a setup factor, read (above) and modelled (below).

    Parameters
    ----------
    model : OrdinalModel
    factor : str, optional
        The setup factor; the first one by default.

    Raises
    ------
    DesignError
        If the model has no such factor.
    """
    table = model.probabilities
    known = list(dict.fromkeys(table["factor"]))
    factor = known[0] if factor is None else factor
    if factor not in known:
        raise DesignError(f"There are no scores by {factor}; the trial has {', '.join(known)}.")
    table = table[table["factor"] == factor]
    scores = sorted(table["score"].unique())
    colours = [to_hex(LADDER(i)) for i in np.linspace(0.0, 1.0, len(scores))]
    levels = list(dict.fromkeys(table["level"]))
    modelled = bool(table["probability"].notna().all())
    sentences = []
    with style():
        figure = Plot(figsize=(WIDTH, 1.15 + (1.0 if modelled else 0.75) * len(levels)))
        ax = figure.add_subplot()
        y = 0.0
        for level in levels:
            rows = table[table["level"] == level].sort_values("score")
            label, n = rows["label"].iloc[0], int(rows["n"].iloc[0])
            ax.text(0, y - 0.34, label, weight="bold", va="center")
            ax.text(1, y - 0.34, words.readings(n), color=QUIET, size=8.5, ha="right", va="center")
            _bar(ax, y, TALL, rows["observed"], colours, words.READ)
            told = [words.shares(rows["score"], rows["observed"])]
            if modelled:
                _bar(ax, y + 0.4, LOW, rows["probability"], colours, words.MODEL)
                told.append(words.shares(rows["score"], rows["probability"]))
            sentences.append(words.scores_of_setup(label, n, *told))
            y += 1.25 if modelled else 0.95
        ax.set_xlim(-0.11, 1.0)
        ax.set_ylim(y - 0.5, -0.6)
        ax.set_yticks([])
        ax.set_xticks([0, 0.25, 0.5, 0.75, 1.0], ["0", "25", "50", "75", "100 %"])
        ax.tick_params(length=0)
        ax.set_xlabel(words.SHARE_AXIS)
        _key(figure, model.title, scores, colours)
        figure.alt_text = words.score_shares(model.title, sentences)
        if model.words:
            figure.summary = model.words[0]
    return figure


def _key(figure: Plot, title: str, scores: list[float], colours: list[str]) -> None:
    patches = [
        Patch(fc=colour, ec=INK, lw=0.5, label=f"{score:g}")
        for colour, score in zip(colours, scores, strict=True)
    ]
    legend = figure.legend(
        handles=patches, loc="outside upper left", ncols=len(scores), title=title, frameon=False,
        handlelength=1.1, handleheight=1.0, columnspacing=1.2, fontsize=8.5, title_fontsize=9,
    )  # fmt: skip
    legend.set_gid("scores")


def _bar(
    ax: Axes, y: float, height: float, shares: pd.Series, colours: list[str], name: str
) -> None:
    """One stacked bar from 0 to 1 with the scores' shares in per cent where there is room."""
    start = 0.0
    for share, colour in zip(shares, colours, strict=True):
        ax.barh(y, share, height, left=start, color=colour, ec=INK, lw=0.5, gid=name)
        if share >= ROOM:
            ax.text(start + share / 2, y, f"{100 * share:.0f}", size=8 if height == TALL else 7,
                    color=_on(colour), ha="center", va="center_baseline")  # fmt: skip
        start += share
    ax.text(-0.015, y, name, color=QUIET, size=8.5, ha="right", va="center_baseline")


def _on(colour: str) -> str:
    """Lettering that can be read on a colour: dark on light, white on dark."""
    red, green, blue = to_rgb(colour)
    return INK if 0.299 * red + 0.587 * green + 0.114 * blue > 0.5 else "white"
