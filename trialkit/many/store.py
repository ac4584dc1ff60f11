"""A store of many trials: a Parquet data set for each table, in folders by season.

    STORE/store.json                                 what it is
    STORE/manifests/000001.json                      what each gather added, took away and found
    STORE/strips/season=2026/part-<number drawn>.parquet

Files never change, nor is a name given twice. A gather writes its parts in a folder of its own
within the store, whose name begins with a dot so that no reader of data sets looks into it, then
says in one manifest what they are; with that it is done, all of it or nothing. Only
then the parts move to their places, and those they stand in for out of the way. A manifest's number
is free once only, so two gathers at once come one after the other: the second looks again at what
is there. What a killed gather leaves is never read; the next one finishes what was said in a
manifest and sweeps the rest.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from io import BytesIO
from pathlib import Path

from trialkit.ending import forsaken, remove
from trialkit.errors import ClusterError, FileExistsRefusal, TrialError
from trialkit.intake.files import write_all
from trialkit.many.kept import NAMES, Columns, need_arrow
from trialkit.words import cluster as words

MARK, MANIFESTS, DRAFT, AWAY = "store.json", "manifests", ".gathering-", ".superseded"
FORMAT = 2
_DAY = 86400.0  # s that what was superseded stays for a reader that is at it
_WAITS = (0.05, 0.5, 2.0, 0.0)  # s for a manifest that has its name but not yet its content


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
        When its files were read, seconds since 1970, by the clock of who read them.
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


@dataclass(frozen=True, slots=True)
class Files:
    """Files of a part: the draft they were written in, and the SHA-256 of each by its table."""

    draft: str
    digests: dict[str, str]


@dataclass(slots=True)
class State:
    """What a store holds by its manifests: entries by trial, and the files of each part."""

    number: int = 0
    entries: dict[str, Entry] = field(default_factory=dict)
    parts: dict[Place, Files] = field(default_factory=dict)


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
    names = [n.removesuffix(".json") for n in os.listdir(folder)] if folder.is_dir() else []
    state.number = max((int(name) for name in names if name.isdecimal()), default=0)
    for number in range(1, state.number + 1):  # one that is lost is told, too
        path = folder / f"{number:06d}.json"
        try:
            told = json.loads(_content(path))
            for season, part in told["superseded"]:
                state.parts.pop((season, part), None)
            for season, part, digests in told["parts"]:
                state.parts[season, part] = Files(told["draft"], digests)
            for key in told["forgotten"]:
                state.entries.pop(key, None)
            state.entries |= {own["trial"]: Entry(**own) for own in told["trials"]}
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise TrialError(
                f"{path} cannot be read ({error}); restore it from a copy of the store, "
                "or gather the trials into a new one."
            ) from error
    return state


def _content(manifest: Path) -> bytes:
    """Where the file system has no links, one that is being placed is empty for a moment."""
    for wait in _WAITS:
        if content := manifest.read_bytes():
            return content
        time.sleep(wait)
    raise ValueError(
        "it is empty; if it is the last one, a gather was killed in that moment and said nothing: "
        "delete it and gather again"
    )


def commit(
    store: Path, state: State, draft: Path, *, parts: Sequence[Place], superseded: Sequence[Place],
    trials: Sequence[Entry], forgotten: Sequence[str],
) -> bool:  # fmt: skip
    """Say what a gather came to; False where another one was quicker, and nothing is said."""
    told = {
        "draft": draft.name, "parts": [(*place, digests_of(draft, place)) for place in parts],
        "superseded": superseded, "forgotten": forgotten,
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


def digests_of(draft: Path, place: Place) -> dict[str, str]:
    """SHA-256 of a part's files below the folder it was written in, by table."""
    return {name: hashlib.sha256(path.read_bytes()).hexdigest()
            for name, path in _files(draft, place) if path.exists()}  # fmt: skip


def write_part(draft: Path, place: Place, tables: Columns) -> None:
    """Write a part's tables below a folder, so that they outlive a loss of power."""
    import pyarrow.parquet as pq

    for name, path in _files(draft, place):
        if name in tables and tables[name].num_rows:
            path.parent.mkdir(parents=True, exist_ok=True)
            with open(path, "xb") as stream:
                pq.write_table(tables[name], stream)
                stream.flush()
                os.fsync(stream.fileno())
    os.utime(draft)  # it is not forsaken


def read_part(store: Path, place: Place, files: Files) -> Columns:
    """A part's tables, wherever its files are in this moment.

    Raises
    ------
    TrialError
        When one of them is not there as it was written.
    """
    import pyarrow.parquet as pq

    need_arrow()
    try:
        return {
            name: pq.ParquetFile(_found(store, path, files, name)).read()
            for name, path in _files(store, place) if name in files.digests
        }  # fmt: skip
    except MemoryError as error:
        raise ClusterError(words.no_memory()) from error


def damaged(store: Path, state: State) -> set[Place]:
    """Parts with a file that is not there as it was written."""
    out = set()
    for place, files in state.parts.items():
        try:
            for name, path in _files(store, place):
                if name in files.digests:
                    _found(store, path, files, name)
        except TrialError:
            out.add(place)
    return out


def _found(store: Path, path: Path, files: Files, name: str) -> BytesIO:
    """The content of a part's file: it may be moved to its place, or out of it, meanwhile."""
    below = path.relative_to(store)
    for base in (store, store / files.draft, store, store / AWAY):
        with suppress(OSError):
            content = (base / below).read_bytes()
            if hashlib.sha256(content).hexdigest() == files.digests[name]:
                return BytesIO(content)
    raise TrialError(f"{path} is not there as it was written; {words.to_mend()}")


def settle(store: Path) -> None:
    """Put parts in their places and what was superseded out of the way; sweep what killed gathers
    left. A gather does it in the end, and the next one where that was killed."""
    number, left = -1, forsaken(store, DRAFT)
    while (state := _settled(store)).number != number:  # another gather has said something since
        number, left = state.number, forsaken(store, DRAFT)
    for draft in left:  # listed before the manifests were read: what these say of them is in place
        remove(draft)
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
    drafts = {name: store / name for name in {files.draft for files in state.parts.values()}}
    drafts = {name: draft for name, draft in drafts.items() if draft.is_dir()}
    for place, files in state.parts.items():
        if draft := drafts.get(files.draft):
            for _, path in _files(draft, place):
                _move(path, store / path.relative_to(draft))
    return state


def _move(path: Path, to: Path) -> None:
    with suppress(FileNotFoundError):
        path.stat()
        to.parent.mkdir(parents=True, exist_ok=True)
        path.replace(to)
        os.utime(to)
