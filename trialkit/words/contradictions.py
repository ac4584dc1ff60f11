"""What contradicts itself in a trial's tables, and strips that were lost, in sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from trialkit.quantities import listed, lower_first, number, upper_first
from trialkit.words.columns import called
from trialkit.words.counts import counted, some_of

_SEASON = 45  # days; a harvest lasts no longer in one field (common practice)
_SHOWN = 8  # strips or counts that a sentence names
_EACH = 4  # strips of which each has its own reading told


def title() -> str:
    """Over the list of a trial's contradictions."""
    return "Look at these again"


def placed(places: Sequence[tuple[str, str, str]]) -> str:
    """Strips with pair and field, by field alone where they are many: "strips 3 and 4 (pair 2 of
    North)", "24 strips (15 of North and 9 of South)"."""
    if len(places) > _SHOWN:
        fields = Counter(field for _, _, field in places)
        return f"{len(places)} strips ({listed([f'{n} of {f}' for f, n in fields.items()])})"
    pairs: dict[str, list[str]] = {}
    for strip, pair, field in places:
        pairs.setdefault(f" (pair {pair} of {field})" if field else "", []).append(strip)
    told = [f"{listed(strips)}{where}" for where, strips in pairs.items()]
    return f"{'strip' if len(places) == 1 else 'strips'} {listed(told)}"


# ---------------------------------------------------------------- speeds and gaps
def level_and_speed(
    level: str, column: str, read: str, places: Sequence[tuple[str, str, str]]
) -> str:
    """The speed set is not the setup's."""
    return (
        f"The setup is {lower_first(level)}, but the {called(column)} is {read} on "
        f"{placed(places)}: one of the two is wrong. The analysis goes by the setup."
    )


def measured_speed(
    meant: str, read: Sequence[str], places: Sequence[tuple[str, str, str]], percent: int,
    least: str,
) -> str:  # fmt: skip
    """The speed measured is far from that asked for; `read` is that of each strip, rising."""
    told = [(" to ".join(dict.fromkeys((read[0], read[-1]))), places)]
    if len(places) <= _EACH:
        told = [
            (speed, [place for own, place in zip(read, places, strict=True) if own == speed])
            for speed in dict.fromkeys(read)
        ]
    shown = listed([f"{speed} was measured on {placed(those)}" for speed, those in told[:1]]
                   + [f"{speed} on {placed(those)}" for speed, those in told[1:]])  # fmt: skip
    return (
        f"Ground speed was to be {meant}, but {shown}: off by more than {percent} % and more than "
        f"{least}."
    )


def level_and_gap(level: str, read: Sequence[str], places: Sequence[tuple[str, str, str]]) -> str:
    """The gap of a strip is not the setup's."""
    return (
        f"The setup is {lower_first(level)}, but the gap is {' at the front, '.join(read)}"
        f"{' at the rear' if len(read) > 1 else ''} on {placed(places)}: one of the two is wrong. "
        "The analysis goes by the setup."
    )


def half_gap(
    column: str, read: Sequence[str], gap: str, against: str,
    places: Sequence[tuple[str, str, str]],
) -> str:  # fmt: skip
    """A strip's gap near half of the gap; `against` as `trialkit.intake.halves.half_gaps` says."""
    of = {
        "set": f"about half of the setup's {gap}",
        "rows": f"about half of the {gap} of the other strips of the setup",
        "usual": f"about half of a usual gap of {gap}",
    }[against]
    return (
        f"The {called(column)} is {' to '.join(dict.fromkeys(read))} on {placed(places)}, {of}: "
        "was it measured from the centre to one edge? A gap is measured from edge to edge."
    )


def half_levels(factor: str, read: Sequence[str], gap: str) -> str:
    """Levels of the gap are near half of what the header reads, none near the whole."""
    return (
        f"{factor}: the setups have {' to '.join(dict.fromkeys(read))}, about half of the {gap} of "
        "the header check. A gap is measured from edge to edge, not from the centre to one edge."
    )


def as_read(text: str) -> str:
    """What was asked when the trial was read."""
    return upper_first(text)


# ---------------------------------------------------------------- yields
def low_yield(read: str, strips: int, unit: str) -> str:
    """A median yield that is too low for its unit and usual in another."""
    named = {"t/ha": "tonnes per hectare", "kg/ha": "kilograms per hectare",
             "bu/ac": "bushels per acre", "lb/ac": "pounds per acre"}[unit]  # fmt: skip
    middle = f"Yield is {read} on the one strip" if strips == 1 else (
        f"Half of the yields of {strips} strips are {read} or less"
    )  # fmt: skip
    return (
        f"{middle}, which is lower than corn yields as a rule: if {named} are meant head the "
        f"column yield ({unit})."
    )


def far_yield(read: str, others: str, low: bool, places: Sequence[tuple[str, str, str]]) -> str:
    """A yield about a tenth or ten times of the others."""
    share = "a tenth of" if low else "ten times"
    return (
        f"Yield is {read} on {placed(places)}, about {share} the {others} of the others: is the "
        "decimal mark, or a figure, missing or too many?"
    )


