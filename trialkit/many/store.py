"""A store of many trials: a Parquet data set for each table, in folders by season.

    STORE/store.json                                 what it is
    STORE/manifests/000001.json                      what each gather added, took away and found
    STORE/strips/season=2026/part-<fingerprint>.parquet

Files never change. A gather writes its parts in a folder of its own within the store, whose name
begins with a dot so that no reader of data sets looks into it, then says in one manifest what they
are; with that it is done, all of it or nothing. Only then the parts move to their places, and those
they stand in for out of the way. A manifest's number is free once only, so two gathers at once come
one after the other: the second looks again at what is there. What a killed gather leaves is never
read; the next one finishes what was said in a manifest and sweeps the rest.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.ending import forsaken, remove
from trialkit.errors import FileExistsRefusal, TrialError
from trialkit.intake.files import write_all
from trialkit.many.kept import NAMES, Columns, need_arrow, trials_of
from trialkit.trial import Trial
from trialkit.words import cluster as words

if TYPE_CHECKING:
    pass

MARK, MANIFESTS, DRAFT, AWAY = "store.json", "manifests", ".gathering-", ".superseded"
FORMAT = 1
_DAY = 86400.0  # s that what was superseded stays for a reader that is at it


@dataclass(frozen=True, slots=True)
class Entry:
    """What a store knows of a trial.

    Attributes
    ----------
    trial : str
        Its key, the same in every table.
    root, name : str
        The folder that was gathered, and the trial's place below it.
    fingerprint : str
        Of its files; another one says that they have changed. Empty where they cannot be read.
    at : float
        When its files were read, seconds since 1970.
    season : int
    part : str
        The part of the season that holds it; empty where the trial cannot be read.
    reason : str
        Why it cannot be read.
    """

    trial: str
    root: str
    name: str
    fingerprint: str
    at: float
    season: int = 0
    part: str = ""
    reason: str = ""


Place = tuple[int, str]
"""Season and name of a part."""


@dataclass(slots=True)
class State:
    """What a store holds by its manifests: entries by trial; the folder each part was written in.
    """

    number: int = 0
    entries: dict[str, Entry] = field(default_factory=dict)
    parts: dict[Place, str] = field(default_factory=dict)

    def of_part(self, place: Place) -> list[Entry]:
        """Trials that a part holds."""
        return [e for e in self.entries.values() if (e.season, e.part) == place]


def is_store(path: str | Path) -> bool:
    """Whether a folder is a store of trials."""
    return (Path(path) / MARK).is_file()


def begin_store(store: Path) -> None:
    """Make a store where none is.

    Raises
    ------
    TrialError
        When something else stands there, or it is of a later trialkit.
    """
    if not is_store(store):
        others = [n for n in os.listdir(store) if n[0] != "."] if store.is_dir() else []
        if others or (store.exists() and not store.is_dir()):
            raise TrialError(f"{store} is no store of trials and not empty; give a new folder.")
        with suppress(FileExistsRefusal):  # another gather began it in this moment
            write_all(store, {MARK: json.dumps({"format": FORMAT}).encode()})
    try:
        found = json.loads((store / MARK).read_text())["format"]
    except (OSError, ValueError, KeyError, TypeError):
        found = None
    if found != FORMAT:
        raise TrialError(
            f"{store / MARK} says format {found!r}, and this trialkit reads format {FORMAT}; "
            "gather into a new store, or use the trialkit that wrote it."
        )


def read_state(store: Path) -> State:
    """What a store holds, manifest by manifest.

    Raises
    ------
    TrialError
        When a manifest cannot be read.
    """
    state = State()
    folder = store / MANIFESTS
    names = sorted(n for n in os.listdir(folder) if n.endswith(".json")) if folder.is_dir() else []
    for name in names:
        if not name[0].isdigit():
            continue
        try:
            told = json.loads((folder / name).read_bytes())
            state.number = int(name.removesuffix(".json"))
            for season, part in told["superseded"]:
                state.parts.pop((season, part), None)
            state.parts |= {(season, part): told["draft"] for season, part in told["parts"]}
            for key in told["forgotten"]:
                state.entries.pop(key, None)
            state.entries |= {own["trial"]: Entry(**own) for own in told["trials"]}
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise TrialError(
                f"{folder / name} cannot be read ({error}); restore it from a copy of the store, "
                "or gather the trials into a new one."
            ) from error
    return state


def commit(
    store: Path, state: State, draft: Path, *, parts: Sequence[Place], superseded: Sequence[Place],
    trials: Sequence[Entry], forgotten: Sequence[str],
) -> bool:  # fmt: skip
    """Say what a gather came to; False where another one was quicker, and nothing is said."""
    told = {
        "draft": draft.name, "parts": parts, "superseded": superseded, "forgotten": forgotten,
        "trials": [asdict(entry) for entry in trials],
    }  # fmt: skip
    name = f"{state.number + 1:06d}.json"
    try:
        write_all(store / MANIFESTS, {name: json.dumps(told, indent=0).encode()})
    except FileExistsRefusal:
        return False
    return True


# ---------------------------------------------------------------- files
def _files(base: Path, place: Place) -> Iterator[tuple[str, Path]]:
    """Table and file of everything a part may have below a folder."""
    season, part = place
    for name in NAMES:
        yield name, base / name / f"season={season}" / f"{part}.parquet"


def write_part(draft: Path, place: Place, tables: Columns) -> None:
    """Write a part's tables below a folder."""
    import pyarrow.parquet as pq

    for name, path in _files(draft, place):
        if name in tables and tables[name].num_rows:
            path.parent.mkdir(parents=True, exist_ok=True)
            pq.write_table(tables[name], path)
    os.utime(draft)  # it is not forsaken


