"""What a setup is worth and what it costs, whether it pays, and what would turn the answer."""

from __future__ import annotations

import math
from collections.abc import Mapping

from trialkit.display import freedom, number
from trialkit.facts import Ends
from trialkit.quantities import lower_first, upper_first
from trialkit.units import kg_ha_to_bu_ac, price_per_tonne_to_per_bushel
from trialkit.words.chances import EQUALLY
from trialkit.words.money import amount, area_unit, interval_of_saving, percent, whole_places


def interval(confidence: float) -> str:
    """ "95 % interval"."""
    return f"{100 * confidence:g} % interval"


def years(value: float) -> str:
    """ "10 years", "1 year", "2.5 years"."""
    life = amount(value, 1).removesuffix(".0")
    return f"{life} {'year' if life == '1' else 'years'}"


def lasts(life: float, life_area: float | None, system: str) -> str:
    """How long an option lasts: "10 years", "2.5 years (5,000 ac)" where area (ha) ends it."""
    if life_area is None:
        return years(life)
    unit, size = area_unit(system)
    return f"{years(life)} ({amount(life_area / size, 0)} {unit})"


def grain(kg_ha: float, system: str) -> str:
    """Grain per area in the trial's unit: "0.37 bu/ac"."""
    if system == "US":
        return f"{amount(float(kg_ha_to_bu_ac(kg_ha)))} bu/ac"
    return f"{amount(kg_ha, 1)} kg/ha"


def partial_budget(
    price: float, life: str, interest: float, area: float, needed: float, saved: float, draws: int
) -> list[str]:
    """An option and what it must keep (kg/ha), in a sentence or two."""
    return [
        f"An option of {number(price, 0)} that lasts {life}, at {100 * interest:g} % interest, "
        f"kept on {number(area, 0)} ha a year. It pays where it keeps more than "
        f"{amount(needed, 1)} kg/ha; it keeps {amount(saved, 1)}.",
        f"Medians of {draws:,} draws." if draws > 1 else "",
    ]


def grain_value(
    label: str, reference: str, worth: Ends, *, currency: str, system: str, confidence: float
) -> str:
    """What the grain a setup saves is worth per area (`worth`, per ha)."""
    unit, size = area_unit(system)
    value, low, high = worth.times(size)
    done = "saved" if value >= 0 else "lost"
    return (
        f"{upper_first(label)} against {lower_first(reference)}, at the header: loose grain worth "
        f"{currency} {amount(abs(value))} {done} per {unit} ({100 * confidence:g} % "
        f"{interval_of_saving(value, low, high)})."
    )


def cost_and_rest(
    label: str, *, area: float, life: str, annual_cost: float, cost: float, value: float,
    year: Ends, needed: float, currency: str, system: str,
) -> str:  # fmt: skip
    """Cost, saving and what is left, per area and per year.

    Parameters
    ----------
    label, life : str
        The option, and how long it lasts (`lasts`).
    area : float
        ha a year.
    annual_cost, cost, value : float
        Of the option a year and per ha; of the grain per ha.
    year : Ends
        Left in a year.
    needed : float
        Grain (kg/ha) that covers the cost.
    """
    unit, size = area_unit(system)
    cost, value = cost * size, value * size
    word = "less" if cost <= value else "more"
    return (
        f"On {number(area / size, 0)} {unit} a year {lower_first(label)} lasts {life} and costs "
        f"{currency} {amount(annual_cost, 0)} a year, {currency} {amount(cost)} per {unit}. That "
        f"is {currency} {amount(abs(value - cost))} per {unit}, {currency} "
        f"{amount(abs(year.value), whole_places(*year))} a year, {word} than the grain it saves is "
        f"estimated to be worth; it pays where it saves more than {grain(needed, system)}."
    )


def pays_from(
    even: Ends, wear: float, value: float, *, currency: str, system: str, confidence: float
) -> str:
    """The area from which the saving pays for an option.

    Parameters
    ----------
    even : Ends
        Area in the trial's unit, infinite for none.
    wear, value : float
        What wear and repair alone cost, and what the grain is worth, per ha.
    """
    unit, size = area_unit(system)
    worn = f"wear and repair alone cost {currency} {amount(wear * size)} per {unit}"
    if math.isinf(even.value):
        if value > 0:
            return f"No area a year pays for it at this saving: {worn}."
        return "The estimate shows no saving to pay for it on any area."
    places = whole_places(*even)
    span = f"at least {amount(even.low, places)}"
    if math.isfinite(even.high):
        span = f"{amount(even.low, places)} to {amount(even.high, places)}"
    return (
        f"The saving pays for it from {amount(even.value, places)} {unit} a year "
        f"({interval(confidence)} {span} {unit}{f'; {worn} on any area' if wear > 0 else ''})."
    )


