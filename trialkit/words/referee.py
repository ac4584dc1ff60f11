"""What a referee decides on: the design, the answer with its cross-checks, what would change it."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import number, p_is
from trialkit.facts import Grade
from trialkit.quantities import listed, lower_first, upper_first
from trialkit.words.counts import counted

DESIGN_HEAD = ("setup factor", "levels, the reference first", "set on", "units of a level",
               "judged within", "df of the layout", "df used")  # fmt: skip
GRADES = {Grade.CLEAR: "clear", Grade.GOOD: "good", Grade.LEANING: "a tendency",
          Grade.OPEN: "none"}  # fmt: skip


# ---------------------------------------------------------------- design
def design_title() -> str:
    """Over the design."""
    return "Design, and what is judged against what"


def design_caption(title: str) -> str:
    """Over the table of factors."""
    return f"Setup factors, their replication and degrees of freedom ({title})"


def whole_trial() -> str:
    """A factor judged within no block."""
    return "the trial"


def within(blocks: int, what: str) -> str:
    """What a factor is judged within."""
    return f"{blocks} {what}"


def lot_not_known() -> str:
    """No plan is kept with the trial."""
    return (
        "No plan is kept with this trial, so the page cannot show that setups were given to strips "
        "by lot; if they were not, no p-value holds."
    )


def samples(row: str, least: int, most: int) -> str:
    """Rows counted on a strip: samples of it, not replicates."""
    many = f"{least}" if least == most else f"{least} to {most}"
    s = "" if most == 1 else "s"
    return (
        f"Of every strip {many} {row}{s} {'was' if most == 1 else 'were'} taken. They are samples "
        "of a strip, not replicates of a setup."
    )


def freedom_used(integrated: bool) -> str:
    """Why the degrees of freedom used may be others than the layout's."""
    if integrated:
        return (
            "Comparisons integrate over the spread between the units; their df say how well "
            "counts, layout and prior together tell that spread, and can be more than the layout's "
            "alone. The simpler test has those of the layout."
        )
    return "The df used are those of Kenward and Roger, at most those of the layout."


# ---------------------------------------------------------------- the result
def answer_title() -> str:
    """Over the answer."""
    return "The answer, and the same question asked in other ways"


def result_caption(title: str, percent: str, adjusted: str) -> str:
    """Over its table."""
    return (
        f"{title}: answers by several ways ({percent} intervals; p, Holm: adjusted {adjusted}; of "
        "several answers the least and the most)"
    )


def result_head(unit: str, ratios: bool) -> tuple[str, ...]:
    """Columns of the table."""
    return ("answer", unit, *(("ratio",) if ratios else ()), "df", "p", "p, Holm", "evidence")


def by_the_model() -> str:
    """The page's own answer."""
    return "by the model"


def by_ranks(blocks: int) -> str:
    """The test of ranks of a score."""
    return f"exact test of ranks within {blocks} blocks"


def by_others(models: int) -> str:
    """Other models."""
    return "another model" if models == 1 else f"{models} other models"


def without_units(units: int) -> str:
    """Every pair or field left out in turn."""
    return f"without any one pair or field ({units} refits)"


def between_grades(least: Grade, most: Grade) -> str:
    """Evidence of several answers."""
    if least is most:
        return GRADES[least]
    return f"{GRADES[least]} … {GRADES[most]}"


def more_comparisons(left: int) -> str:
    """Comparisons beyond those the table holds."""
    return f"{upper_first(counted(left, 'more comparison'))}: see the appendix."


def besides_title() -> str:
    """Over the other responses, a line each."""
    return "Beside it, held to the stricter rule:"


# ---------------------------------------------------------------- left out
def left_title() -> str:
    """Over what was refused or left out."""
    return "What was refused or left out, and why"


def strips_left_out(used: int, of: int) -> str:
    """Strips the primary response was analysed on."""
    if used == of:
        return f"All {of} strips are in the primary analysis."
    return f"{used} of {of} strips are in the primary analysis."


def more_causes(left: int) -> str:
    """Causes beyond those listed."""
    return f"{upper_first(counted(left, 'more cause'))}: see the appendix, data quality."


def not_looked_at(titles: Sequence[str]) -> str:
    """Responses that were not analysed."""
    return f"Not analysed: {listed(list(titles))}; why stands in the appendix."


