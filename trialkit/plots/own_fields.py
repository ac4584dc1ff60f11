"""One grower's fields beside the others: a setup's effect in each, and the setups side by side."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from trialkit.plots.canvas import (
    FAINT,
    INK,
    KEY,
    LARGE,
    LEVELS,
    QUIET,
    WIDTH,
    Plot,
    fold,
    interval,
    other_units,
    row_by_row,
    rule,
    style,
    text_width,
    value_axis,
)
from trialkit.quantities import Scale, number, scales, span
from trialkit.words import figures_effects as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis import ResponseAnalysis
    from trialkit.analysis.questions.fields import FieldEffects

OWN, OTHER = "#0f5c63", "#6d7a75"
LANE = 0.34  # inches
# Ratios an axis of per cent may have ticks at.
RATIOS = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.25, 1.5, 2, 2.5, 3, 4, 5,
                   7, 10])  # fmt: skip


def own_fields(
    result: ResponseAnalysis, level: str, *, factor: str | None = None, mine: Sequence[str],
    effects: FieldEffects | None = None, field_names: Mapping[str, str] | None = None,
    system: str = "SI",
) -> Plot:  # fmt: skip
    """A setup's effect in every field: one grower's as large diamonds on top, others as rings.

    Parameters
    ----------
    result : ResponseAnalysis
        Of a trial on two fields or more.
    level : str
        The level compared with its reference.
    factor : str, optional
        Its setup factor, the first by default.
    mine : sequence of str
        The grower's own fields.
    effects : FieldEffects, optional
        Ratios by the model (link "log"), drawn on a logarithmic axis in per cent, a cross for
        each field's own pairs; without it the measured differences of `result.by_field`.
    field_names : mapping, optional
        What to print instead of a field's own name; it also gives the others' order.
    system : {"SI", "US"}
    """
    name = factor or result.design.names[0]
    by_model = effects is not None
    rows = _measured(result, name, level) if effects is None else _effects(effects, level)
    pooled = _pooled(effects, result, name, level)
    names = {f: (field_names or {}).get(f, f) for f in rows.index}
    order = _order(rows.index, mine, field_names)
    own, *others = scales(result.unit, system)
    factor_ = 1.0 if by_model else own.factor
    texts = [_words(row, by_model, own) for row in (*(rows.loc[f] for f in order), pooled)]
    labels = [*(_on_two_lines(names[field]) for field in order), words.ALL_FIELDS]
    with style(LARGE):
        height = 1.1 + LANE * (len(order) + 1) + (0 if by_model else 0.3)
        figure = Plot(figsize=(WIDTH, height))
        ax = figure.add_subplot()
        if by_model:
            ax.set_xscale("log")
        low, high = _reach(rows, pooled, by_model, factor_)
        ax.set_xlim(low, high)
        ax.axvline(1.0 if by_model else 0.0, color=INK, lw=0.9, zorder=0, gid="none")
        for y, field in enumerate(order):
            _effect(ax, y, rows.loc[field] * factor_, field in set(mine))
        _all_fields(ax, float(len(order)), pooled[["low", "value", "high"]] * factor_)
        _part(ax, order, mine, 0.5)
        _name_lanes(ax, labels, [*order, ""], mine)
        _values(ax, texts, [*order, ""], mine)
        rule(ax, "x")
        sides = max(text_width(text, LARGE - 1.5, "bold") for text in texts) + max(
            text_width(line, LARGE - 1, "bold") for name in labels for line in name.split("\n")
        )
        _axis(ax, by_model, low, high, own, others, WIDTH - sides - 0.4)
    told = [(names[f], f in set(mine), text) for f, text in zip(order, texts, strict=False)]
    figure.alt_text = words.own_fields(
        result.title, str(pooled["label"]), "" if by_model else own.unit, told, texts[-1]
    )
    figure.summary = words.all_together(texts[-1])
    return figure


def _all_fields(ax: Axes, y: float, ends: pd.Series) -> None:
    """Below the fields all of them together: a diamond as wide as its interval."""
    low, middle, high = ends.to_numpy(dtype=float)
    ax.fill([low, middle, high, middle], [y, y - 0.22, y, y + 0.22], color=INK, lw=0, gid="pooled")
    ax.axhline(y - 0.5, color=QUIET, lw=0.8)
    ax.set_ylim(y + 0.6, -0.6)


def _values(ax: Axes, texts: Sequence[str], fields: Sequence[str], mine: Sequence[str]) -> None:
    """Effects as numbers beside their lanes, the grower's own in bold."""
    for y, (field, text) in enumerate(zip(fields, texts, strict=True)):
        ax.text(1.03, y, text, va="center", size=LARGE - 1.5, transform=ax.get_yaxis_transform(),
                weight="bold" if field in set(mine) else "normal")  # fmt: skip


