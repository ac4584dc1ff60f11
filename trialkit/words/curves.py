"""How a setup's effect changes along moisture, speed or gap, and where it reaches a given size.

Values along it come in SI with their `unit`; `system` is the trial's own, "US" or "SI".
"""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import freedom, number, p_is, significant
from trialkit.quantities import Scale, difference_unit, lower_first, scales

STANDS = "What the setups do as they were run, all strips together, stands in the analysis."
ALONG = {
    "moisture": "grain moisture",
    "speed_measured": "ground speed",
    "gap_measured": "stripper-plate gap as measured on the header",
}
"""Covariates in words, by their column of the strips."""


def _own(unit: str, system: str) -> Scale:
    return scales(unit, system)[0]


def _reach(low: float, high: float, own: Scale) -> str:
    """ "From 20.6 to 21.1 %", or "At 20.6 %" where both ends round to it."""
    first, last = (number(v * own.factor, 1) for v in (low, high))
    return f"At {first} {own.unit}" if first == last else f"From {first} to {last} {own.unit}"


def _effect(level: str, reference: str, ratio: bool) -> str:
    return f"the ratio of {level} to {reference}" if ratio else f"{level} less {reference}"


# ---------------------------------------------------------------- what a curve shows
def no_ratios() -> str:
    return "A mean is too near zero for ratios; differences stand."


def left_out(
    low: float, high: float, unit: str, system: str, along: str, level: str, reference: str,
    ratio: bool, above: bool, confidence: float,
) -> str:  # fmt: skip
    """Where the band for all values leaves out no effect."""
    return (
        f"{_reach(low, high, _own(unit, system))} {along} the {100 * confidence:g} % band for all "
        f"values together has {_effect(level, reference, ratio)} {'above' if above else 'below'} "
        f"{1 if ratio else 0}."
    )


def nowhere_left_out(
    low: float, high: float, unit: str, system: str, along: str, ratio: bool, confidence: float
) -> str:
    own = _own(unit, system)
    first, last = (number(v * own.factor, 1) for v in (low, high))
    return (
        f"Between {first} and {last} {own.unit} {along} the {100 * confidence:g} % band nowhere "
        f"leaves out {1 if ratio else 0}: no effect at all is possible at every value."
    )


def _test(f: float, num_df: float, den_df: float, p: float) -> str:
    return f"F({num_df:.0f}, {freedom(den_df, 0)}) = {number(f, 2)}, p {p_is(p)}"


def change_in_zones(f: float, num_df: float, den_df: float, p: float) -> str:
    return f"Test of no change of the effect in any zone: {_test(f, num_df, den_df, p)}."


def change_of_difference(
    value: float, low: float, high: float, unit: str, along_unit: str, system: str,
    confidence: float, f: float, num_df: float, den_df: float, p: float,
) -> str:  # fmt: skip
    """Change per unit of the covariate, in the result's unit per SI unit."""
    own, shown = _own(along_unit, system), _own(unit, system)
    one, least, most = (_signed(v * shown.factor / own.factor) for v in (value, low, high))
    return (
        f"Per {_step(own)} the difference changes by {one} {difference_unit(shown.unit)} "
        f"({100 * confidence:g} % interval {least} to {most}); test of no change: "
        f"{_test(f, num_df, den_df, p)}."
    )


def change_of_ratio(
    value: float, low: float, high: float, odds: bool, along_unit: str, system: str,
    confidence: float, f: float, num_df: float, den_df: float, p: float,
) -> str:  # fmt: skip
    """The factor by which the ratio, or ratio of odds, changes per SI unit of the covariate."""
    own = _own(along_unit, system)
    ends = [v ** (1 / own.factor) for v in (value, low, high)]
    one, least, most = (significant(v) for v in ends)
    percent = f"{100 * confidence:g} %"
    by = f"a factor of {one} ({percent} interval {least} to {most})"
    if one == "1":
        one, least, most = (_signed(100 * (v - 1), 2) for v in ends)
        by = f"{one} % ({percent} interval {least} to {most} %)"
    return (
        f"Per {_step(own)} the {'ratio of odds' if odds else 'ratio'} changes by {by}; test of no "
        f"change: {_test(f, num_df, den_df, p)}."
    )


