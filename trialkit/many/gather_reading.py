"""What a gather finds in its folders, and reads where the store does not have it."""

from __future__ import annotations

import hashlib
import os
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import joblib

from trialkit.errors import ClusterError, TrialError
from trialkit.intake.added import added_files
from trialkit.intake.reading import read_file
from trialkit.many.kept import Columns, columns_of
from trialkit.many.sources import FolderSource, TrialPath
from trialkit.many.store import Entry, Place, State, write_part
from trialkit.many.trial_rows import MANY, unreadable
from trialkit.mapping import mapped
from trialkit.version import __version__
from trialkit.words import many as words

if TYPE_CHECKING:
    from trialkit.trial import Trial

PART = 200  # trials of a season in one file
CHUNK = 20  # trials that are read by one piece of work
_READ = {".toml", ".csv", ".tsv", ".xlsx", ".xlsm", ".xls"}
_READ_WHOLE = {".toml", ".csv"}
Piece = tuple[Columns, list[Entry]]
"""Some trials of one season."""


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A trial to be read, what is known of its files, and where it stands."""

    path: TrialPath
    trial: str
    root: str
    name: str
    known: str = ""


class Search:
    """Trials and closed folders under some roots, by key."""

    def __init__(self, roots: Sequence[Path], forget: bool) -> None:
        self.roots, self.forget = roots, forget
        self.wanted: dict[str, _Wanted] = {}
        self.closed: dict[str, Entry] = {}
        for root in roots:
            source = _source(root, forget)
            for path in source.parts() if source else ():
                name = path.path.relative_to(root).as_posix() if path.path != root else ""
                one = _Wanted(path, _key(path.path), str(root), name)
                self.wanted.setdefault(one.trial, one)
            for name, _, reason in source.skipped if source else ():
                own = "" if name == root.name else name
                key = _key(root / own)
                self.closed[key] = Entry(key, str(root), own, "", time.time(), reason=reason)

    def gone(self, state: State) -> list[Entry]:
        """Trials of the store that lie under the roots and are no longer there."""
        shut = [Path(entry.root) / entry.name for entry in self.closed.values()]
        out = []
        for entry in state.entries.values():
            path = Path(entry.root) / entry.name
            over = (path, *path.parents)
            if entry.trial in self.wanted or entry.trial in self.closed:
                continue
            if any(root in over for root in self.roots) and not any(c in over for c in shut):
                out.append(entry)
        return out


def _source(root: Path, forget: bool) -> FolderSource | None:
    try:
        return FolderSource([root])
    except TrialError:
        shut: list[OSError] = []
        if root.exists():
            list(os.walk(root, onerror=shut.append))
        if not forget or shut or (root.exists() and not root.is_dir()):
            raise
        return None


def _key(path: Path) -> str:
    return hashlib.sha256(os.fsencode(path)).hexdigest()[:16]


def fingerprint(path: Path) -> str:
    """Of a trial's files as a read of them goes by, and of the trialkit that reads them; empty
    where they cannot be opened."""
    digest = hashlib.sha256(__version__.encode())
    try:
        if path.is_file():
            contents = {path.name: read_file(path)}
        else:
            files = sorted(p for p in path.iterdir() if p.suffix.casefold() in _READ)
            contents = {
                p.name: read_file(p, inside=path) if p.suffix.casefold() in _READ_WHOLE else b""
                for p in files
            }  # fmt: skip
        for name, content in (*contents.items(), *added_files(path).items()):
            digest.update(f"{name}\0{len(content)}\0".encode(errors="replace"))
            digest.update(content)
    except (OSError, TrialError):
        return ""
    return digest.hexdigest()


# ---------------------------------------------------------------- reading
@dataclass(slots=True)
class Read:
    """What was read: parts in the draft with their trials, and trials that cannot be read."""

    parts: list[tuple[Place, list[Entry]]] = field(default_factory=list)
    failed: list[Entry] = field(default_factory=list)


def read_all(
    search: Search, state: State, draft: Path, client: Any, jobs: int | None,
    tell: Callable[[str], None],
) -> Read:  # fmt: skip
    wanted = [
        replace(one, known=state.entries[key].fingerprint) if key in state.entries else one
        for key, one in search.wanted.items()
    ]  # fmt: skip
    chunks = [wanted[i : i + CHUNK] for i in range(0, len(wanted), CHUNK)]
    if jobs is None:
        jobs = joblib.cpu_count() if sum(not one.known for one in wanted) > MANY else 1
    out = Read(failed=list(search.closed.values()))
    waiting: dict[int, list[Piece]] = defaultdict(list)
    done = 0
    results = mapped(read_chunk, chunks, client=client, jobs=jobs)
    for chunk in chunks:
        tell(words.reading(done + 1, len(wanted)))
        done += len(chunk)
        pieces, failed = next(results)
        out.failed += failed
        for season, piece in pieces.items():
            waiting[season].append(piece)
            if sum(len(own) for _, own in waiting[season]) >= PART:
                out.parts.append(write_pieces(draft, season, waiting.pop(season)))
    out.parts += [write_pieces(draft, season, own) for season, own in sorted(waiting.items())]
    return out


def read_chunk(wanted: Sequence[_Wanted]) -> tuple[dict[int, Piece], list[Entry]]:
    """Trials that are not as they are known, by season, and those that cannot be read."""
    found: dict[int, list[Piece]] = defaultdict(list)
    failed: list[Entry] = []
    for one in wanted:
        if not one.path.root.is_dir():
            raise ClusterError(
                f"{one.path.root} is not there for every worker; folders that are gathered must be "
                "reachable under the same path from all of them."
            )
        at, own = time.time(), fingerprint(one.path.path)
        if own and own == one.known:
            continue
        entry = Entry(one.trial, one.root, one.name, own, at)
        for _, trial in one.path.trials():
            try:
                season, columns = _columns(entry.trial, trial)
                found[season].append((columns, [replace(entry, season=season)]))
            except Exception as error:  # a trial costs only itself
                failed.append(replace(entry, reason=unreadable(error)))
    return {season: joined(pieces) for season, pieces in found.items()}, failed


def _columns(key: str, trial: Trial | Exception) -> tuple[int, Columns]:
    if isinstance(trial, Exception):
        raise trial
    return trial.config.season, columns_of(key, trial)


def joined(pieces: Iterable[Piece]) -> Piece:
    """Trials of several pieces in one."""
    import pyarrow as pa

    tables: dict[str, list[pa.Table]] = defaultdict(list)
    entries: list[Entry] = []
    for columns, own in pieces:
        entries += own
        for name, table in columns.items():
            tables[name].append(table)
    return {name: pa.concat_tables(parts) for name, parts in tables.items()}, entries


def write_pieces(draft: Path, season: int, pieces: Sequence[Piece]) -> tuple[Place, list[Entry]]:
    """Write a part and give its trials its name, which is a fingerprint of theirs."""
    columns, entries = joined(pieces)
    told = sorted(f"{e.trial} {e.fingerprint}" for e in entries)
    place = season, f"part-{hashlib.sha256(chr(10).join(told).encode()).hexdigest()[:16]}"
    write_part(draft, place, columns)
    return place, [replace(e, part=place[1]) for e in entries]
