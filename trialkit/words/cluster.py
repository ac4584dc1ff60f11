"""A store of trials, and work done by a cluster."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.words.counts import counted, some_of


def heading() -> str:
    return "Trials gathered"


def writing() -> str:
    return "Writing the store"


def gathered(added: int, changed: int, again: int, same: int) -> str:
    """What a gather added to a store."""
    read = f"{again} read again though their files are as before, " if again else ""
    return (
        f"{counted(added, 'trial')} added, {changed} changed (the earlier version no longer "
        f"counts), {read}{same} as before."
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


def away(folders: Sequence[tuple[str, int]]) -> str:
    """Folders gathered before that are not there now."""
    each = "; ".join(f"{folder} ({counted(many, 'trial')})" for folder, many in folders)
    one = len(folders) == 1
    return (
        f"Gathered before, and not there now: {each}. What was gathered stays in the store. If "
        "these trials are at another place now, those that are changed there count twice: to leave "
        f"out what was gathered before, name {'this folder' if one else 'these folders'} beside "
        "the others and gather again with --forget (forget=True)."
    )


def unsettled(store: str, reason: str) -> str:
    """A gather that is said and could not put its files in their places."""
    return (
        f"{store} holds all that was gathered, and trialkit compare reads it so. But not every "
        f"file could be put in its place ({reason}): gather again before another program reads it."
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


def to_mend() -> str:
    """What to do about a file of a store that is lost or damaged."""
    return (
        "put it back from a copy of the store, or gather again all the folders that the store was "
        "gathered from, with --forget if trials are gone from them."
    )


def unseen(path: str) -> str:
    """What was found, and is not there for who reads it."""
    return (
        f"{path} was found, and is not there for who reads it. All workers of a cluster must see "
        "the folders under the same path; if it was taken away meanwhile, run this once more."
    )


def no_memory() -> str:
    """Memory that did not suffice to read trials."""
    return (
        "Memory ran out while trials were read: use fewer processes (jobs), or give each worker of "
        "a cluster more memory or fewer threads."
    )
