"""Does the model hold, and what does the result rest on: residuals, and leaving units out."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.analysis.questions.apart import side
from trialkit.display import decimals, number
from trialkit.errors import DesignError
from trialkit.plots.canvas import FAINT, INK, LEVELS, QUIET, WIDTH, Plot, rule, style
from trialkit.quantities import lower_first
from trialkit.words import figures_checks as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis.questions.checks import ModelCheck

OUTSIDE = "#8a2d4f"
ENDS = ("", "_low", "_high")
ROUND = (0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0)
FINER = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.6, 1.8, 2.0, 2.5, 3.0)


def residual_quantiles(check: ModelCheck) -> Plot:
    """Quantile residuals against normal quantiles, with the band of simulated data.

    Rows inside the pointwise 95 % band are rings; those outside are filled diamonds.
    """
    table = check.residuals
    p = float(check.checks.set_index("check").loc["residuals", "p"])
    with style():
        figure = Plot(figsize=(WIDTH, 4.1))
        ax = figure.add_subplot()
        outside = against_normal(ax, table, "residual")
        ax.set_xlabel(words.NORMAL_AXIS)
        ax.set_ylabel(words.residual_axis(check.title))
    figure.summary = words.residuals_outside(outside, len(table), p)
    figure.alt_text = words.residuals(check.title, figure.summary)
    return figure


def against_normal(ax: Axes, table: pd.DataFrame, name: str) -> int:
    """A column of a table against normal quantiles with its band: rings inside it, diamonds
    outside; how many are outside."""
    x, y, low, high = (
        table[c].to_numpy(dtype=float) for c in ("theoretical", name, "low", "high")
    )
    outside = (y < low) | (y > high)
    ax.fill_between(x, low, high, color=FAINT, lw=0, gid="band")
    ends = np.array([x.min(), x.max()])
    ax.plot(ends, ends, color=QUIET, lw=1, ls=(0, (4, 3)), gid="normal")
    ax.plot(x[~outside], y[~outside], ls="none", marker="o", ms=4.2, mfc="none", mec=INK, mew=0.9,
            gid="inside")  # fmt: skip
    ax.plot(x[outside], y[outside], ls="none", marker="D", ms=4.6, color=OUTSIDE, mec="white",
            mew=0.6, gid="outside")  # fmt: skip
    rule(ax, width=0.5)
    return int(outside.sum())


def influence(
    check: ModelCheck, factor: str | None = None, level: str | None = None, *,
    field_names: Mapping[str, str] | None = None,
) -> Plot:  # fmt: skip
    """The comparison with the reference without each pair and each field, joined to the full one.

    Ratios where the contrast has one, else differences. The dashed line is the estimate with
    everything in, the grey band its interval. Units without which something else is told apart are
    diamonds, the others circles.

    Parameters
    ----------
    factor, level : str, optional
        The contrast; the first one by default.
    field_names : mapping, optional
        What to print instead of each field's own name.

    Raises
    ------
    DesignError
        If there is no such contrast, or nothing could be left out.
    """
    own, table, what = _left_out(check, factor, level)
    value, low, high = (own[f"{what}{end}"] for end in ENDS)
    names = [_name(row, table, field_names or {}) for _, row in table.iterrows()]
    before = side(own, check.level)
    other = np.array([side(row, check.level) != before for _, row in table.iterrows()])
    with style():
        figure = Plot(figsize=(WIDTH, 1.0 + 0.27 * len(table)))
        ax = figure.add_subplot()
        ax.axvspan(low, high, color=FAINT, alpha=0.6, lw=0, gid="interval")
        ax.axvline(value, color=QUIET, lw=1, ls=(0, (4, 3)), gid="full")
        for y, ((_, row), decides) in enumerate(zip(table.iterrows(), other, strict=True)):
            _unit(ax, y, row[[f"{what}{end}" for end in ENDS]], float(value), bool(decides))
        ax.axvline(1.0 if what == "ratio" else 0.0, color=INK, lw=0.8, gid="none")
        ax.set_yticks(range(len(names)), [words.without(name) for name in names], color=INK)
        ax.set_ylim(len(names) - 0.5, -0.5)
        if what == "ratio":
            ax.set_xscale("log")
            _ratio_ticks(ax)
        rule(ax, "x")
        label = textwrap.fill(lower_first(str(own["label"])), 38)
        ax.set_xlabel(words.influence_axis(check.title, what, check.unit, label))
    scale = np.log if what == "ratio" else np.asarray
    most = int(np.abs(scale(table[what].to_numpy()) - scale(value)).argmax())
    deciding = [name for name, d in zip(names, other, strict=True) if d]
    figure.summary = words.moves_most(
        what, _interval(own, what), names[most], _interval(table.iloc[most], what), deciding
    )
    figure.alt_text = words.influence(check.title, own["label"], len(table), figure.summary)
    return figure


def _left_out(
    check: ModelCheck, factor: str | None, level: str | None
) -> tuple[pd.Series, pd.DataFrame, str]:
    """A contrast with everything in, the same without each unit, and the column drawn."""
    full = check.full
    full = full[
        (full["factor"].eq(factor) | (factor is None)) & (full["level"].eq(level) | (level is None))
    ]
    if full.empty:
        raise DesignError(f"There is no contrast {factor} {level} to draw.")
    own = full.iloc[0]
    what = "ratio" if np.isfinite(own["ratio"]) else "difference"
    table = check.influence
    if not table.empty:
        table = table[(table["factor"] == own["factor"]) & (table["level"] == own["level"])]
        table = table[table[what].notna()]
    if table.empty:
        raise DesignError("Nothing is known without any pair or field, so there is none to draw.")
    return own, table, what


def _interval(row: pd.Series, what: str) -> str:
    """ "0.59 (0.45 to 0.78)"; differences to two figures of their interval's half width."""
    values = [float(row[f"{what}{end}"]) for end in ENDS]
    shown = 2 if what == "ratio" else decimals((values[2] - values[1]) / 2)
    value, low, high = (number(v, shown) for v in values)
    return words.estimate(value, low, high)


def _unit(ax: Axes, y: int, ends: pd.Series, full: float, decides: bool) -> None:
    """One unit left out: its interval, the estimate, and a bar to the full estimate."""
    value, low, high = ends
    marker, colour = ("D", OUTSIDE) if decides else ("o", LEVELS[1][1])
    ax.plot([low, high], [y, y], color=QUIET, lw=0.9, gid="without interval")
    ax.plot([full, value], [y, y], color=colour, lw=3, solid_capstyle="butt", gid="moved")
    ax.plot([value], [y], marker=marker, ms=6.5, color=colour, mec="white", mew=0.8, gid="without")


def _ratio_ticks(ax: Axes) -> None:
    """Round ratios, as plain numbers."""
    low, high = ax.get_xlim()
    ticks: list[float] = []
    for steps in (ROUND, FINER):  # the finer ones where the coarse leave the axis bare
        ticks = [t for t in steps if low <= t <= high]
        if len(ticks) > 3:
            break
    ax.set_xticks(ticks, [f"{t:g}" for t in ticks])
    ax.set_xticks([], minor=True)
    ax.set_xlim(low, high)


def _name(row: pd.Series, table: pd.DataFrame, fields: Mapping[str, str]) -> str:
    field = fields.get(row["field"], str(row["field"]))
    return words.unit_left_out(row["unit"], row["pair"], field, table["field"].nunique() > 1)
