"""Pages over many trials: what they say of fields, seasons, money and of what was used."""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import isfinite

from trialkit.display import number, p_is, significant
from trialkit.facts import Grade
from trialkit.quantities import Scale, listed, lower_first
from trialkit.words.chances import of_hundred
from trialkit.words.counts import counted

TOO_FEW = "too few trials to say"
TITLES = {
    "do": "What to do", "fields": "Field by field, season by season",
    "mine": "My fields against the others, season by season", "beside": "The setups side by side",
    "worth": "What it is worth", "next": "What the next field may show", "differs": "What differs",
    "also": "Also looked at", "effects": "In every field, as numbers",
    "map": "Where the fields lie", "used": "Which trials are in this",
    "unknown": "Keep in mind", "answer": "The answer", "model": "How it was reckoned",
    "trials": "Trial by trial", "downloads": "All tables", "reproduce": "To make this page again",
}  # fmt: skip
PAGES = {
    "field-day": "Field day, over the seasons", "grower": "My fields over the seasons",
    "researcher": "Analysis over the seasons",
}  # fmt: skip
SIDES = {False: "less", True: "more"}


def page_title(page: str, grower: str) -> str:
    """Title of a page's window and of its PDF."""
    return f"{page}, {grower}" if grower else page


# ---------------------------------------------------------------- the head
def seasons(first: int, last: int) -> str:
    """ "2022 to 2025", or the only one."""
    return str(first) if first == last else f"{first} to {last}"


def over(trials: int, first: int, last: int, fields: int, times: int, strips: int) -> str:
    """How much stands behind a page: trials, seasons, fields, how often they were compared."""
    again = f", compared {often(times)} in all" if times > fields else ""
    return (
        f"{counted(trials, 'trial')}, {seasons(first, last)}: {counted(fields, 'field')}{again}, "
        f"{counted(strips, 'strip')}"
    )


def question(factors: Sequence[str]) -> str:
    """What was asked."""
    return f"What does a change of {listed([lower_first(f) for f in factors])} do, over all trials?"


def fields_of(grower: str, fields: Sequence[str], times: int) -> str:
    """Whose page it is, and on which fields."""
    own = f"{grower}: " if grower else ""
    return f"{own}{listed(list(fields))} (compared {often(times)})"


def often(times: int) -> str:
    """ "once", "twice", "8 times"."""
    return {1: "once", 2: "twice"}.get(times, f"{times} times")


def same_way(less: bool, same: int, times: int, mine: bool) -> str:
    """In how many comparisons of fields the measured difference goes the way of the mean."""
    whose = "my own strips" if mine else "their own strips"
    return f"By {whose} alone, {SIDES[not less]} in {same} of {counted(times, 'comparison')}"


def other_way(names: Sequence[str], alike: Sequence[str] = ()) -> str:
    """Fields whose own strips went the other way, and those whose strips do not differ."""
    told = ["No field went the other way."]
    if names:
        told = [f"The other way went {listed(list(names))}."]
    if alike:
        told.append(f"No difference in {listed(list(alike))}.")
    return " ".join(told)


def no_own_pairs(mine: bool) -> str:
    """Where no field has both setups side by side."""
    whose = "my own strips" if mine else "their own strips"
    return f"By {whose} alone: not known, since no field has both setups in one pair."


def named(field: str, season: int) -> str:
    """A field in one season."""
    return f"{field} ({season})"


def own_against_rest(told: str, apart: bool) -> str:
    """A grower's own effect against that in the others' fields."""
    if not apart:
        return (
            "Whether the setup does more or less on my fields than on the others these trials "
            "cannot tell."
        )
    return (
        "The setup may not do the same on my fields as on the others': as a share of all that "
        f"lay on the ground with the reference it left {told} than on theirs. Of growers "
        "whose fields are like all others, 1 in 20 is told so by chance."
    )


def one_more(interval: str) -> str:
    """The next field, on a line."""
    return f"One more field like these may see anything {interval}."


def next_in_short(
    low: float, high: float, own: Scale, less: str, more: str, places: int
) -> str:  # fmt: skip
    """Interval for the next field, short, with the digits of the figure of fields."""
    ends = []
    for value in (low * own.factor, high * own.factor):
        shown = number(abs(value), places)
        way = less if value < 0 else more
        known = shown != number(0.0, places)
        ends.append(f"{shown} {own.unit} {way}" if known else "about 0")
    return f"from {ends[0]} to {ends[1]}"


