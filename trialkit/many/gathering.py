"""Trials of many folders gathered into a store, only what is new or changed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trialkit.display import card, paragraphs
from trialkit.ending import held, own_folder, remove
from trialkit.errors import TrialError
from trialkit.many.gather_reading import PART, Piece, Read, Search, read_all, write_pieces
from trialkit.many.kept import need_arrow
from trialkit.many.store import (
    DRAFT,
    Entry,
    Files,
    Place,
    State,
    begin_store,
    commit,
    digests_of,
    read_part,
    read_state,
    settle,
)
from trialkit.mapping import opened
from trialkit.words import cluster as words

_Loose = tuple[Path, Place, Files, list[Entry]]
"""A part below a folder, and its trials that stay."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """What a gather came to; trials by their place below the folder.

    Attributes
    ----------
    store : Path
    added, changed : tuple of str
        New in the store; there before, now as their files are.
    again : tuple of str
        Read again though their files are as before: by another trialkit, with other limits, or as
        the store's own file of them was damaged.
    same : int
        Trials that were in the store as they are.
    unreadable : tuple of (str, str)
        Trials that cannot be read, with the reason, which stands in the store.
    older : tuple of (str, str)
        Trials whose files cannot be opened now, with the reason; their earlier version stays.
    gone : tuple of str
        No longer in the folders: they stay, or were left out where that was asked for.
    forgotten : bool
        Whether those that are gone were left out.
    away : tuple of (str, int)
        Folders gathered before that are not there now, with how many trials of theirs the store
        holds. They stay: the folder may have moved, or be on a drive that is not connected.
    """

    store: Path
    added: tuple[str, ...]
    changed: tuple[str, ...]
    again: tuple[str, ...]
    same: int
    unreadable: tuple[tuple[str, str], ...]
    older: tuple[tuple[str, str], ...]
    gone: tuple[str, ...]
    forgotten: bool
    away: tuple[tuple[str, int], ...]

    @property
    def told(self) -> tuple[str, ...]:
        """What it came to, in words."""
        gone = [words.gone(self.gone, self.forgotten)] if self.gone else []
        away = [words.away(self.away)] if self.away else []
        added, changed, again = map(len, (self.added, self.changed, self.again))
        return (words.gathered(added, changed, again, self.same), *gone, *away)

    @property
    def left_out(self) -> tuple[str, ...]:
        """Trials that cannot be read, in words."""
        older = [words.older_stays(*one) for one in self.older]
        return tuple([words.unreadable(*one) for one in self.unreadable] + older)

    def __repr__(self) -> str:
        return "\n".join((*self.told, *self.left_out))

    def _repr_html_(self) -> str:
        return card(words.heading(), list(self.told), paragraphs(self.left_out))


def gather(
    folders: str | Path | Sequence[str | Path],
    store: str | Path,
    *,
    forget: bool = False,
    client: Any = None,
    jobs: int | None = None,
    progress: Callable[[str], None] | None = None,
) -> Gathered:
    """Write the validated tables of many trials into a store, one Parquet data set per table.

    Gathering again adds what is new and puts what has changed in the place of its earlier version.
    All of it or nothing is added; several gathers at once come one after the other. `compare`
    takes the store as a source; pandas, Dask and other readers of Parquet read ``STORE/strips`` and
    the like, which may hold old and new side by side while a gather is moving its files.

    Parameters
    ----------
    folders : path or sequence of path
        Trial folders and workbooks at any depth.
    store : path
        A store, or a new folder.
    forget : bool
        Whether trials that are no longer in these folders leave the store; else they stay. A folder
        that is not there any more, as it has moved, is given too to have its trials leave.
    client : None, "local", str or dask.distributed.Client, optional
        Who reads instead of this process: workers started on this machine, those of a scheduler's
        address, those of a client. They must see the folders under the same path; only this
        process writes.
    jobs : int, optional
        Processes of this machine; by default one for each processor where there are many trials.
    progress : callable, optional
        Told in words what is being done; no name is among them.

    Returns
    -------
    Gathered

    Raises
    ------
    TrialError
        When there is no such folder or no trial in one, the store is none, cannot be written to,
        or what stays in it is damaged.
    ClusterError
        When pyarrow is not installed, or the cluster that was asked for cannot do the work.
    """
    need_arrow()
    given = [folders] if isinstance(folders, str | Path) else list(folders)
    if not given:
        raise TrialError("Give at least one folder that holds trials.")
    search = Search([Path(folder).resolve() for folder in given], forget)
    store = Path(store).absolute()
    tell = progress or (lambda text: None)
    found: list[Gathered] = []
    try:
        begin_store(store)
        settle(store)
        draft = own_folder(store, DRAFT)
        draft.mkdir(0o700)
        try:
            state = read_state(store)
            with opened(client) as workers:
                read = read_all(search, store, state, draft, workers, jobs, tell)
            tell(words.writing())
            found.append(_put(store, draft, search, read))
        finally:
            with held():
                _end(store, draft)
        return found[0]
    except OSError as error:
        reason = error.strerror or str(error)
        if found:
            raise TrialError(words.unsettled(str(store), reason)) from error
        raise TrialError(
            f"{store} cannot be written to ({reason}); nothing was added to it."
        ) from error


def _end(store: Path, draft: Path) -> None:
    """Remove the draft, with every file in its place that a manifest speaks of."""
    try:
        settle(store)
    except OSError:
        if draft.name not in {files.draft for files in read_state(store).parts.values()}:
            remove(draft)
        raise
    remove(draft)


# ---------------------------------------------------------------- putting it there
def _put(store: Path, draft: Path, search: Search, read: Read) -> Gathered:
    """Say in a manifest what was read, against what is in the store in that moment."""
    while True:
        state = read_state(store)
        gone = search.gone(state)
        left = {e.trial for e in gone if search.forget or not e.part}
        every = [e for _, own in read.parts for e in own] + read.failed
        fresh = {
            e.trial: e for e in every
            if _newer(e, state.entries.get(e.trial), read.before.get(e.trial), read.broken)
        }  # fmt: skip
        result = _result(store, search, state, read, fresh, gone)
        if not fresh and not left:
            return result
        parts, superseded = _plan(store, draft, state, read, fresh, left)
        entries = [e for e in fresh.values() if not e.part]
        entries += [e for _, own in parts for e in own]
        if commit(store, state, draft, parts=[place for place, _ in parts], superseded=superseded,
                  trials=entries, forgotten=sorted(left)):  # fmt: skip
            return result


def _newer(entry: Entry, old: Entry | None, before: Entry | None, broken: set[Place]) -> bool:
    """Whether what was read stands in for what is there."""
    if old is None:
        return True
    if not entry.fingerprint:  # it cannot be opened now: an earlier version stays
        return not old.part and (old.reason, old.fingerprint) != (entry.reason, "")
    if (old.season, old.part) in broken:
        return True
    # What was there when reading began is older, whatever the clocks of those who read them say.
    return entry.fingerprint != old.fingerprint and (old == before or entry.at >= old.at)


def _plan(
    store: Path, draft: Path, state: State, read: Read, fresh: Mapping[str, Entry],
    left: set[str],
) -> tuple[list[tuple[Place, list[Entry]]], list[Place]]:  # fmt: skip
    """Parts to add with their trials, and parts they stand in for.

    A part that holds an earlier version is written again without it, and small parts of a season
    that gets something new are joined to it.
    """
    out = [(place, own) for place, own in read.parts
           if len(own) >= PART and all(e.trial in fresh for e in own)]  # fmt: skip
    whole = {place for place, _ in out}
    old = _by_place(state.entries.values())
    loose: dict[int, list[_Loose]] = defaultdict(list)
    for place, own in read.parts:
        stay = [e for e in own if e.trial in fresh]
        if place not in whole and stay:
            written = Files(draft.name, digests_of(draft, place))
            loose[place[0]].append((draft, place, written, stay))
    superseded = []
    for place, own in old.items():
        stay = [e for e in own if e.trial not in fresh and e.trial not in left]
        small = place[0] in loose and 2 * len(own) <= PART
        small = small and place not in read.broken
        if len(stay) < len(own) or small:
            superseded.append(place)
            if stay:
                loose[place[0]].append((store, place, state.parts[place], stay))
    for season, sources in loose.items():
        out += _again(draft, season, sources)
    return out, superseded


def _again(
    draft: Path, season: int, sources: Sequence[_Loose]
) -> Iterator[tuple[Place, list[Entry]]]:
    """Parts with those trials of other parts that stay."""
    import pyarrow as pa
    import pyarrow.compute as pc

    waiting: list[Piece] = []
    for base, place, written, stay in sources:
        keys = pa.array([e.trial for e in stay])
        columns = {
            name: table.filter(pc.is_in(table["trial"], keys))
            for name, table in read_part(base, place, written).items()
        }  # fmt: skip
        waiting.append((columns, stay))
        if sum(len(own) for _, own in waiting) >= PART:
            yield write_pieces(draft, season, waiting)
            waiting = []
    if waiting:
        yield write_pieces(draft, season, waiting)


def _by_place(entries: Iterable[Entry]) -> dict[Place, list[Entry]]:
    out: dict[Place, list[Entry]] = defaultdict(list)
    for entry in entries:
        if entry.part:
            out[entry.season, entry.part].append(entry)
    return dict(sorted(out.items()))


def _result(
    store: Path, search: Search, state: State, read: Read, fresh: Mapping[str, Entry],
    gone: Sequence[Entry],
) -> Gathered:  # fmt: skip
    def name(entry: Entry) -> str:
        above = (Path(entry.root).name,) if len(search.roots) > 1 or not entry.name else ()
        return "/".join((*above, *filter(None, (entry.name,))))

    there = {key for key, old in state.entries.items() if old.part}
    new = {key: e for key, e in fresh.items() if e.part}
    again = {key for key in new.keys() & there
             if _files_of(new[key]) == _files_of(state.entries[key])}  # fmt: skip
    now = {**state.entries, **fresh}
    looked_at = [now[key] for key in (*search.wanted, *search.closed) if key in now]
    return Gathered(
        store,
        tuple(sorted(name(new[key]) for key in new.keys() - there)),
        tuple(sorted(name(new[key]) for key in (new.keys() & there) - again)),
        tuple(sorted(name(new[key]) for key in again)),
        sum(1 for e in looked_at if e.part and e.trial not in fresh),
        tuple(sorted((name(e), e.reason) for e in looked_at if e.reason)),
        tuple(sorted((name(e), e.reason) for e in read.failed
                     if not e.fingerprint and e.trial in there)),
        tuple(sorted(name(e) for e in gone if e.part)), search.forget, tuple(search.away(state)),
    )  # fmt: skip


def _files_of(entry: Entry) -> str:
    """What a fingerprint says of the files alone."""
    return entry.fingerprint.partition("-")[2]
