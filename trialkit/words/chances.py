"""Chances and shares in words that never reach certainty, and are never surer than the number."""

from __future__ import annotations

import math
from typing import Protocol

from trialkit.facts import Grade
from trialkit.words.counts import counted

EQUALLY = "taking every saving as equally likely before the trial"
"""What a chance told with money rests on."""
_PARTS = ((1, 20), (1, 10), (1, 5), (1, 4), (1, 3), (2, 5), (1, 2), (3, 5), (2, 3), (3, 4), (4, 5),
          (9, 10), (19, 20))  # fmt: skip


class Believed(Protocol):
    """What was believed of a ratio of losses before the trial: its middle, and how many times off
    it may be 19 times in 20."""

    @property
    def ratio(self) -> float: ...
    @property
    def times(self) -> float: ...


def believed_before(prior: Believed) -> str:
    """What was believed, in a sentence's part."""
    low, high = prior.ratio / prior.times, prior.ratio * prior.times
    middle = "no effect" if math.isclose(prior.ratio, 1) else f"{prior.ratio:.3g} times the loss"
    return f"{middle}, 19 times in 20 between {low:.2g} and {high:.2g} times the loss"


def chance(p: float) -> str:
    """A probability or share in words: "about 3 in 4".

    Between 1 in 20 and 19 in 20 the nearest simple fraction; beyond, a bound that is true ("more
    than 19 in 20", "less than 1 in 100"), so that nothing is ever certain.
    """
    if not 0 <= p <= 1:  # also not a number
        return "not known"
    for limit, words in ((0.01, "1 in 100"), (0.05, "1 in 20")):
        if p < limit:
            return f"less than {words}"
    for limit, words in ((0.99, "99 in 100"), (0.95, "19 in 20")):
        if p > limit:
            return f"more than {words}"
    # Half-way between two, the one nearer to even chances, whichever side of the bet is told.
    part, whole = min(
        _PARTS, key=lambda f: (round(abs(f[0] / f[1] - p), 9), abs(f[0] / f[1] - 0.5))
    )
    return f"about {part} in {whole}"


def pays(
    probability: float, area: str, believed: float | None = None, prior: Believed | None = None
) -> str:
    """Whether an option pays on an area, as a chance and its counterpart, and what that rests on.

    Parameters
    ----------
    probability : float
        By the trial alone.
    area : str
    believed, prior : float and Believed, optional
        The chance with what was believed before the trial, and what that was.
    """
    if not 0 <= probability <= 1:
        return f"Chance that it pays for itself on {area} a year: not known."
    return (
        f"Chance that it pays for itself on {area} a year: {chance(probability)} (that it does "
        f"not: {chance(1 - probability)}), with price, life and area as entered, {EQUALLY}."
        f"{with_prior(probability, believed, prior)}"
    )


def with_prior(probability: float, believed: float | None, prior: Believed | None) -> str:
    """The chance with what was believed before, a sentence with a space before it; else ""."""
    if prior is None:
        return ""
    if believed is None:
        return (
            " What was believed before could not be used: a mean loss is too near zero for a ratio."
        )
    told = f" With what was believed before ({believed_before(prior)})"
    if chance(believed) == chance(probability):
        return f"{told} it is the same in these words."
    return f"{told} it is {chance(believed)}."


def of_hundred(low: float, high: float) -> str:
    """An interval of a share as whole numbers of 100, never all or none: "60 to 99"."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "an unknown number"
    least, most = max(math.floor(100 * low), 1), min(math.ceil(100 * high), 99)
    least, most = min(least, 99), max(most, 1)
    if least >= most:
        return f"about {most}"
    return f"{least} to {most}"


def across_fields(
    shares: tuple[float, float], low: float, high: float, n_fields: int, verdict: Grade
) -> str:  # fmt: skip
    """How alike fields are, in a sentence.

    Parameters
    ----------
    shares : (float, float)
        Interval of the share of fields whose effect has the sign of the mean effect, by the model.
    low, high : float
        Interval of the effect in the next field, on a scale where no effect is 0.
    n_fields : int
        Fields of the trial.
    verdict : Grade
        Of the mean effect: where that is open, so is its sign in the next field.
    """
    if verdict is Grade.OPEN or not all(map(math.isfinite, (low, high))):
        return "Which way it goes in the next field this trial cannot tell."
    either = low <= 0 <= high
    text = (
        f"By the model {of_hundred(*shares)} of 100 fields like the "
        f"{counted(n_fields, 'field')} of this trial go that way"
    )
    if verdict is Grade.LEANING:
        text = f"If the lean is real: b{text[1:]}"
    return text + ("; the next one may go the other way." if either else ".")


def fields_counted(same: int, n_fields: int) -> str:
    """In how many fields the measured difference has the sign of the whole."""
    return f"In {same} of {counted(n_fields, 'field')} the measured difference goes that way."
