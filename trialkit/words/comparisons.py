"""A setup against its reference in words never stronger than the numbers.

Everything is read off one `trialkit.facts.Comparison`, and is as strong as its grade and no more.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from trialkit.display import freedom, number, p_is
from trialkit.facts import Comparison, Grade
from trialkit.quantities import (
    Scale,
    listed,
    lower_first,
    places_in,
    scales,
    span,
    upper_first,
    with_unit,
)
from trialkit.words.terms import terms

NONE = "no difference"
ADJUSTED = (
    "p adjusted by Holm: of the primary response within a factor, of all others over all of them."
)
WEAKER = (
    "Evidence goes by that p or by a classical test's, adjusted alike, whichever of them is larger."
)
_FINDS = {
    Grade.CLEAR: "clear evidence",
    Grade.GOOD: "good evidence",
    Grade.LEANING: "no more than a tendency",
    Grade.OPEN: NONE,
}
_EVIDENCE = {
    Grade.CLEAR: "The evidence for a difference is clear.",
    Grade.GOOD: "The evidence for a difference is good.",
    Grade.LEANING: "The counts lean this way; no difference at all is still possible.",
    Grade.OPEN: "These counts cannot tell the two apart; that is not the same as being equal.",
}


def evidence(grade: Grade) -> str:
    """How far the evidence for a difference goes, in a sentence."""
    return _EVIDENCE[grade]


def how_sure(own: Comparison) -> str:
    """How sure a comparison is, and why no surer where two tests differ."""
    return " ".join(filter(None, (evidence(own.grade), limited(own), why_weaker(own))))


def limited(own: Comparison) -> str:
    """That a comparison is told no stronger than it is because strips were lost, or because the
    model of many trials took effects to be alike; else ""."""
    if not own.held_down:
        return ""
    why = "a third or more of the strips is missing"
    if own.n_trials > 1:
        why = (
            "the model had to take effects to be the same everywhere, or trials that lost a third "
            "or more of their strips carry much of it (the notes say which)"
        )
    return f"p is {p_is(own.evidence)}; it is told no stronger because {why}."


def why_weaker(own: Comparison) -> str:
    """Why less is told of a comparison than one test of it finds, in sentences; else "".

    Two tests may differ by a grade, and one among many comparisons counts for less than alone.
    """
    out = []
    model, simple = own.p_adjusted, own.p_classical_adjusted
    if math.isfinite(model) and math.isfinite(simple):
        by_model, by_simple = own.graded_by(model), own.graded_by(simple)
        df = own.df_classical
        reach = f", {freedom(df, 0)} degrees of freedom" if math.isfinite(df) else ""
        more = "finds more" if by_simple.strength > by_model.strength else "finds less"
        if by_model is not by_simple:
            out.append(
                f"The model finds {_FINDS[by_model]} (p {p_is(model)}); the simpler test of the "
                f"same strips, {own.classical}{reach}, {more}: {_FINDS[by_simple]} (p "
                f"{p_is(simple)}); this page goes by the more cautious of the two."
            )
    alone = max(own.p, own.p_classical, key=lambda p: -1.0 if math.isnan(p) else p)
    if not own.grade.found and own.graded_by(alone).found:
        range_too, among = ", as its range is,", "the setups compared"
        if not own.primary:
            range_too, among = "", "all that was looked at"
        out.append(
            f"Looked at alone{range_too} it would count as a difference (p {p_is(alone)}); among "
            f"{among} it may be luck (p {p_is(own.evidence)})."
        )
    return " ".join(out)


def sentence(own: Comparison) -> str:
    """One sentence comparing a level with its reference."""
    words = terms(own.response)
    label, reference = lower_first(own.label), lower_first(own.reference_label)
    if own.grade is Grade.OPEN:
        return f"{which(own)} cannot tell {label} from {reference} in {words.subject}."
    verb = f"probably {words.verb}" if own.grade is Grade.LEANING else words.verb
    return upper_first(f"{label} {verb} {had(own)} than {reference}.")


def which(own: Comparison) -> str:
    """What cannot tell two setups apart: one trial, or several together."""
    return "This trial" if own.n_trials == 1 else "These trials"


def had(own: Comparison) -> str:
    """What a level had less or more of, as sure as its grade: "clearly fewer damaged kernels"."""
    words = terms(own.response)
    side = words.less if own.falls else words.more
    return side.format("clearly " if own.grade is Grade.CLEAR else "")


def did(every: Iterable[Comparison]) -> str:
    """What a level did in several responses: "left more loose kernels at the header, and had more
    damaged kernels"."""
    by_verb: dict[str, list[str]] = {}
    for own in every:
        by_verb.setdefault(terms(own.response).verb, []).append(had(own))
    return ", and ".join(f"{verb} {listed(nouns)}" for verb, nouns in by_verb.items())


def against(own: Comparison) -> str:
    """What is compared: "Wide gap against narrow gap"."""
    return f"{upper_first(own.label)} against {lower_first(own.reference_label)}"


def difference_units(unit: str, system: str, short: bool = False) -> tuple[Scale, ...]:
    """Units to print a difference in, the trial's own first: percentages differ by points."""
    points = {"%": "points" if short else "percentage points", "score": "steps"}
    return tuple(Scale(points.get(s.unit, s.unit), s.factor) for s in scales(unit, system))


