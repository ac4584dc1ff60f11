"""Taking what phones exported into a trial: which files, what is new in them, what it makes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import pandas as pd

from trialkit.errors import TrialError
from trialkit.intake.added import (
    FOLDER,
    Entry,
    Export,
    Parse,
    Standing,
    added_files,
    added_folder,
    fingerprint,
    free_name,
    read_export,
    readable,
    standing,
)
from trialkit.intake.decode import composed
from trialkit.intake.files import write_all
from trialkit.intake.read import Intake, read_trial
from trialkit.intake.reading import read_file
from trialkit.intake.settling import entries_in, settled
from trialkit.intake.source import plain_name
from trialkit.responses import schema
from trialkit.words import added as words

__all__ = ["Added", "AddedFile", "add"]

_Rows = dict[tuple[str, int], dict[int, set[tuple[bool, str]]]]


@dataclass(frozen=True, slots=True)
class AddedFile:
    """What became of one file.

    Attributes
    ----------
    file : str
        As it was given.
    kept_as : str
        Its name in the trial's folder of added files; empty where nothing of it was new, or where
        it was refused.
    new, changed, undone : int
        Entries that were not known before, that have a newer revision, that were undone.
    why : str
        Why it was refused as a whole; empty where it was not.
    """

    file: str
    kept_as: str = ""
    new: int = 0
    changed: int = 0
    undone: int = 0
    why: str = ""

    def told(self, dry: bool = False) -> str:
        """What became of it, or would (`dry`)."""
        if self.why:
            return words.refused_whole(self.file, self.why)
        if not self.kept_as:
            return words.nothing_new(self.file)
        return words.taken(self.file, self.new, self.changed, self.undone, self.kept_as, dry)


@dataclass(frozen=True, slots=True, eq=False)
class Added:
    """What `add` did.

    Attributes
    ----------
    files : tuple of AddedFile
    taken : DataFrame
        Rows taken that were new or changed: place (strip, field or header), then a column of counts
        for every table.
    refused : DataFrame
        Rows and cells of these files that were refused, as `trialkit.Trial.refused`.
    conflicts : tuple of str
        Everything in the trial that stands in two places with two values, with both and how to
        settle it.
    settled : tuple of str
        What was dropped or counted apart, an entry each, with what stood in it.
    intake : Intake
        The trial as it is read with these files.
    written : Path or None
        The folder they are kept in; None where nothing was new, or nothing was to be written.
    """

    files: tuple[AddedFile, ...]
    taken: pd.DataFrame
    refused: pd.DataFrame
    conflicts: tuple[str, ...]
    settled: tuple[str, ...]
    intake: Intake
    written: Path | None


def add(
    trial: str | Path, files: Iterable[str | Path] = (), *, drop: Sequence[str] = (),
    apart: Sequence[str] = (), strips_changed: bool = False, dry_run: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Added:  # fmt: skip
    """Take files that phones exported into a trial, each on its own merit.

    Tables that were typed stay as they are: a file with something new in it is kept as it came, in
    the folder "added" of the trial ("STEM added" beside a workbook), and read with the tables from
    then on. What is added again adds nothing.

    Parameters
    ----------
    trial : path
        A trial's folder or workbook.
    files : iterable of path
    drop : sequence of str
        Entries that shall not count, as "K7QF-12".
    apart : sequence of str
        Phones whose frames and samples are others than those of the same name, where these
        differ: they are renamed, "1" to "1 K7QF".
    strips_changed : bool
        Take files although their fingerprint is not that of the trial's strips.
    dry_run : bool
        Write nothing.
    progress : callable, optional
        Told in words what is being done.

    Returns
    -------
    Added
        A file that cannot be used stands in `files` with the reason; the others are taken.

    Raises
    ------
    TrialError
        When the trial cannot be read or written to, or there is no such entry or phone.
    """
    trial = Path(trial)
    parse = lru_cache(maxsize=None)(read_export)  # each file once, however often it is looked at
    before = read_trial(trial, parse=parse)
    strips = [str(name) for name in before.tables["strips"]["strip"]]
    kept = added_files(trial)
    known: _Rows = {}
    for export in readable(kept, parse):
        _news(export, known)
    more: dict[str, bytes] = {}
    found, fresh, paths = [], set[str](), list(map(Path, files))
    for k, path in enumerate(paths, 1):
        if progress is not None:
            progress(words.reading(k, len(paths), path.name))
        raw, opened, why = _opened(path, strips, strips_changed)
        new = _news(opened, known) if opened is not None and not why else {}
        if why or not new or opened is None:
            found.append(AddedFile(str(path), why=why))
            continue
        name = free_name(str(opened.rows["phone"].iloc[0]), [*kept, *more])
        more[name] = raw
        fresh |= set(new)
        n = Counter(new.values())
        found.append(
            AddedFile(str(path), f"{FOLDER}/{name}", n["new"], n["changed"], n["undone"])
        )
    stands = _standing({**kept, **more}, parse)
    told: tuple[str, ...] = ()
    if drop or apart:
        clash = conflicts(read_trial(trial, more=more, parse=parse)) if apart else ()
        made = settled(stands, [*kept, *more], strips, drop, apart, clash)
        told = _settled(readable(made, parse), stands, dry_run)
        more |= made
        stands = _standing({**kept, **more}, parse)
    intake = read_trial(trial, more=more, parse=parse) if more else before
    files_of = {f"{FOLDER}/{name}" for name in more}
    refused = intake.refused[intake.refused["file"].isin(files_of)].reset_index(drop=True)
    written = added_folder(trial) if more and not dry_run else None
    if written is not None:
        write_all(written, more)
    named = {entry.name: _name(entry) for entry in stands.entries()}
    clashes = [words.named(named.get(next(iter(entries_in(text)), ""), ""), text)
               for text in conflicts(intake)]  # fmt: skip
    taken = _taken(stands, fresh, intake.refused)
    return Added(tuple(found), taken, refused, tuple(clashes), told, intake, written)


def _standing(files: Mapping[str, bytes], parse: Parse) -> Standing:
    return standing(readable(dict(sorted(files.items())), parse))


def _settled(made: Iterable[Export], stands: Standing, dry: bool) -> tuple[str, ...]:
    """What is said of entries that were dropped or counted apart."""
    there = {entry.name: entry for entry in stands.entries()}
    out = []
    for export in made:
        for row in export.rows.itertuples():
            entry = there[f"{row.phone}-{row.entry}"]
            name = _name(entry)
            out.append(words.dropped(entry.name, name, _values(entry), dry) if row.void
                       else words.set_apart(entry.name, name, dry))  # fmt: skip
    return tuple(out)


def _values(entry: Entry) -> str:
    """What stands in its row beside its names: "loose_kernels 12"."""
    key = schema.TABLES[entry.table].names
    return words.row_called(
        [(head, text) for column, head, text in entry.cells() if column not in key and text]
    )


def _name(entry: Entry) -> str:
    """What its row is called: "strip S2, zone header, frame 1"."""
    texts = {column: text for column, _, text in reversed(entry.cells())}
    key = schema.TABLES[entry.table].names
    return words.row_called([(column, texts[column]) for column in key if column in texts])


def _opened(path: Path, strips: Sequence[str], changed: bool) -> tuple[bytes, Export | None, str]:
    """A file, its export, and why nothing of it can be taken."""
    try:
        raw = read_file(path)
        export = read_export(raw, path.name)
    except TrialError as error:
        return b"", None, str(error)
    except OSError as error:
        return b"", None, error.strerror or str(error)
    return raw, export, _unfit(export, strips, changed)


def conflicts(intake: Intake) -> tuple[str, ...]:
    """What stands in two places with two values, each told once."""
    told = [text for text in intake.refused["expected"].unique() if words.of_places(str(text))]
    return tuple(map(str, told))


def _news(export: Export, known: _Rows) -> dict[str, str]:
    """Entries of a file that tell something, "new", "changed" or "undone"; they are known then."""
    news: dict[str, str] = {}
    for row in export.rows.itertuples():
        revisions = known.setdefault((str(row.phone), int(row.entry)), {})
        content = (bool(row.void), "" if row.void else f"{row.table} {row.content}")
        newest = max(revisions, default=0)
        if row.revision < newest or content in revisions.get(int(row.revision), ()):
            continue
        entry = f"{row.phone}-{row.entry}"
        first = news.get(entry) == "new" or not revisions
        news[entry] = "undone" if row.void else "new" if first else "changed"
        revisions.setdefault(int(row.revision), set()).add(content)
    return news


def _unfit(export: Export, strips: Sequence[str], changed: bool) -> str:
    """Why nothing of a file can be taken; empty where something can."""
    if export.rows.empty:
        return words.no_entry()
    if changed or set(export.rows["trial"].str.casefold()) == {fingerprint(strips)}:
        return ""
    names = {composed(cells[k]).strip().casefold()
             for head, cells in zip(export.source.header, export.source.columns, strict=True)
             if plain_name(head) == "strip" for k in export.rows["position"]} - {""}  # fmt: skip
    own = {name.casefold() for name in strips}
    return words.other_trial(len(names & own), len(names), len(own))


def _taken(stands: Standing, fresh: set[str], refused: pd.DataFrame) -> pd.DataFrame:
    """Rows of these entries that stand and were not refused, by place and table."""
    lost = refused[refused["lost"] == "row"]
    out = set(zip(lost["file"], lost["line"], strict=True))
    counts: Counter[tuple[str, str]] = Counter()
    for entry in stands.entries():
        line = int(entry.source.lines[entry.row])
        if entry.name in fresh and (entry.source.file, line) not in out:
            texts = {column: text for column, _, text in reversed(entry.cells())}
            place = next((n for n in ("strip", "field", "header") if n in texts), "")
            counts[words.place_called(place, texts.get(place, "")), entry.table] += 1
    tables = [name for name in schema.TABLES if any(t == name for _, t in counts)]
    places = dict.fromkeys(place for place, _ in sorted(counts))
    rows = [[place, *(counts[place, table] for table in tables)] for place in places]
    return pd.DataFrame(rows, columns=["place", *tables])