def _on_two_lines(name: str) -> str:
    return "\n".join(textwrap.wrap(name, 14)[:2]) or name


def _part(ax: Axes, order: Sequence[str], mine: Sequence[str], above: float) -> None:
    """A line between the grower's own fields and the others, where there are both."""
    own = sum(field in set(mine) for field in order)
    if 0 < own < len(order):
        ax.axhline(own - above, color=FAINT, lw=1.2)


def _name_lanes(
    ax: Axes, labels: Sequence[str], fields: Sequence[str], mine: Sequence[str]
) -> None:
    """A label at every lane, the grower's own fields in bold."""
    ax.set_yticks(range(len(labels)), labels, color=INK)
    for tick, field in zip(ax.get_yticklabels(), fields, strict=True):
        tick.set_fontweight("bold" if field in set(mine) else "normal")


def setups_by_field(
    result: ResponseAnalysis, factor: str | None = None, *, mine: Sequence[str] = (),
    field_names: Mapping[str, str] | None = None, system: str = "SI",
) -> Plot:  # fmt: skip
    """Measured means of the setups of a factor in every field, one shape a setup.

    Parameters
    ----------
    result : ResponseAnalysis
    factor : str, optional
        The first by default.
    mine : sequence of str
        Fields of one grower, which stand on top.
    field_names : mapping, optional
    system : {"SI", "US"}
    """
    chosen = next(f for f in result.design.factors if factor in (None, f.name))
    labels = dict(zip(chosen.levels, chosen.level_labels, strict=True))
    strips = result.by_strip.dropna(subset=["value"])
    means = strips.pivot_table(
        index="field", columns=chosen.name, values="value", observed=True, sort=False
    )
    names = {f: (field_names or {}).get(f, f) for f in means.index}
    order = _order(means.index, mine, field_names)
    own, *others = scales(result.unit, system)
    levels = [level for level in chosen.levels if level in means.columns]
    looks = [LEVELS[chosen.levels.index(level) % len(LEVELS)] for level in levels]
    with style(LARGE):
        # A legend's entries stand two and two, unless one of them is too long for that.
        room = (WIDTH - 0.9) / 2
        sizes = [text_width(str(labels[level]), LARGE - 1) for level in levels]
        per_row = 2 if len(levels) > 1 and max(sizes) <= room else 1
        keys = {level: "\n".join(fold(str(labels[level]), WIDTH - 0.8, LARGE - 1))
                for level in levels}  # fmt: skip
        lines = sum(1 + key.count("\n") for key in keys.values())
        height = 1.15 + (0.36 + 0.08 * len(levels)) * len(order) + 0.3 * bool(others)
        figure = Plot(figsize=(WIDTH, height + 0.2 * -(-lines // per_row)))
        ax = figure.add_subplot()
        for y, field in enumerate(order):
            row = means.loc[field, levels] * own.factor
            at = strips[strips["field"].eq(field)]
            values = {v: at.loc[at[chosen.name].eq(v), "value"] * own.factor for v in levels}
            _setups(ax, y, row, values, looks, keys if y == 0 else {})
        _part(ax, order, mine, 0.35)
        ax.set_ylim(len(order) - 0.35, -0.4)
        named = dict(zip(*reversed(ax.get_legend_handles_labels()), strict=True))
        texts = row_by_row([keys[level] for level in levels if keys[level] in named], per_row)
        figure.legend([named[text] for text in texts], texts, ncols=per_row, handlelength=1.0,
                      **KEY)  # fmt: skip
        value_axis(ax, own, others, result.title)
        _name_lanes(ax, [_on_two_lines(names[f]) for f in order], order, mine)
        ax.tick_params(axis="y", length=0)
    told = [
        (names[field], [(labels[level], number(float(mean) * own.factor, 2))
                        for level, mean in means.loc[field, levels].dropna().items()])
        for field in order
    ]  # fmt: skip
    figure.alt_text = words.setups_by_field(result.title, chosen.spoken.lower(), own.unit, told)
    return figure


def _setups(
    ax: Axes, y: int, means: pd.Series, strips: Mapping[str, pd.Series],
    looks: Sequence[tuple[str, str]], keys: Mapping[str, str],
) -> None:  # fmt: skip
    """One field: the mean of every setup, and below it the single strips of each in a lane."""
    known = means.dropna()
    ax.plot([known.min(), known.max()], [y, y], color=FAINT, lw=3, zorder=1, gid="range")
    for lane, (level, (marker, colour)) in enumerate(zip(means.index, looks, strict=True)):
        if level not in known.index:
            continue
        below = np.full(len(strips[level]), y + 0.5 * (lane + 1.2) / (len(means) + 0.7))
        ax.plot(strips[level], below, ls="none", marker=marker, ms=2.6, mfc="none", mec=colour,
                mew=0.7, gid="strips")  # fmt: skip
        ax.plot([known[level]], [y], ls="none", marker=marker, ms=8, color=colour, mec="white",
                mew=0.9, zorder=3, gid=f"mean {level}", label=keys.get(level))  # fmt: skip


def _order(
    fields: pd.Index, mine: Sequence[str], field_names: Mapping[str, str] | None
) -> list[str]:
    """The grower's own fields, then the others in the order of their given names: that of their
    true names would give letters away."""
    every = [f for f in field_names or fields if f in fields]
    return [*(f for f in mine if f in fields), *(f for f in every if f not in set(mine))]


def _effects(effects: FieldEffects, level: str) -> pd.DataFrame:
    rows = effects.fields[effects.fields["level"].eq(level)].set_index("field")
    columns = {"value": "shrunken", "low": "low", "high": "high", "raw": "raw"}
    return pd.DataFrame({new: np.exp(rows[old].astype(float)) for new, old in columns.items()})


def _measured(result: ResponseAnalysis, factor: str, level: str) -> pd.DataFrame:
    table = result.by_field
    rows = table[table["factor"].eq(factor) & table["level"].eq(level)].set_index("field")
    shown = rows[["difference", "low", "high"]].astype(float)
    return shown.rename(columns={"difference": "value"}).assign(raw=np.nan)


def _pooled(
    effects: FieldEffects | None, result: ResponseAnalysis, factor: str, level: str
) -> pd.Series:
    if effects is not None:
        row = effects.pooled.set_index("level").loc[level]
        value, low, high = (float(np.exp(row[c])) for c in ("estimate", "low", "high"))
    else:
        table = result.contrasts
        row = table[table["factor"].eq(factor) & table["level"].eq(level)].iloc[0]
        value, low, high = (float(row[f"difference{end}"]) for end in ("", "_low", "_high"))
    return pd.Series({"value": value, "low": low, "high": high, "label": row["label"]})


def _reach(
    rows: pd.DataFrame, pooled: pd.Series, by_model: bool, factor: float
) -> tuple[float, float]:
    """Ends of the axis; measured intervals of two or three pairs run beyond it."""
    turn = np.log if by_model else np.asarray
    every = [rows["value"], rows["raw"], pooled[["value", "low", "high"]]]
    if by_model:
        every += [rows["low"], rows["high"]]
    values = np.concatenate([np.asarray(v, dtype=float) for v in every]) * factor
    values = np.append(turn(values[np.isfinite(values)]), 0.0)
    middle, half = (values.max() + values.min()) / 2, max(np.ptp(values) / 2, 1e-9)
    reach = (1.15 if by_model else 1.7) * half
    ends = (middle - reach, middle + reach)
    return (float(np.exp(ends[0])), float(np.exp(ends[1]))) if by_model else ends


def _effect(ax: Axes, y: float, row: pd.Series, own: bool) -> None:
    colour = OWN if own else OTHER
    interval(ax, y, row[["low", "high"]], "interval", color=colour, lw=2.8 if own else 1.4)
    ax.plot([row["value"]], [y], ls="none", marker="D" if own else "o", ms=8 if own else 6,
            color=colour if own else "white", mec="white" if own else colour, mew=1.2, zorder=3,
            gid="own" if own else "other")  # fmt: skip
    if np.isfinite(row["raw"]):
        ax.plot(
            [row["raw"]], [y + 0.27], ls="none", marker="x", ms=4.5, color=INK, mew=1.1, gid="raw"
        )


def _words(row: pd.Series, by_model: bool, own: Scale) -> str:
    value, low, high = (float(row[c]) for c in ("value", "low", "high"))
    if by_model:
        return words.change_by_the_model(value, low, high)
    if not np.isfinite([low, high]).all():
        return number(value * own.factor, 2)
    shown = span(value, low, high, own)
    return words.estimate(shown.value, shown.low, shown.high)


def _axis(ax: Axes, by_model: bool, low: float, high: float, own, others, inches: float) -> None:
    """The axis of effects, `inches` wide, with as many ticks as stand apart."""
    if not by_model:
        ax.set_xlabel(words.own_fields_axis(own.unit))
        for other in others:
            other_units(ax, own, other, "top")
        return
    ticks = RATIOS[(low <= RATIOS) & (high >= RATIOS)]
    room = (text_width("+100 %", LARGE - 1) + 0.08) / inches * np.log(high / low)
    while len(ticks) > 3 and np.diff(np.log(ticks)).min() < room:
        keep = np.arange(len(ticks)) % 2 == np.flatnonzero(ticks == 1.0)[0] % 2
        ticks = ticks[keep]
    ax.xaxis.set_major_locator(FixedLocator([float(t) for t in ticks]))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda v, _: words.ratio_tick(v)))
    ax.set_xlabel(words.own_fields_axis())