# ---------------------------------------------------------------- days
def days_apart(
    pairs: Sequence[str], field: str, days: int, first: str, last: str,
    moisture: Sequence[tuple[str, float, float]],
) -> str:  # fmt: skip
    """Pairs of a field harvested days apart; `moisture` (%) of the first and the last day, of the
    pairs where it differs."""
    one = len(pairs) == 1
    wet = listed([
        f"{number(before, 1)} and {number(after, 1)} %{'' if one else f' in pair {pair}'}"
        for pair, before, after in moisture[:_SHOWN]
    ])  # fmt: skip
    wet = f"; moisture was {wet}" if wet else ""
    who = f"{'Pair' if one else 'Pairs'} {some_of(pairs, _SHOWN)} of {field}"
    between = "and" if one else "to"
    so = "What changed meanwhile is part of the comparison there."
    if days > _SEASON:
        so = "Is a date wrong, or its day and month exchanged?"
    return (
        f"{who}: strips of {'the' if one else 'each'} pair were harvested {counted(days, 'day')} "
        f"apart ({first} {between} {last}){wet}. {so}"
    )


# ---------------------------------------------------------------- areas and counts
def far_area(place: tuple[str, str, str], frame: str, zone: str, read: str, usual: str) -> str:
    """A frame's area far from the usual one of its zone."""
    name = f", frame {frame}" if frame else ""
    return (
        f"{upper_first(placed([place]))}{name} ({zone}) has an area of {read}, where {usual} is "
        "usual in this zone: check the area. The loss is worked out with it as it stands."
    )


def more_areas(frames: int) -> str:
    """Areas beyond those named."""
    return f"{counted(frames, 'more frame')} {_have(frames)} an area as far from the usual one."


def far_count(
    place: tuple[str, str, str], frame: str, zone: str, kernels: int, expected: float,
    others: Sequence[int],
) -> str:  # fmt: skip
    """A count far from the others of its strip and zone."""
    name = f", frame {frame}" if frame else ""
    beside = "no other frame of this zone lies on the strip"
    if others:
        shown = [number(v, 0) for v in others[:_SHOWN]]
        if len(others) > _SHOWN:
            shown.append(f"{len(others) - _SHOWN} more")
        one = len(others) == 1
        beside = f"the other {'frame' if one else 'frames'} there {'has' if one else 'have'} "
        beside += listed(shown)
    usual = "fewer than 1" if expected < 1 else f"about {number(expected, 0)}"
    return (
        f"{upper_first(placed([place]))}{name} ({zone}) holds {number(kernels, 0)} kernels; "
        f"{beside}, and {usual} would be usual. It is in the analysis; check the count sheet."
    )


def more_counts(frames: int) -> str:
    """Counts beyond those named."""
    lie, whose = ("lies", "its") if frames == 1 else ("lie", "their")
    return f"{counted(frames, 'more count')} {lie} as far from the others of {whose} strip."


# ---------------------------------------------------------------- names and reasons
def near_field(field: str, strips: int, other: str, others: int) -> str:
    """A field of one or two strips whose name is nearly another's."""
    return (
        f"Field {field} has only {counted(strips, 'strip')} and is called nearly as {other}, which "
        f"has {others}: if {other} is meant, write it alike."
    )


def no_reason(strips: Sequence[tuple[str, Sequence[str]]]) -> str:
    """Strips left out by a status, and nobody said why; by status."""
    every = sum(len(own) for _, own in strips)
    told = listed([f"{_some(own)} ({status})" for status, own in strips])
    return (
        f"No reason is given for {'strip' if every == 1 else 'strips'} {told}. Whether that had to "
        "do with the setup cannot be told without one: write it under reason."
    )


# ---------------------------------------------------------------- strips that were lost
def lost(refused: int, without: int, of: int, what: str, waiting: bool) -> str:
    """How many strips are missing, and why; `waiting` where rows are still to be filled in."""
    why = []
    if refused:
        why.append(f"{counted(refused, 'row')} of the strips table {_was(refused)} refused")
    if without:
        have = "has" if without == 1 else "have"
        why.append(f"{counted(without, 'strip')} {have} no {_counted_as(what)}")
    return (
        f"A third or more of the trial is missing: of {of} strips {refused + without} are not in "
        f"the comparison ({', '.join(why)})."
    )


def lost_by_setup(setups: Sequence[tuple[str, int, int]], unequal: bool) -> str:
    """Losses by setup."""
    told = listed([f"{lower_first(label)} lost {lost} of {of}" for label, lost, of in setups])
    rest = " That is more than chance explains." if unequal else ""
    return f"Of the strips whose setup was read, {told}.{rest}"


def lost_so(unequal: bool, what: str) -> str:
    """What follows for how a result is told."""
    of = f" in {lower_first(what)}" if what else ""
    if unequal:
        return (
            "Losing a strip had to do with the setup, so what is left is no fair comparison: no "
            f"difference{of} is told, whatever its p."
        )
    return (
        f"Strips may be missing for a reason that has to do with the setup, so a difference{of} "
        "is told as likely at most, whatever its p."
    )


def _some(strips: Sequence[str]) -> str:
    return listed(list(strips)) if len(strips) <= _SHOWN else some_of(strips, _SHOWN)


def _have(n: int) -> str:
    return "has" if n == 1 else "have"


def _was(n: int) -> str:
    return "was" if n == 1 else "were"


def _counted_as(what: str) -> str:
    return f"count or reading of {lower_first(what)}" if what else "count or reading at all"
