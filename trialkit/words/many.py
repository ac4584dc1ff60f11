"""Many trials compared: what was compared, what it came to, and what was left out and why."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from trialkit.display import number, p_is, significant
from trialkit.facts import Ends, Grade
from trialkit.quantities import Scale, listed, lower_first, upper_first
from trialkit.words.chances import of_hundred
from trialkit.words.comparisons import brackets, change, evidence
from trialkit.words.counts import counted

HEADINGS = {
    "over": "{title} over {n} trials",
    "variances": "Variances",
    "explained": "What explains the spread",
    "more": "Variances, and what explains the spread",
    "combined": "{n} trials combined",
}
COLUMNS = {"next": "in the next field", "same direction": "share of fields in that direction",
           "n trials": "trials", "n fields": "fields"}  # fmt: skip
VARIABLES = {"moisture": "Grain moisture", "speed_measured": "Ground speed", "hybrid": "Hybrid",
             "season": "Season"}  # fmt: skip
_PERCENT = Scale("%", 1.0)


# ---------------------------------------------------------------- what was compared
def compared(
    title: str, trials: int, fields: int, strips: int, factors: Mapping[str, Sequence[str]],
    level: float,
) -> str:  # fmt: skip
    """What was compared, and what stands in brackets."""
    by = "; ".join(f"{f} ({', '.join(v)})" for f, v in factors.items())
    return (
        f"{title}: {trials} trials, {fields} fields, {strips} strips, compared by {by}. "
        f"{brackets(level)}"
    )


def compared_and_left_out(
    fields: int, strips: int, factors: Sequence[str], left_out: Mapping[str, int]
) -> str:
    """How much was compared and how many trials were left out, by kind."""
    out = ", ".join(f"{n} {kind}" for kind, n in left_out.items()) or "none"
    return (
        f"{fields} fields and {strips} strips compared by {', '.join(factors)}; left out: {out} "
        "(see skipped)."
    )


def in_brackets(what: str) -> str:
    """What stands in brackets in a table."""
    return f"{what} in brackets."


def effects_told(link: str, unit: str, of_all: str, level: float) -> str:
    """What effects are: ratios, odds ratios or differences, and at which level."""
    what = {"log": "Ratio to the reference", "logit": "Odds ratio to the reference",
            "identity": f"Difference from the reference, {unit}"}[link]  # fmt: skip
    return f"{what}{of_all}, {100 * level:g} % intervals"


def before_harvest_included(thing: str) -> str:
    """What ratios are of where the loss before harvest is in the counts."""
    return (
        f" of all {thing.split()[-1]}s on the ground where the header passed, those lost before "
        "harvest included"
    )


def smaller_than_alone(title: str, of_all: str) -> str:
    """Of what shares are told, where the model compares more than the response."""
    return (
        f"A share is of {lower_first(title)}, as on a trial's own pages. The model compares more: "
        f"the same difference is a smaller share{of_all}, which is told beside it."
    )


def sceptical_prior(times: float, of_all: str, line: str) -> str:
    """A prior as it may be written into trial.toml, and what it is."""
    return (
        "A sceptical prior for the next trial (what is held likely before it is counted): most "
        f"likely no difference, 19 times in 20 by less than {significant(times)} times either way, "
        f"as wide as these fields' ratios{of_all}; under [model] of its trial.toml: {line}"
    )


# ---------------------------------------------------------------- what it came to
def effect(found: Ends, link: str, scale: Scale) -> str:
    """An effect and its interval on the model's scale: "31 % less (25 to 37 less)"; a difference
    in the unit of `scale`."""
    if link == "identity":
        return change(*found, scale)
    value, low, high = (_per_cent(v) for v in found)
    words = change(value, low, high, _PERCENT)
    return f"odds {words}" if link == "logit" else words


def _per_cent(log: float) -> float:
    return 100.0 * math.expm1(min(log, 700.0))


def mean_effect(
    named: str, reference: str, found: Sequence[str], trials: int, fields: int, grade: Grade
) -> str:
    """A setup's mean effect over all trials, told on one scale after the other, and how sure it is.
    """
    return (
        f"{upper_first(named)} against {reference}: {'; '.join(filter(None, found))}. Mean over "
        f"{trials} trials and {fields} fields. {evidence(grade)}"
    )


def in_unit(amount: str, share: str, title: str) -> str:
    """A difference in the response's unit, and what share of it that is, where there is one."""
    return f"{amount}, that is {share} in {lower_first(title)}" if share else amount


def ratio_on_the_ground(found: str, of_all: str) -> str:
    """An effect (`effect`) on the scale of the model, where that holds the loss before harvest."""
    return f"{found}{of_all.partition(' where')[0]}"


