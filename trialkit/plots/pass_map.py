"""A plan's passes across the field, to scale."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import pandas as pd

from trialkit.plots.canvas import FAINT, INK, QUIET, WIDTH, Plot, style
from trialkit.units import convert
from trialkit.words import ENGLISH, spoken

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.plan import Plan
    from trialkit.plan.ground import Ground

PER_PANEL = 26  # passes drawn side by side; a wider field goes on in the next panel
# A setup's ground and hatching; with more setups than these the letter alone tells.
FACES = (
    ("#ffffff", ""), ("#c9c9c9", ""), ("#ffffff", "////"), ("#dddddd", "...."),
    ("#ffffff", "----"), ("#c9c9c9", "xx"), ("#ffffff", "\\\\\\\\"), ("#dddddd", "++"),
    ("#ffffff", "oo"), ("#c9c9c9", "||"), ("#ffffff", "xxxx"), ("#eeeeee", "**"),
)  # fmt: skip
LEFT_OUT = {"border": "#f1f3ee", "buffer": "#f1f3ee", "rows left": "#e4e8df"}
TALLEST, SHORTEST = 3.2, 1.6  # inches along the rows
TOP, FOOT, LEGEND = 0.5, 0.5, 0.19
MARGIN, EDGE = 0.68, 0.12


def pass_map(
    plan: Plan, *, field_names: Mapping[str, str] | None = None, language: str = ENGLISH
) -> Plot:
    """Every pass of a plan across each field, with setups, directions, joints and headlands.

    Across and along are each to scale, in the trial's own unit of length; how much less the length
    is drawn than the width is said under each panel. A strip has its setup's pattern and letter, an
    arrow at the end it is run towards and the place it takes in the order of work; borders, buffers
    and rows left over have none. Dashed lines are the joints between planter passes, and a bracket
    names each pair, block or main strip.

    Parameters
    ----------
    plan : Plan
    field_names : mapping, optional
        What to print instead of each field's own name.
    language : str
        What is written on it is said in it.
    """
    say = partial(_say, language)
    unit = "ft" if plan.config.units == "US" else "m"
    per = float(convert(1.0, "m", unit))
    shown = {g.field: (field_names or {}).get(g.field, g.field) for g in plan.grounds}
    panels = [(g, part) for g in plan.grounds for part in _panels(plan, g)]
    widest = max(float(p["right"].iloc[-1] - p["left"].iloc[0]) for _, p in panels)
    across = (WIDTH - MARGIN - EDGE) / widest  # inches a metre
    longest = max(g.length for g in plan.grounds)
    along = min(max(across, SHORTEST / longest), TALLEST / longest)
    lines = _legend_lines(plan, say)
    heights = [TOP + FOOT + g.length * along for g, _ in panels]
    legend = LEGEND * len(lines) + 0.15
    height = sum(heights) + legend
    with style(), mpl.rc_context({"hatch.linewidth": 0.6}):
        figure = Plot(figsize=(WIDTH, height))
        figure.set_layout_engine("none")
        at, name = height, None
        for (ground, part), tall in zip(panels, heights, strict=True):
            wide = float(part["right"].iloc[-1] - part["left"].iloc[0])
            ax = figure.add_axes(
                (MARGIN / WIDTH, (at - tall + FOOT) / height, wide * across / WIDTH,
                 ground.length * along / height)
            )  # fmt: skip
            title = textwrap.shorten(shown[ground.field], 50, placeholder="…")
            _panel(ax, plan, ground, part, per)
            head = say("continued", title) if name == ground.field else title
            ax.text(0, 1 + 0.36 / (ground.length * along), head, transform=ax.transAxes,
                    size=8.5, weight="bold", va="center")  # fmt: skip
            ax.set_xlabel(say("across", unit, across / along), loc="left")
            ax.set_ylabel(say("along", unit))
            at, name = at - tall, ground.field
        foot = figure.add_axes((0.0, 0.0, 1.0, legend / height))
        foot.set_axis_off()
        foot.set_xlim(0, WIDTH)
        foot.set_ylim(legend, 0)
        _legend(foot, plan, lines)
    figure.summary, figure.alt_text = _in_words(plan, shown, lines, say)
    return figure


def _say(language: str, name: str, *values: Any) -> str:
    return str(spoken("pass_maps", name, language)(*values))


def _panels(plan: Plan, ground: Ground) -> Iterator[pd.DataFrame]:
    """A field's passes, as many side by side as can be read; broken between blocks if possible."""
    own = plan.passes[plan.passes["field"] == ground.field].reset_index(drop=True)
    pair = own["strip"].map(dict(zip(plan.strips["strip"], plan.strips["pair"], strict=True)))
    known = pair.dropna()
    starts = [int(i) for i in known.index[known != known.shift()]][1:]
    begin = 0
    while len(own) - begin > PER_PANEL:
        fitting = [i for i in starts if begin < i <= begin + PER_PANEL]
        end = fitting[-1] if fitting else begin + PER_PANEL
        yield own.iloc[begin:end]
        begin = end
    yield own.iloc[begin:]


