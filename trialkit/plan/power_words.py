"""Sentences about simulated plans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.quantities import Scale, lower_first, scales
from trialkit.simulate.work import counted

if TYPE_CHECKING:
    from trialkit.plan.power_grid import PowerGrid


def unit_of(grid: PowerGrid) -> Scale:
    """Unit of differences: the trial's own, or percentage points."""
    if grid.response == "kernel_damage":
        return Scale("points", 1.0)
    return scales("kg/ha", grid.config.units)[0]


def loss_words(grid: PowerGrid) -> str:
    """ "1 bu/ac of header loss"."""
    if grid.response == "kernel_damage":
        return f"{100 * grid.expected.damage:.3g} % damaged kernels"
    own = scales("kg/ha", grid.config.units)[0]
    return f"{own.factor * grid.expected.loss:.3g} {own.unit} of header loss"


def hours(minutes: float) -> str:
    """ "50 min", "5 h 10 min"."""
    whole = round(minutes)
    if whole < 60:
        return f"{whole} min"
    return f"{whole // 60} h" + (f" {whole % 60} min" if whole % 60 else "")


def plan_in_words(grid: PowerGrid, pairs: int, frames: int, fields: int) -> str:
    """ "6 pairs with 8 frames a strip", on so many fields where the grid has several numbers."""
    block = "pair" if grid.layout == "pairs" else "block"
    words = (
        f"{pairs} {block}{'s' if pairs != 1 else ''} with {frames} {grid.row}"
        f"{'s' if frames != 1 else ''} a strip"
    )
    if fields > 1 or grid.table["fields"].nunique() > 1:
        words += f" on {'each of ' if fields > 1 else ''}{fields} field{'s' if fields > 1 else ''}"
    return words


def assumed(grid: PowerGrid) -> str:
    """What was simulated and how it was analysed."""
    parts = []
    for f in grid.config.setups:
        words = dict(zip(f.levels, f.level_labels, strict=True))
        for level, share in grid.reductions.get(f.name, {}).items():
            more = "less" if share >= 0 else "more"
            what = "as much" if share == 0 else f"{100 * abs(share):.3g} % {more}"
            parts.append(f"{what} under {lower_first(words[level])}")
    source = (
        f"learned from {grid.expected.trials} past trial{'s' if grid.expected.trials != 1 else ''}"
        if grid.expected.trials
        else "assumed"
    )
    return (
        f"Simulated: {grid.n_rounds} trials of each plan, {loss_words(grid)} under the reference, "
        f"{', '.join(parts)}; variation between pairs, strips and {grid.row}s {source}. Each was "
        f"analysed with the model the analysis would use, at {100 * grid.confidence:g} % "
        "confidence."
    )


def hours_words(grid: PowerGrid) -> str:
    """What the hours are made of."""
    work = grid.work
    each = work.frame_minutes if grid.row == "frame" else work.sample_minutes
    frames, searches, samples = counted(grid.effort)
    beside = [f"{n} {what}" for n, what in (
        (frames - grid.effort.header_frames * (grid.row == "frame"), "other frames"),
        (searches, "ear searches"),
        (samples - grid.effort.grain_samples * (grid.row != "frame"), "other samples"),
    ) if n]  # fmt: skip
    more = f" ({', '.join(beside)} on each strip counted in)" if beside else ""
    return (
        f"Hours: {each:g} min a {grid.row}, {work.stop_minutes:g} a stop on a strip, "
        f"{work.field_minutes:g} a field, with driving and changes of setup{more}. A check of "
        "five frames takes about 15 minutes (University of Missouri Extension G1290); other "
        "minutes not given are common practice, none is published: time your own."
    )


def cheapest_words(grid: PowerGrid, row: pd.Series, power: float) -> str:
    """The plan and how sure its power is."""
    plan = plan_in_words(grid, int(row["pairs"]), int(row["frames"]), int(row["fields"]))
    sure = row["power"] - 2 * row["power_se"] >= power
    near = "" if sure else " By chance of simulation it may fall short; more rounds would tell."
    return (
        f"Fewest minutes for a power of {100 * power:.0f} %: {plan}, {hours(row['minutes'])} of "
        f"work ({hours(row['counting'])} of it counting), power {100 * row['power']:.0f} % "
        f"(+- {100 * row['power_se']:.1f})."
    ) + near


def detectable_words(grid: PowerGrid, plan: Sequence[int]) -> str:
    """What that plan tells apart and how wide its intervals are."""
    keys = ["pairs", "frames", "fields"]
    rows = grid.table[(grid.table[keys] == list(plan)).all(axis=1)]
    labels = {f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in grid.config.setups}
    unit = unit_of(grid)
    parts = []
    for row in rows.to_dict("records"):
        found = row["detectable"]
        words = "no reduction" if np.isnan(found) else f"a reduction of {100 * found:.0f} %"
        width = unit.factor * row["half_width_difference"]
        parts.append(
            f"{words} by {lower_first(labels[row['factor']][row['level']])} (interval of the "
            f"difference +- {width:.2g} {unit.unit})"
        )
    return f"It tells apart with that power, about: {'; '.join(parts)}."


def exchange_words(grid: PowerGrid, rows: pd.DataFrame) -> str:
    """One more pair against the number of frames nearest to it in minutes."""
    base = rows.iloc[0]
    wider = rows[rows["what"].eq("more pairs")]
    deeper = rows[rows["what"].eq("more frames")]
    here = plan_in_words(grid, int(base["pairs"]), int(base["frames"]), int(base["fields"]))
    block = "pair" if grid.layout == "pairs" else "block"
    text = f"From {here} ({hours(base['minutes'])}, power {100 * base['power']:.0f} %): "

    def gain(row: pd.Series) -> str:
        return (
            f"{hours(row['more_minutes'])} more and bring{{s}} power to "
            f"{100 * row['power']:.0f} % ({100 * row['gain']:+.0f} points, +- "
            f"{100 * row['gain_se']:.1f})"
        )

    def per_hour(row: pd.Series) -> np.ndarray:
        moved = grid.told_apart(row).astype(float) - grid.told_apart(base)
        return 60 * moved / row["more_minutes"]

    parts = []
    if len(wider):
        one = wider.iloc[0]
        more = int(one["pairs"] - base["pairs"])
        what = f"one more {block}" if more == 1 else f"{more} more {block}s"
        single = more == 1
        parts.append(f"{what} take{'s' if single else ''} " + gain(one).format(s="s" * single))
    if len(deeper):
        aim = wider.iloc[0]["more_minutes"] if len(wider) else 0.0
        nearest = deeper.loc[(deeper["more_minutes"] - aim).abs().idxmin()]
        more = int(nearest["frames"] - base["frames"])
        parts.append(
            f"{more} more {grid.row}{'s' if more != 1 else ''} on every strip take "
            + gain(nearest).format(s="")
        )
    text += "; ".join(parts) + "."
    if len(wider) and len(deeper):
        a, b = (float(r["gain_per_hour"]) for r in (one, nearest))
        if np.isfinite([a, b]).all():
            apart = per_hour(one) - per_hour(nearest)
            clear = abs(apart.mean()) > 2 * apart.std(ddof=1) / np.sqrt(len(apart))
            what = f"the {block}{'s' if one['pairs'] - base['pairs'] > 1 else ''}"
            first = what if a > b else f"the {grid.row}s"
            text += f" Per hour {first} bring{'s' if first == f'the {block}' else ''} more"
            text += "." if clear else ", though these gains are not far apart by the simulation."
    return text
