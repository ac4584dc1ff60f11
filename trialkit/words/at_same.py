"""The second answer: setups compared as if strips had been alike in what came after the setups."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.words.adjusting import LABELS


def what(covariates: Sequence[str]) -> str:
    """What strips are held alike in: "ground speed", "ground speed and grain moisture"."""
    return " and ".join(label for centred, label in LABELS.items() if centred in covariates)


def title(covariates: Sequence[str]) -> str:
    """ "At the same ground speed"."""
    return f"At the same {what(covariates)}"


def meaning(covariates: Sequence[str]) -> str:
    """What it answers, and what it does not."""
    held = what(covariates)
    return (
        f"{title(covariates)}: what setups differ by when strips are held at one {held}. It is not "
        f"the effect of choosing a setup: what a setup does by way of {held} is taken off, and "
        f"{held} was not set by lot, so what else goes with it from strip to strip is taken off "
        "too."
    )


def none(covariates: Sequence[str], reason: str) -> str:
    return f"{title(covariates)} setups cannot be compared: {reason}"