def read_part(store: Path, place: Place, draft: str, names: Sequence[str] = NAMES) -> Columns:
    """A part's tables, wherever its files are in this moment.

    Raises
    ------
    TrialError
        When the part is not there.
    """
    import pyarrow.parquet as pq

    need_arrow()
    out: Columns = {}
    for name, path in _files(store, place):
        if name not in names:
            continue
        below = path.relative_to(store)
        # It may be moved to its place, or out of it, meanwhile.
        for base in (store, store / draft, store, store / AWAY):
            try:
                with pq.ParquetFile(base / below, memory_map=False) as file:
                    out[name] = file.read()
                break
            except FileNotFoundError:
                continue
    if "trials" in names and "trials" not in out:
        raise TrialError(
            f"{store} has no part {place[1]} of season {place[0]}, which a manifest names; restore "
            "it from a copy, or gather the trials into a new store."
        )
    return out


def settle(store: Path) -> None:
    """Put parts in their places and what was superseded out of the way; sweep what killed gathers
    left. A gather does it in the end, and the next one where that was killed."""
    number = -1
    while (state := _settled(store)).number != number:  # another gather has said something since
        number = state.number
    for left in forsaken(store, DRAFT):
        remove(left)
    for path in (store / AWAY).rglob("*.parquet"):
        with suppress(OSError):
            if time.time() - path.stat().st_mtime > _DAY:
                path.unlink()


def _settled(store: Path) -> State:
    there = [path.relative_to(store) for name in NAMES
             for path in (store / name).glob("season=*/part-*.parquet")]  # fmt: skip
    # Read after the files were listed: a file gets its place only once a manifest says so.
    state = read_state(store)
    live = {(f"season={season}", f"{part}.parquet") for season, part in state.parts}
    for path in there:
        if path.parts[1:] not in live:
            _move(store / path, store / AWAY / path)
    whole = {draft: (store / draft).is_dir() for draft in set(state.parts.values())}
    for place, draft in state.parts.items():
        if whole[draft]:
            for _, path in _files(store / draft, place):
                _move(path, store / path.relative_to(store / draft))
    return state


def _move(path: Path, to: Path) -> None:
    with suppress(FileNotFoundError):
        path.stat()
        to.parent.mkdir(parents=True, exist_ok=True)
        path.replace(to)
        os.utime(to)


# ---------------------------------------------------------------- as a source
@dataclass(frozen=True, slots=True)
class StorePart:
    """A part of a store: its trials by key, with the names they go by."""

    store: Path
    place: Place
    draft: str
    names: dict[str, str]

    @property
    def size(self) -> int:
        """How many trials it holds."""
        return len(self.names)

    def trials(self) -> Iterator[tuple[str, Trial | Exception]]:
        """Every trial's name and the trial, or what reading it ended in."""
        try:
            tables = read_part(self.store, self.place, self.draft)
        except Exception as error:
            yield from ((name, error) for name in self.names.values())
            return
        left = dict(self.names)
        for key, trial in trials_of(tables):
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
        names = names_of(list(state.entries.values()))
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


def names_of(entries: Sequence[Entry]) -> dict[str, str]:
    """Names that trials go by, by key."""
    roots = sorted({entry.root for entry in entries})
    before: dict[str, str] = {}
    for root in roots if len(roots) > 1 else []:
        own, n = Path(root).name or "trials", 1
        name = own
        while name in before.values():
            n += 1
            name = f"{own} ({n})"
        before[root] = name
    return {
        e.trial: "/".join(filter(None, (before.get(e.root, ""), e.name))) or Path(e.root).name
        for e in entries
    }  # fmt: skip
