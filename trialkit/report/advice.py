"""What to do, in words: the verdict of `trialkit.decide.verdict`, a few sentences for every level.

Nothing is judged here; every page and the terminal print these sentences as they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.grades import Compared, Ends, Grade
from trialkit.decide.verdict import GRAIN, Advice, LevelVerdict, Verdict, hours_per_block
from trialkit.decide.words import amount, area_unit, balance_words, whole_places
from trialkit.errors import DesignError
from trialkit.quantities import lower_first, number, run_with, upper_first
from trialkit.report.chances import chance
from trialkit.report.terms import TERMS
from trialkit.report.wording import Finding, counted, finding, listed, noun_of, of_difference

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.analysis.power import PowerAttained


def told(verdict: Verdict, analysis: TrialAnalysis | None = None) -> list[str]:
    """What to do about every level of every setup factor, in the order of the verdict.

    Parameters
    ----------
    verdict : Verdict
    analysis : TrialAnalysis, optional
        To say too what a trial would need to settle what is not.
    """
    out = []
    for own in verdict.levels:
        text = of_level(own, verdict)
        if analysis is not None and own.advice is Advice.UNSETTLED:
            text = f"{text} {_needed(own, analysis)}".rstrip()
        out.append(text)
    return out


def of_level(own: LevelVerdict, verdict: Verdict) -> str:
    """What to do about one level, in sentences."""
    label, reference = map(lower_first, (own.primary.label, own.primary.reference_label))
    if own.time is not None:
        return _of_speed(own, verdict)
    if own.advice is Advice.UNSETTLED:
        if own.primary.grade is Grade.LEANING:
            return f"Not settled yet: {label} against {reference}."
        found = finding(own.primary, verdict.system)
        return (
            f"This trial does not settle whether {label} is better or worse than {reference}; best "
            f"guess for {TERMS[found.response].subject}: {found.percent or found.absolute[0]}."
        )
    if own.advice is Advice.TRY:
        first = own.better[0]
        return (
            f"Try {_passes(label, 'it')} on some passes of your own, next to "
            f"{_passes(reference, 'passes')} in the same field on the same day, and "
            f"{TERMS[first.response].count}: it {_did(own.better)} here."
        )
    if own.advice is Advice.STAY:
        return f"Stay {run_with(reference)} rather than {label}, which {_did(own.worse)} here."
    return _of_option(own, verdict) if own.bought else _of_two(own)


def _passes(label: str, what: str) -> str:
    """ "wide gap", but "it with cushion"."""
    return f"{what} {label}" if label.startswith(("with ", "without ")) else label


def _did(found: Iterable[Compared]) -> str:
    """ "left more loose kernels at the header, and had more damaged kernels"."""
    by_verb: dict[str, list[str]] = {}
    for own in found:
        words = TERMS[own.response]
        by_verb.setdefault(words.verb, []).append(noun_of(own))
    return ", and ".join(f"{verb} {listed(nouns)}" for verb, nouns in by_verb.items())


def _of_two(own: LevelVerdict) -> str:
    """One thing against another: neither is advised."""
    label, reference = map(lower_first, (own.primary.label, own.primary.reference_label))
    return (
        f"{upper_first(label)} {_did(own.better)} than {reference}, but {_did(own.worse)}: which "
        "counts for more is yours to choose."
    )


def _of_speed(own: LevelVerdict, verdict: Verdict) -> str:
    """The slower speed against the faster: what it saves, and the hours it takes."""
    assert own.time is not None
    faster = own.time.hours_per_ha < 0
    slow = own.primary.turned() if faster else own.primary
    side = -1.0 if faster else 1.0  # of money, which is told of the slower speed
    label, reference = lower_first(slow.label), lower_first(slow.reference_label)
    hours, area = hours_per_block(own.time, verdict.system)
    takes = f"takes {number(abs(hours), 1)} hours more per {area}"
    words, begin = TERMS[slow.response], f"{upper_first(label)} instead of {reference}"
    if slow.grade.found:
        size_of = finding(slow, verdict.system).absolute[0]
        out = [f"{begin} {words.verb} {size_of} in {words.noun} and {takes}."]
    else:
        out = [f"{begin} {takes}; that it changes {words.subject} is not established."]
    balance = own.balance
    if balance is not None:
        unit, size = area_unit(verdict.system)
        known = any(c.response == GRAIN for c in (*own.better, *own.worse))
        if known:
            out.append(_grain(_times(balance.grain, side * size), verdict, unit))
        if balance.time_priced:
            out.append(_net(label, reference, _times(balance.net, side * size), own, verdict))
        elif known and balance.hour is not None and balance.hour[0] > 0:
            places = whole_places(*balance.hour)
            value, low, high = (amount(max(v, 0.0), places) for v in balance.hour)
            out.append(
                "The extra hours are paid for where an hour costs less than "
                f"{verdict.currency} {value} ({low} to {high})."
            )
        out += _beside(own)
    if own.advice is Advice.CHOICE:
        out.append("Which counts for more is yours to choose.")
    return " ".join(out)


def _of_option(own: LevelVerdict, verdict: Verdict) -> str:
    """What is bought: what it saves against what it costs."""
    label, reference = map(lower_first, (own.primary.label, own.primary.reference_label))
    balance = own.balance
    if balance is None or balance.area is None:
        return (
            f"{upper_first(label)} {_did(own.better)} than {reference}; no price of grain is "
            "given, so whether that pays for it is yours to choose."
        )
    size = area_unit(verdict.system)[1]
    out = [_net(label, reference, _times(balance.net, size), own, verdict)]
    found = own.better or own.worse
    said = [c.response for c in found] not in ([], [own.primary.response])  # the headline says one
    if said:
        out.insert(0, f"{upper_first(label)} {_did(found)} than {reference}.")
    if own.advice is Advice.CHOICE:
        believed = ""
        if balance.believed is not None and chance(balance.believed) != chance(balance.chance):
            believed = f", {chance(balance.believed)} with what was believed before the trial"
        out.append(
            f"The chance that it pays is {chance(balance.chance)}{believed}. Before you buy, try a "
            f"borrowed set next to {_passes(reference, 'passes')} and "
            f"{TERMS[found[0].response].count}: the choice is yours."
        )
    return " ".join([*out, *_beside(own, found if said else ())])


def _net(label: str, reference: str, net: Ends, own: LevelVerdict, verdict: Verdict) -> str:
    """What is left of the whole balance, per acre or ha, and what it was reckoned with."""
    balance = own.balance
    assert balance is not None
    unit, size = area_unit(verdict.system)
    counted_in = "loose kernels at the header" + " and damage" * bool(balance.damage)
    against = [*["its cost"] * own.bought, *["hours"] * (own.time is not None)]
    given = [f"Counting {counted_in} against {listed(against)}"]
    if balance.area is not None:
        given.append(f"on {amount(balance.area / size, 0)} {unit} a year")
    if own.time is not None and verdict.hour_cost is not None:
        given.append(f"with an hour at {verdict.currency} {amount(verdict.hour_cost, 0)}")
    value, low, high = net
    begin, settled = f"{', '.join(given)}, {label}", low > 0 or high < 0
    verb, rest = ("leaves", "") if value >= 0 else ("costs", "more than it saves ")
    if low > 0:
        verb = "pays: it leaves"
    told = f"{begin} {verb} {verdict.currency} {amount(abs(value))} per {unit} {rest}"
    if settled:
        low, high = sorted((abs(low), abs(high)))
        return f"{told}against {reference} ({amount(low)} to {amount(high)})."
    return (
        f"{told}against {reference}; the range runs {balance_words(low, high)}, so the trial does "
        "not settle whether it pays."
    )


def _grain(worth: Ends, verdict: Verdict, unit: str) -> str:
    value, low, high = worth
    side = "saves" if value >= 0 else "loses"
    if value < 0:
        value, low, high = -value, -high, -low
    return (
        f"The grain it {side} is worth {verdict.currency} {amount(value)} per {unit} "
        f"({amount(low)} to {amount(high)})."
    )


def _times(ends: Ends, factor: float) -> Ends:
    value, low, high = (factor * v for v in ends)
    return value, min(low, high), max(low, high)


def _beside(own: LevelVerdict, said: Sequence[Compared] = ()) -> list[str]:
    """What else was found that has no price, and is not said already."""
    unpriced = () if own.balance is None else own.balance.unpriced
    left = [c for c in unpriced if c not in said]
    label = lower_first(own.primary.label)
    return [f"Not priced: {label} {_did(left)}."] if left else []


def _needed(own: LevelVerdict, analysis: TrialAnalysis) -> str:
    """What a trial would need to tell a level apart; "" where it cannot be told."""
    strips = analysis.trial.strips
    together = strips.groupby(["field", "pair"]).size()
    found = own.primary
    result = analysis.responses[found.response]
    try:
        power = result.power(found.factor, found.level)
    except (DesignError, ValueError, np.linalg.LinAlgError):
        return ""
    levels = result.design.levels[found.factor]
    word = "pair" if len(levels) == 2 and together.max() <= 2 else "block"
    fields = strips["field"].nunique()
    return needed(power, len(together), fields, word, analysis.trial.config.units)


def needed(power: PowerAttained, pairs: int, fields: int, word: str, system: str) -> str:
    """The next finer difference a trial like this could tell, and the pairs or fields it takes.

    Parameters
    ----------
    power : PowerAttained
    pairs, fields : int
        Of the trial.
    word : str
        "pair" or "block".
    system : str
        Units the trial declares.
    """
    table = power.needed
    aims = table[table["aim"] != "half-width"]
    if aims.empty:
        return ""
    # From the largest difference to the smallest; the first the trial was too small for.
    far = aims["value"].map(lambda v: abs(math.log(v)) if power.scale == "ratio" else abs(v))
    aims = aims.loc[far.sort_values(ascending=False, kind="stable").index]
    row = next(
        (r for r in aims.to_dict("records") if not r["pairs"] <= pairs), aims.iloc[-1].to_dict()
    )
    if power.scale == "ratio":
        size = f"of {abs(1 - row['value']) * 100:.0f} %"
    else:
        own = of_difference(power.unit, system)[0]
        size = f"of {abs(row['value']) * own.factor:.2g} {own.unit}"
    ways = []
    if row["pairs"] == row["pairs"]:
        ways.append(f"about {counted(int(row['pairs']), word)} of strips")
    if row["fields"] == row["fields"]:
        ways.append(f"about {counted(int(row['fields']), 'field')} like these")
    often = Fraction(power.power).limit_denominator(20)
    seen = f"in {often.numerator} trials of {often.denominator}"
    if not ways:
        return f"No trial of this kind would see a difference {size} {seen}."
    had = counted(pairs, word) + (f" on {counted(fields, 'field')}" if fields > 1 else "")
    return f"To see a difference {size} {seen} takes {' or '.join(ways)} (this trial had {had})."


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


def in_lines(others: Mapping[str, Sequence[Finding]]) -> list[str]:
    """Other responses, by heading, a line each; those that tell nothing apart share the last.

    What the trial is not first of all about is told where a difference is found, never on a lean.
    """
    out: list[str] = []
    untold: list[str] = []
    setups: set[tuple[str, str]] = set()
    for title, found in others.items():
        known = [f for f in found if f.grade.found]
        if known:
            out.append(" ".join(f"{f.sentence.rstrip('.')}: {f.absolute[0]}." for f in known))
        elif found:
            untold.append(title)
            setups.update((f.factor, f.level) for f in found)
    if untold:
        which = "the two" if len(setups) == 1 else "the setups"
        out.append(f"This trial cannot tell {which} apart in {listed(untold)}.")
    return out
