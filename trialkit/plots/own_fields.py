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
    LARGE,
    LEVELS,
    QUIET,
    WIDTH,
    Plot,
    fold,
    other_units,
    row_by_row,
    style,
    text_width,
    value_axis,
)
from trialkit.quantities import number, scales, span

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis import ResponseAnalysis
    from trialkit.analysis.fields import FieldEffects

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
    rows = _effects(effects, level) if effects is not None else _measured(result, name, level)
    pooled = _pooled(effects, result, name, level)
    names = {f: (field_names or {}).get(f, f) for f in rows.index}
    order = _order(rows.index, mine, field_names)
    own, *others = scales(result.unit, system)
    factor_ = 1.0 if by_model else own.factor
    height = 1.1 + LANE * (len(order) + 1) + (0 if by_model else 0.3)
    words = []
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, height))
        ax = figure.add_subplot()
        if by_model:
            ax.set_xscale("log")
        low, high = _reach(rows, pooled, by_model, factor_)
        ax.set_xlim(low, high)
        ax.axvline(1.0 if by_model else 0.0, color=INK, lw=0.9, zorder=0, gid="none")
        texts, labels = [], []
        for y, field in enumerate(order):
            row = rows.loc[field]
            _effect(ax, y, row * factor_, field in set(mine))
            texts.append(_words(row, by_model, own))
            wide = textwrap.wrap(names[field], 14)[:2]
            labels.append("\n".join(wide) or names[field])
            words.append(f"{names[field]}{' (own)' if field in set(mine) else ''} {texts[-1]}")
        y = len(order)
        low_, mid, high_ = (float(pooled[c]) * factor_ for c in ("low", "value", "high"))
        ax.fill([low_, mid, high_, mid], [y, y - 0.22, y, y + 0.22], color=INK, lw=0, gid="pooled")
        texts.append(_words(pooled, by_model, own))
        labels.append("All fields")
        if 0 < len([f for f in order if f in set(mine)]) < len(order):
            ax.axhline(sum(f in set(mine) for f in order) - 0.5, color=FAINT, lw=1.2)
        ax.axhline(y - 0.5, color=QUIET, lw=0.8)
        ax.set_ylim(y + 0.6, -0.6)
        ax.set_yticks(range(y + 1), labels, color=INK)
        for tick, field in zip(ax.get_yticklabels(), [*order, ""], strict=True):
            tick.set_fontweight("bold" if field in set(mine) else "normal")
        for place, text in enumerate(texts):
            ax.text(
                1.03,
                place,
                text,
                va="center",
                size=LARGE - 1.5,
                transform=ax.get_yaxis_transform(),
                weight="bold" if place < y and order[place] in set(mine) else "normal",
            )
        ax.xaxis.grid(True, color=FAINT, lw=0.7)
        ax.set_axisbelow(True)
        ax.tick_params(length=0)
        sides = max(text_width(text, LARGE - 1.5, "bold") for text in texts) + max(
            text_width(line, LARGE - 1, "bold") for name in labels for line in name.split("\n")
        )
        _axis(ax, by_model, low, high, own, others, WIDTH - sides - 0.4)
        label = str(pooled["label"])
        figure.alt_text = (
            f"{result.title}: {label} against the reference in {len(order)} fields, "
            f"{'change in per cent by the model' if by_model else own.unit}: {'; '.join(words)}; "
            f"all fields together {texts[-1]}."
        )
        figure.summary = f"All fields together: {texts[-1]}."
    return figure


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
            row = means.loc[field].dropna() * own.factor
            ax.plot([row.min(), row.max()], [y, y], color=FAINT, lw=3, zorder=1, gid="range")
            for lane, level in enumerate(levels):
                if level not in row.index:
                    continue
                marker, colour = LEVELS[chosen.levels.index(level) % len(LEVELS)]
                at = strips[strips["field"].eq(field) & strips[chosen.name].eq(level)]["value"]
                ax.plot(
                    at * own.factor,
                    np.full(len(at), y + 0.5 * (lane + 1.2) / (len(levels) + 0.7)),
                    ls="none",
                    marker=marker,
                    ms=2.6,
                    mfc="none",
                    mec=colour,
                    mew=0.7,
                    gid="strips",
                )
                ax.plot(
                    [row[level]],
                    [y],
                    ls="none",
                    marker=marker,
                    ms=8,
                    color=colour,
                    mec="white",
                    mew=0.9,
                    zorder=3,
                    gid=f"mean {level}",
                    label=keys[level] if y == 0 else None,
                )
        if 0 < len([f for f in order if f in set(mine)]) < len(order):
            ax.axhline(sum(f in set(mine) for f in order) - 0.35, color=FAINT, lw=1.2)
        ax.set_ylim(len(order) - 0.35, -0.4)
        named = dict(zip(*reversed(ax.get_legend_handles_labels()), strict=True))
        texts = row_by_row([keys[level] for level in levels if keys[level] in named], per_row)
        figure.legend(
            [named[text] for text in texts],
            texts,
            loc="outside upper left",
            frameon=False,
            ncols=per_row,
            handlelength=1.0,
            borderpad=0.1,
            columnspacing=1.2,
        )
        value_axis(ax, own, others, result.title)
        shown = ["\n".join(textwrap.wrap(names[f], 14)[:2]) or names[f] for f in order]
        ax.set_yticks(range(len(order)), shown, color=INK)
        for tick, field in zip(ax.get_yticklabels(), order, strict=True):
            tick.set_fontweight("bold" if field in set(mine) else "normal")
        ax.tick_params(axis="y", length=0)
        parts = [
            f"{names[field]} "
            + ", ".join(
                f"{labels[level]} {number(float(means.loc[field, level]) * own.factor, 2)}"
                for level in levels
                if pd.notna(means.loc[field, level])
            )
            for field in order
        ]
        figure.alt_text = (
            f"{result.title} measured with each {chosen.label.lower()} in "
            f"{len(order)} {'field' if len(order) == 1 else 'fields'}, means over strips in "
            f"{own.unit}: {'; '.join(parts)}. Small marks below are single strips."
        )
    return figure


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
    bounds = ax.get_xlim()
    ends = row[["low", "high"]].to_numpy(dtype=float)
    if np.isfinite(ends).all():
        ax.plot(
            np.clip(ends, *bounds),
            [y, y],
            color=colour,
            lw=2.8 if own else 1.4,
            solid_capstyle="butt",
            gid="interval",
        )
        for end, edge, arrow in zip(ends, bounds, "<>", strict=True):
            if not bounds[0] <= end <= bounds[1]:
                ax.plot([edge], [y], marker=arrow, ms=4, color=colour, clip_on=False, gid="beyond")
    ax.plot(
        [row["value"]],
        [y],
        ls="none",
        marker="D" if own else "o",
        ms=8 if own else 6,
        color=colour if own else "white",
        mec="white" if own else colour,
        mew=1.2,
        zorder=3,
        gid="own" if own else "other",
    )
    if np.isfinite(row["raw"]):
        ax.plot(
            [row["raw"]], [y + 0.27], ls="none", marker="x", ms=4.5, color=INK, mew=1.1, gid="raw"
        )


def _words(row: pd.Series, by_model: bool, own) -> str:
    value, low, high = (float(row[c]) for c in ("value", "low", "high"))
    if by_model:
        value, low, high = (100 * (v - 1) for v in (value, low, high))
        texts = [("+" if round(v) > 0 else "") + number(v, 0) for v in (value, low, high)]
        return f"{texts[0]} % ({texts[1]} to {texts[2]})"
    if not np.isfinite([low, high]).all():
        return number(value * own.factor, 2)
    shown = span(value, low, high, own)
    return f"{shown.value} ({shown.interval})"


def _axis(ax: Axes, by_model: bool, low: float, high: float, own, others, inches: float) -> None:
    """The axis of effects, `inches` wide, with as many ticks as stand apart."""
    if not by_model:
        ax.set_xlabel(f"Difference in {own.unit}; left of zero: less")
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
    ax.xaxis.set_major_formatter(
        FuncFormatter(
            lambda v, _: "same" if v == 1 else f"{'+' if v > 1 else ''}{number(100 * (v - 1), 0)} %"
        )
    )
    ax.set_xlabel("Change against the reference, by the model\n(× own strips alone)")
