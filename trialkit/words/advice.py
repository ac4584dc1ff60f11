"""What to do about a level of a setup factor, a few sentences each; nothing is judged here."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from trialkit.display import number
from trialkit.facts import Comparison, Ends
from trialkit.quantities import listed, lower_first, run_with, upper_first
from trialkit.words.chances import chance
from trialkit.words.comparisons import amounts, did, share, which
from trialkit.words.counts import counted
from trialkit.words.money import amount, area_unit, balance_words, whole_places
from trialkit.words.terms import terms

IN_TABLE = {
    "try": "try",
    "stay": "stay",
    "pays": "pays",
    "costs": "costs more than it saves",
    "choice": "open: you choose",
    "unsettled": "not settled",
}
"""What follows for a level, in a word or a few."""


def not_settled(own: Comparison, system: str) -> str:
    """That a trial does not tell a level apart, with its best guess."""
    label, reference = lower_first(own.label), lower_first(own.reference_label)
    do = "does" if own.n_trials == 1 else "do"
    return (
        f"{which(own)} {do} not settle whether {label} is better or worse than {reference}; best "
        f"guess for {terms(own.response).subject}: {share(own) or amounts(own, system)[0]}."
    )


def leaning(label: str, reference: str) -> str:
    """That the counts lean without settling it."""
    return f"Not settled yet: {label} against {reference}."


def try_it(label: str, reference: str, better: Sequence[Comparison]) -> str:
    """To try a level that was found better and costs nothing."""
    return (
        f"Try {_passes(label, 'it')} on some passes of your own, next to "
        f"{_passes(reference, 'passes')} in the same field on the same day, and "
        f"{terms(better[0].response).count}: it {did(better)} here."
    )


def stay(label: str, reference: str, worse: Sequence[Comparison]) -> str:
    """To stay with the reference."""
    return f"Stay {run_with(reference)} rather than {label}, which {did(worse)} here."


def choose(
    label: str, reference: str, better: Sequence[Comparison], worse: Sequence[Comparison]
) -> str:
    """One thing against another: neither is advised."""
    return (
        f"{upper_first(label)} {did(better)} than {reference}, but {did(worse)}: which counts for "
        "more is yours to choose."
    )


def yours() -> str:
    """That a choice is open."""
    return "Which counts for more is yours to choose."


def slower(slow: Comparison, hours: float, system: str) -> str:
    """The slower speed against the faster: what it changes, and the hours it takes.

    Parameters
    ----------
    slow : Comparison
        The slower one as the level.
    hours : float
        More of them on the area people reckon with (`block`).
    system : str
    """
    takes = f"takes {number(abs(hours), 1)} hours more per {block(system)}"
    begin = f"{upper_first(lower_first(slow.label))} instead of {lower_first(slow.reference_label)}"
    words = terms(slow.response)
    if not slow.grade.found:
        return f"{begin} {takes}; that it changes {words.subject} is not established."
    return f"{begin} {words.verb} {amounts(slow, system)[0]} in {words.noun} and {takes}."


def block(system: str) -> str:
    """The area people reckon hours on: 100 acres, or 40 ha."""
    return "100 acres" if system == "US" else "40 ha"


def grain_worth(worth: Ends, currency: str, unit: str) -> str:
    """What the grain a setup saves or loses is worth per area."""
    side = "saves" if worth.value >= 0 else "loses"
    value, low, high = worth if worth.value >= 0 else worth.times(-1.0)
    return (
        f"The grain it {side} is worth {currency} {amount(value)} per {unit} ({amount(low)} to "
        f"{amount(high)})."
    )


def hour_worth(hour: Ends, currency: str) -> str:
    """The price of an hour below which extra hours are paid for."""
    places = whole_places(*hour)
    value, low, high = (amount(max(v, 0.0), places) for v in hour)
    return (
        f"The extra hours are paid for where an hour costs less than {currency} {value} ({low} to "
        f"{high})."
    )


def ears_other_way(ears: Comparison, system: str) -> str:
    """Dropped ears of a setup, where they point the other way by more than its loose kernels."""
    best = amounts(ears, system)[0]
    return (
        f"Dropped ears pointed the other way by more ({lower_first(ears.label)}: {best}); once all "
        "comparisons are counted that is not established, so which of the two leaves less on the "
        "ground in all is not known."
    )


def no_price(label: str, reference: str, found: Sequence[Comparison]) -> str:
    """What is bought, where no price of grain is given."""
    return (
        f"{upper_first(label)} {did(found)} than {reference}; no price of grain is given, so "
        "whether that pays for it is yours to choose."
    )


def found_too(label: str, reference: str, found: Sequence[Comparison]) -> str:
    """What else a level was found to do."""
    return f"{upper_first(label)} {did(found)} than {reference}."


def left_over(
    label: str, reference: str, net: Ends, *, system: str, currency: str, damage: bool = False,
    bought: bool = False, area: float | None = None, hours: bool = False,
    hour_cost: float | None = None, trials: int = 1,
) -> str:  # fmt: skip
    """What is left of the whole balance, per acre or ha, and what it was reckoned with.

    Parameters
    ----------
    label, reference : str
    net : Ends
        Per acre or ha.
    system, currency : str
    damage, bought, hours : bool
        Whether a discount for damage, the cost of the option and extra hours count in it.
    area : float, optional
        Acres or ha a year.
    hour_cost : float, optional
        What an hour more costs.
    trials : int
        How many it is the mean of.
    """
    unit = area_unit(system)[0]
    counted_in = "loose kernels at the header" + " and damage" * damage
    against = [*["its cost"] * bought, *["hours"] * hours]
    given = [f"Counting {counted_in} against {listed(against)}"]
    if area is not None:
        given.append(f"on {amount(area, 0)} {unit} a year")
    if hours and hour_cost is not None:
        given.append(f"with an hour at {currency} {amount(hour_cost, 0)}")
    value, low, high = net
    verb, rest = ("leaves", "") if value >= 0 else ("costs", "more than it saves ")
    if low > 0:
        verb = "pays: it leaves"
    told = (
        f"{', '.join(given)}, {label} {verb} {currency} {amount(abs(value))} per {unit} {rest}"
        f"against {reference}"
    )
    if net.apart:
        low, high = sorted((abs(low), abs(high)))
        return f"{told} ({amount(low)} to {amount(high)})."
    by = "trial does" if trials == 1 else "trials do"
    return (
        f"{told}; the range runs {balance_words(low, high)}, so the {by} not settle whether "
        "it pays."
    )


def borrow_first(
    reference: str, found: Comparison, probability: float, believed: float | None
) -> str:
    """The chance that an option pays, and to try it before buying."""
    before = ""
    if believed is not None and chance(believed) != chance(probability):
        before = f", {chance(believed)} with what was believed before the trial"
    return (
        f"The chance that it pays is {chance(probability)}{before}. Before you buy, try a "
        f"borrowed set next to {_passes(reference, 'passes')} and {terms(found.response).count}: "
        "the choice is yours."
    )


def not_priced(label: str, found: Sequence[Comparison]) -> str:
    """What else was found that has no price."""
    return f"Not priced: {label} {did(found)}."


def takes(
    size: str, power: float, pairs: int, fields: int, word: str, need_pairs: int | None,
    need_fields: int | None,
) -> str:  # fmt: skip
    """How many pairs or fields the next finer difference takes.

    Parameters
    ----------
    size : str
        Of that difference: "20 %", "0.5 bu/ac".
    power : float
        How often it is to be seen.
    pairs, fields : int
        Of the trial.
    word : str
        "pair" or "block".
    need_pairs, need_fields : int or None
        None where no number of them is enough.
    """
    ways = []
    if need_pairs is not None:
        ways.append(f"about {counted(need_pairs, word)} of strips")
    if need_fields is not None:
        ways.append(f"about {counted(need_fields, 'field')} like these")
    often = Fraction(power).limit_denominator(20)
    seen = f"in {often.numerator} trials of {often.denominator}"
    if not ways:
        return f"No trial of this kind would see a difference of {size} {seen}."
    had = counted(pairs, word) + (f" on {counted(fields, 'field')}" if fields > 1 else "")
    return f"To see a difference of {size} {seen} takes {' or '.join(ways)} (this trial had {had})."


def holds_for(moisture: tuple[float, float] | None, speed: tuple[float, float] | None,
              unit: str) -> str:  # fmt: skip
    """Grain moisture (%) and ground speed (`unit`) the trial covers; "" where neither was read."""
    parts = []
    if moisture is not None:
        parts.append(f"grain at {between(moisture, 0)} % moisture")
    if speed is not None:
        parts.append(f"{between(speed, 1)} {unit}")
    return f"This holds for {' and '.join(parts)}; elsewhere, count first." if parts else ""


def between(ends: tuple[float, float], places: int) -> str:
    """ "16 to 19", or one number where both round to it."""
    low, high = (number(float(end), places) for end in ends)
    return low if low == high else f"{low} to {high}"


def _passes(label: str, what: str) -> str:
    """ "wide gap", but "it with cushion"."""
    return f"{what} {label}" if label.startswith(("with ", "without ")) else label
