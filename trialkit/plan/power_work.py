"""Minutes a plan takes: counting, stops, driving and changes of the setup."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import permutations, product
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.plan.arrange import Restrictions, Setup, draw_strips
from trialkit.plan.draws import Draws
from trialkit.plan.work import Order, Pace, count_changes

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig


@dataclass(frozen=True, slots=True)
class Work:
    """How long counting and running take; minutes of one person's work.

    Attributes
    ----------
    frame_minutes : float
        Clearing and counting one frame. A check of a field takes about 15 minutes (University of
        Missouri Extension G1290); 3 is that of five frames, common practice.
    sample_minutes : float
        Sorting one grain sample for damage; common practice.
    stop_minutes : float
        A strip's stop: backing up, shutting off, walking, carrying the frame; common practice.
    field_minutes : float
        Moving to a field and opening it; common practice.
    strip_length : float
        m; 750 ft, the better length in the Pacific Northwest guide to on-farm testing (1994).
    order : {"fewest changes", "position"}
        How blocks are run; by position changes are counted as they are on average.
    pace : Pace
        Ground speed, turning, and minutes each change of a factor takes; its `count_minutes` are
        not used here.
    """

    frame_minutes: float = 3.0
    sample_minutes: float = 10.0
    stop_minutes: float = 5.0
    field_minutes: float = 60.0
    strip_length: float = 228.6
    order: Order = "fewest changes"
    pace: Pace = field(default_factory=Pace)

    def __post_init__(self) -> None:
        minutes = (self.frame_minutes, self.sample_minutes, self.stop_minutes, self.field_minutes)
        if not all(0 <= m < np.inf for m in minutes) or not 0 < self.strip_length < np.inf:
            raise DesignError(
                "Minutes of work are not negative and strips (m) have a length above 0."
            )
        if self.order not in ("fewest changes", "position"):
            raise DesignError(f"order is {self.order!r}; choose from fewest changes, position.")

    def minutes(
        self, config: TrialConfig, units: tuple[list[Setup], list[Setup]], blocks: int,
        fields: int, counted: float,
    ) -> dict[str, float]:  # fmt: skip
        """Minutes of a plan.

        Parameters
        ----------
        units : (list, list)
            Setups on the units of a block and inside each, as `arrange.units_of` gives them.
        blocks, fields : int
            Blocks in each field, and fields.
        counted : float
            Minutes of counting on one strip, its stop not included.

        Returns
        -------
        dict
            ``counting`` (stops included), ``driving, changes`` and ``minutes``, all together.
        """
        strips = len(units[0]) * len(units[1]) * blocks * fields
        run = 60 * self.strip_length / (1000 * self.pace.speed) + self.pace.turn_minutes
        out = {
            "counting": strips * (counted + self.stop_minutes),
            "driving": strips * run + fields * self.field_minutes,
            "changes": self._changes(config, units, blocks, fields),
        }
        return out | {"minutes": sum(out.values())}

    def _changes(
        self, config: TrialConfig, units: tuple[list[Setup], list[Setup]], blocks: int, fields: int
    ) -> float:
        each = self.pace.changes(config.setups)
        if not any(each.values()):
            return 0.0
        if self.order == "position":
            return sum(m * mean_changes(units, blocks * fields, name) for name, m in each.items())
        names = [str(f) for f in range(fields)]
        keep = Restrictions(blocks + 1, False, self.order, None)
        drawn, order = draw_strips(config, units, names, blocks, Draws(0), keep, each)
        return sum(m * count_changes(drawn, order, name) for name, m in each.items())

    def _repr_html_(self) -> str:
        shown = pd.DataFrame(
            [(name, getattr(self, name)) for name in self.__slots__ if name != "pace"],
            columns=["what", "value"],
        )
        return card("How long the work takes", [], table(shown))


def mean_changes(units: tuple[list[Setup], list[Setup]], blocks: int, name: str) -> float:
    """How often a factor changes in blocks run from left to right, on average over random orders.

    Blocks begin and end with any setup as likely; inside a block the next unit is any but the last.
    """
    whole, sub = units

    def share(of: Iterable[tuple[Setup, Setup]], inside: Iterable[tuple[Setup, Setup]]) -> float:
        steps = [dict(a + c)[name] != dict(b + d)[name] for (a, b), (c, d) in product(of, inside)]
        return sum(steps) / len(steps) if steps else 0.0

    same, any_sub = [(unit, unit) for unit in whole], [(a, b) for a in sub for b in sub]
    any_whole = [(a, b) for a in whole for b in whole]
    within = len(whole) * (len(sub) - 1) * share(same, permutations(sub, 2))
    within += (len(whole) - 1) * share(permutations(whole, 2), any_sub)
    return blocks * within + (blocks - 1) * share(any_whole, any_sub)


def strips_of(
    config: TrialConfig, units: tuple[list[Setup], list[Setup]], blocks: int, fields: Sequence[str]
) -> pd.DataFrame:
    """Strips of a layout, every block in the same order: order does not enter the model.

    Returns
    -------
    DataFrame
        ``strip, field, pair, main_strip`` (missing unless split) and a column per setup factor.
    """
    whole, sub = units
    rows = []
    for name in fields:
        number = 0
        for block in range(1, blocks + 1):
            for place, setup in enumerate(whole):
                for inside in sub:
                    number += 1
                    main = f"{block}-{place}" if sub != [()] else None
                    rows.append({"strip": f"{name}-{number:03d}", "field": name,
                                 "pair": str(block), "main_strip": main,
                                 **dict(setup + inside)})  # fmt: skip
    return pd.DataFrame(rows)
