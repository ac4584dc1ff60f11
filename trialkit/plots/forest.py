"""Effects field by field: measured alone, by the model, and what the next field may show."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from trialkit.errors import DesignError
from trialkit.plots.canvas import FAINT, INK, QUIET, WIDTH, Plot, interval, rule, style
from trialkit.quantities import decimals, number, upper_first
from trialkit.words import figures_effects as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis.questions.fields import FieldEffects
    from trialkit.many import TrialsCompared

LANE = 0.36  # inches
# From so many fields on the lanes are narrow, and from so many on nameless.
NARROW, NAMELESS = 16, 80
NARROW_LANE = 0.17
EFFECT = "#0f5c63"
# Ratios a tick may stand at, wherever the axis runs.
TICKS = np.array([1.0, 1.25, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0])
MOST_TICKS = 6
# Raw intervals of two or three pairs run far beyond the effects, which set the axis.
REACH = 1.6


@dataclass(frozen=True, slots=True)
class _Forest:
    """What is drawn: effects in every field and their mean, on the model's scale."""

    title: str
    label: str
    reference: str
    link: str
    unit: str
    fields: pd.DataFrame
    pooled: pd.DataFrame
    level: float

    @property
    def lane(self) -> float:
        n = self.fields["field"].nunique()
        if n <= NARROW:
            return LANE
        return NARROW_LANE * min(1.0, NAMELESS / n)

    @property
    def named(self) -> bool:
        return self.fields["field"].nunique() <= NAMELESS

    def shown(self, values: Any) -> np.ndarray:
        """From the model's scale to the axis."""
        values = np.asarray(values, dtype=float)
        return values if self.link == "identity" else np.exp(values)

    @property
    def what(self) -> str:
        return words.effect_by_field(self.link, self.reference, self.unit)


def field_forest(
    effects: FieldEffects | TrialsCompared, *, factor: str | None = None,
    field_names: Mapping[str, str] | None = None,
) -> Plot:  # fmt: skip
    """Forest plot of a setup factor's effect in every field, as ratios on a logarithmic axis.

    For every field a ring and a thin line (its own pairs alone, interval by t) and a filled mark
    and a thick line (the model's prediction); below them a diamond (mean over fields, as wide as
    its interval) and a dashed line with ends (interval for the next field). Raw intervals that
    leave the axis end in arrows. One panel for each level against the reference. Effects that are
    differences stand on a plain axis.

    Parameters
    ----------
    effects : FieldEffects or TrialsCompared
        Of one trial; or of many, whose fields are then drawn in the order of their effects. More
        than eighty fields are drawn without names.
    factor : str, optional
        Of a TrialsCompared: the setup factor, the first by default.
    field_names : mapping, optional
        What to print instead of each field's own name; of a TrialsCompared, instead of
        ``"trial / field"`` (`trialkit.pages.compared_letters.ComparedLetters.places`).
    """
    forest = _of_trial(effects) if hasattr(effects, "fields") else _of_trials(effects, factor)
    names = {f: (field_names or {}).get(f, f) for f in forest.fields["field"]}
    levels = forest.pooled["level"].tolist()
    lanes = {level: int((forest.fields["level"] == level).sum()) + 2 for level in levels}
    height = sum(0.5 + forest.lane * lanes[level] for level in levels) + 0.75
    sentences = []
    with style():
        figure = Plot(figsize=(WIDTH, height))
        axes = figure.subplots(
            len(levels), 1, sharex=True, squeeze=False,
            gridspec_kw={"height_ratios": [lanes[level] + 1.2 for level in levels]},
        ).ravel()  # fmt: skip
        low, high = _reach(forest)
        for ax, level in zip(axes, levels, strict=True):
            pooled = forest.pooled.set_index("level").loc[level]
            rows = forest.fields[forest.fields["level"] == level]
            ax.set_xscale("linear" if forest.link == "identity" else "log")
            ax.set_xlim(*forest.shown([low, high]))
            _panel(ax, forest, rows, pooled, names)
            sentences.append(_words(forest, rows, pooled, names))
        _axis(axes, forest, low, high)
        figure.summary = " ".join(_summary(forest, row) for _, row in forest.pooled.iterrows())
        figure.alt_text = words.forest(
            forest.title, forest.label, len(names), forest.what, sentences
        )
    return figure


