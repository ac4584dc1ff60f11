"""Figures of whether the model holds and what a result rests on."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import p_text
from trialkit.quantities import lower_first

NORMAL_AXIS = "Normal quantile"
EFFECT_AXIS = "Standardised effect"


def residual_axis(title: str) -> str:
    return f"Quantile residual, {lower_first(title)}"


def residuals_outside(outside: int, rows: int, p: float) -> str:
    """How many residuals leave the band, and the p-value of their shape as a whole."""
    return (
        f"{outside} of {rows} residuals lie outside the band in which 95 % of those at their place "
        f"would lie if the model held (shape as a whole: p = {p_text(p)})."
    )


def residuals(title: str, summary: str) -> str:
    return f"{title}: quantile residuals of the model against normal quantiles. {summary}"


def effects_of(level: str, term: str) -> str:
    """What random effects are of: a level of the layout, or the setup within it."""
    name = level.replace("_", " ")
    return name if term == "Intercept" else f"setup by {name}"


def effects_outside(counts: Sequence[tuple[str, int, int]]) -> str:
    """Name, effects outside the band and effects in all, of every panel."""
    told = "; ".join(f"{name}: {outside} of {n} outside" for name, outside, n in counts)
    return (
        "Effects outside the band in which 95 % of those at their place would lie if the model "
        f"held: {told}."
    )


def effects(title: str, summary: str) -> str:
    return (
        f"{title}: predicted effects behind {lower_first(title)}, each divided by its expected "
        f"spread, against normal quantiles. {summary}"
    )


# ---------------------------------------------------------------- leaving units out
def unit_left_out(unit: str, pair: str, field: str, named: bool) -> str:
    """ "field A" or "pair 3, A"; `named` is whether a pair is told with its field."""
    if unit == "field":
        return field if field.lower().startswith("field ") else f"field {field}"
    return f"pair {pair}" + (f", {field}" if named else "")


def without(name: str) -> str:
    return f"without {name}"


def influence_axis(title: str, what: str, unit: str, label: str) -> str:
    """`what` is "ratio" or "difference"; `label` the setup compared, folded into lines."""
    of = "ratio to" if what == "ratio" else f"{unit}, difference from"
    return f"{title}, {of} the reference:\n{label}"


def estimate(value: str, low: str, high: str) -> str:
    """ "0.59 (0.45 to 0.78)"."""
    return f"{value} ({low} to {high})"


def moves_most(what: str, full: str, unit: str, moved: str, deciding: Sequence[str]) -> str:
    """What moves an estimate most, and what decides whether it is told apart.

    Parameters
    ----------
    what : {"ratio", "difference"}
    full, moved : str
        The estimate with everything in, and without that unit.
    unit : str
    deciding : sequence of str
        Units without which something else is told apart.
    """
    changes = (
        f"What is told apart changes without {', '.join(deciding)}."
        if deciding
        else "Leaving out any one of them changes nothing of what is told apart."
    )
    return (
        f"With everything in, the {what} is {full}. The {what} moves most without {unit}: {moved}. "
        f"{changes}"
    )


def influence(title: str, label: str, units: int, summary: str) -> str:
    return f"{title}, {label} against its reference, without each of {units} units. {summary}"
