"""What became of strips by the user's own word: left out, how many of each setup, and why."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed, upper_first
from trialkit.words.counts import counted

_SHOWN = 8
SPOILT = "spoilt count"


def named(strips: Sequence[str]) -> str:
    """Strips by name, the first of many."""
    if len(strips) <= _SHOWN:
        return f"{'strip' if len(strips) == 1 else 'strips'} {listed(list(strips))}"
    return f"strips {', '.join(strips[:_SHOWN])} and {len(strips) - _SHOWN} more"


# ---------------------------------------------------------------- reading
def standing_but_measured(strips: Sequence[str]) -> str:
    """Strips not harvested, with readings that only a harvest gives."""
    return (
        f"status of {named(strips)} is not harvested, yet something was measured there that a "
        "harvest leaves; left out as the status says. Correct the status if it was harvested"
    )


def reason_without_status(strips: Sequence[str]) -> str:
    """Strips with a reason and no status that it could be the reason of."""
    return (
        f"a reason but no status on {named(strips)}: taken as harvested. Write not harvested, "
        "damaged or spoilt count under status to leave a strip out"
    )


# ---------------------------------------------------------------- the analysis
def left_out(counts: Sequence[tuple[str, int]], of: int) -> str:
    """How many strips are left out by their status; `counts` are statuses and strips."""
    every = sum(n for _, n in counts)
    whole = [f"{n} {status}" for status, n in counts if status != SPOILT]
    spoilt = sum(n for status, n in counts if status == SPOILT)
    told = [f"{listed(whole)}, in everything"] if whole else []
    told += [f"{spoilt} {SPOILT}, in what was counted and sampled"] if spoilt else []
    return (
        f"By their status {every} of {counted(of, 'strip')} {'is' if every == 1 else 'are'} left "
        f"out: {'; '.join(told)}."
    )


def all_left_out() -> str:
    """Nothing is left to analyse."""
    return (
        "Every strip is left out by its status (not harvested, damaged or spoilt count), so there "
        "is nothing to analyse. Clear the status of strips that can be used."
    )


# ---------------------------------------------------------------- the design as run
MOST_REASONS = 20


def evenly(factor: str, levels: Sequence[tuple[str, int, int]]) -> str:
    """Of every level: label, strips left out, strips in all."""
    told = listed([f"{gone} of {of} with {label}" for label, gone, of in levels])
    shares = {gone * levels[0][2] == levels[0][1] * of for _, gone, of in levels}
    every = sum(gone for _, gone, _ in levels)
    alone = [label for label, gone, _ in levels if gone]
    if shares == {True}:
        return f"{factor}: evenly, {told}."
    if len(alone) == 1 and every > 1:
        return f"{factor}: all of them with {alone[0]} ({told})."
    return f"{factor}: {told}."


def not_told_why() -> str:
    """What such counts cannot say."""
    return (
        "Counts alone do not tell whether a setup had to do with that. Where it had, the strips "
        "that are left do not compare the setups fairly: read the reasons."
    )


def by_setup_caption() -> str:
    """Over the table of setups."""
    return "Strips left out by their status, by setup"


def by_setup_head(statuses: Sequence[str]) -> tuple[str, ...]:
    """Its columns."""
    return ("setup", "strips", *statuses, "left in full")


def reason(strip: str, status: str, why: str) -> str:
    """Why one strip is left out, as its users wrote it."""
    return f"{strip}, {status}: {why}" if why else f"{strip}, {status}: no reason given."


def more_strips(left: int) -> str:
    """Strips beyond those listed."""
    return f"{left} more {'is' if left == 1 else 'are'} left out; see the strips table."


def as_said(status: str, strips: Sequence[str]) -> str:
    """Planned strips that are left out by their status."""
    return f"{upper_first(status)}, as the strips table says: {named(strips)}."


# ---------------------------------------------------------------- notes from the field
NOTES_HEAD = ("strip", "of", "note")


def notes_title() -> str:
    """Over what was written beside the numbers."""
    return "Notes from the field"


def no_notes() -> str:
    """Nobody wrote one."""
    return "No note was written."


def of_strip() -> str:
    """What a note of a whole strip is of."""
    return "strip"


def more_notes(left: int) -> str:
    """Notes beyond those shown."""
    return f"{left} more {'note' if left == 1 else 'notes'} in the trial's tables."