def _of_trial(effects: Any) -> _Forest:
    return _Forest(effects.title, effects.label, effects.reference_label, effects.link, "",
                   effects.fields, effects.pooled, effects.level)  # fmt: skip


def _of_trials(comparison: Any, factor: str | None) -> _Forest:
    known = list(comparison.factors)
    if factor is not None and factor not in known:
        raise DesignError(f"{factor!r} is no factor of this comparison; there are {known}.")
    name = factor or known[0]
    fields = comparison.by_field[comparison.by_field["factor"] == name].copy()
    fields["field"] = fields["trial"] + " / " + fields["field"]
    fields["label"] = fields["level"]
    for column in ("shrunken", "low", "high"):
        if column not in fields:
            fields[column] = np.nan
    order = fields["shrunken"].where(fields["shrunken"].notna(), fields["raw"])
    fields = fields.loc[order.sort_values().index]
    pooled = comparison.effects[comparison.effects["factor"] == name]
    pooled = pooled.assign(label=pooled["level"].map(upper_first))
    return _Forest(comparison.title, name, str(pooled["reference"].iloc[0]), comparison.link,
                   comparison.unit, fields, pooled, comparison.level)  # fmt: skip


def _reach(effects: _Forest) -> tuple[float, float]:
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


def _panel(
    ax: Axes, forest: _Forest, rows: pd.DataFrame, pooled: pd.Series, names: Mapping[str, str]
) -> None:
    big = min(forest.lane / LANE, 1.0) ** 0.5
    size = 8 if big == 1.0 else 6.5
    ax.axvline(float(forest.shown(0.0)), color=QUIET, lw=0.9, zorder=0)
    ax.axvline(
        float(forest.shown(pooled["estimate"])), color=EFFECT, lw=0.8, ls=(0, (1, 2)), zorder=0
    )
    places: list[float] = []
    labels, texts = [], []
    for y, (_, row) in zip(np.arange(float(len(rows))), rows.iterrows(), strict=True):
        interval(ax, y + 0.2, forest.shown(row[["raw_low", "raw_high"]]), "raw interval",
                 color=QUIET, lw=0.9 * big)  # fmt: skip
        _point(ax, forest, y + 0.2, row["raw"], "raw", marker="o", ms=4.6 * big, mfc="white",
               mec=QUIET, mew=1.0 * big)  # fmt: skip
        interval(ax, y - 0.12, forest.shown(row[["low", "high"]]), "shrunken interval",
                 color=EFFECT, lw=2.6 * big)  # fmt: skip
        _point(ax, forest, y - 0.12, row["shrunken"], "shrunken", marker="s", ms=5.6 * big,
               color=EFFECT, mec="white", mew=0.7 * big)  # fmt: skip
        if not forest.named:
            continue
        places.append(y)
        wide, most = (16, 2) if big == 1.0 else (24, 1)
        labels.append("\n".join(textwrap.wrap(str(names[row["field"]]), wide)[:most]))
        texts.append(_estimate(forest, row["shrunken"], row["low"], row["high"]))
    _together(ax, forest, float(len(rows)), pooled, places, labels, texts)
    ax.set_yticks(places, labels, color=INK)
    # Arrow heads stand between labels and axis.
    ax.tick_params(axis="y", length=0, pad=7, labelsize=size if big < 1.0 else None)
    for place, text in zip(places, texts, strict=True):
        ax.text(1.04, place, text, va="center", size=size, transform=ax.get_yaxis_transform())
    ax.set_title(str(pooled["label"]), loc="left", size=9.5, weight="bold")