def change(
    value: float, low: float, high: float, scale: Scale, less: str = "less", more: str = "more"
) -> str:
    """A difference and its interval in words: "1.4 bu/ac less (0.9 to 1.9 less)".

    Parameters
    ----------
    value, low, high : float
        Difference (level minus reference) and its interval, in SI.
    scale : Scale
        Unit to print in.
    less, more : str
        Words for a fall and a rise: "fewer", "higher".
    """
    unit = scale.unit
    if not all(math.isfinite(x) for x in (value, low, high)):
        return "not known"
    if high <= 0:
        s = span(-value, -high, -low, scale)
        return f"{with_unit(s.value, unit)} {less} ({s.interval})"
    if low >= 0:
        s = span(value, low, high, scale)
        return f"{with_unit(s.value, unit)} {more} ({s.interval})"
    # By half an interval that reaches far to one side alone an estimate may round to nothing: the
    # side nearer to it decides then.
    for half in ((high - low) / 2, min(value - low, high - value)):
        places = places_in(scale, half * scale.factor)
        middle, least, most = (number(abs(x) * scale.factor, places) for x in (value, low, high))
        if middle != number(0.0, places):
            break
    else:  # what rounds to nothing has no side
        return f"{NONE} (from {with_unit(least, unit)} {less} to {most} {more})"
    told = f"{with_unit(middle, unit)} {less if value < 0 else more}"
    return f"{told} (from {least} {less} to {most} {more})"


def amounts(own: Comparison, system: str, short: bool = False) -> tuple[str, ...]:
    """The difference with its interval in each unit, that of the system first."""
    words = terms(own.response).by_amount
    return tuple(
        change(*own.difference, scale, *words)
        for scale in difference_units(own.unit, system, short)
    )


def share(own: Comparison) -> str:
    """The ratio as a share of the reference: "41 % fewer (18 to 58)"; "" where there is none."""
    return share_of(own.response, own.ratio)


def share_of(response: str, ratio: tuple[float, float, float]) -> str:
    """Likewise of any ratio of a response with its interval."""
    words = terms(response)
    part, least, most = ((v - 1) * 100 for v in ratio)
    if not all(map(math.isfinite, (part, least, most))):
        return ""
    return change(part, least, most, Scale("%", 1.0), words.smaller, words.larger)


def extent(own: Comparison, system: str) -> str:
    """How large, in the trial's own unit and as a share, with "Best guess" where the evidence is
    no more than that."""
    percent = share(own)
    percent = "" if percent.startswith(NONE) else percent
    text = amounts(own, system)[0] + (f", that is {percent}" if percent else "")
    return upper_first(text) if own.grade.found else f"Best guess: {text}"


def brackets(level: float) -> str:
    """What stands in brackets behind an estimate, for a reader who knows no intervals."""
    return (
        "In brackets: where the true figure likely lies "
        f"({number(100 * level, 0)} % interval)."
    )


def in_lines(others: Mapping[str, Sequence[Comparison]], system: str) -> list[str]:
    """Other responses, by heading, a line each; those that tell nothing apart share the last.

    What the trial is not first of all about is told where a difference is found, never on a lean.
    """
    out: list[str] = []
    untold: list[str] = []
    by = "This trial"
    setups: set[tuple[str, str]] = set()
    for title, every in others.items():
        known = [own for own in every if own.grade.found]
        if known:
            out.append(" ".join(
                f"{sentence(own).rstrip('.')}: {amounts(own, system)[0]}." for own in known
            ))  # fmt: skip
        elif every:
            untold.append(title)
            by = which(every[0])
            setups.update((own.factor, own.level) for own in every)
    if untold:
        two = "the two" if len(setups) == 1 else "the setups"
        out.append(f"{by} cannot tell {two} apart in {listed(untold)}.")
    return out


def otherwise(title: str, one: Comparison, other: Comparison) -> str:
    """Where a second answer reads otherwise than the first: another grade or direction; else ""."""
    turned = one.falls is not other.falls and Grade.OPEN not in (one.grade, other.grade)
    if one.grade is other.grade and not turned:
        return ""
    return f"{title} the answer reads: {lower_first(sentence(other))}"


def held_alike(what: str) -> str:
    """That the only answer is one at the same value of something a setup may change."""
    return (
        f"Setups are compared at the same {what}, as the trial's settings ask: this is not the "
        "whole effect of choosing a setup."
    )


def stands_in(asked: str, title: str) -> str:
    """That the response a trial is about was not analysed, and what is taken instead."""
    return (
        f"The trial is first of all about {asked.replace('_', ' ')}, which was not analysed; "
        f"{lower_first(title)} stands in its place."
    )


def looked_at_besides(title: str, comparisons: int, responses: int) -> str:
    """How many comparisons were looked at besides the primary response's, and what follows; ""
    where there are none.

    Parameters
    ----------
    title : str
        Of the primary response.
    comparisons, responses : int
        Of all others.
    """
    besides = f"looked at besides {lower_first(title)}"
    if comparisons == 0:
        return ""
    if comparisons == 1:
        return f"One comparison was {besides}; it is reported only where a difference is found."
    things = "1 thing" if responses == 1 else f"{responses} things"
    return (
        f"{comparisons} comparisons of {things} were {besides}. With that many, one that looks "
        "different by chance alone is no surprise, so they are held to a stricter rule: a "
        "difference is reported only where it still stands after all of them are counted. The "
        "appendix of the researcher's page lists them all."
    )


def adjusted_within(primary: bool) -> str:
    """For which comparisons p is adjusted."""
    return "within the factor" if primary else "over all but the primary response"
