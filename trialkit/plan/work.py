"""The order of work: which strip when, in which direction, and what is changed in between."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise, permutations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.simulate.work import Order, Work, counted, further
from trialkit.words import plan as words
from trialkit.words.crew import from_to

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.simulate import Effort

# Orders of so many setups are all tried; beyond it the nearest setup is taken next.
_TRIED = 6


def run_order(
    blocks: Sequence[Sequence[Sequence[int]]], price: Callable[[int, int], float], order: Order
) -> list[int]:
    """Strips in the order they are run.

    Blocks are run one after the other, so that a block is near in time as well as on the ground.
    "position" goes from left to right. "fewest changes" starts each block with what is on the
    machine and takes the order within the block that costs least time; strips of one main strip
    stay together, and ties go to the left. It looks one block ahead, which is the least possible
    where one factor takes time.

    Parameters
    ----------
    blocks : nested sequences
        Block by block its main strips (or strips), each the numbers of its strips by position.
    price : callable
        Minutes of changes from one strip to another.
    """
    out: list[int] = []
    for block in blocks:
        groups = [list(group) for group in block]
        if order == "fewest changes":
            groups = _cheapest(groups, out[-1] if out else None, price)
        out += [strip for group in groups for strip in group]
    return out


def _cheapest(
    groups: list[list[int]], before: int | None, price: Callable[[int, int], float]
) -> list[list[int]]:
    def cost(order: Iterable[list[int]]) -> float:
        order = list(order)
        start = 0.0 if before is None else price(before, order[0][0])
        return start + sum(price(a[-1], b[0]) for a, b in pairwise(order))

    if len(groups) <= _TRIED:
        return list(min(permutations(groups), key=cost))  # the first of equals is the leftmost
    left = list(groups)
    out: list[list[int]] = []
    while left:
        at = out[-1][-1] if out else before
        costs = [0.0 if at is None else price(at, group[0]) for group in left]
        out.append(left.pop(costs.index(min(costs))))
    return out


def count_changes(strips: pd.DataFrame, order: Sequence[int], name: str) -> int:
    """How often a factor changes along the order of work."""
    levels = strips[name].to_numpy(dtype=object)[list(order)]
    return int((levels[1:] != levels[:-1]).sum())


def order_of_work(
    config: TrialConfig, strips: pd.DataFrame, order: Sequence[int], work: Work, effort: Effort
) -> pd.DataFrame:
    """Steps of the day: passes with their counting, and changes that take time.

    Between two fields `begins` leaves the time of moving to the next.

    Returns
    -------
    DataFrame
        ``step, what`` ("change" or "pass"), ``field, pair, strip, setup`` (letter), ``words``,
        ``direction``, ``minutes`` and ``begins`` (minutes after the first step begins).
    """
    minutes, counting = work.changes(config.setups), work.on_strip(effort)
    rows = []
    before = None
    for index in order:
        strip = strips.iloc[index]
        place = {"field": strip["field"], "pair": strip["pair"]}
        for f in config.setups:
            if before is not None and minutes[f.name] and before[f.name] != strip[f.name]:
                words = from_to(f.label, f.in_words(before[f.name]), f.in_words(strip[f.name]))
                rows.append({"what": "change", **place, "words": words, "minutes": minutes[f.name]})
        spent = work.run(strip["end"] - strip["start"]) + work.turn_minutes + counting
        words = ", ".join(f.in_words(strip[f.name]) for f in config.setups)
        rows.append(
            {"what": "pass", **place, "strip": strip["strip"], "setup": strip["setup"],
             "words": words, "direction": strip["direction"], "minutes": spent}
        )  # fmt: skip
        before = strip
    table = pd.DataFrame(
        rows,
        columns=["what", "field", "pair", "strip", "setup", "words", "direction", "minutes"],
    )
    for name in ("strip", "setup", "direction"):
        table[name] = table[name].fillna("")
    table.insert(0, "step", range(1, len(table) + 1))
    moved = (table["field"] != table["field"].shift()).cumsum() - 1
    table["begins"] = table["minutes"].cumsum() - table["minutes"] + moved * work.field_minutes
    return table


def changeovers(
    config: TrialConfig, strips: pd.DataFrame, order: Sequence[int], work: Work
) -> pd.DataFrame:
    """Per factor: ``factor, label, changes, minutes_each, hours``."""
    minutes = work.changes(config.setups)
    rows = [
        {"factor": f.name, "label": f.label, "changes": count_changes(strips, order, f.name),
         "minutes_each": minutes[f.name]}
        for f in config.setups
    ]  # fmt: skip
    table = pd.DataFrame(rows)
    table["hours"] = table["changes"] * table["minutes_each"] / 60.0
    return table


def hours_of_work(
    order: pd.DataFrame, changes: pd.DataFrame, work: Work, effort: Effort
) -> pd.DataFrame:
    """What the work comes to: ``work, times, minutes_each, hours``, the last row in all.

    Parameters
    ----------
    order, changes : DataFrame
        From `order_of_work` and `changeovers`, made with this `work` and `effort`.
    """
    passes = order[order["what"] == "pass"]
    n, spent = len(passes), float(passes["minutes"].sum())
    frames, searches, samples = counted(effort)
    driving = spent - n * (work.turn_minutes + work.on_strip(effort))
    rows = [
        (words.work("run"), n, driving / n),
        (words.work("turn"), n, work.turn_minutes),
        (words.work("stop"), n, work.stop_minutes),
        (words.work("frame"), n * frames, work.frame_minutes),
        (words.work("search"), n * searches, work.search_minutes),
        (words.work("sample"), n * samples, work.sample_minutes),
        *((words.counting(what), n * rows, each) for what, rows, each in further(effort)),
        (words.work("field"), passes["field"].nunique(), work.field_minutes),
        *((words.changing(c.label), c.changes, c.minutes_each) for c in changes.itertuples()),
    ]
    table = pd.DataFrame(rows, columns=["work", "times", "minutes_each"])
    table["hours"] = table["times"] * table["minutes_each"] / 60
    whole = {"work": "in all", "times": np.nan, "minutes_each": np.nan,
             "hours": table["hours"].sum()}  # fmt: skip
    return pd.concat([table, pd.DataFrame([whole])], ignore_index=True)
