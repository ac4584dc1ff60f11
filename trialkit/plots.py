"""Every figure of trialkit, one function each.

Each function returns a :class:`Plot`: a matplotlib Figure that also carries a description in
words (`alt_text`), made from the same numbers as the marks. No function touches pyplot or leaves
matplotlib's settings changed. Shape and position carry the meaning; colour only repeats it, and
the colours keep their order of lightness in greyscale. Figures are drawn about as wide as a
phone shows them, so that their text stays readable there.

Loss is drawn in the trial's own units with the other system on the opposite axis.
"""

from __future__ import annotations

import base64
import html
import io
import re
import textwrap
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.figure import Figure

from trialkit.errors import DesignError
from trialkit.quantities import Scale, number, scales, span

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.analysis import TrialAnalysis
    from trialkit.decide import Money

INK = "#20302c"
QUIET = "#5d6b66"
FAINT = "#d9ded9"
# Level of a setup factor: marker and colour, in the order the trial lists the levels.
LEVELS = (
    ("o", "#7a4a12"),
    ("D", "#0f5c63"),
    ("s", "#2b2f6b"),
    ("^", "#8a2d4f"),
    ("v", "#4d5a12"),
    ("P", "#3c3c3c"),
)
# Source of loss: words and colour; light, middle and dark in greyscale.
SOURCES = {
    "preharvest": ("before harvest", "#ece2c6"),
    "header": ("at the header", "#c98d3c"),
    "processing": ("threshing and cleaning", "#12484f"),
}
WIDTH = 4.9  # inches
_FONTS = "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif"


class Plot(Figure):
    """A matplotlib Figure with a description in words and a self-contained HTML form."""

    alt_text: str = ""

    def svg(self) -> str:
        """The figure as SVG text; its lettering is text, set in the reader's own font."""
        buffer = io.StringIO()
        with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "trialkit"}):
            with warnings.catch_warnings():
                # The reader's font draws the letters, whatever matplotlib's own font lacks.
                warnings.filterwarnings("ignore", message="Glyph .* missing from")
                self.savefig(
                    buffer,
                    format="svg",
                    transparent=True,
                    metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
                )
        text = buffer.getvalue()
        text = text[text.index("<svg") :]
        text = re.sub(r"font-family: [^;\"]*", f"font-family: {_FONTS}", text)
        text = re.sub(r"(font: (?:\d+ |bold )*[\d.]+px) [^;\"]*", rf"\1 {_FONTS}", text)
        # Characters no XML document may hold would blank the whole picture.
        return re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]", "\N{REPLACEMENT CHARACTER}", text)

    def _repr_html_(self) -> str:
        width, height = (round(float(inches) * 96) for inches in self.get_size_inches())
        data = base64.b64encode(self.svg().encode()).decode()
        return (
            f'<img src="data:image/svg+xml;base64,{data}" alt="{html.escape(self.alt_text)}" '
            f'width="{width}" height="{height}" style="max-width:100%;height:auto">'
        )


@contextmanager
def _style() -> Iterator[None]:
    """The shared look, for as long as a figure is being drawn."""
    look: dict[str, Any] = {
        **sns.axes_style("white"),
        "font.family": "DejaVu Sans",
        "font.size": 9.5,
        "text.color": INK,
        "text.parse_math": False,  # a "$" in a name is a dollar sign
        "axes.edgecolor": QUIET,
        "axes.labelcolor": INK,
        "axes.labelsize": 9,
        "axes.linewidth": 0.8,
        "axes.spines.left": False,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "xtick.color": QUIET,
        "ytick.color": QUIET,
        "xtick.labelsize": 8.5,
        "ytick.labelsize": 8.5,
        "figure.constrained_layout.use": True,
    }
    with mpl.rc_context(look):
        yield


def loss_by_setup(analysis: TrialAnalysis) -> Plot:
    """Header loss for every level of every setup factor: adjusted means, intervals, strips.

    Raises
    ------
    DesignError
        When the trial's header loss was not analysed.
    """
    return _by_setup(analysis, "header_loss", "Header loss")


def damage_by_setup(analysis: TrialAnalysis) -> Plot:
    """Damaged kernels, in percent, for every level: adjusted means, intervals, strips.

    Raises
    ------
    DesignError
        When the trial's kernel damage was not analysed.
    """
    return _by_setup(analysis, "kernel_damage", "Damaged kernels")


