"""The panel where readers put in their own numbers; its script fills the same texts."""

from __future__ import annotations

import math
from collections.abc import Mapping

from trialkit.display import number
from trialkit.facts import Ends
from trialkit.quantities import lower_first
from trialkit.words.balance import grain, interval
from trialkit.words.money import amount, area_unit, percent, whole_places

TEXTS: Mapping[str, str] = {
    "saved": "Grain saved",
    "lost": "Grain lost",
    "per_area": "{name}, per {unit}",
    "per_year": "{name}, a year",
    "cost": "What it costs, per {unit}",
    "nothing": "nothing",
    "cost_of_year": "{cost} a year; it lasts {life} and is covered by {needed}",
    "left": "Left per {unit}, cost paid",
    "left_of_year": "Left in a year, cost paid",
    "gain": "Gain",
    "loss": "Loss",
    "side": "{side} per {unit}",
    "side_of_year": "{side} a year",
    "even": "Pays for itself from",
    "no_cost": "no cost to cover",
    "never": "never: it loses grain",
    "none": "none at this estimate",
    "up": "{interval} from {low} {unit} up",
    "area": "{area} {unit} a year",
    "pays": "Chance that it pays",
    "saves": "Chance that it saves grain",
    "on_area": "on {area} {unit} a year",
    "range": "{interval} {low} to {high}",
    "above_zero": "{label}: give a number above zero.",
    "from_zero": "{label}: give zero or a number above it.",
    "year": "{n} year",
    "years": "{n} years",
    "worn": "{life} ({area} {unit})",
    "no_limit": "no limit",
    "not_known": "not known",
    "below_one": "less than 1 %",
    "above_most": "more than 99 %",
    "own_caption": "With the reader's own numbers: {numbers}",
    "own_numbers": "You changed the numbers under \"{title}\": the new figures stand there alone. "
                   "What else this page says of money and of what to do is with the first numbers.",
}
"""Each with slots for what is worked out."""

Line = tuple[str, str, str]


def lines(
    *, value: Ends, left: Ends, year: Ends, net: Ends, even: Ends, annual_cost: float, area: float,
    life: str, needed: float, probability: float, confidence: float, currency: str, system: str,
) -> dict[str, Line]:  # fmt: skip
    """Name, amount and range of each figure.

    Parameters
    ----------
    value, left : Ends
        Worth of the grain, and what is left of it, per acre or ha.
    year, net : Ends
        Likewise in a year.
    even : Ends
        Area from which it pays for itself, acres or ha a year.
    annual_cost, area : float
        Cost of a year; acres or ha.
    life : str
        How long it lasts.
    needed : float
        Grain (kg/ha) that covers the cost.
    probability, confidence : float
    currency, system : str
    """
    unit, level, free = area_unit(system)[0], interval(confidence), annual_cost == 0
    lost = value.value < 0

    def told(three: Ends, places: int | None = None) -> tuple[str, str]:
        places = whole_places(*three) if places is None else places
        low, high = amount(three.low, places), amount(three.high, places)
        reach = TEXTS["range"].format(interval=level, low=low, high=high)
        return f"{currency} {amount(three.value, places)}", reach

    def worth(three: Ends) -> Ends:
        return three.times(-1.0) if lost else three

    name = TEXTS["lost" if lost else "saved"]
    side = TEXTS["loss" if lost else "gain"]
    here = {"area": amount(area, 0), "unit": unit}
    cost = (TEXTS["nothing"], "")
    if not free:
        year_cost = TEXTS["cost_of_year"].format(
            cost=f"{currency} {amount(annual_cost, 0)}", life=life, needed=grain(needed, system)
        )
        cost = (f"{currency} {amount(annual_cost / area)}", year_cost)
    per, in_year = TEXTS["left"].format(unit=unit), TEXTS["left_of_year"]
    if free:  # nothing is paid
        per = TEXTS["side"].format(side=side, unit=unit)
        in_year = TEXTS["side_of_year"].format(side=side)
        left, net = worth(left), worth(net)
    return {
        "value": (TEXTS["per_area"].format(name=name, unit=unit), *told(worth(value), 2)),
        "cost": (TEXTS["cost"].format(unit=unit), *cost),
        "left": (per, *told(left, 2)),
        "year": (TEXTS["per_year"].format(name=name), *told(worth(year))),
        "net": (in_year, *told(net)),
        "even": (TEXTS["even"], *_even(even, free, lost, unit, level)),
        "chance": (TEXTS["saves" if free else "pays"], percent(probability),
                   TEXTS["on_area"].format(**here)),
    }  # fmt: skip


def _even(even: Ends, free: bool, lost: bool, unit: str, level: str) -> tuple[str, str]:
    """From which area it pays, and the range of that."""
    if free:
        return TEXTS["never" if lost else "no_cost"], ""
    if math.isinf(even.value):
        low = amount(even.low, 0)
        up = TEXTS["up"].format(interval=level, low=low, unit=unit)
        return TEXTS["none"], "" if math.isinf(even.low) else up
    places = whole_places(*even)
    at, low, high = (amount(v, places) for v in even)
    return (
        TEXTS["area"].format(area=at, unit=unit),
        TEXTS["range"].format(interval=level, low=low, high=high),
    )


def first_numbers(
    label: str, *, price: float, area: float, cost: float, life: str, interest: str, repair: float,
    change: float, changes: float, annual_cost: float, cost_per_area: float, currency: str,
    system: str,
) -> str:  # fmt: skip
    """What the figures rest on before a reader changes them.

    Parameters
    ----------
    label : str
        What is bought.
    price, area, cost, repair, change, cost_per_area
        In the units a reader is shown: per bu or t, acres or ha.
    changes : float
        A year; 0 where it is fitted once.
    """
    unit, per = area_unit(system)[0], "bu" if system == "US" else "t"
    words = (
        f"Worked out with corn at {currency} {amount(price)} per {per} on {amount(area, 0)} {unit} "
        "a year"
    )
    if cost == 0:
        return f"{words}; the setup is taken to cost nothing."
    more = []
    if repair:
        more.append(f"repair at {currency} {amount(repair)} per {unit}")
    if change:
        often = "fitting it"
        if changes:
            often = f"each of {number(changes, 1).removesuffix('.0')} changes a year"
        more.append(f"{currency} {amount(change, 0)} of labour for {often}")
    also = f", {' and '.join(more)}" if more else ""
    return (
        f"{words}; {lower_first(label)} at {currency} {amount(cost, 0)}, which lasts {life}, at "
        f"{interest} % interest{also}: {currency} {amount(annual_cost, 0)} a year, {currency} "
        f"{amount(cost_per_area)} per {unit}."
    )


def controls(currency: str, system: str, bought: str, changed: bool) -> dict[str, str]:
    """Labels of the numbers a reader may change."""
    unit, per = area_unit(system)[0], "bu" if system == "US" else "t"
    often = "one change" if changed else "fitting it"
    return {
        "price": f"Grain price, {currency} per {per}",
        "area": f"Corn harvested, {unit} a year",
        "cost": f"Price of {bought}, {currency}",
        "years": "Years it lasts at the most",
        "life": f"Corn it lasts, {unit} (0: years alone)",
        "interest": "Interest, % a year",
        "repair": f"Repair, {currency} per {unit}",
        "change": f"Labour of {often}, {currency}",
    }


FRAME: Mapping[str, str] = {
    "legend": "Put in your own numbers",
    "reset": "Back to the first numbers",
    "as_run": "as the trial was run",
    "change": "the change",
    "caption": "With these numbers",
    "instead": "Setup, instead of {reference}",
}
