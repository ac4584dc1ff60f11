"""Minutes a plan takes: counting, stops, driving and changes of the setup."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import permutations, product
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.plan.arrange import Restrictions, Setup, draw_strips
from trialkit.plan.draws import Draws
from trialkit.plan.work import count_changes

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.simulate import Effort, Work


def plan_minutes(
    work: Work, config: TrialConfig, units: tuple[list[Setup], list[Setup]], blocks: int,
    fields: int, effort: Effort,
) -> dict[str, float]:  # fmt: skip
    """Minutes of a plan that is not drawn.

    Parameters
    ----------
    units : (list, list)
        Setups on the units of a block and inside each, as `arrange.units_of` gives them.
    blocks, fields : int
        Blocks in each field, and fields.
    effort : Effort
        What is counted on every strip.

    Returns
    -------
    dict
        ``counting`` (stops and sorting included), ``driving, changes`` and ``minutes``, all
        together.
    """
    strips = len(units[0]) * len(units[1]) * blocks * fields
    run = work.run(work.strip_length) + work.turn_minutes
    out = {
        "counting": strips * (work.on_strip(effort) + work.sorting(effort)),
        "driving": strips * run + fields * work.field_minutes,
        "changes": _changes(work, config, units, blocks, fields),
    }
    return out | {"minutes": sum(out.values())}


def _changes(
    work: Work, config: TrialConfig, units: tuple[list[Setup], list[Setup]], blocks: int,
    fields: int,
) -> float:  # fmt: skip
    each = work.changes(config.setups)
    if not any(each.values()):
        return 0.0
    if work.order == "position":
        return sum(m * mean_changes(units, blocks * fields, name) for name, m in each.items())
    names = [str(f) for f in range(fields)]
    keep = Restrictions(blocks + 1, False, work.order, None)
    drawn, order = draw_strips(config, units, names, blocks, Draws(0), keep, each)
    return sum(m * count_changes(drawn, order, name) for name, m in each.items())


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