def next_field(interval: str, shares: tuple[float, float], percent: str) -> str:
    """The next field in words."""
    return (
        f"A field of the next trial, at the mean loss of these: {interval} ({percent} of such "
        f"fields). Of 100 such fields, {of_hundred(*shares)} would go the same way."
    )


def why_wider() -> str:
    """Why that interval is wider than that of the mean."""
    return (
        "It is wider than the interval of the mean, since fields and seasons differ: the mean says "
        "what the setup does on many fields, this what one more may see."
    )


# ---------------------------------------------------------------- fields and seasons
def how_to_read(mine: bool, following: bool) -> str:
    """Under the figure of fields by season; `following` where the next field is drawn."""
    after = " Dashed: where the next field may lie." if following else ""
    own = "Diamonds and bold: my fields. " if mine else ""
    return (
        f"{own}Bars: likely range of the field's figure by the model, which draws few strips "
        f"towards the mean. Cross: the field's own strips alone. Wide diamond: mean of all.{after}"
    )


def as_measured_only(mine: bool) -> str:
    """Under it where the model has no figure for single fields."""
    own = "Diamonds and bold: my fields. " if mine else ""
    return (
        f"{own}Bars: the field's own strips alone; with so few fields the model takes the effect "
        "to be the same everywhere. Wide diamond: mean of all."
    )


def fields_differ(between: str, apart: Sequence[str], level: float) -> str:
    """How much fields differ, and which stand out by their own strips; `level` of their ranges."""
    out = f"From field to field the effect varies by about {between} either way (a standard "
    out += "deviation). "
    if not apart:
        return f"{out}No field's own strips leave the mean out."
    return (
        f"{out}The own strips of {listed(list(apart))} leave the mean out of their range; about 1 "
        f"in {number(1 / (1 - level), 0)} does so by chance alone."
    )


def spread_of_two() -> str:
    """What two trials say of fields, and why a field's range may be narrower than the mean's."""
    return (
        "A field's bar is of that field alone, as it was in that season. The mean's is of fields "
        "such as these: two trials hardly tell how much the effect varies from field to field, so "
        "it is much wider, and the mean may be open where a field's own figure is not."
    )


def spread_unknown() -> str:
    """Where the model has no effects of its own for single fields."""
    return (
        f"How much the effect varies from field to field: {TOO_FEW}. The mean and its range are of "
        "these fields; other fields may differ by more."
    )


def alike() -> str:
    """Where fields were not found to vary."""
    return (
        "The estimate of how much the effect varies from field to field is zero, which does not "
        "show that fields are alike: the ranges below allow for it."
    )


def setups_caption(title: str, unit: str, other: str) -> str:
    """Over the table of setups by field."""
    return f"{title} as measured, {unit} (in brackets {other}); means of strips"


def setups_note(offset: bool) -> str:
    """What plain means are; `offset` where the loss before harvest is taken off."""
    off = ""
    if offset:
        off = (
            " The loss before harvest, which no setup changes, is taken off as the mean of the "
            "field, not strip by strip: so setups differ here by what lay on the ground, as in "
            "\"their own strips\"."
        )
    return (
        "Plain means of what was measured; the headline is the model's, which weighs fields by "
        f"what they say, and need not be their exact difference.{off} Own strips alone compare "
        "pair by pair, as ratios; in a field where the two hardly differ the sign may turn."
    )


def season_head(label: str, reference: str, unit: str) -> list[str]:
    """Heads of the table by season."""
    return ["season", "fields", f"{reference}, {unit}", f"{label}, {unit}", f"difference, {unit}",
            "fields with less by own strips"]  # fmt: skip


def season_caption(title: str) -> str:
    """Over it."""
    return f"{title} by season: means over fields, as measured"


def of_fields(n: int, times: int) -> str:
    """ "4 of 5"."""
    return f"{n} of {times}"


def effects_caption(title: str, what: str, percent: str, unit: str) -> str:
    """Over the table of every field's effect."""
    return (
        f"{title}, {lower_first(what)}: difference in every field, {unit}, with {percent} "
        "intervals, each at what lay in that field with the reference"
    )


def effects_head(offset: bool) -> list[str]:
    """Its heads; `offset` where the loss before harvest lay there too."""
    base = "all on the ground with the reference" if offset else "with the reference"
    return ["field", "season", "pairs", base, "own pairs alone", "by the model"]


def field_apart(field: str, value: str, interval: str, mean: str, unit: str) -> str:
    """A field whose own strips leave the mean out, with both."""
    return f"{field}, {value} ({interval}) against {mean} {unit}"