def next_field(low: float, high: float, shares: tuple[float, float], unit: str) -> str:
    """What a field of the next trial may show, in `unit`, and how many would go the same way."""
    ends = []
    for end in (low, high):
        size = abs(end)
        places = max(0, 1 - math.floor(math.log10(size))) if size > 0 else 0
        ends.append(f"{number(size, min(places, 3))} {unit} {'less' if end < 0 else 'more'}")
    return (
        f"A field of the next trial: from {ends[0]} to {ends[1]}. Of 100 such fields, "
        f"{of_hundred(*shares)} would go the same way."
    )


def next_field_not_known(trials: int) -> str:
    """That nothing is said of a field of the next trial."""
    if trials < 3:
        return f"Too few trials to say what a field of the next trial shows: {trials}."
    return (
        "Nothing is said of a field of the next trial: these strips cannot tell how much effects "
        "differ between fields."
    )


def two_trials() -> str:
    """What two trials cannot tell."""
    return (
        "Two trials hardly tell how much effects differ from trial to trial: intervals of the mean "
        "effect are of these fields, and nothing is said of a field of the next trial."
    )


def spread_not_known() -> str:
    """That intervals leave out how effects differ."""
    return (
        "How much effects differ between trials and fields cannot be told from these strips; "
        "intervals of the mean effect are of these fields alone, and nothing is said of the next."
    )


def _by_chance(level: float) -> str:
    """How many of the intervals at a level leave the truth out."""
    return f"about 1 in {1 / (1 - level):.0f}"


def growers_apart(apart: int, intervals: int, level: float) -> str:
    """That intervals of growers' own fields are each for itself, where some leave out zero."""
    return (
        f"Of {intervals} intervals of growers' own fields against the others', {apart} "
        f"leave{'s' * (apart == 1)} no difference out. Each is for itself, and "
        f"{_by_chance(level)} does so by chance alone where growers do not differ."
    )


def each_alone(less: int, more: int, trials: int, level: float) -> str:
    """How many trials found a difference by their own pairs alone."""
    if less + more == 0:
        return f"By its own pairs alone none of the {trials} trials tells the two apart."
    sides = [f"{n} {side}" for n, side in ((less, "less"), (more, "more")) if n]
    rest = trials - less - more
    open_ = f"; {rest} cannot tell the two apart" if rest else ""
    return (
        f"By its own pairs alone, of {counted(trials, 'trial')} {' and '.join(sides)} with good or "
        f"clear evidence{open_}; {_by_chance(max(level, 0.95))} has such evidence by chance alone "
        "where there is no difference."
    )


def explains(
    variable: str, title: str, part: str, p: float, adjusted: float, tests: int, before: float,
    after: float, known: bool, of: str,
) -> str:  # fmt: skip
    """What a variable has to do with the spread between fields.

    Parameters
    ----------
    variable, title : str
        Its column; the response.
    part : str
        "mean" or "effect".
    p, adjusted : float
        Of the test, alone and by Holm.
    tests : int
        Among how many.
    before, after : float
        Standard deviations between fields without and with it.
    known : bool
        Whether the last two are.
    of : str
        Of what (`spread_of`).
    """
    what = f"mean {title.lower()}" if part == "mean" else "setup's effect"
    text = f"{VARIABLES.get(variable, variable)} and the {what}: p {p_is(adjusted)}"
    if tests > 1:
        text += f" by Holm among {tests} such tests (alone {p_is(p).removeprefix('= ')})"
    if known:
        text += f"; standard deviation between fields, of {of}, {significant(before, 2)} without, "
        text += f"{significant(after, 2)} with"
    return f"{text}."


def spread_of(link: str, unit: str) -> str:
    """Of what standard deviations on the model's scale are."""
    return {"log": "logarithms", "logit": "log odds"}.get(link, f"differences in {unit}")


def by_name(trial: str, why: str) -> str:
    """A trial, by the name of its folder, and what was left out of it or why it was."""
    return f"{trial}: {lower_first(why)}"


def over_setups() -> str:
    """The mean over setups, in a table of growers."""
    return "mean over setups"


def against_others() -> str:
    """A column of growers' own fields."""
    return "own fields against the others"


def same_effect(q: float, df: int, p: float, level: float) -> str:
    """Cochran's test, and what stands in a table of combined trials."""
    return (
        f"Test that all have the same effect: Q = {significant(q)}, {df} df, p {p_is(p)}. "
        f"{100 * level:g} % intervals in brackets, on the scale of the effects; \"hk\" by Hartung "
        'and Knapp with a standard error of at least "se", "predicted" for the next trial.'
    )


