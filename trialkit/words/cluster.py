"""A store of trials, and work done by a cluster."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.words.counts import counted, some_of


def heading() -> str:
    return "Trials gathered"


def writing() -> str:
    return "Writing the store"


def gathered(added: int, changed: int, same: int) -> str:
    """What a gather added to a store."""
    return (
        f"{counted(added, 'trial')} added, {changed} changed (the earlier version no longer "
        f"counts), {same} as before."
    )


def gone(names: Sequence[str], forgotten: bool) -> str:
    """Trials of the store that are no longer in the folders, and what became of them."""
    listed = some_of(names)
    one = len(names) == 1
    if forgotten:
        return f"No longer in the folders, and left out of the store now: {listed}."
    return (
        f"No longer in the folders, and {'stays' if one else 'stay'} in the store: {listed}. "
        f"To leave {'it' if one else 'them'} out, gather again with --forget (forget=True)."
    )


def unreadable(name: str, reason: str) -> str:
    """A trial that cannot be read."""
    return f"Left out: {name}: {reason}"


def older_stays(name: str, reason: str) -> str:
    """A trial whose files cannot be opened now, and which is in the store from before."""
    return f"Not opened this time, so the version of before stays: {name}: {reason}"


def not_in_part(part: str) -> str:
    """A trial that a part of a store should hold."""
    return f"part {part} of the store does not hold it."
