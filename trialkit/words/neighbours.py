"""Whether an answer holds with a trend along the field, or with neighbouring strips alike."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from trialkit.display import number, p_is
from trialkit.quantities import listed, lower_first
from trialkit.words.counts import counted

MODELS = {
    "reported": "this report's model", "trend": "the same, with a line over each field's places",
    "apart": "strip values, errors independent",
    "alike": "strip values, errors alike between neighbours",
}  # fmt: skip
"""By name."""
HEAD = ("model", "effect", "p, Holm")


def heading(title: str) -> str:
    return f"{title}: a trend along the field, neighbouring strips"


def title() -> str:
    """Over the piece of a section."""
    return "Does the answer hold with a trend, or neighbours alike?"


def no_places() -> str:
    """No two strips of a field have a place."""
    return "The places of the strips are not known, so neighbours and trends cannot be looked at."


def no_plan() -> str:
    """The trial keeps no plan."""
    return (
        "Where each strip lies in its field is not known, as the trial keeps no plan, so a trend "
        "along the field and likeness of neighbouring strips are not looked at."
    )


def about() -> str:
    """What is asked, and of what."""
    return (
        "Setups are drawn at random within blocks, so a trend over the field, or likeness of "
        "neighbouring strips, favours none of them; it can make an interval too narrow or too "
        "wide. Neither is part of this report's model. Intervals with neighbours alike are a "
        "little too narrow: what only they tell apart is no finding."
    )


def unplaced(strips: int) -> str:
    verb = "has" if strips == 1 else "have"
    return f"{counted(strips, 'strip')} {verb} no place in the plan and {verb} no part in this."


def trend_needs_places() -> str:
    return "not every strip has a place"


def trend_needs_strips() -> str:
    return "no field has three places"


def no_trend(reason: str) -> str:
    return f"The model with a trend has no answer: {lower_first(reason).rstrip('.')}."


def no_alike(reason: str) -> str:
    return f"The model with neighbours alike has no answer: {lower_first(reason).rstrip('.')}."


def trend(
    changed: Sequence[Mapping[str, str]], of: int, p: float, fields: int, widest: float
) -> str:
    """The answer beside a line over the places of every field; p is Bonferroni's over fields."""
    over = "" if fields == 1 else f", the least of {fields} fields times their number"
    seen = "A trend along the field is seen" if p < 0.05 else "No trend along the field is seen"
    return f"{seen} ({_p(p)}{over}). {_holds('a line', changed, of, widest)}"


def alike(
    changed: Sequence[Mapping[str, str]], of: int, correlation: float, p: float, phi: float,
    widest: float,
) -> str:  # fmt: skip
    """The answer of strips with neighbours alike, beside that of the same strips without."""
    if math.isnan(correlation):
        seen = "Too few strips lie side by side to test whether neighbours are alike."
    else:
        more = correlation > 0
        told = "more alike" if more else "less alike"
        seen = (
            f"Residuals of next neighbours have a correlation of {number(correlation, 2)}: they "
            f"are {told} than their blocks make them ({_p(p)}, permutations)."
            if p < 0.05 else
            f"Residuals of next neighbours have a correlation of {number(correlation, 2)}, which "
            f"does not go beyond what their blocks make it ({_p(p)}, permutations)."
        )  # fmt: skip
    fitted = f"autocorrelation (here {number(phi, 2)} between next neighbours)"
    return f"{seen} {_holds(fitted, changed, of, widest)}"


def _holds(what: str, changed: Sequence[Mapping[str, str]], of: int, widest: float) -> str:
    if not changed:
        which = "the comparison" if of == 1 else f"all {of} comparisons"
        wide = f"; the interval that widens most is {number(widest, 2)} times as wide"
        return f"With {what} {which} would be told as without{wide if of > 1 else _width(widest)}."
    told = [
        f"{c['label']} against {lower_first(c['reference'])} is told apart {c['apart']} it only"
        for c in changed
    ]
    return (
        f"With {what} the answer does not hold for {counted(len(changed), 'comparison')} of {of}: "
        f"{listed(told)}."
    )


def _p(p: float) -> str:
    return f"p {p_is(p)}"


def _width(widest: float) -> str:
    return f"; its interval is {number(widest, 2)} times as wide"


def trends_caption() -> str:
    return "From the first strip of a field to its last, by the model with a line"


def no_residuals() -> str:
    return "No strip has a residual, so nothing can be drawn by place."


def places_axis(unit: str) -> str:
    return f"place across the field, {unit}"


def residual_axis(effect: str, unit: str) -> str:
    """What is drawn: of a ratio its logarithm, of a difference the response's own unit."""
    of = {"ratio": "log", "odds ratio": "logit", "difference": unit}
    return f"residual, {of.get(effect, 'share of what lay')}"


def drawn(shown: int, fields: int, strips: int) -> str:
    """What the figure shows."""
    of = f"the first {shown} of {fields} fields" if shown < fields else counted(fields, "field")
    return (
        f"Residuals of {strips} strips by their place in {of}: value less setups and field, blocks "
        "left in. A line joins neighbours."
    )


def drawn_alt(title: str, told: Sequence[tuple[str, int, float, float]]) -> str:
    """For who cannot see it: field, strips, least and largest residual."""
    each = [f"{field}: {n} strips, from {number(low, 2)} to {number(high, 2)}"
            for field, n, low, high in told]  # fmt: skip
    return f"{title}, residuals of strips against their place. {'; '.join(each)}."


def answers_caption(title: str, against: str) -> str:
    """Over the answers of each model."""
    return f"{title}, {lower_first(against)}: with and without"


def with_scale(scale: str, value: float, low: float, high: float) -> str:
    """A ratio or a share with its interval."""
    return f"{scale} {number(value, 2)} ({number(low, 2)} to {number(high, 2)})"