def _step(own: Scale) -> str:
    return "point" if own.unit == "%" else own.unit


def _signed(value: float, digits: int = 3) -> str:
    return f"{'+' if value >= 0 else ''}{significant(value, digits)}"


def thin(low: float, high: float, unit: str, system: str, strips: int) -> str:
    """Where fewer than so many strips of a setup lie near."""
    return (
        f"{_reach(low, high, _own(unit, system))} fewer than {strips} strips of a setup lie near; "
        "there the curve rests on the straight line."
    )


# ---------------------------------------------------------------- what it rests on
def straight_line(scale: str, along: str, zones: bool) -> str:
    """`scale` is "identity", "log" or "logit"."""
    where = "In the result's unit" if scale == "identity" else f"On the model's {scale} scale"
    return (
        f"{where} the effect is taken to change in a straight line with {along}"
        f"{' in each zone' if zones else ''}."
    )


def observed(along: str) -> str:
    return (
        f"{along.capitalize()} was observed, not set by lot: what goes with it, such as hybrid, "
        "day or field, is part of the curve."
    )


def between_fields(along: str, fields: int) -> str:
    return f"{along.capitalize()} differs mainly between the {fields} fields."


# ---------------------------------------------------------------- the card
def heading(title: str, level: str, reference: str, along: str) -> str:
    return f"{title}: {level} against {lower_first(reference)} along {along}"


def in_brackets(confidence: float) -> str:
    return f"{100 * confidence:g} % intervals at each point in brackets."


def near_reference() -> str:
    return "and of the reference"


def rests_on() -> str:
    return "What it rests on"


# ---------------------------------------------------------------- where it reaches a size
def crosses(
    at: Sequence[float], intervals: Sequence[tuple[float, float]], low: float, high: float,
    whole: bool, along: str, along_unit: str, scale: str, value: float, unit: str, system: str,
    confidence: float,
) -> str:  # fmt: skip
    """Where a curve passes a ratio or a difference.

    Parameters
    ----------
    at, intervals : sequence
        Where the estimate passes it, and where it is not refused; SI.
    low, high : float
        Lowest and highest value run.
    whole : bool
        Whether it is refused nowhere.
    scale : {"ratio", "difference"}
        What `value` is; a difference is in `unit`.
    """
    own, shown = _own(along_unit, system), _own(unit, system)
    size = f"{value:g}"
    if scale == "difference":
        size = f"{significant(value * shown.factor)} {difference_unit(shown.unit)}"

    def told(x: float) -> str:
        return number(x * own.factor, 1)

    first, last = told(low), told(high)
    if not intervals:
        return (
            f"One {along} at a time, a {scale} of {size} is refused everywhere between {first} and "
            f"{last} {own.unit}."
        )
    begin = f"The estimated {scale} does not pass {size} between {first} and {last} {own.unit}"
    if at:
        where = " and ".join(told(x) for x in at)
        begin = f"The {scale} is estimated to pass {size} at {where} {own.unit}"
    percent = f"{100 * confidence:g} %"
    if whole:
        return f"{begin}; no value of that range can be refused ({percent})."
    parts = []
    for a, b in intervals:
        least, most = told(a), f"{told(b)} {own.unit}"
        if a == low:
            least = f"the lowest run, {told(a)} {own.unit}, or below"
        if b == high:
            most = f"the highest run, {told(b)} {own.unit}, or beyond"
        if told(a) != told(b):
            parts.append(f"from {least}{',' if a == low else ''} to {most}")
        else:
            parts.append(least if a == low else most if b == high else f"at {most}")
    return f"{begin}; {percent} interval {' and '.join(parts)}."


def crossing_heading(scale: str, value: float) -> str:
    return f"Where the {scale} is {value:.4g}"


def not_refused() -> str:
    return "Where it cannot be refused"


# ---------------------------------------------------------------- means at several speeds
def measured_speed() -> str:
    return "measured ground speed as a covariate"


def levels_of(factor: str) -> str:
    return f"levels of {factor}"
