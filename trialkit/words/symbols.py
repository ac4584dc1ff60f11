"""The symbols of a response's model, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import number


def row(family: str, row: str, thing: str, unit: str) -> str:
    """What is modelled in a row."""
    if family == "poisson":
        return (
            f"y is the number of {thing}s in {row} k, a its area (the offset log a enters with "
            f"coefficient 1), λ the {thing}s per square metre."
        )
    if family == "binomial":
        return (
            f"y is the number of {thing}s among the n examined of {row} k, π the share damaged."
        )
    if family == "lognormal":
        return f"y is the share of {thing} by mass in {row} k."
    return f"y is the {thing} of {row} k, {unit}."


def fixed(factors: Sequence[tuple[str, Sequence[str]]]) -> str:
    """Intercept and fixed effects of factors, each with its levels."""
    own = "; ".join(f"{label} ({', '.join(levels)})" for label, levels in factors)
    return (
        f"μ is the intercept; β the fixed effect of the level the strip was run at: {own}. The "
        "first level named of a factor is the reference, its effect zero."
    )


def zones() -> str:
    """Two zones compared."""
    return (
        "Every fixed effect has a value in each zone z, the ground before and behind the "
        "machine's body; w is +1 for the ground behind the machine and -1 for the header zone."
    )


def products() -> str:
    """Interactions."""
    return "β of a product is what two factors do together beyond the sum of both."


def slope(along: str, mean: float, unit: str) -> str:
    """A covariate about its mean."""
    return (
        f"γ is the slope along {along} of the strip about its mean over strips, "
        f"{number(mean, 2 if unit == 'in' else 1)} {unit}."
    )


def random(units: Sequence[str]) -> str:
    """The normal effects, coarse to fine."""
    return (
        f"Normal effects with mean zero, nested: {'; '.join(units)}. Pairs are numbered within "
        "fields, strips within pairs."
    )


def residual(row: str) -> str:
    """The residual of Gaussian values."""
    return f"ε is what single {row}s differ by."


def mean(unit: str, several: bool, scale: float, thing: str, offset: float | None) -> str:
    """A reported mean: over `several` factors, counts of a `thing`, less an `offset`."""
    what = f"A mean M is in {unit}: the model's mean over the random effects"
    if several:
        what += ", averaged over the C combinations of the other factors alike"
    what += f", times κ = {scale:.4g}"
    if thing:
        what += f" {unit} per {thing} on a square metre"
    if offset is not None:
        what += (
            f", less P = {offset:.3g} {unit}, the loss before harvest by a model of its own"
        )
    return f"{what}."


def every_row(row: str) -> str:
    """The effect of a single row of counts."""
    return f"every {row}: what counts vary beyond chance"


def unit_effect(name: str, above: str) -> str:
    """The effect of a unit, within the one above it."""
    return f"{name} within {above}" if above else name


def row_of_one_zone(row: str) -> str:
    """The effect of a row in one zone."""
    return f"every {row} of one zone, beside that of both"


def effect_by_unit(setup: str, unit: str) -> str:
    """A setup's effect that differs between units."""
    return f"{setup} by {unit}: an effect that differs between {unit}s"