def looked_twice(values: int) -> str:
    """Counts far from the others, all kept."""
    return (
        f"{upper_first(counted(values, 'remark'))} on values looked at twice, all of them in the "
        "analysis, and on what the losses assume: see the appendix, data quality."
    )


# ---------------------------------------------------------------- what would change it
def change_title() -> str:
    """Over what would change the answer."""
    return "What would change the answer"


def moves_most(
    against: str, unit: str, difference: str, ratio: str, p: float, before: Grade, after: Grade
) -> str:
    """The pair or field without which a comparison moves most; the `ratio` "" where none."""
    stays = f"stays {GRADES[before]}"
    change = stays if before is after else f"goes from {GRADES[before]} to {GRADES[after]}"
    also = f", ratio {ratio}" if ratio else ""
    return (
        f"{against}: the difference moves most without {unit}, to {difference}{also}; by the model "
        f"alone the evidence {change} (p {p_is(p)})."
    )


def others_change(
    against: str, before: Grade, after: Grade, units: Sequence[str], shown: int = 4
) -> str:
    """Units without any one of which the model's evidence becomes another."""
    told = list(units if len(units) == shown + 1 else units[:shown])
    if len(units) > len(told):
        told.append(f"{len(units) - shown} more")
    each = "" if len(units) == 1 else ", each left out alone"
    return (
        f"{against}: by the model alone the evidence goes from {GRADES[before]} to {GRADES[after]} "
        f"without {listed(told)}{each}."
    )


def models_differ(
    against: str, side: int, percent: str, models: Sequence[tuple[str, float]]
) -> str:
    """Other models that put a comparison elsewhere, each with its p; `side` is that of the page's
    own: below (-1), above (1) or neither (0)."""
    own = {-1: "puts it below the reference", 1: "puts it above the reference",
           0: "does not tell the two apart"}[side]  # fmt: skip
    named = [f"{lower_first(model)} (p {p_is(p)})" for model, p in models]
    do_not = "this one does not" if len(named) == 1 else "these do not"
    return (
        f"{against}: the model {own} at {percent}; {do_not}: {listed(named)}. The appendix has "
        "every model."
    )


def models_alike(against: Sequence[str], percent: str, aside: bool) -> str:
    """Comparisons that every other model tells alike; `aside` where tests that give no interval
    stand beside them."""
    every = "every other model or test that gives an interval" if aside else "every other model"
    return f"At {percent} {every} says the same of: {'; '.join(against)}."


def none_left_out() -> str:
    """Nothing can be left out."""
    return "No pair or field can be left out here, so what the answer rests on is not known."


def pair_named(word: str, pair: str, field: str) -> str:
    """A pair (block) left out."""
    return f"{word} {pair} of {field}"


# ---------------------------------------------------------------- margins
def margins_title() -> str:
    """Over non-inferiority."""
    return "Non-inferiority: what was shown to be no more than a margin?"


def margins_caption(confidence: float) -> str:
    """Over the least margins shown."""
    return (
        "One-sided tests of "
        f"{number(100 * (1 - confidence), 0)} %: the least margin that this trial shows to be kept"
    )


MARGINS_HEAD = ("response and comparison", "estimate", "shown to be no more than", "margin stated",
                "answer")  # fmt: skip


def times(value: float) -> str:
    """A ratio."""
    return f"{number(value, 2)} times"


def apart(amount: str, unit: str, below: bool) -> str:
    """A difference."""
    return f"{amount} {unit} {'below' if below else 'above'}"


def no_margin() -> str:
    """None was stated for a response."""
    return "none"


ANSWERS = {"within the margin": "shown", "above the margin": "shown not to hold",
           "not shown": "not shown"}  # fmt: skip


def about_margins(stated: bool) -> str:
    """What a margin is."""
    if stated:
        return (
            "A margin counts where it was stated before the trial; each line is a test by itself, "
            "not adjusted for their number. Not shown is not the same as shown to be more."
        )
    return (
        "No margin was stated before this trial ([model.margins] of trial.toml). What a reader "
        "would accept can be held against the third column, each line by itself; a margin chosen "
        "after the numbers were seen is no test."
    )


def nothing_for_margins() -> str:
    """Neither a margin nor a response that could be held against one."""
    return "No margin was stated, and nothing was measured that a setup may take in more of."


# ---------------------------------------------------------------- trust
def trust_title() -> str:
    """Over calibration in a line."""
    return "How far the intervals were tried"
