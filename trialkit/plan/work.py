"""The order of work: which strip when, in which direction, and what is changed in between."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, permutations
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from trialkit.errors import DesignError
from trialkit.simulate.shown import settings_card

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor, TrialConfig

Order = Literal["position", "fewest changes"]
ORDERS: tuple[Order, ...] = ("position", "fewest changes")
# Orders of so many setups are all tried; beyond it the nearest setup is taken next.
_TRIED = 6


@dataclass(frozen=True, slots=True)
class Pace:
    """How long the work takes.

    Attributes
    ----------
    speed : float
        Ground speed (km/h); 8 is about the 5 mph of current practice.
    turn_minutes : float
        From the end of one pass to the beginning of the next; common practice.
    count_minutes : float
        Counting on one strip; a check takes about 15 minutes (University of Missouri Extension
        G1290).
    change_minutes : mapping
        Factor to the minutes one change of its level takes. Unless told, 120 for a factor that is
        hard to change (common practice: time your own) and 0 for one that is changed from the cab.
    """

    speed: float = 8.0
    turn_minutes: float = 1.0
    count_minutes: float = 15.0
    change_minutes: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        times = [self.turn_minutes, self.count_minutes, *self.change_minutes.values()]
        if not 0.5 <= self.speed <= 25 or not all(0 <= t < np.inf for t in times):
            raise DesignError(
                "A pace has a speed of 0.5 to 25 km/h and minutes that are not negative."
            )

    def _repr_html_(self) -> str:
        return settings_card("Pace of the work, in km/h and minutes", self)

    def changes(self, factors: Sequence[SetupFactor]) -> dict[str, float]:
        """Minutes one change of each factor takes."""
        known = [f.name for f in factors]
        if unknown := [name for name in self.change_minutes if name not in known]:
            raise DesignError(
                f"change_minutes names {', '.join(map(repr, unknown))}; the setup factors are "
                f"{', '.join(known)}."
            )
        return {
            f.name: float(self.change_minutes.get(f.name, 120.0 if f.hard_to_change else 0.0))
            for f in factors
        }


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
    config: TrialConfig, strips: pd.DataFrame, order: Sequence[int], pace: Pace
) -> pd.DataFrame:
    """Steps of the day: passes with their counting, and changes that take time.

    Returns
    -------
    DataFrame
        ``step, what`` ("change" or "pass"), ``field, pair, strip, setup`` (letter), ``words``,
        ``direction``, ``minutes`` and ``begins`` (minutes after the first step begins).
    """
    minutes = pace.changes(config.setups)
    rows = []
    before = None
    for index in order:
        strip = strips.iloc[index]
        place = {"field": strip["field"], "pair": strip["pair"]}
        for f in config.setups:
            if before is not None and minutes[f.name] and before[f.name] != strip[f.name]:
                words = f"{f.label}: {label(f, before[f.name])} to {label(f, strip[f.name])}"
                rows.append({"what": "change", **place, "words": words, "minutes": minutes[f.name]})
        run = 60 * (strip["end"] - strip["start"]) / (1000 * pace.speed)
        spent = run + pace.turn_minutes + pace.count_minutes
        words = ", ".join(label(f, strip[f.name]) for f in config.setups)
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
    table["begins"] = table["minutes"].cumsum() - table["minutes"]
    return table


def changeovers(
    config: TrialConfig, strips: pd.DataFrame, order: Sequence[int], pace: Pace
) -> pd.DataFrame:
    """Per factor: ``factor, label, changes, minutes_each, hours``."""
    minutes = pace.changes(config.setups)
    rows = [
        {"factor": f.name, "label": f.label, "changes": count_changes(strips, order, f.name),
         "minutes_each": minutes[f.name]}
        for f in config.setups
    ]  # fmt: skip
    table = pd.DataFrame(rows)
    table["hours"] = table["changes"] * table["minutes_each"] / 60.0
    return table


def hours_of_work(order: pd.DataFrame, changes: pd.DataFrame, pace: Pace) -> pd.DataFrame:
    """What the work comes to: ``work, times, minutes_each, hours``, the last row in all.

    Parameters
    ----------
    order, changes : DataFrame
        From `order_of_work` and `changeovers`, made at this `pace`.
    """
    passes = order[order["what"] == "pass"]
    n, spent = len(passes), float(passes["minutes"].sum())
    driving = spent - n * (pace.turn_minutes + pace.count_minutes)
    rows = [
        ("harvesting the strips", n, driving / n),
        ("turning", n, pace.turn_minutes),
        ("counting", n, pace.count_minutes),
        *((f"changing {c.label}", c.changes, c.minutes_each) for c in changes.itertuples()),
    ]
    table = pd.DataFrame(rows, columns=["work", "times", "minutes_each"])
    table["hours"] = table["times"] * table["minutes_each"] / 60
    whole = {"work": "in all", "times": np.nan, "minutes_each": np.nan,
             "hours": table["hours"].sum()}  # fmt: skip
    return pd.concat([table, pd.DataFrame([whole])], ignore_index=True)


def label(factor: SetupFactor, level: str) -> str:
    """A level in words."""
    return dict(zip(factor.levels, factor.level_labels, strict=True)).get(level, str(level))