def _by_setup(analysis: TrialAnalysis, response: str, title: str) -> Plot:
    result = _response(analysis, response)
    own, *others = scales(result.unit, analysis.trial.config.units)
    factors = [f for f in analysis.trial.config.setups if f.name in set(result.means["factor"])]
    headings = len(factors) > 1
    n_rows = len(result.means)
    height = 0.75 + 0.68 * n_rows + (0.62 * len(factors) if headings else 0) + 0.25 * bool(others)
    sentences = []
    with _style():
        figure = Plot(figsize=(WIDTH, height))
        ax = figure.add_subplot()
        y = 0.0
        for factor in factors:
            if headings:
                ax.text(0, y + 0.02, factor.label, color=QUIET, size=9, va="center",
                        style="italic", transform=ax.get_yaxis_transform())
                y += 0.8
            means = result.means[result.means["factor"] == factor.name].set_index("level")
            parts = []
            for level in (level for level in factor.levels if level in means.index):
                row = means.loc[level]
                marker, colour = LEVELS[factor.levels.index(level) % len(LEVELS)]
                strips = result.by_strip.loc[result.by_strip[factor.name] == level, "value"].dropna()
                _lane(ax, y, row, strips.to_numpy() * own.factor, own, marker, colour)
                words = span(row["estimate"], row["low"], row["high"], own)
                ax.text(0, y - 0.32, str(row["label"]), weight="bold", va="center",
                        transform=ax.get_yaxis_transform())
                ax.text(1, y - 0.32, f"{words.value} {own.unit}", weight="bold", va="center",
                        ha="right", transform=ax.get_yaxis_transform())
                parts.append(
                    f"{row['label']} {words.value} (interval {words.interval}; "
                    f"{len(strips)} strips)"
                )
                y += 1.0
            sentences.append((f"{factor.label}: " if headings else "") + ", ".join(parts))
        ax.set_ylim(y - 0.6, -0.6)
        _value_axis(ax, own, others, title)
        figure.alt_text = f"{title} by setup, in {own.unit}. {'. '.join(sentences)}."
    return figure


def _lane(
    ax: Axes, y: float, row: pd.Series, strips: np.ndarray, scale: Scale, marker: str, colour: str
) -> None:
    """One level: its mean and interval, the single strips as rings on the line below."""
    low, mean, high = (float(row[c]) * scale.factor for c in ("low", "estimate", "high"))
    if np.isfinite([low, high]).all():
        ax.plot([low, high], [y, y], color=colour, lw=2.6, solid_capstyle="butt", gid="interval")
    ax.plot([mean], [y], marker=marker, ms=8.5, color=colour, mec="white", mew=0.9, gid="mean")
    ax.plot(strips, np.full(len(strips), y + 0.26), ls="none", marker="o", ms=4.2, mfc="none",
            mec=QUIET, mew=0.9, gid="strips")


def _value_axis(ax: Axes, own: Scale, others: list[Scale], title: str) -> None:
    """Values run from zero along the foot; the other unit system stands at the head."""
    low, high = ax.get_xlim()
    ax.set_xlim(min(low, 0.0) if low < 0 and ax.dataLim.x0 < 0 else 0.0, high)
    if ax.dataLim.x0 < 0:
        ax.axvline(0, color=QUIET, lw=0.8)
    ax.set_yticks([])
    ax.xaxis.grid(True, color=FAINT, lw=0.7)
    ax.set_axisbelow(True)
    ax.tick_params(axis="x", length=0)
    ax.set_xlabel(f"{title}, {own.unit}")
    for other in others:
        ratio = other.factor / own.factor
        twin = ax.secondary_xaxis("top", functions=(lambda v: v * ratio, lambda v: v / ratio))
        twin.set_xlabel(other.unit, color=QUIET)
        twin.tick_params(length=0)
        twin.spines["top"].set_visible(False)


