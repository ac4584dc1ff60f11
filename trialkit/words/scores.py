"""A score by its order: the odds of a higher one."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import p_is, significant
from trialkit.words.model import LEVELS, fixed_effects


def in_words(
    readings: int, strips: int, factors: Sequence[str], interactions: Sequence[tuple[str, str]],
    covariates: Sequence[str], nested: Sequence[str], varies_by_field: bool,
) -> str:  # fmt: skip
    """The proportional odds model; arguments as of `model.in_words`."""
    random = [LEVELS.get(level, level) for level in nested]
    if varies_by_field:
        random.insert(1, "setup by field")
    effects = f"; normal effects of {', '.join(random)}" if random else ""
    return (
        f"{readings} readings of {strips} strips; cumulative logit with one odds ratio for every "
        f"score; fixed effects of {fixed_effects(factors, interactions, covariates)}{effects}; "
        "maximum likelihood by the Laplace approximation, degrees of freedom of the layout."
    )


def odds(
    label: str, reference: str, ratio: float, low: float, high: float, p: float, level: float
) -> str:
    found, least, most = (significant(v, 2) for v in (ratio, low, high))
    said = (
        f"{label} against {reference}: the odds of a higher score are {found} times as high "
        f"({100 * level:g} % interval {least} to {most}, p {p_is(p)})"
    )
    held = low > 1.0 or high < 1.0
    return f"{said}." if held else f"{said}; equal odds lie within the interval."


def others_at_reference(factor: str) -> str:
    """A factor that meets others, for the test of one odds ratio for every score."""
    return f"{factor} (other factors at their reference)"


def none(why: str) -> str:
    return f"No odds ratio can be given: {why}"


def one_reading() -> str:
    return (
        "There is one reading a strip: with so little the p of the odds ratio is too large, and "
        "the test of ranks (p_rank) is the one to read."
    )


def without_interactions() -> str:
    return (
        "The model with interactions, or with effects that differ between fields, could not be "
        "fitted to these scores; odds ratios are taken to multiply and to be the same in every "
        "field."
    )


# ---------------------------------------------------------------- the card
def heading(title: str) -> str:
    return f"{title}: odds of a higher score"


def every_score() -> str:
    return "The chance of every score"
