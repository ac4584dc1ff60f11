"""Loss by source: before harvest, at the header, behind the machine."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed


def title() -> str:
    """Heading."""
    return "Where the corn was lost"


def no_frames() -> str:
    """Why there is nothing to tell."""
    return "No frame counts, so no loss by source."


def whose_doing() -> str:
    """Which source answers to what."""
    return (
        "Preharvest loss is no machine's doing; loss at the header and loss in threshing "
        "and cleaning answer to different settings."
    )


def ears_swing() -> str:
    """What few ears do to a sum."""
    return (
        "These figures are plain means and add dropped ears, each worth many kernels: they swing "
        "by chance, can point the other way from loose kernels alone, and are no test."
    )


def rows_pooled(factors: Sequence[str]) -> str:
    """What a row of the table holds, where several factors were set."""
    text = "A row holds all strips of its setup, whatever else was set on them."
    if factors:
        text += f" This trial found no difference in loss by {listed(factors)}."
    return text


def below_zero() -> str:
    """What a loss below zero is."""
    return (
        "A figure below zero is no grain gained: each is a difference of two counts, and "
        "where little is lost the luck of the count can turn it below zero. Read it as "
        "about none."
    )


def not_measured(sources: Sequence[str]) -> str:
    """Sources without counts."""
    return f"Not measured in this trial: {listed(sources)}."


def kinds(on_cobs: bool) -> dict[str, str]:
    """What was counted, by kind; `on_cobs` where kernels on pieces of cob were counted too."""
    loose = "kernels (loose and on cobs)" if on_cobs else "loose kernels"
    return {"kernels": loose, "ears": "dropped ears"}


def at_the_header() -> dict[str, str]:
    """Heads of columns of loss at the header, by kind."""
    return {"kernels": "loose kernels at the header", "ears": "dropped ears at the header"}


def plain_means(kinds: Sequence[str]) -> str:
    """Under the figure."""
    return f"Plain means over strips: {listed(kinds)}."


def already_there(amount: str) -> str:
    """What lay on the ground before."""
    return (
        f"Already on the ground, dropped ears included where they were looked for: {amount}, the "
        "mean of all strips. What lay there before is no setup's doing, and is not in the "
        "table: rows differ there by luck."
    )
