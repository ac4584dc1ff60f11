"""What a setup is worth to one grower, and what would change the answer."""

from __future__ import annotations

import math

from trialkit.facts import Ends
from trialkit.quantities import lower_first, number, upper_first
from trialkit.words.chances import EQUALLY
from trialkit.words.counts import counted
from trialkit.words.money import amount, balance_words, interval_of_saving, percent, whole_places


def title() -> str:
    """Heading."""
    return "What it is worth to me"


def change_title() -> str:
    """Heading."""
    return "What would change the answer"


def no_header_loss() -> str:
    """Why money cannot be spoken of."""
    return "Header loss was not analysed."


def told_by_the_hour() -> str:
    """Why a choice that costs time has no controls."""
    return "Time belongs to this choice: it is told by what an hour costs."


def no_price() -> str:
    """Why money cannot be spoken of."""
    return "The trial gives no price of grain."


def instead(label: str, reference: str) -> str:
    """The choice in words."""
    return f"{upper_first(label)} instead of {lower_first(reference)}"


def grain_worth(choice: str, worth: Ends, currency: str, unit: str, level: str) -> str:
    """What the grain that a choice saves or loses is worth per `unit` of area."""
    value, low, high = worth
    return (
        f"{choice} {'saves' if value >= 0 else 'loses'} grain worth {currency} "
        f"{amount(abs(value))} per {unit} ({level} {interval_of_saving(value, low, high)})"
    )


def chance_of_grain(worth: str, probability: float, believed: str) -> str:
    """Where nothing is bought: the chance that grain is saved at all."""
    return (
        f"{worth}; the chance that it saves grain at all is {percent(probability)}{believed}."
    )


def balance_of_year(
    worth: str, net: Ends, per_area: float, cost: float, probability: float, believed: str, *,
    area: float, currency: str, unit: str,
) -> str:  # fmt: skip
    """Where something is bought: what is left of a year, and the chance that it pays."""
    whole = whole_places(*net)
    left, rest = ("leaves", "") if net.value >= 0 else ("costs", " more than it saves")
    return (
        f"{worth}. On {amount(area, 0)} {unit} a year it {left} "
        f"{currency} {amount(abs(net.value), whole)} a year ({currency} "
        f"{amount(abs(per_area))} per {unit}){rest}, its own cost of "
        f"{currency} {amount(cost, 0)} counted; the range runs "
        f"{balance_words(net.low, net.high, whole)}. The chance that it pays is "
        f"{percent(probability)}{believed}."
    )


def hours(value: float, area: str) -> str:
    """What a choice takes of time."""
    return f"takes {number(abs(value), 1)} hours {'more' if value > 0 else 'less'} per {area}"


def time_beside(label: str, hours: str) -> str:
    """That figures of grain leave the time out, and how much it is."""
    return f"Time is not in this: {lower_first(label)} {hours}; see What to do."


def hours_without_price(choice: str, hours: str) -> str:
    """A choice that takes time, without a price of grain."""
    return f"{choice} {hours}; no price of grain is given."


def grain_and_hours(worth: str, hours: str) -> str:
    """What another ground speed saves or loses, and the hours it takes."""
    return f"{worth} and {hours}; see What to do."


def left_caption(label: str, reference: str, currency: str, unit: str) -> str:
    """Over the table by what an hour costs."""
    return (
        f"Left by {lower_first(label)} instead of {lower_first(reference)}, "
        f"{currency} per {unit}: grain and time; below zero it costs"
    )


def range_of_hours(example: bool) -> str:
    """Where the range of that table comes from."""
    examples = "What an hour costs stands here as an example. " if example else ""
    return f"{examples}The range comes from the trial's uncertainty about the grain."


def believed_beside(chance: float) -> str:
    """The chance with what was believed before, behind that of the trial alone."""
    return f" by the trial alone, {percent(chance)} with what was believed before it"


def round_area() -> str:
    """Where nobody stated an area."""
    return "The trial states no area for this; the area is a round example."


def where_from() -> str:
    """What the range is of, and how the cost of a year is reckoned."""
    return (
        "The range comes from the trial's uncertainty about the grain saved, all its fields "
        "together; prices, area and life are taken as certain. The cost of a year is the payment "
        "that repays the price with interest over its life (in years or in area harvested, "
        "whichever ends first), with repair and labour. A balance below zero: it costs more than "
        "it saves."
    )


def chance_is(with_prior: str) -> str:
    """What the chance rests on."""
    return f"The chance is what the trial alone says, {EQUALLY}.{with_prior}"