def _panel(ax: Axes, plan: Plan, ground: Ground, part: pd.DataFrame, per: float) -> None:
    from matplotlib.patches import Rectangle

    low, high = ground.headland * per, (ground.length - ground.headland) * per
    left, right = part["left"].iloc[0] * per, part["right"].iloc[-1] * per
    strips = plan.strips.set_index("strip")
    letters = sorted(plan.strips["setup"].unique(), key=lambda s: (len(s), s))
    ax.set_xlim(left, right)
    ax.set_ylim(0, ground.length * per)
    ax.tick_params(length=2)
    for spine in ("left", "top", "right", "bottom"):
        ax.spines[spine].set_visible(True)
        ax.spines[spine].set_color(FAINT)
    if low > 0:
        for y in (0.0, high):
            ax.add_patch(Rectangle((left, y), right - left, low, fc="white", ec=FAINT, hatch="..",
                                   lw=0, gid="headland"))  # fmt: skip
    size = min(8.5, 0.8 * 72 * (WIDTH - MARGIN - EDGE) / len(part))
    for row in part.to_dict("records"):
        x, wide = row["left"] * per, (row["right"] - row["left"]) * per
        if not row["strip"]:
            ax.add_patch(Rectangle((x, low), wide, high - low, fc=LEFT_OUT[row["kind"]], ec=QUIET,
                                   lw=0.5, ls=":", gid=row["kind"]))  # fmt: skip
            continue
        strip = strips.loc[row["strip"]]
        face, hatch = FACES[letters.index(strip["setup"]) % len(FACES)]
        ax.add_patch(Rectangle((x, low), wide, high - low, fc=face, ec=QUIET, hatch=hatch, lw=0.7,
                               gid=f"strip {row['strip']} {strip['setup']}"))  # fmt: skip
        middle = x + wide / 2
        plain = {"boxstyle": "square,pad=0.12", "fc": "white", "ec": "none"}
        ax.text(middle, (low + high) / 2, strip["setup"], size=size, weight="bold", va="center",
                ha="center", bbox=plain)  # fmt: skip
        up = strip["direction"] == "up"
        marker = "^" if up else "v"
        span = high - low
        tip, big = high - 0.08 * span if up else low + 0.08 * span, min(5.5, size * 0.7)
        ax.plot([middle], [tip], marker="s", ms=1.7 * big, color="white", ls="none")
        ax.plot([middle], [tip], marker=marker, ms=big, color=INK, ls="none",
                gid=f"direction {row['strip']} {strip['direction']}")  # fmt: skip
        ax.text(middle, low + 0.24 * span, str(strip["run"]), size=min(6.5, size * 0.8),
                color=INK, va="center", ha="center", bbox=plain)  # fmt: skip
    for joint in plan.joints(ground.field):
        if left - 1e-6 <= joint * per <= right + 1e-6:
            ax.plot([joint * per] * 2, [0, ground.length * per], color=INK, lw=0.9,
                    ls=(0, (4, 2)), gid="joint")  # fmt: skip
    _brackets(ax, plan, part, per)


def _brackets(ax: Axes, plan: Plan, part: pd.DataFrame, per: float) -> None:
    level = "main_strip" if plan.layout == "split" else "pair"
    pair = dict(zip(plan.strips["strip"], plan.strips[level], strict=True))
    own = part[part["strip"] != ""].assign(pair=lambda p: p["strip"].map(pair))
    shift = ax.get_xaxis_transform()
    for name, block in own.groupby("pair", sort=False):
        x0, x1 = block["left"].min() * per, block["right"].max() * per
        inset = 0.12 * (x1 - x0) / len(block)
        ax.plot([x0 + inset, x1 - inset], [1.02, 1.02], transform=shift, color=QUIET, lw=1.2,
                clip_on=False, gid=f"block {name}")  # fmt: skip
        ax.text((x0 + x1) / 2, 1.035, str(name), transform=shift, size=7.5, color=QUIET,
                ha="center", va="bottom")  # fmt: skip


def _legend_lines(plan: Plan, say: Callable[..., str]) -> list[tuple[str, str]]:
    """Letter and words of every setup, then what else is drawn."""
    names = [f.name for f in plan.config.setups]
    lines = [
        (row["setup"], ", ".join(str(row[n]) for n in names))
        for row in plan.setups.to_dict("records")
    ]
    lines.append(("", say("marks")))
    kinds = [k for k in LEFT_OUT if (plan.passes["kind"] == k).any()]
    if kinds:
        lines.append(("", say("not_counted", kinds)))
    joints = any(g.planter_rows is not None for g in plan.grounds)
    if marks := say("ground_marks", joints, any(g.headland for g in plan.grounds)):
        lines.append(("", marks))
    return lines


def _legend(ax: Axes, plan: Plan, lines: list[tuple[str, str]]) -> None:
    from matplotlib.patches import Rectangle

    y = 0.12
    for i, (letter, words) in enumerate(lines):
        if letter:
            face, hatch = FACES[i % len(FACES)]
            ax.add_patch(Rectangle((0.12, y - 0.06), 0.3, 0.12, fc=face, ec=QUIET, lw=0.7,
                                   hatch=hatch, gid=f"legend {letter}"))  # fmt: skip
            ax.text(0.5, y, letter, size=8.5, weight="bold", va="center")
        ax.text(0.72 if letter else 0.12, y, textwrap.shorten(words, 70, placeholder="…"),
                size=8.5 if letter else 8, color=INK if letter else QUIET, va="center")  # fmt: skip
        y += LEGEND


def _in_words(
    plan: Plan, shown: Mapping[str, str], lines: list[tuple[str, str]], say: Callable[..., str]
) -> tuple[str, str]:
    strips = plan.strips
    blocks = strips.groupby(["field", "pair"], sort=False)
    summary = say("passes", len(strips), blocks.ngroups, plan.layout, len(shown))
    runs = [
        (shown[field], str(pair),
         ", ".join(say("run", r.setup, r.direction)
                   for r in own[["setup", "direction"]].itertuples()))
        for (field, pair), own in blocks
    ]  # fmt: skip
    left_out = plan.passes.loc[plan.passes["strip"] == "", "kind"].value_counts()
    setups = [(letter, words) for letter, words in lines if letter]
    many = [(int(n), str(kind)) for kind, n in left_out.items()]
    return summary, say("pass_map", summary, setups, runs, many)