def paired_strips(
    analysis: TrialAnalysis,
    response: str = "header_loss",
    factor: str | None = None,
    *,
    field_names: Mapping[str, str] | None = None,
) -> Plot:
    """Strips of one pair (block) joined across the levels of a setup factor, field by field.

    With two levels the reference stands first, and a pair that does not fall from it is drawn
    dashed. Where a pair has several strips at a level, their mean is drawn.

    Parameters
    ----------
    response : str
        "header_loss" or "kernel_damage".
    factor : str, optional
        Name of the setup factor; the trial's first by default.
    field_names : mapping, optional
        What to print instead of each field's own name.
    """
    result = _response(analysis, response)
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
    fields = list(dict.fromkeys(wide.index.get_level_values("field")))
    columns = 1 if len(fields) == 1 else 2
    n_down = -(-len(fields) // columns)
    looks = [LEVELS[chosen.levels.index(level) % len(LEVELS)] for level in levels]
    with _style():
        figure = Plot(figsize=(WIDTH, 3.5 if columns == 1 else 0.6 + 2.1 * n_down))
        axes = figure.subplots(n_down, columns, sharey=True, squeeze=False).ravel()
        for ax, field in zip(axes, fields, strict=False):
            pairs = wide.xs(field, level="field")
            for order, (_, values) in enumerate(pairs.iterrows(), start=1):
                _joined(ax, values.to_numpy(dtype=float), looks)
                first = values.first_valid_index()
                if columns == 1 and first is not None:
                    ax.annotate(str(order), (levels.index(first), values[first]), (-9, 0),
                                textcoords="offset points", va="center", ha="right",
                                size=8, color=QUIET)
            ax.set_xlim(-0.35, len(levels) - 0.65)
            ax.set_xticks(range(len(levels)))
            wrap = 16 if columns == 1 else 11
            ax.set_xticklabels([textwrap.fill(labels[level], wrap) for level in levels], color=INK)
            ax.tick_params(length=0)
            ax.yaxis.grid(True, color=FAINT, lw=0.7)
            ax.spines["bottom"].set_visible(False)
            if columns > 1:
                name = (field_names or {}).get(field, str(field))
                ax.set_title(name, loc="left", size=9, weight="bold")
        for ax in axes[len(fields) :]:
            ax.set_axis_off()
        lowest = min(0.0, float(np.nanmin(wide.to_numpy())))
        axes[0].set_ylim(lowest * 1.05, float(np.nanmax(wide.to_numpy())) * 1.07)
        for ax in axes[:: columns]:
            ax.set_ylabel(f"{result.title}, {own.unit}")
        for other in others:
            ratio = other.factor / own.factor
            for ax in axes[columns - 1 : len(fields) : columns]:
                twin = ax.secondary_yaxis(
                    "right", functions=(lambda v, r=ratio: v * r, lambda v, r=ratio: v / r)
                )
                twin.set_ylabel(other.unit, color=QUIET)
                twin.tick_params(length=0)
                twin.spines["right"].set_visible(False)
        figure.alt_text = (
            f"{result.title} of single strips in {own.unit}, joined within each of "
            f"{len(wide)} pairs. {_pairs_in_words(wide, labels, chosen.reference)}"
        )
    return figure


def _joined(ax: Axes, values: np.ndarray, looks: list[tuple[str, str]]) -> None:
    """One pair: a line, and on it one mark a level."""
    x = np.arange(len(values))
    seen = np.isfinite(values)
    rises = len(values) == 2 and values[1] >= values[0]
    ax.plot(x[seen], values[seen], color="#8a2d4f" if rises else INK, lw=1.3,
            ls=(0, (3, 2)) if rises else "-", zorder=2, gid="pair")
    for position in x[seen]:
        marker, colour = looks[position]
        ax.plot([position], [values[position]], marker=marker, ms=6.5, color=colour, mec="white",
                mew=0.8, zorder=3, gid="strip")


def _pairs_in_words(wide: pd.DataFrame, labels: dict[str, str], reference: str) -> str:
    """In how many pairs each level lies below the reference."""
    if reference not in wide:
        return ""
    sentences = []
    for level in wide.columns.drop(reference):
        change = (wide[level] - wide[reference]).dropna()
        sentences.append(
            f"With {labels[level]} it is lower than with {labels[reference]} in "
            f"{int((change < 0).sum())} of {len(change)} pairs."
        )
    return " ".join(sentences)


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
    groups.sort(
        key=lambda g: [order[f.name].get(v, 99) for f, v in zip(setups, g[0], strict=True)]
    )
    sentences = []
    with _style():
        height = 1.15 + 0.62 * len(groups) + 0.3 * bool(others)
        figure = Plot(figsize=(WIDTH, height))
        ax = figure.add_subplot()
        for y, (key, rows) in enumerate(groups):
            values = rows.set_index("source")["kg_ha"].astype(float) * own.factor
            ends = {1: 0.0, -1: 0.0}
            for source in (s for s in shown if s in values.index):
                value = float(values[source])
                side = 1 if value >= 0 else -1
                _, colour = SOURCES[source]
                ax.barh(y, value, left=ends[side], height=0.42, color=colour,
                        edgecolor=INK, lw=0.6, gid=source)
                ends[side] += value
            name = ", ".join(labels[f.name].get(v, v) for f, v in zip(setups, key, strict=True))
            total = number(float(values.reindex(shown).sum()), 1)
            ax.text(0, y - 0.36, name, weight="bold", va="center", size=9,
                    transform=ax.get_yaxis_transform())
            ax.text(1, y - 0.36, f"{total} {own.unit} in all", va="center", ha="right", size=9,
                    transform=ax.get_yaxis_transform())
            parts = [f"{SOURCES[s][0]} {number(float(values[s]), 1)}" for s in shown if s in values]
            sentences.append(f"{name}: {', '.join(parts)}")
        ax.set_ylim(len(groups) - 0.6, -0.6)
        _value_axis(ax, own, others, "Loss")
        handles = [
            mpl.patches.Patch(facecolor=SOURCES[s][1], edgecolor=INK, lw=0.6, label=SOURCES[s][0])
            for s in shown
        ]
        figure.legend(handles=handles, loc="outside upper left", ncols=3, frameon=False,
                      fontsize=8.5, handlelength=1.4, columnspacing=1.2, borderpad=0)
        figure.alt_text = f"Loss by source, in {own.unit}. {'. '.join(sentences)}."
    return figure


def _response(analysis: TrialAnalysis, response: str) -> Any:
    """The analysis of one response, or a sentence saying why there is none."""
    if response not in analysis.responses:
        known = ", ".join(analysis.responses) or "none"
        reason = analysis.skipped.get(response, "")
        raise DesignError(f"{response} was not analysed (analysed: {known}). {reason}".strip())
    return analysis.responses[response]