def at_chosen_speed(set_apart: bool) -> str:
    """Where the saving at another speed comes from."""
    if set_apart:
        return "At a chosen ground speed the saving is that of the strips run at it."
    return (
        "At a chosen ground speed the saving is read off the trial's curve along measured "
        "speed; its range is wider where few strips were run."
    )


# ---------------------------------------------------------------- what would change the answer
def moved_caption(level: str) -> str:
    """Under the figure of inputs moved."""
    return (
        f"One input moved at a time. Grain kept moves over its {level} interval; the other "
        "ranges are examples."
    )


def balance_caption(level: str) -> str:
    """Under the balance by area."""
    return f"Value of the grain saved less the yearly cost. Band: {level} interval."


def begin_area(area: str) -> str:
    """Of a price that would turn the answer."""
    return f"With {area} a year: if corn were"


def begin_price(price: str) -> str:
    """Of an area that would turn the answer."""
    return f"With corn at {price}: on"


def must_save(needed: str, best: str, interval: str, falls_short: bool) -> str:
    """What it must save, beside the best guess."""
    short = "so it falls short" if falls_short else "more than that"
    return f"It must save {needed} to pay; the best guess is {best} ({interval}), {short}."


def must_last(years: Ends, corn: str, stated: float, level: str) -> str:
    """How long it would have to last."""
    latest = (
        f"{amount(years.low, 0)} to {amount(years.high, 0)} years"
        if math.isfinite(years.high)
        else f"from {amount(years.low, 0)} years, with no upper limit"
    )
    return (
        f"It would have to last {amount(years.value, 1)} years, which is {corn} (stated: "
        f"{amount(stated, 1)} years), to repay its price with interest ({level} "
        f"range {latest})."
    )


def never_repaid() -> str:
    """Where no life is long enough."""
    return "At the middle of the range the saving never repays its price."


def saving_of(fields: int) -> str:
    """Whose saving it is."""
    return (
        f"The saving is that of {counted(fields, 'field')} in one "
        "season, with corn that stood and shelled as it did there; other corn would change it."
    )


def more_pairs(evidence: str) -> str:
    """Where the trial itself is what is open."""
    return (
        f"{evidence} More pairs, or another season, would change the answer before "
        "any price does."
    )


def at_no_price(label: str) -> str:
    """Where grain is lost for sure."""
    return (
        f"At no price, and on no area, does {lower_first(label)} pay in grain: it loses grain "
        "over the whole interval. Something else that it does would have to be worth more."
    )


def at_any_price(label: str) -> str:
    """Where grain is saved for sure."""
    return f"At any price of grain {lower_first(label)} keeps more of it."


def grain_of_year(area: str, worth: Ends, currency: str, level: str) -> str:
    """What the grain of a year comes to."""
    value = worth.value
    sums = worth if value >= 0 else worth.times(-1.0)  # told as a loss
    places = whole_places(*sums)
    cover = (
        "; a change of setup that costs more than that a year is not covered by grain"
        if value > 0
        else ""
    )
    return (
        f"On {area} a year the grain {'saved' if value >= 0 else 'lost'} comes to "
        f"{currency} {amount(sums.value, places)} a year ({level} interval "
        f"{amount(sums.low, places)} to {amount(sums.high, places)}){cover}."
    )


def doubles() -> str:
    """How figures go with price and area."""
    return "Twice the price of grain or twice the area doubles every figure."


def threshold(
    what: str, begin: str, at: Ends, *, currency: str, unit: str, pays: bool, level: str
) -> str:
    """ "With 600 ac a year: if corn were below USD 3.33 per bu it would not pay (...)."

    Parameters
    ----------
    what : {"price", "area"}
        What turns the answer.
    begin : str
        What is given meanwhile: `begin_area`, `begin_price`.
    at : Ends
        Where it turns.
    currency, unit : str
    pays : bool
        Whether it pays as things are.
    level : str
    """
    price = what == "price"
    places = 2 if price else whole_places(*at)
    money = f"{currency} " if price else ""
    if not math.isfinite(at.value):
        head = f"No {'grain price' if price else 'area'} pays at the estimate"
        if not math.isfinite(at.low):
            return f"{head}, nor anywhere in the {level} interval of the saving."
        return f"{head}; the interval begins at {money}{amount(at.low, places)} {unit}."
    sides = ("below", "above") if price else ("fewer than", "more than")
    reach = (
        f"{money}{amount(at.low, places)} to {amount(at.high, places)}"
        if math.isfinite(at.high)
        else f"from {money}{amount(at.low, places)}, with no upper limit"
    )
    return (
        f"{begin} {sides[0 if pays else 1]} {money}{amount(at.value, places)} {unit} it would "
        f"{'not pay' if pays else 'pay'} ({level} interval of that turning point {reach})."
    )
