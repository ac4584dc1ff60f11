"""Setups put on strips at random, within what the layout and its restrictions allow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise, product
from string import ascii_uppercase
from typing import TYPE_CHECKING, Any, Literal, get_args

import pandas as pd

from trialkit.plan.draws import Draws
from trialkit.plan.refusals import Fault
from trialkit.plan.work import run_order
from trialkit.simulate.work import Order

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig

Layout = Literal["pairs", "blocks", "split"]
LAYOUTS: tuple[Layout, ...] = get_args(Layout)
Setup = tuple[tuple[str, str], ...]  # factor and level, in the trial's order of factors
TRIES, FEW_TRIES = 5_000, 200


@dataclass(frozen=True, slots=True)
class Restrictions:
    """What a random layout must keep to.

    `max_run` is how many blocks of a field in a row may begin with the same setup; `balance` puts
    every setup at every place of a block equally often, give or take one; `max_change_hours` limits
    the changeovers, run in `order`.
    """

    max_run: int
    balance: bool
    order: Order
    max_change_hours: float | None


@dataclass(frozen=True, slots=True)
class _Price:
    """Minutes of changes from one strip to another."""

    between: list[list[float]]
    setup: list[int]

    def __call__(self, a: int, b: int) -> float:
        return self.between[self.setup[a]][self.setup[b]]


def units_of(
    config: TrialConfig, layout: Layout, setups: Sequence[Mapping[str, str]] | None
) -> tuple[list[Setup], list[Setup]]:
    """What is put on the units of a block, and on the strips inside each ([()] if not split)."""
    if setups is not None:
        return [_setup(config, chosen) for chosen in setups], [()]
    hard = [f for f in config.setups if f.hard_to_change]
    easy = [f for f in config.setups if not f.hard_to_change]
    first, second = (hard, easy) if layout == "split" else (list(config.setups), [])

    def combined(factors: Sequence[Any]) -> list[Setup]:
        names = [f.name for f in factors]
        return [tuple(zip(names, v, strict=True)) for v in product(*(f.levels for f in factors))]

    return combined(first), combined(second)


def _setup(config: TrialConfig, chosen: Mapping[str, str]) -> Setup:
    for f in config.setups:
        if chosen.get(f.name) not in f.levels:
            raise Fault(
                f"A setup has {f.name} at {chosen.get(f.name)!r}; its levels are "
                f"{', '.join(f.levels)}."
            )
    if unknown := set(chosen) - {f.name for f in config.setups}:
        raise Fault(f"A setup names {', '.join(sorted(unknown))}, which is no setup factor.")
    return tuple((f.name, chosen[f.name]) for f in config.setups)


def draw_strips(
    config: TrialConfig, units: tuple[list[Setup], list[Setup]], fields: Sequence[str],
    blocks: int, draws: Draws, keep: Restrictions, minutes: Mapping[str, float],
) -> tuple[pd.DataFrame, list[int]]:  # fmt: skip
    """Strips in order of position and the order they are run in.

    Whole layouts are drawn until one keeps the restrictions, so that, without `balance`, every
    layout that does is as likely; with it, every one that is made of cyclic Latin squares.

    Raises
    ------
    Fault
        When none of 5,000 does.
    """
    whole, sub = units
    setups = [dict(a + b) for a in whole for b in sub]
    prices = [
        [float(sum(m for f, m in minutes.items() if a[f] != b[f])) for b in setups] for a in setups
    ]
    limit = float("inf") if keep.max_change_hours is None else keep.max_change_hours + 1e-9
    # Every block shows all levels, so each factor changes at least so often.
    shown = {f: len({s[f] for s in setups}) for f in minutes}
    floor = blocks * len(fields) * sum((shown[f] - 1) * m for f, m in minutes.items()) / 60
    least = float("inf")
    for _ in range(TRIES if floor <= limit else FEW_TRIES):
        drawn = [draws.orders(len(whole), blocks, keep.balance) for _ in fields]
        if any(_longest_run([o[0] for o in orders]) > keep.max_run for orders in drawn):
            continue
        laid = [_inside(orders, len(whole), len(sub), draws, keep.balance) for orders in drawn]
        setup = [s for orders in laid for block in orders for group in block for s in group]
        count = iter(range(len(setup)))
        numbered = [
            [[next(count) for _ in group] for group in block] for orders in laid for block in orders
        ]
        price = _Price(prices, setup)
        order = run_order(numbered, price, keep.order)
        hours = sum(price(a, b) for a, b in pairwise(order)) / 60
        if hours <= limit:
            return _table(config, setups, fields, laid, sub != [()]), order
        least = min(least, hours)
    if least == float("inf"):
        raise Fault(
            f"No layout of {blocks} blocks has at most {keep.max_run} in a row that begin with the "
            "same setup.", [{"max_run": keep.max_run + n} for n in (1, 2, 3)],
        )  # fmt: skip
    changes: list[dict[str, Any]] = [{"order": "fewest changes"}]
    if sub == [()] and len(config.setups) > 1:
        changes += [{"layout": "split", "setups": None},
                    {"layout": "split", "setups": None, "order": "fewest changes"}]  # fmt: skip
    changes += [{"order": "fewest changes", "blocks": n} for n in range(blocks - 1, 1, -1)]
    raise Fault(
        f"At most {keep.max_change_hours:g} hours of changeovers were allowed; the least of the "
        f"layouts drawn takes {least:.3g} hours.",
        [*changes, {"max_change_hours": least}],
    )


def _longest_run(items: Sequence[int]) -> int:
    return max(len(list(run)) for _, run in groupby(items))


def _inside(
    orders: Sequence[Sequence[int]], whole: int, sub: int, draws: Draws, balance: bool
) -> list[list[list[int]]]:
    """A field's setups by block, main strip (or strip) and strip: numbers of setups."""
    inside = [draws.orders(sub, len(orders), balance) for _ in range(whole)]
    return [
        [[unit * sub + j for j in inside[unit][block]] for unit in order]
        for block, order in enumerate(orders)
    ]


def _table(
    config: TrialConfig, setups: Sequence[Mapping[str, str]], fields: Sequence[str],
    laid: Sequence[list[list[list[int]]]], split: bool,
) -> pd.DataFrame:  # fmt: skip
    letters = _letters(config, setups)
    rows = []
    for field, blocks in zip(fields, laid, strict=True):
        number = 0
        for block, groups in enumerate(blocks, start=1):
            for place, group in enumerate(groups):
                for index in group:
                    number += 1
                    main = f"{block}{ascii_uppercase[place]}" if split else None
                    rows.append(
                        {"strip": f"{field}-{number:02d}", "field": field, "pair": str(block),
                         "main_strip": main, **setups[index], "setup": letters[index]}
                    )  # fmt: skip
    return pd.DataFrame(rows).astype({"strip": str, "field": str, "pair": str})


def _letters(config: TrialConfig, setups: Sequence[Mapping[str, str]]) -> dict[int, str]:
    """A letter for every setup, in the order of the trial's factors and levels."""
    order = sorted(
        range(len(setups)),
        key=lambda i: [f.levels.index(setups[i][f.name]) for f in config.setups],
    )
    return {
        index: ascii_uppercase[i]
        if i < 26
        else ascii_uppercase[i // 26 - 1] + ascii_uppercase[i % 26]
        for i, index in enumerate(order)
    }
