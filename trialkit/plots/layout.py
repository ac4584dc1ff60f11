"""The strips of a trial as they were run, field by field."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.plots.canvas import FAINT, INK, LEVELS, QUIET, WIDTH, Plot, style
from trialkit.quantities import lower_first
from trialkit.words import maps as say

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.intake.config import SetupFactor
    from trialkit.trial import Trial

# Strips on one line of the map; a line is broken between pairs.
PER_LINE = 26
LANE, HEAD, FOOT, PAD = 0.19, 0.26, 0.24, 0.06  # inches
TOLD = 24  # pairs that the description names strip by strip
BETWEEN, APART = 0.45, 0.9  # room between main strips and between pairs, in strips


def in_order(trial: Trial) -> tuple[pd.DataFrame, str]:
    """Strips field by field in the order run, and in words what tells that order.

    By the time of harvest where every strip has one and they differ, else as the table lists them.
    Pairs of a field stand in the order of their first strip.
    """
    strips = trial.strips.copy()
    when = strips["harvested_at"]
    timed = bool(when.notna().all() and when.nunique() > 1)
    if timed:
        strips = strips.sort_values("harvested_at", kind="stable")
    first = {field: i for i, field in enumerate(dict.fromkeys(trial.strips["field"]))}
    strips["_field"] = strips["field"].map(first)
    place = np.arange(len(strips))
    strips["_pair"] = pd.Series(place, index=strips.index).groupby(
        [strips["field"], strips["pair"]]
    ).transform("min")  # fmt: skip
    strips["_place"] = place
    strips = strips.sort_values(["_field", "_pair", "_place"], kind="stable")
    strips = strips.drop(columns=["_field", "_pair", "_place"]).reset_index(drop=True)
    return strips, say.strips_in_order(timed)


def strip_map(trial: Trial, *, field_names: Mapping[str, str] | None = None) -> Plot:
    """Strips from left to right in the order run, one line or more a field, pairs boxed.

    Every setup factor has a lane of its own, with a mark for each level; the lowest lane is empty
    where the strip has no frame, and holds a dot for every one that has (only if the trial has
    frames). Main strips stand a little apart from each other inside their pair.

    Parameters
    ----------
    trial : Trial
    field_names : mapping, optional
        What to print instead of each field's own name.
    """
    strips, words = in_order(trial)
    factors = trial.config.setups
    counted = set(trial.frames["strip"])
    strips["_counted"] = strips["strip"].isin(counted)
    shown = {f: (field_names or {}).get(f, f) for f in strips["field"]}
    lines = [
        (shown[field], line)
        for field, own in strips.groupby("field", sort=False)
        for line in _lines(own)
    ]
    lanes = len(factors) + bool(len(counted))
    legend = sum(1 + _legend_rows(f) for f in factors) * 0.18 + (0.2 if counted else 0) + 0.12
    tall = HEAD + LANE * lanes + FOOT
    height = tall * len(lines) + legend + PAD
    widest = max(_width(line) for _, line in lines)
    with style():
        figure = Plot(figsize=(WIDTH, height))
        figure.set_layout_engine("none")
        ax = figure.add_axes((0.0, legend / height, 1.0, 1 - legend / height))
        ax.set_axis_off()
        ax.set_xlim(-0.5, max(widest, 10) + 0.2)
        ax.set_ylim(tall * len(lines), -PAD)
        name = None
        for i, (field, line) in enumerate(lines):
            head = say.continued(field) if field == name else field
            _line(ax, i * tall, head, line, factors, bool(counted))
            name = field
        foot = figure.add_axes((0.0, 0.0, 1.0, legend / height))
        foot.set_axis_off()
        foot.set_xlim(0, WIDTH)
        foot.set_ylim(legend, 0)
        _legend(foot, factors, bool(counted))
    pairs = strips.groupby(["field", "pair"]).ngroups
    without = int((~strips["_counted"]).sum()) if counted else 0
    fields = strips["field"].nunique()
    figure.summary = say.strips(len(strips), pairs, fields, words, without)
    parts = []
    told = strips.groupby(["field", "pair"], sort=False) if pairs <= TOLD else ()
    for (field, pair), own in told:
        runs = "; ".join(
            ", ".join(lower_first(f.in_words(row[f.name])) for f in factors)
            for _, row in own.iterrows()
        )
        parts.append((shown[field], str(pair), runs))
    figure.alt_text = say.strip_map(figure.summary, parts)
    return figure


def _lines(strips: pd.DataFrame) -> Iterator[list[pd.DataFrame]]:
    """Pairs of one field, as many on a line as fit."""
    line: list[pd.DataFrame] = []
    for _, pair in strips.groupby("pair", sort=False):
        if line and sum(map(len, line)) + len(pair) > PER_LINE:
            yield line
            line = []
        line.append(pair)
    yield line


def _places(pair: pd.DataFrame) -> np.ndarray:
    """Where the strips of a pair stand, from 0."""
    main = pair["main_strip"].fillna("").to_numpy(dtype=str)
    return np.arange(len(pair)) + BETWEEN * np.r_[0, np.cumsum(main[1:] != main[:-1])]


def _width(line: list[pd.DataFrame]) -> float:
    return sum(float(_places(pair)[-1]) + 1 + APART for pair in line)


def _line(
    ax: Axes, top: float, head: str, line: list[pd.DataFrame],
    factors: tuple[SetupFactor, ...], counted: bool,
) -> None:  # fmt: skip
    from matplotlib.patches import Rectangle

    ax.text(-0.35, top + 0.08, textwrap.shorten(head, 60, placeholder="…"), size=8.5,
            weight="bold", va="center")  # fmt: skip
    lanes = len(factors) + counted
    start = 0.0
    for pair in line:
        x = start + _places(pair)
        ax.add_patch(Rectangle((x[0] - 0.5, top + HEAD - 0.06), x[-1] - x[0] + 1,
                               LANE * lanes + 0.06, fc="none", ec=FAINT, lw=1.2,
                               gid="pair"))  # fmt: skip
        ax.text(x.mean(), top + HEAD + LANE * lanes + 0.09,
                textwrap.shorten(str(pair["pair"].iloc[0]), 12, placeholder="…"), size=7.5,
                color=QUIET, va="center", ha="center")  # fmt: skip
        for k, factor in enumerate(factors):
            for at, level in zip(x, pair[factor.name], strict=True):
                _mark(ax, at, top + HEAD + LANE * (k + 0.5), factor, level)
        if counted:
            y = top + HEAD + LANE * (len(factors) + 0.5)
            yes = pair["_counted"].to_numpy()
            ax.plot(x[yes], np.full(yes.sum(), y), ls="none", marker=".", ms=4, color=QUIET,
                    gid="counted")  # fmt: skip
        start = float(x[-1]) + 1 + APART


def _mark(ax: Axes, x: float, y: float, factor: SetupFactor, level: Any) -> None:
    index = factor.levels.index(level)
    marker, colour = LEVELS[index % len(LEVELS)]
    face = "white" if index % 2 == 0 else colour
    ax.plot([x], [y], ls="none", marker=marker, ms=5.6, mfc=face, mec=colour, mew=1.1,
            gid=f"level {level}")  # fmt: skip


def _rows(factor: SetupFactor) -> Iterator[list[tuple[Any, str]]]:
    """Levels and their labels, as many on a row of the legend as fit."""
    row: list[tuple[Any, str]] = []
    used = 0
    for level, label in zip(factor.levels, factor.level_labels, strict=True):
        label = textwrap.shorten(str(label), 34, placeholder="…")
        if row and used + len(label) + 5 > 62:
            yield row
            row, used = [], 0
        row.append((level, label))
        used += len(label) + 5
    yield row


def _legend_rows(factor: SetupFactor) -> int:
    return sum(1 for _ in _rows(factor))


def _legend(ax: Axes, factors: tuple[SetupFactor, ...], counted: bool) -> None:
    y = 0.16
    for k, factor in enumerate(factors):
        lane = f"Lane {k + 1}: " if len(factors) > 1 else ""
        title = textwrap.shorten(f"{lane}{factor.label}", 64, placeholder="…")
        ax.text(0.08, y, title, size=8.5, style="italic", color=QUIET, va="center")
        y += 0.18
        for row in _rows(factor):
            x = 0.2
            for level, label in row:
                _mark(ax, x, y, factor, level)
                ax.text(x + 0.11, y, label, size=8.5, color=INK, va="center")
                x += 0.35 + 0.076 * len(label)
            y += 0.18
    if counted:
        ax.plot([0.2], [y], ls="none", marker=".", ms=4, color=QUIET)
        ax.text(0.31, y, say.frames_counted(), size=8.5, va="center")