def fields_apart(fields: Sequence[str]) -> str:
    """Fields (`field_apart`) one after the other."""
    return (
        f"Their own strips against the mean, at what lay there with the reference: "
        f"{'; '.join(fields)}. The bars are the model's, not these ranges."
    )


def one_pair(value: str) -> str:
    """A difference without an interval."""
    return f"{value} (one pair)"


# ---------------------------------------------------------------- money
def prices_from(season: int) -> str:
    """Whose prices those above are."""
    return f"Those are the numbers of the {season} trial; put in your own."


def prices_of(season: int, currency: str, price: str, area: str) -> str:
    """Whose prices these are."""
    kept = f", on {area} a year" if area else ""
    return f"Prices are those of the {season} trial: grain {currency} {price} net{kept}."


def caution() -> str:
    """What figures of money over many trials rest on."""
    return (
        "An aid to a decision, not a guarantee: it carries the mean of these trials over to other "
        "fields, seasons and prices, and counts only what was entered."
    )


def where_from() -> str:
    """What the range of money is of."""
    return (
        "The range comes from the uncertainty about the mean saving, at the loss these fields had "
        "on average; prices, area and life are taken as certain. A single field or season may "
        "bring more or less: see the next field."
    )


# ---------------------------------------------------------------- what differs
_SIGNS = {
    Grade.CLEAR: "clear signs", Grade.GOOD: "signs", Grade.LEANING: "weak signs",
    Grade.OPEN: "no signs",
}  # fmt: skip


def differs_head(title: str) -> list[str]:
    """Heads of the table of what differs."""
    return ["", "changes what the setup does?", f"changes the {title.lower()} itself?"]


def differs_caption() -> str:
    """Over it."""
    return (
        "What was recorded beside the setups, and what there are signs of (p by Holm over all)"
    )


def signs(evidence: Grade, p: float) -> str:
    """How far the evidence goes for what has no side; of no p, nothing is known."""
    if not isfinite(p):
        return "not known"
    return f"{_SIGNS[evidence]} (p {p_is(p)})"


def not_tried(note: str) -> str:
    """Why a variable could not be tried; a note of the model's own is put plainly."""
    name, _, why = note.partition(" cannot be tried: ")
    found = re.search(r"parts the rows exactly as '(\w+)' does", why)
    if found is None:
        return note
    return (
        f"{name} cannot be tried: every {found[1]} has its own, so what the one does cannot be "
        "told from what the other does."
    )


def not_by_lot() -> str:
    """What such findings are not."""
    return (
        "None of these was set by lot: what went with it, such as day or field, is part of it. No "
        "signs does not mean no influence; with few seasons little can be seen."
    )


def nothing_tried() -> str:
    """Where nothing could be tried."""
    return f"What moisture, speed, hybrid and season have to do with it: {TOO_FEW}."


# ---------------------------------------------------------------- the map
def map_caption(left: int) -> str:
    """Under the map."""
    rest = ""
    if left:
        rest = f" {counted(left, 'field')} without a place, or of growers who did not agree to be "
        rest += "named, not drawn."
    return f"Fields where they lie, north up.{rest}"


def no_map(known: int) -> str:
    """Why there is no map."""
    if not known:
        return "No field gives latitude and longitude."
    return (
        "Places are given, but would say whose fields these are: the map is drawn where growers "
        "agreed to be named, and on a grower's own page."
    )


# ---------------------------------------------------------------- keep in mind
def unknown(n_trials: int, seasons: int, of_reference: bool) -> list[str]:
    """What such a page cannot say; `of_reference` where amounts follow from ratios to what lay
    there with the reference."""
    few = f"{counted(n_trials, 'trial')} in {counted(seasons, 'season')}"
    exact = (
        "Amounts rest on what was measured with the reference, taken as exact: their ranges leave "
        "out how uncertain that is."
    )
    return [
        *[exact] * of_reference,
        f"These are {few}; seasons unlike them are not in it.",
        "A field that was in several seasons counts each season as one more field: that soil and "
        "slope were the same is not taken off.",
    ]


def family_told(responses: int) -> str:
    """How many other things were looked at."""
    return (
        f"{counted(responses, 'other thing was', 'other things were')} looked at; a difference in "
        "them is reported only where it stands after all of them are counted."
    )


def spread_told(sd: float) -> str:
    """A standard deviation of ratios as a percentage."""
    return f"{significant(100 * sd, 2)} %"


COMPARING = "comparing {title}"
WRITING = "writing the page"
