"""The researcher's page: its head, contents, appendix and foot."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed, lower_first
from trialkit.words import quality


def kicker(season: object) -> str:
    """Above the title."""
    return f"Analysis of a strip trial, season {season}"


def question(factors: Sequence[str], aims: Sequence[str]) -> str:
    """What is asked: setup factors, and the responses they may change."""
    verb = "does" if len(factors) == 1 else "do"
    what = listed([f"the {lower_first(label)}" for label in factors])
    first, *others = aims or ["what was measured"]
    told = f"{first}, first of all" + f"; and in {listed(others)}" * bool(others)
    return f"The question: what {verb} {what} change in {told}?"


def how_told(percent: str, primary: str) -> str:
    """What intervals and words mean."""
    return (
        f"Ranges are {percent} intervals: values outside them fit the data poorly. Words follow p, "
        "adjusted for the number of comparisons, and the interval. Where a simpler test stands "
        "beside the model, the larger p of the two counts: below 0.01 'clearly' is said, from 0.05 "
        f"to 0.15 'probably' (of {lower_first(primary)} alone), between them neither word."
    )


# ---------------------------------------------------------------- contents and appendix
def contents_title() -> str:
    """Over the list of contents."""
    return "Contents"


def appendix_title() -> str:
    """Over all that follows the first two pages."""
    return "Appendix"


def appendix() -> str:
    """What the appendix holds."""
    return (
        "What the pages before rest on: every comparison, the strips as run, the data as read, "
        "models, estimates and checks of every response, and how the numbers are made."
    )


SECTIONS = {
    "answer": "Every comparison in one table",
    "quality": quality.title(),
    "scores": "Scores by their order",
    "others": "Other responses",
    "reproduce": "To run it again",
}
"""Titles of sections, by the place that the contents lead to."""


def every_comparison(percent: str, adjusted: str) -> str:
    """Over the table of all comparisons."""
    return f"Differences with {percent} intervals. {adjusted.rstrip('.')}"


def follows_title() -> str:
    """Over what to do."""
    return "What follows"


# ---------------------------------------------------------------- to run it again
def fingerprint(sha: str) -> str:
    """Of the data."""
    return f"Data fingerprint (SHA-256): {sha}."


def versions(known: Sequence[tuple[str, str]]) -> str:
    """Of what computed the numbers."""
    return f"Versions: {', '.join(f'{name} {text}' for name, text in known)}."


def seeds(seed: int, full: Sequence[str], simulated: int, brief: int) -> str:
    """Of the checks; responses in full are simulated more often."""
    return (
        f"Seeds: {seed} for every check ({simulated} simulated data sets for "
        f"{listed(list(full))}, {brief} for the others); nothing else is drawn at random that a "
        "fixed seed of the program does not repeat."
    )


def computed(when: str) -> str:
    """When it was."""
    return f"Computed {when}."


def names(agreed: bool) -> str:
    """What became of names."""
    shown = "shown as agreed." if agreed else "letters."
    return f"Names of growers and fields are {shown}"


def estimates_only() -> str:
    """What agronomic figures are."""
    return "Agronomic figures are estimates for a decision, not guarantees."
