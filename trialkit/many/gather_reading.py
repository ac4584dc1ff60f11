"""What a gather finds in its folders, and reads where the store does not have it."""

from __future__ import annotations

import hashlib
import os
import secrets
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import joblib

from trialkit.errors import TrialError
from trialkit.intake.added import added_files
from trialkit.intake.limits import limits
from trialkit.intake.reading import read_file
from trialkit.many.kept import Columns, columns_of
from trialkit.many.sources import FolderSource, TrialPath
from trialkit.many.store import Entry, Place, State, damaged, write_part
from trialkit.many.trial_rows import MANY, unreadable
from trialkit.mapping import mapped
from trialkit.responses import schema
from trialkit.version import __version__
from trialkit.words import many as words

PART = 200  # trials of a season in one file
CHUNK = 20  # trials that are read by one piece of work
_NAMED = {".toml", ".csv", ".tsv", ".xlsx", ".xlsm", ".xls"}  # told of where they are not read
_READ = {"trial.toml", *(f"{name}.csv" for name in schema.TABLES)}
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

    def away(self, state: State) -> list[tuple[str, int]]:
        """Folders gathered before that are not there now, none of these roots, and how many trials
        the store holds of each."""
        roots = Counter(e.root for e in state.entries.values() if e.part)
        return [
            (name, many) for name, many in sorted(roots.items())
            if not os.path.exists(name) and not {*self.roots} & {Path(name), *Path(name).parents}
        ]  # fmt: skip

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
    """Of how a trial is read (trialkit and limits) and, after a hyphen, of its files as a read of
    them goes by; empty where they cannot be opened."""
    how = hashlib.sha256(f"{__version__}{limits()}".encode()).hexdigest()[:16]
    digest = hashlib.sha256()
    try:
        if path.is_file():
            contents = {path.name: read_file(path)}
        else:
            files = sorted(p for p in path.iterdir() if p.suffix.casefold() in _NAMED)
            contents = {
                p.name: read_file(p, inside=path) if p.name.casefold() in _READ else b""
                for p in files
            }  # fmt: skip
        for name, content in (*contents.items(), *added_files(path).items()):
            digest.update(f"{name}\0{len(content)}\0".encode(errors="replace"))
            digest.update(content)
    except (OSError, TrialError):
        return ""
    return f"{how}-{digest.hexdigest()}"


# ---------------------------------------------------------------- reading
@dataclass(slots=True)
class Read:
    """What was read: parts in the draft with their trials, and trials that cannot be read; and
    what the store said of the trials before, and which of its parts are damaged."""

    before: dict[str, Entry]
    broken: set[Place]
    parts: list[tuple[Place, list[Entry]]] = field(default_factory=list)
    failed: list[Entry] = field(default_factory=list)


def read_all(
    search: Search, store: Path, state: State, draft: Path, client: Any, jobs: int | None,
    tell: Callable[[str], None],
) -> Read:  # fmt: skip
    """Read what is new or changed, or stands in a part that is damaged."""
    broken = damaged(store, state)
    known = {key: e.fingerprint for key, e in state.entries.items()
             if (e.season, e.part) not in broken}  # fmt: skip
    wanted = [replace(one, known=known.get(key, "")) for key, one in search.wanted.items()]
    chunks = [wanted[i : i + CHUNK] for i in range(0, len(wanted), CHUNK)]
    if jobs is None:
        jobs = joblib.cpu_count() if sum(not one.known for one in wanted) > MANY else 1
    out = Read(state.entries, broken, failed=list(search.closed.values()))
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
        at, own = time.time(), fingerprint(one.path.path)
        if own and own == one.known:
            continue
        entry = Entry(one.trial, one.root, one.name, own, at)
        for _, trial in one.path.trials():
            try:
                if isinstance(trial, Exception):
                    raise trial
                season = trial.config.season
                # What can be read is known by something, whatever could not be opened before.
                kept = replace(entry, season=season, fingerprint=own or f"-{trial.data_hash()}")
                found[season].append((columns_of(entry.trial, trial), [kept]))
            except Exception as error:  # a trial costs only itself
                # What the system refused now it may grant the next time.
                known = "" if isinstance(error, OSError) else own
                failed.append(replace(entry, fingerprint=known, reason=unreadable(error)))
    return {season: joined(pieces) for season, pieces in found.items()}, failed


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
    """Write a part under a name that none has had, and give its trials that name."""
    columns, entries = joined(pieces)
    place = season, f"part-{secrets.token_hex(8)}"
    write_part(draft, place, columns)
    return place, [replace(e, part=place[1]) for e in entries]
