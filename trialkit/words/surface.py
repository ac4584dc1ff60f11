"""A response over two settings: the best of those run, those near it, where the surface is level.

A setting comes as ``(label, value, unit)`` in SI, or with two values where it spans a range;
`system` is the trial's own, "US" or "SI".
"""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import decimals, number, significant
from trialkit.quantities import Scale, difference_unit, scales

SETTINGS = {
    "gap": "stripper-plate gap",
    "gap_front": "stripper-plate gap at the front",
    "gap_rear": "stripper-plate gap at the rear",
    "gap_measured": "stripper-plate gap as measured on the header",
    "speed": "ground speed",
    "speed_measured": "ground speed",
    "speed_set": "ground speed asked for",
    "roll_rpm": "stalk-roll speed",
    "moisture": "grain moisture",
}
"""Settings that may be named, in words."""

At = Sequence[tuple[str, float, str]]


def _value(value: float, own: Scale) -> str:
    return number(value * own.factor, 2 if own.unit == "in" else 1)


def _at(settings: At, system: str) -> str:
    parts = []
    for label, value, unit in settings:
        own = scales(unit, system)[0]
        parts.append(f"{label} {_value(value, own)} {own.unit}".rstrip())
    return " and ".join(parts)


def extreme(better: str) -> str:
    """What the best estimate is: "lowest" or "highest"."""
    return "lowest" if better == "lower" else "highest"


# ---------------------------------------------------------------- what it shows
def best(
    settings: At, estimate: float, low: float, high: float, unit: str, better: str, system: str,
    confidence: float,
) -> str:  # fmt: skip
    own = scales(unit, system)[0]
    places = max(decimals(own.factor * (high - low) / 2), 0)
    found, least, most = (number(own.factor * v, places) for v in (estimate, low, high))
    return (
        f"Among the settings run the {extreme(better)} estimate is at {_at(settings, system)}: "
        f"{found} {own.unit} ({100 * confidence:g} % interval {least} to {most}); where exactly "
        "the best lies is not known, see the settings near it."
    )


def _margin(margin: float, unit: str, system: str) -> str:
    own = scales(unit, system)[0]
    return f"{significant(margin * own.factor, 2)} {difference_unit(own.unit)}"


def _side(better: str) -> str:
    return "above" if better == "lower" else "below"


def all_near(margin: float, unit: str, better: str, system: str, confidence: float) -> str:
    return (
        f"No setting run is shown to lie more than {_margin(margin, unit, system)} "
        f"{_side(better)} the best ({100 * confidence:g} % for each setting)."
    )


def near(
    spans: Sequence[tuple[str, float, float, str]], share: float, margin: float, unit: str,
    better: str, system: str, confidence: float,
) -> str:  # fmt: skip
    """Settings near the best; `spans` has label, lowest, highest and unit of each setting."""
    parts = []
    for label, low, high, own_unit in spans:
        own = scales(own_unit, system)[0]
        parts.append(f"{label} {_value(low, own)} to {_value(high, own)} {own.unit}".rstrip())
    return (
        f"Settings not shown to lie more than {_margin(margin, unit, system)} {_side(better)} the "
        f"best ({100 * confidence:g} % for each setting) are {_share(share)} of those run, within "
        f"{' and '.join(parts)}; not every combination in those spans is among them."
    )


def within(share: float, margin: float, unit: str, system: str, confidence: float) -> str:
    return (
        f"{_share(share).capitalize()} of them are shown to lie within "
        f"{_margin(margin, unit, system)} of it ({100 * confidence:g} % for each setting)."
    )


def _share(part: float) -> str:
    return f"{number(100 * part, 0)} %" if part >= 0.005 else "under 1 %"


def zones_apart() -> str:
    return (
        "Each zone has a surface of its own; their difference is not of second order, so no "
        "stationary point is looked for."
    )


def not_second_order() -> str:
    return (
        "The settings run do not identify a full second-order surface, so no stationary point is "
        "looked for: the best estimate lies where the settings end in at least one direction or "
        "along a ridge."
    )


def level_outside(settings: At, kind: str, system: str) -> str:
    return (
        f"The surface is level at {_at(settings, system)}, outside the settings run, a {kind}; the "
        "best of those run is at their edge."
    )


def level_inside(settings: At, kind: str, bounded: bool, system: str) -> str:
    region = "reaches the edge of the settings run, so it may lie beyond"
    if bounded:
        region = "ends inside the settings run"
    return (
        f"The surface is level at {_at(settings, system)}, a {kind}; its confidence region "
        f"{region}."
    )


# ---------------------------------------------------------------- what it rests on
def straight(label: str, distinct: int) -> str:
    return (
        f"{label.capitalize()} was run at {distinct} distinct values; along it the surface is "
        "straight on the model's scale."
    )


def act_apart(one: str, other: str) -> str:
    return (
        f"The combinations run do not tell whether the effect of {one} changes with {other}; the "
        "two are taken to act apart."
    )


def averaged_over(factors: Sequence[str]) -> str:
    return f"Averaged over {', '.join(factors)}."


def observed(label: str) -> str:
    return (
        f"{label.capitalize()} was observed, not set by lot: what went with it is part of its "
        "trend."
    )


def gap_of_one_end(end: str) -> str:
    return f"The gap is that of the {end} alone."


def gap_as_set(low: float, high: float, system: str) -> str:
    """How far the gap measured on the headers lies from the gap set, mm."""
    own = scales("mm", system)[0]
    shown = [f"{'+' if v >= 0 else ''}{significant(v * own.factor, 2)}" for v in (low, high)]
    return (
        f"This is the gap as set; measured on the header it was "
        f"{' to '.join(dict.fromkeys(shown))} {own.unit} from the setting on average. The setting "
        "'gap_measured' takes the gap as measured."
    )


def no_header_check() -> str:
    return "No gap was measured on a header: the trial has no header_check table."


def gap_unknown(reasons: Sequence[str]) -> str:
    return f"The measured gap of the strips is not known: {'; '.join(reasons)}."


# ---------------------------------------------------------------- the cards
def heading(title: str, one: str, other: str) -> str:
    return f"{title} over {one.lower()} and {other.lower()}"


def in_brackets(confidence: float) -> str:
    return f"{100 * confidence:g} % interval in brackets."


def best_run() -> str:
    return "Best of the settings run"


def rests_on() -> str:
    return "Tests of the terms, and what it rests on"


def stationary(at: tuple[float, float], inside: bool, bounded: bool) -> str:
    """A stationary point alone, in the units of the settings."""
    where = "among the settings run" if inside else "outside the settings run"
    region = "ends inside them" if bounded else "runs out of them: it is not pinned down"
    return (
        f"At {significant(at[0], 4)} and {significant(at[1], 4)}, {where}; its confidence region "
        f"{region}."
    )