def _together(
    ax: Axes, forest: _Forest, y: float, pooled: pd.Series, places: list[float], labels: list[str],
    texts: list[str],
) -> None:  # fmt: skip
    """Below the fields their mean and the interval for the next one, added to the lanes' names."""
    deep = LANE / forest.lane if not forest.named else 1.0
    ax.axhline(y - 0.5, color=FAINT, lw=0.9)
    y += 0.5 * (deep - 1.0)
    ends = forest.shown(pooled[["low", "estimate", "high", "estimate"]])
    ax.fill(ends, [y, y - 0.24 * deep, y, y + 0.24 * deep], color=INK, lw=0, gid="pooled")
    places.append(y)
    labels.append(words.MEAN_OF_FIELDS)
    texts.append(_estimate(forest, pooled["estimate"], pooled["low"], pooled["high"]))
    ends = pooled[["predicted_low", "predicted_high"]]
    interval(ax, y + deep, forest.shown(ends), "next", color=INK, lw=1.3, ls=(0, (4, 2)),
             closed=True)  # fmt: skip
    if following := _next_field(forest, pooled):
        places.append(y + deep)
        labels.append(words.NEXT_FIELD)
        texts.append(following)
    ax.set_ylim(y + 1.5 * deep, -0.6)


def _point(ax: Axes, forest: _Forest, y: float, value: float, gid: str, **look: Any) -> None:
    if np.isfinite(value):
        ax.plot([float(forest.shown(value))], [y], ls="none", gid=gid, **look)


def _axis(axes: np.ndarray, forest: _Forest, low: float, high: float) -> None:
    for ax in axes:
        if forest.link != "identity":
            ax.xaxis.set_major_locator(FixedLocator(_ratio_ticks(low, high)))
            ax.xaxis.set_minor_locator(NullLocator())
            ax.xaxis.set_major_formatter(
                FuncFormatter(lambda v, _: f"{v:.2g}" if v < 1 else f"{v:g}")
            )
        rule(ax, "x")
    axes[-1].set_xlabel(words.forest_axis(forest.what))


def _ratio_ticks(low: float, high: float) -> list[float]:
    ticks = np.unique(np.r_[1.0 / TICKS, TICKS, 10.0 * TICKS, 0.1 / TICKS])
    for step in (0, 1):
        shown = ticks[(ticks >= np.exp(low)) & (ticks <= np.exp(high))]
        if len(shown) <= MOST_TICKS or step:
            break
        ticks = np.unique(np.r_[1.0, 2.0, 5.0, 10.0, 50.0, 0.5, 0.2, 0.1, 0.02])
    return [float(v) for v in shown]


def _estimate(forest: _Forest, value: float, low: float, high: float) -> str:
    """Ratio (or difference) and interval, digits as the interval allows."""
    value, low, high = (float(v) for v in forest.shown([value, low, high]))
    places = max(decimals((high - low) / 2), 2) if np.isfinite(high) else 2
    return words.estimate(*(number(v, places) for v in (value, low, high)))


def _next_field(forest: _Forest, pooled: pd.Series) -> str:
    """The interval for the next field; empty where it is not known."""
    ends = pooled[["predicted_low", "predicted_high"]].to_numpy(dtype=float)
    if not np.isfinite(ends).all():
        return ""
    shown = _estimate(forest, pooled["estimate"], *ends)
    return shown[shown.index("(") + 1 : -1]


def _words(
    forest: _Forest, rows: pd.DataFrame, pooled: pd.Series, names: Mapping[str, str]
) -> str:
    own = [
        (
            names[row["field"]],
            _estimate(forest, row["shrunken"], row["low"], row["high"]),
            number(float(forest.shown(row["raw"])), 2) if np.isfinite(row["raw"]) else "",
        )
        for _, row in rows.iterrows()
    ]
    return words.fields_by_the_model(
        str(pooled["label"]), forest.level, own, _summary(forest, pooled)
    )


def _summary(forest: _Forest, row: pd.Series) -> str:
    mean = _estimate(forest, row["estimate"], row["low"], row["high"])
    return words.mean_and_next_field(str(row["label"]), mean, _next_field(forest, row))