def break_even(
    what: str, at: Ends, *, confidence: float, currency: str, system: str, wear: float = 0.0,
    saving: float = 0.0, covered: bool = False, limit: float = math.inf,
    limit_low: float = math.inf,
) -> str:  # fmt: skip
    """The area or price at which nothing is left, and its interval.

    Parameters
    ----------
    what : {"area", "price"}
    at : Ends
        In the trial's own unit; infinite where no area (price) is enough.
    wear, saving : float
        Of an area: what every ha costs by wear and repair alone, and saves at the estimate.
    covered : bool
        Whether what else the option saves covers its cost.
    limit, limit_low : float
        Price per t above which the grain lost outweighs what else it saves, at the estimate and
        at the low end of the saving.
    """
    level, size = interval(confidence), area_unit(system)[1]
    if what == "area":
        unit = f"{area_unit(system)[0]} a year"
        name, first, places = "area", "", whole_places(*at)
    else:
        unit = "per bu" if system == "US" else "per t"
        name, first, places = "grain price", f"{currency} ", 2
    worn = f"wear and repair alone cost {currency} {amount(wear * size)} per {area_unit(system)[0]}"
    if covered:
        per = float(price_per_tonne_to_per_bushel(1.0)) if system == "US" else 1.0
        at_limit, at_low = (f"{first}{amount(v * per)} {unit}" for v in (limit, limit_low))
        rest = _covered(at_limit, at_low, math.isfinite(limit), math.isfinite(limit_low))
        return f"Break-even grain price: none needed{rest}"
    if math.isinf(at.low):
        return (
            f"Break-even {name}: none. The whole {level} of the saving is too low for any {name} "
            f"to cover the cost{f': {worn}' if wear > 0 else ''}."
        )
    because = "because the interval of the saving includes zero"
    if wear > 0:
        because = (
            "because the interval of the saving reaches down to what wear and repair alone cost, "
            f"{currency} {amount(wear * size)} per {area_unit(system)[0]}"
        )
    if math.isinf(at.value):
        short = "which shows no saving"
        if wear > 0 and saving > 0:
            short = f"where {worn}, more than it saves"
        return (
            f"Break-even {name}: none at the estimate, {short}; the {level} runs from "
            f"{first}{amount(at.low, places)} {unit} with no upper limit, {because}."
        )
    begin = f"Break-even {name}: {first}{amount(at.value, places)} {unit} ({level}"
    if math.isinf(at.high):
        return f"{begin} from {first}{amount(at.low, places)} with no upper limit, {because})."
    return f"{begin} {amount(at.low, places)} to {amount(at.high, places)})."


def _covered(at: str, least: str, known: bool, known_low: bool) -> str:
    """What a price means where discount and time already cover the cost."""
    rest = "; what else the option saves covers its cost."
    if known:
        return f"{rest} At the estimate it loses grain, and pays below {at} only."
    if known_low:
        return (
            f" at the estimate{rest} At the low end of the interval of the saving it loses grain, "
            f"and pays below {least} only."
        )
    return f" at the estimate{rest}"


def probability_it_pays(
    label: str, reference: str, *, probability: float, believed: float | None, basis: str,
    df: float, annual_cost: float, cost: float, currency: str, system: str,
) -> str:  # fmt: skip
    """The probability that a saving exceeds a cost (`cost` per ha), and what it rests on."""
    unit, size = area_unit(system)
    scale = "difference in loss" if basis == "difference" else "logarithm of the ratio of losses"
    before = ""
    if believed is not None:
        before = f"; with what was believed before it is {percent(believed)}"
    return (
        f"{label} against {reference}: the probability that the saving exceeds the yearly cost of "
        f"{currency} {amount(annual_cost, 0)} ({currency} {amount(cost * size)} per {unit}) is "
        f"{percent(probability)} (the {scale} follows a t distribution, {freedom(df, 0)} degrees "
        f"of freedom), {EQUALLY}{before}."
    )


def left_in_a_year(
    year: Ends, area: Ends, *, currency: str, system: str, confidence: float
) -> str:
    """The median and range of what is left, in a year and per ha (`area`)."""
    unit, size = area_unit(system)
    whole = whole_places(*year)
    at, low, high = area.times(size)
    return (
        f"Left in a year: median {currency} {amount(year.value, whole)} ({100 * confidence:g} % "
        f"range {amount(year.low, whole)} to {amount(year.high, whole)}), {currency} {amount(at)} "
        f"per {unit} ({amount(low)} to {amount(high)})."
    )


def repaid_after(after: Ends, confidence: float, lasts_only: str = "") -> str:
    """After how many years a price is repaid; `lasts_only` where its life may be shorter."""
    if not math.isfinite(after.value):
        return "At the median the saving does not repay the price in any number of years."
    latest = f"from {amount(after.low, 1)} with no upper limit"
    if math.isfinite(after.high):
        latest = f"{amount(after.low, 1)} to {amount(after.high, 1)}"
    life = f"; it is taken to last {lasts_only}" if lasts_only else ""
    return (
        f"The price is repaid with interest after {amount(after.value, 1)} years "
        f"({100 * confidence:g} % range {latest}){life}."
    )


def moves_most(label: str, low: str, high: str, left: tuple[str, str], currency: str) -> str:
    """The input that moves a balance most: its ends, and what is left a year at each."""
    return (
        f"{label} moves the balance most: {currency} {left[0]} a year at {low}, {left[1]} at "
        f"{high}."
    )


def decides_alone(labels: list[str]) -> str:
    """Inputs any of which alone turns the answer within its range."""
    if not labels:
        return "No single input within its range decides whether it pays."
    named = ", ".join(map(lower_first, labels))
    return f"Within its range each of these alone decides whether it pays: {named}."


def at_the_base(currency: str, left: str) -> str:
    """What is left where no input is moved."""
    return f"At the base {currency} {left} a year is left."


HEADINGS: Mapping[str, str] = {
    "worth": "What the grain is worth: {} against {}",
    "payback": "Does it pay: {} against {}",
    "moves": "What moves the balance",
    "moved": "{} a year, one input moved at a time",
    "year": "Left in a year, {}",
    "years": "Years to repay the price",
}
"""Of cards and their tables."""
LABELS: Mapping[str, str] = {
    "saved": "Grain kept",
    "price": "Grain price",
    "area": "Area a year",
    "option_price": "Price",
    "life_area": "Life in area",
    "repair": "Repair",
    "change_cost": "Labour of one change",
    "changes": "Changes",
    "years": "Life in years",
    "interest": "Interest",
    "salvage": "Salvage value",
    "running_cost": "Running cost a year",
    "discount_avoided": "Discount avoided",
    "time_cost": "Extra time",
}
"""Of the inputs of a balance."""
