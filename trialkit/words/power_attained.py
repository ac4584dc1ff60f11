"""What a finished trial could have told, and what it would take to tell more."""

from __future__ import annotations

import math

from trialkit.display import number, significant
from trialkit.quantities import difference_unit, scales


def could_tell(
    label: str, pairs: int, power: float, confidence: float, scale: str, low: float, high: float,
    half_width: float, unit: str, system: str,
) -> str:  # fmt: skip
    """The precision attained.

    Parameters
    ----------
    scale : {"ratio", "difference"}
        What the other figures are of; differences are in `unit`.
    low, high : float
        True effects that would be told apart with the power, missing where none would.
    half_width : float
        Half the width of the interval, or the factor it reaches to either side.
    """
    own = scales(unit, system)[0]
    ratio, words = scale == "ratio", difference_unit(own.unit)

    def size(value: float) -> str:
        if ratio:
            return number(value, 2)
        return f"{'+' if value > 0 else ''}{significant(value * own.factor)} {words}"

    sides = [f"{size(low)} or {'less' if ratio else 'below'}"] if math.isfinite(low) else []
    sides += [f"{size(high)} or {'more' if ratio else 'above'}"] if math.isfinite(high) else []
    what = f"a true {scale} of {', or '.join(sides)}"
    if not ratio and math.isclose(-low, high, rel_tol=1e-6):
        least = f"{significant(high * own.factor)} {words}"
        what = f"a true difference of {least} or more, either way"
    reaches = f"{significant(half_width * own.factor)} {words}"
    if ratio:
        reaches = f"a factor of {number(half_width, 2)}"
    fall = ""
    if not math.isfinite(low):
        fall = " No fall, however complete, would be told apart that often."
    return (
        f"{label}: with {pairs} pairs (blocks) and the variation found, {what}, would be told "
        f"apart in {100 * power:g} % of such trials.{fall} The interval of the {scale} reaches "
        f"{reaches} to either side ({100 * confidence:g} %)."
    )


# ---------------------------------------------------------------- what it rests on
def average_effect() -> str:
    return "The factor interacts with others; the figures are those of its average effect."


def more_pairs_add_none() -> str:
    return (
        "The setup's effect differs between fields; more pairs in the same fields are taken to add "
        "no degrees of freedom."
    )


def one_row(zones: bool, counts: bool) -> str:
    where = "strip and zone" if zones else "strip"
    what = "is not chance of counting" if counts else "varies"
    return f"One row per {where}: what {what} is taken to be between strips."


# ---------------------------------------------------------------- the card
def heading(title: str) -> str:
    return f"{title}: what this trial could tell"


def needed() -> str:
    return "Pairs or fields that would reach an aim"


def more_effort() -> str:
    return "What more effort would bring, and where the uncertainty comes from"
