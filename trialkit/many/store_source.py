"""A store of many trials as a source: its parts, read where the work is done."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from trialkit.errors import ClusterError, TrialError
from trialkit.many.kept import need_arrow, trials_of
from trialkit.many.store import Files, Place, begin_store, is_store, read_part, read_state
from trialkit.trial import Trial
from trialkit.words import cluster as words


@dataclass(frozen=True, slots=True)
class StorePart:
    """A part of a store: its trials by key, with the names they go by."""

    store: Path
    place: Place
    files: Files
    names: dict[str, str]

    @property
    def size(self) -> int:
        """How many trials it holds."""
        return len(self.names)

    def trials(self) -> Iterator[tuple[str, Trial | Exception]]:
        """Every trial's name and the trial, or what making it again ended in.

        Raises
        ------
        ClusterError
            When whoever reads it does not see the store.
        TrialError
            When a file of the part is lost or damaged.
        """
        if not is_store(self.store):
            raise ClusterError(words.unseen(str(self.store)))
        left = dict(self.names)
        for key, trial in trials_of(read_part(self.store, self.place, self.files)):
            if key in left:
                yield left.pop(key), trial
        for name in left.values():
            yield name, TrialError(words.not_in_part(self.place[1]))


@dataclass(frozen=True, slots=True)
class Unreadable:
    """Trials that could not be read when they were gathered: names and reasons."""

    told: tuple[tuple[str, str], ...]

    @property
    def size(self) -> int:
        """How many there are."""
        return len(self.told)

    def trials(self) -> Iterator[tuple[str, Trial | Exception]]:
        """Every one's name and what reading it ended in."""
        yield from ((name, TrialError(reason)) for name, reason in self.told)


class StoreSource:
    """The trials of a store as they were when this was made.

    Trials go by the names they have below their folder; where several folders were gathered, by
    that of the folder before it.

    Raises
    ------
    TrialError
        When the folder is no store, holds no trial, or cannot be read.
    """

    def __init__(self, store: str | Path) -> None:
        need_arrow()
        self.store = Path(store)
        if not is_store(self.store):
            raise TrialError(f"{store} is no store; trialkit gather FOLDER STORE makes one.")
        begin_store(self.store)
        state = read_state(self.store)
        if not state.entries:
            raise TrialError(f"{store} holds no trial yet; trialkit gather FOLDER {store}")
        roots = sorted({entry.root for entry in state.entries.values()})
        before = dict(zip(roots, befores([Path(root) for root in roots]), strict=True))
        names = {entry.trial: named(before[entry.root], entry.name, Path(entry.root))
                 for entry in state.entries.values()}  # fmt: skip
        self.skipped: list[tuple[str, str, str]] = []
        self.rank = {
            name: i for i, name in enumerate(sorted(names.values(), key=lambda n: n.split("/")))
        }
        unread = [(names[e.trial], e.reason) for e in state.entries.values() if e.reason]
        within: dict[Place, dict[str, str]] = {place: {} for place in state.parts}
        for entry in state.entries.values():
            if entry.part:
                within[entry.season, entry.part][entry.trial] = names[entry.trial]
        self._parts: list[StorePart | Unreadable] = [
            StorePart(self.store, place, state.parts[place], own)
            for place, own in sorted(within.items()) if own
        ]  # fmt: skip
        if unread:
            self._parts.append(Unreadable(tuple(unread)))

    def parts(self) -> Sequence[StorePart | Unreadable]:
        """The files of every season; `rank` is the order of their trials' names."""
        return self._parts


def befores(roots: Sequence[Path]) -> list[str]:
    """What stands before the names of every folder's trials: nothing where there is one folder."""
    if len(roots) == 1:
        return [""]
    out: list[str] = []
    for root in roots:
        own, n = root.name or "trials", 1
        name = own
        while name in out:
            n += 1
            name = f"{own} ({n})"
        out.append(name)
    return out


def named(before: str, below: str, root: Path) -> str:
    """The name of a trial by its place below a folder."""
    return "/".join(filter(None, (before, below))) or root.name
