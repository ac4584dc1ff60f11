"""Figures of effects: along a covariate, over two settings, field by field."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from trialkit.display import number
from trialkit.quantities import lower_first, upper_first
from trialkit.words.figures_checks import estimate

# ---------------------------------------------------------------- along a covariate
NO_DIFFERENCE = "no difference"


def no_ratios(near_zero: bool) -> str:
    """Why a curve has no ratios: a mean is too near zero, or they have no meaning."""
    return "A mean is too near zero for ratios" if near_zero else "The response has no ratios"


def effect_title(level: str, reference: str, what: str, unit: str = "") -> str:
    """Over a curve: a ratio, or a difference in a unit."""
    if not unit:
        return f"{level}: {what} as\na multiple of {reference}"
    return f"{level} less {reference},\n{what}, {unit}"


def covariate_axis(label: str, unit: str) -> str:
    return f"{upper_first(label)}, {unit}"


def band_names(confidence: float) -> tuple[str, str]:
    """Of the band for all values together, and of that for one."""
    percent = f"{100 * confidence:g} %"
    return f"{percent},\nall values", f"{percent},\none value"


class Point(NamedTuple):
    """A point of a curve."""

    x: float
    y: float


def effect_along(
    title: str, level: str, reference: str, along: str, unit: str, first: Point, last: Point,
    strips: tuple[int, int], confidence: float, said: Sequence[str], difference: str = "",
) -> str:  # fmt: skip
    """An effect along a covariate.

    Parameters
    ----------
    title, level, reference, along : str
        Of the response, the setups compared and the covariate.
    unit : str
        Of the covariate.
    first, last : Point
        Ends of the curve.
    strips : (int, int)
        Of the level and of its reference.
    confidence : float
        Of the bands.
    said : sequence of str
        What the curve comes to.
    difference : str
        Unit of a difference; empty for a ratio.
    """
    what = f"difference in {difference}" if difference else "ratio"
    return (
        f"{title}: {what} of {lower_first(level)} to {lower_first(reference)} along {along}, from "
        f"{number(first.y, 2)} at {number(first.x, 1)} {unit} to {number(last.y, 2)} at "
        f"{number(last.x, 1)} {unit}, with a {100 * confidence:g} % band for single values and a "
        f"wider one for all values together; below, {strips[0]} and {strips[1]} strips. "
        f"{' '.join(said)}"
    )


# ---------------------------------------------------------------- over two settings
def _not_shown(better: str, margin: str) -> str:
    apart = "exceed" if better == "lower" else "fall short of"
    return f"not shown to {apart} the best by more than {margin}"


def _extreme(better: str) -> str:
    return "lowest" if better == "lower" else "highest"


def surface_title(title: str, unit: str, better: str, margin: str) -> str:
    """Key over contours; `better` is "lower" or "higher", `margin` has its unit."""
    return (
        f"{title}, {unit} (lines)\nhatched: {_not_shown(better, margin)}\n"
        f"star: {_extreme(better)} estimate; rings: strips"
    )


def surface(
    title: str, unit: str, better: str, margin: str, settings: Sequence[str], low: str, high: str,
    best: tuple[str, str], share: float, strips: int,
) -> str:  # fmt: skip
    """Contours of a response over two settings.

    Parameters
    ----------
    title, unit, better, margin : str
        As `surface_title`.
    settings : (str, str)
        With their units.
    low, high : str
        Of the response.
    best : (str, str)
        Settings of the best estimate.
    share : float
        Of the settings inside those run that are near the best.
    strips : int
    """
    return (
        f"{title} in {unit} over {settings[0]} and {settings[1]}: contour lines from {low} to "
        f"{high}, {_extreme(better)} estimate at {best[0]} and {best[1]}. "
        f"{number(100 * share, 0)} % of the settings inside those run are hatched: "
        f"{_not_shown(better, margin)}. {strips} strips are drawn as rings."
    )


# ---------------------------------------------------------------- field by field
ALL_FIELDS, MEAN_OF_FIELDS, NEXT_FIELD = "All fields", "Mean of fields", "Next field"


def effect_by_field(link: str, reference: str, unit: str) -> str:
    """What an effect is, by the scale of its model."""
    if link == "identity":
        return f"difference from {lower_first(reference)}, {unit}"
    return f"{'odds ratio' if link == 'logit' else 'ratio'} to {lower_first(reference)}"


def forest_axis(what: str) -> str:
    return (
        f"{upper_first(what)}\n\N{WHITE CIRCLE} own pairs   \N{BLACK SQUARE} by the model   "
        "\N{BLACK DIAMOND} mean of fields"
    )


def mean_and_next_field(label: str, mean: str, next_field: str = "") -> str:
    """The mean over fields, and the interval for the next one where it is known."""
    following = f"; next field {next_field}" if next_field else ""
    return f"{label}: mean of fields {mean}{following}."


def fields_by_the_model(
    label: str, level: float, fields: Sequence[tuple[str, str, str]], summary: str
) -> str:
    """A level in every field: name, estimate by the model, that of its own pairs ("" if none)."""
    every = ", ".join(
        f"{name} {shown}" + (f", own pairs {own}" if own else "") for name, shown, own in fields
    )
    return f"{label} by the model ({100 * level:g} % intervals): {every}. {summary}"


def forest(title: str, label: str, fields: int, what: str, levels: Sequence[str]) -> str:
    return f"{title}: {label} in {fields} fields, {what} in each. {' '.join(levels)}"


def change_by_the_model(value: float, low: float, high: float) -> str:
    """Ratios told as a change in per cent with its interval."""
    value, low, high = (100 * (v - 1) for v in (value, low, high))
    texts = [("+" if round(v) > 0 else "") + number(v, 0) for v in (value, low, high)]
    return estimate(f"{texts[0]} %", *texts[1:])


def ratio_tick(ratio: float) -> str:
    """A ratio as a change in per cent, along an axis."""
    return "same" if ratio == 1 else f"{'+' if ratio > 1 else ''}{number(100 * (ratio - 1), 0)} %"


def own_fields_axis(unit: str = "") -> str:
    """Differences in a unit, or changes by the model."""
    if unit:
        return f"Difference in {unit}; left of zero: less"
    return "Change against the reference, by the model\n(× own strips alone)"


def own_fields(
    title: str, label: str, unit: str, fields: Sequence[tuple[str, bool, str]], together: str
) -> str:
    """A setup's effect in every field: name, whether it is the grower's own, and the effect.

    `unit` is that of differences, "" for changes by the model.
    """
    told = "; ".join(f"{name}{' (own)' if own else ''} {text}" for name, own, text in fields)
    return (
        f"{title}: {label} against the reference in {len(fields)} fields, "
        f"{unit or 'change in per cent by the model'}: {told}; all fields together {together}."
    )


def all_together(together: str) -> str:
    return f"All fields together: {together}."


def setups_by_field(
    title: str, factor: str, unit: str, fields: Sequence[tuple[str, Sequence[tuple[str, str]]]]
) -> str:
    """Means of every setup in every field: name, and each setup with its mean."""
    told = "; ".join(
        f"{name} {', '.join(f'{label} {mean}' for label, mean in means)}" for name, means in fields
    )
    many = "field" if len(fields) == 1 else "fields"
    return (
        f"{title} measured with each {factor or 'setup'} in {len(fields)} {many}, means over "
        f"strips in {unit}: {told}. Small marks below are single strips."
    )
