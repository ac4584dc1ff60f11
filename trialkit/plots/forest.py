"""Effects field by field: measured alone, by the model, and what the next field may show."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from trialkit.plots.canvas import FAINT, INK, QUIET, WIDTH, Plot, style
from trialkit.quantities import decimals, lower_first, number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis.fields import FieldEffects

LANE = 0.36  # inches
EFFECT = "#0f5c63"
# Ratios a tick may stand at, wherever the axis runs.
TICKS = np.array([1.0, 1.25, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0])
MOST_TICKS = 6
# Raw intervals of two or three pairs run far beyond the effects, which set the axis.
REACH = 1.6


def field_forest(effects: FieldEffects, *, field_names: Mapping[str, str] | None = None) -> Plot:
    """Forest plot of a setup factor's effect in every field, as ratios on a logarithmic axis.

    For every field a ring and a thin line (its own pairs alone, interval by t) and a filled mark
    and a thick line (the model's prediction); below them a diamond (mean over fields, as wide as
    its interval) and a dashed line with ends (interval for the next field). Raw intervals that
    leave the axis end in arrows. One panel for each level against the reference.

    Parameters
    ----------
    effects : FieldEffects
    field_names : mapping, optional
        What to print instead of each field's own name.
    """
    names = {f: (field_names or {}).get(f, f) for f in effects.fields["field"]}
    levels = effects.pooled["level"].tolist()
    lanes = {level: int((effects.fields["level"] == level).sum()) + 2 for level in levels}
    height = sum(0.5 + LANE * lanes[level] for level in levels) + 0.75
    sentences = []
    with style():
        figure = Plot(figsize=(WIDTH, height))
        axes = figure.subplots(
            len(levels), 1, sharex=True, squeeze=False,
            gridspec_kw={"height_ratios": [lanes[level] + 1.2 for level in levels]},
        ).ravel()  # fmt: skip
        low, high = _reach(effects)
        for ax, level in zip(axes, levels, strict=True):
            pooled = effects.pooled.set_index("level").loc[level]
            rows = effects.fields[effects.fields["level"] == level]
            ax.set_xscale("log")
            ax.set_xlim(np.exp(low), np.exp(high))
            _panel(ax, rows, pooled, names)
            sentences.append(_words(effects, rows, pooled, names))
        _axis(axes, effects, low, high)
        figure.summary = " ".join(_summary(effects, row) for _, row in effects.pooled.iterrows())
        figure.alt_text = (
            f"{effects.title}: {effects.label} in {len(names)} fields, ratio to "
            f"{lower_first(effects.reference_label)} in each. {' '.join(sentences)}"
        )
    return figure


def _reach(effects: FieldEffects) -> tuple[float, float]:
    """Ends of the axis on the log scale: all that is estimated, raw intervals only in part."""
    fields, pooled = effects.fields, effects.pooled
    own = [fields["low"], fields["high"], fields["raw"], pooled["predicted_low"],
           pooled["predicted_high"], pooled["low"], pooled["high"]]  # fmt: skip
    values = np.concatenate([v.to_numpy(dtype=float) for v in own])
    values = np.append(values[np.isfinite(values)], 0.0)
    middle, half = (values.max() + values.min()) / 2, np.ptp(values) / 2
    half = max(half, 0.1)
    raw = fields[["raw_low", "raw_high"]].to_numpy(dtype=float)
    raw = raw[np.isfinite(raw)]
    widest = max(half, np.abs(raw - middle).max(initial=0.0))
    reach = 1.04 * min(widest, REACH * half)
    return middle - reach, middle + reach


def _panel(ax: Axes, rows: pd.DataFrame, pooled: pd.Series, names: Mapping[str, str]) -> None:
    ax.axvline(1.0, color=QUIET, lw=0.9, zorder=0)
    ax.axvline(float(np.exp(pooled["estimate"])), color=EFFECT, lw=0.8, ls=(0, (1, 2)), zorder=0)
    places, labels, texts = [], [], []
    for y, (_, row) in enumerate(rows.iterrows()):
        _line(ax, y + 0.2, row["raw_low"], row["raw_high"], "raw interval",
              color=QUIET, lw=0.9)  # fmt: skip
        _point(ax, y + 0.2, row["raw"], "raw", marker="o", ms=4.6, mfc="white", mec=QUIET, mew=1.0)
        _line(ax, y - 0.12, row["low"], row["high"], "shrunken interval", color=EFFECT, lw=2.6)
        _point(ax, y - 0.12, row["shrunken"], "shrunken", marker="s", ms=5.6, color=EFFECT,
               mec="white", mew=0.7)  # fmt: skip
        places.append(y)
        labels.append("\n".join(textwrap.wrap(str(names[row["field"]]), 16)[:2]))
        texts.append(_ratio(row["shrunken"], row["low"], row["high"]))
    y = len(rows)
    ax.axhline(y - 0.5, color=FAINT, lw=0.9)
    ends = np.exp(pooled[["low", "estimate", "high", "estimate"]].to_numpy(dtype=float))
    ax.fill(ends, [y, y - 0.24, y, y + 0.24], color=INK, lw=0, gid="pooled")
    places.append(y)
    labels.append("Mean of fields")
    texts.append(_ratio(pooled["estimate"], pooled["low"], pooled["high"]))
    if np.isfinite([pooled["predicted_low"], pooled["predicted_high"]]).all():
        _line(ax, y + 1, pooled["predicted_low"], pooled["predicted_high"], "next",
              color=INK, lw=1.3, ls=(0, (4, 2)), ends=True)  # fmt: skip
        places.append(y + 1)
        labels.append("Next field")
        shown = _ratio(pooled["estimate"], pooled["predicted_low"], pooled["predicted_high"])
        texts.append(shown[shown.index("(") + 1 : -1])
    ax.set_ylim(y + 1.5, -0.6)
    ax.set_yticks(places, labels, color=INK)
    ax.tick_params(axis="y", length=0, pad=7)  # arrow heads stand there
    for place, text in zip(places, texts, strict=True):
        ax.text(1.04, place, text, va="center", size=8, transform=ax.get_yaxis_transform())
    ax.set_title(str(pooled["label"]), loc="left", size=9.5, weight="bold")


def _line(
    ax: Axes, y: float, low: float, high: float, gid: str, *, ends: bool = False, **look: Any
) -> None:
    """An interval on the log scale; what leaves the axis ends in an arrow head."""
    if not np.isfinite([low, high]).all():
        return
    bounds = ax.get_xlim()
    inside = np.clip(np.exp([low, high]), *bounds)
    ax.plot(inside, [y, y], solid_capstyle="butt", gid=gid, **look)
    for value, edge, marker in ((low, bounds[0], "<"), (high, bounds[1], ">")):
        if not bounds[0] <= np.exp(value) <= bounds[1]:
            ax.plot([edge], [y], marker=marker, ms=4, color=look["color"], clip_on=False,
                    gid="beyond")  # fmt: skip
        elif ends:
            ax.plot([np.exp(value)], [y], marker="|", ms=9, mew=1.3, color=look["color"])


def _point(ax: Axes, y: float, value: float, gid: str, **look: Any) -> None:
    if np.isfinite(value):
        ax.plot([np.exp(value)], [y], ls="none", gid=gid, **look)


def _axis(axes: np.ndarray, effects: FieldEffects, low: float, high: float) -> None:
    ticks = np.unique(np.r_[1.0 / TICKS, TICKS, 10.0 * TICKS, 0.1 / TICKS])
    for step in (0, 1):
        shown = ticks[(ticks >= np.exp(low)) & (ticks <= np.exp(high))]
        if len(shown) <= MOST_TICKS or step:
            break
        ticks = np.unique(np.r_[1.0, 2.0, 5.0, 10.0, 50.0, 0.5, 0.2, 0.1, 0.02])
    for ax in axes:
        ax.xaxis.set_major_locator(FixedLocator(shown.tolist()))
        ax.xaxis.set_minor_locator(NullLocator())
        ax.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.2g}" if v < 1 else f"{v:g}"))
        ax.xaxis.grid(True, color=FAINT, lw=0.7)
        ax.set_axisbelow(True)
        ax.tick_params(axis="x", length=0)
    what = "Odds ratio" if effects.link == "logit" else "Ratio"
    axes[-1].set_xlabel(
        f"{what} to {lower_first(effects.reference_label)}\n"
        "\N{WHITE CIRCLE} own pairs   \N{BLACK SQUARE} by the model   "
        "\N{BLACK DIAMOND} mean of fields"
    )


def _ratio(value: float, low: float, high: float) -> str:
    """Ratio and interval, digits as the interval allows."""
    value, low, high = (float(np.exp(v)) for v in (value, low, high))
    places = max(decimals((high - low) / 2), 2) if np.isfinite(high) else 2
    return f"{number(value, places)} ({number(low, places)} to {number(high, places)})"


def _words(
    effects: FieldEffects, rows: pd.DataFrame, pooled: pd.Series, names: Mapping[str, str]
) -> str:
    percent = f"{100 * effects.level:g} %"
    own = ", ".join(
        f"{names[row['field']]} {_ratio(row['shrunken'], row['low'], row['high'])}"
        + (f", own pairs {number(float(np.exp(row['raw'])), 2)}" if np.isfinite(row["raw"]) else "")
        for _, row in rows.iterrows()
    )
    return f"{pooled['label']} by the model ({percent} intervals): {own}. " + _summary(
        effects, pooled
    )


def _summary(effects: FieldEffects, row: pd.Series) -> str:
    text = f"{row['label']}: mean of fields {_ratio(row['estimate'], row['low'], row['high'])}"
    if not np.isfinite([row["predicted_low"], row["predicted_high"]]).all():
        return text + "."
    next_field = _ratio(row["estimate"], row["predicted_low"], row["predicted_high"])
    return f"{text}; next field {next_field[next_field.index('(') + 1 : -1]}."
