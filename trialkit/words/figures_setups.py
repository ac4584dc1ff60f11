"""Figures of setups: their means, pairs, scores and loss by source."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import number
from trialkit.quantities import run_with

LOSS = "Loss"


def value_axis(title: str, unit: str) -> str:
    return f"{title}, {unit}"


# ---------------------------------------------------------------- means
def mean_of_setup(label: str, value: str, interval: str, strips: int) -> str:
    return f"{label} {value} (interval {interval}; {strips} strips)"


def means_by_setup(title: str, unit: str, factors: Sequence[tuple[str, Sequence[str]]]) -> str:
    """Every mean in words, by factor; a single factor is not named."""
    several = len(factors) > 1
    told = ". ".join(
        (f"{label}: " if several else "") + ", ".join(means) for label, means in factors
    )
    return f"{title} by setup, in {unit}. {told}."


# ---------------------------------------------------------------- pairs
def lower_in(title: str, level: str, reference: str, lower: int, pairs: int, word: str) -> str:
    """In how many pairs (`word`: or blocks) a level lies below its reference."""
    return (
        f"{title}: lower {run_with(level)} than {run_with(reference)} in {lower} of {pairs} {word}."
    )


def means_of_strips(most: int) -> str:
    return f"Marks are means of up to {most} strips."


def joined_strips(title: str, unit: str, pairs: int, word: str, summary: str) -> str:
    return f"{title} of single strips in {unit}, joined within each of {pairs} {word}. {summary}"


# ---------------------------------------------------------------- scores
SHARE_AXIS = "Share of readings"
READ, MODEL = "read", "model"


def readings(n: int) -> str:
    return f"{n} readings"


def shares(scores: Sequence[float], parts: Sequence[float]) -> str:
    """The share of every score, lowest first."""
    return ", ".join(
        f"score {score:g} {number(100 * share, 0)} %"
        for score, share in zip(scores, parts, strict=True)
    )


def scores_of_setup(label: str, n: int, read: str, model: str = "") -> str:
    """Shares read of a setup, and by the model where there is one."""
    told = f"{label} ({readings(n)}): {READ} {read}"
    return f"{told}; {MODEL} {model}" if model else told


def score_shares(title: str, setups: Sequence[str]) -> str:
    return f"{title}: share of each score by setup, lowest first. {'. '.join(setups)}."


# ---------------------------------------------------------------- loss by source
def by_the_machine(total: float, places: int, unit: str) -> str:
    return f"{number(total, places)} {unit} by the machine"


def losses_of_setup(label: str, sources: Sequence[tuple[str, str]]) -> str:
    """Every source of a setup with its loss."""
    return f"{label}: {', '.join(f'{source} {loss}' for source, loss in sources)}"


def loss_by_source(unit: str, setups: Sequence[str]) -> str:
    return f"Loss by source, in {unit}. {'. '.join(setups)}."