# ---------------------------------------------------------------- what was left out
def same_files(first: str) -> str:
    """Why a repeated trial is not used."""
    return f"The same files as {first}."


def no_data(title: str) -> str:
    """Why a trial without the response is not used."""
    return f"It holds no data on {title.lower()}."


def without_grower(fields: int) -> str:
    """Fields that name no grower."""
    return f"{fields} fields name no grower and take no part in comparing growers."


def other_unit(trials: int, unit: str) -> str:
    """Trials measured in another unit."""
    return f"{trials} trials have no measured values in {unit}."


def no_such_response(response: str) -> str:
    """The beginning of a refusal."""
    return f"There is no response {response!r}"


def not_over_trials(title: str, between_zones: bool) -> str:
    """The beginning of a refusal of what no one model over trials can carry."""
    what = "an order, not a quantity"
    if between_zones:
        what = "a difference between zones, a model of its own in every trial"
    return f"{title} is {what}, and is not compared over trials"


def same_everywhere(error: str) -> str:
    """That effects are taken to be alike."""
    return (
        "The model with effects that differ between trials and fields could not be fitted; effects "
        "are taken to be the same everywhere, which makes intervals too narrow where they differ. "
        f"A difference is therefore told as a tendency at most. ({error})"
    )


def reading(trial: int, trials: int) -> str:
    """How far reading is."""
    return f"Reading trial {trial} of {trials}"


def fitting(rows: int) -> str:
    """What is being done, while it is."""
    return f"Fitting one model to {rows:,} rows"


def other_levels(
    factor: str, own: Sequence[str], others: Sequence[str], pairs: Sequence[tuple[str, ...]]
) -> str:
    """Why a trial's levels do not match; `pairs`, level here and level there, could be one."""
    why = (
        f"Its levels of {factor} ({', '.join(own)}) are not those of the other trials "
        f"({', '.join(others)}). "
    )
    if not pairs:
        return (
            f'{why}If a level means one of theirs, say so by --alias "LEVEL HERE=LEVEL THERE" (in '
            "Python aliases=)."
        )
    return f"{why}If they mean the same, say so by {_say_so(pairs)} (in Python aliases=)."


def _say_so(pairs: Sequence[Sequence[str]]) -> str:
    """How to say that names mean the same."""
    return " ".join(f'--alias "{here}={there}"' for here, there in pairs)


def hardly_the_same(
    factors: Sequence[str], own: Sequence[str], others: Sequence[str]
) -> str:
    """Factors that an alias makes one, of which a trial has no level that others have."""
    return (
        f"--alias (in Python aliases=) makes {listed(list(factors))} one factor, but its levels "
        f"({', '.join(own)}) are none of the others' ({', '.join(others)}): they are hardly one "
        "thing, and that alias is better left out."
    )


def one_name(first: str, second: str, told: bool) -> str:
    """Two factors that are called alike; `told` where an alias made them so."""
    if told:
        return (
            f"--alias (in Python aliases=) gives its factors {first} and {second} one name, but "
            "it has both: they are two things, and that alias is better left out."
        )
    return f"Its factors {first} and {second} have one common name."


def name_taken(common: str, factor: str) -> str:
    """A common name that is a column."""
    return f"The common name {common!r} of {factor} is a column already."


def one_level(factor: str) -> str:
    """Two levels that are called alike."""
    return f"Two levels of {factor} have one common name."


def one_setup() -> str:
    """A trial in which nothing was varied."""
    return "All its measured strips have one setup."


def varied_others(
    varied: Sequence[str], compared_by: Sequence[str], same: tuple[str, str] | None
) -> str:
    """A trial that varied something else; `same`, a factor of it and one that is compared, where
    they could be one thing."""
    told = f"It varied {listed(list(varied))}; the comparison is by {listed(list(compared_by))}."
    if same is None:
        return told
    here, there = same
    return (
        f"{told} Its {here} has levels that {there} has elsewhere: if they are one thing, say so "
        f"by {_say_so([same])} (in Python aliases=)."
    )


def strips_left_out(strips: int, factors: Sequence[str]) -> str:
    """Strips at other levels of other factors."""
    return f"{strips} strips at other levels of {', '.join(factors)} than the reference left out."


def one_setup_at_reference(factors: Sequence[str]) -> str:
    """A trial whose setups all differ in other factors too."""
    return f"At the reference of {', '.join(factors)} it has one setup only."


def no_field_with_two(factors: Sequence[str]) -> str:
    """A trial without two levels in one field."""
    return f"No field has two levels of {', '.join(factors)}."
