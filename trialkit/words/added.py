"""What phones counted and `trialkit add` takes into a trial: faults, conflicts, what was taken."""

from __future__ import annotations

import re
from collections.abc import Sequence

from trialkit.quantities import listed
from trialkit.words.counts import counted


# ---------------------------------------------------------------- rows of an export
def phone_wanted() -> str:
    return "the phone's letters, as the export has them"


def number_wanted() -> str:
    return "a whole number from 1 on, as the export has it"


def void_wanted() -> str:
    return "yes for an entry that was undone, else nothing"


def table_wanted(tables: Sequence[str]) -> str:
    return f"a table: {', '.join(tables)}"


def cut_short() -> str:
    return "a whole row; the file is cut short here: export it again"


def of_file(older: int, undone: int, twice: int, dropped: int = 0) -> str:
    """Entries of a file that do not stand, as they are newer or the same in others or were undone;
    and those that stand with other cells under the same revision. `dropped` were undone not on the
    phone but here."""
    told = []
    if twice:
        told.append(
            f"{counted(twice, 'entry', 'entries')} with one number and revision but different "
            "cells: all count; drop the wrong ones"
        )
    if older:
        told.append(
            f"{counted(older, 'entry', 'entries')} exported again, changed or dropped later: the "
            "newest version of each counts"
        )
    if undone:
        told.append(f"{counted(undone, 'entry', 'entries')} undone on the phone")
    if dropped:
        told.append(f"{counted(dropped, 'entry', 'entries')} dropped here")
    return "; ".join(told)


def no_csv() -> str:
    """A file among exports that none is by its name."""
    return "not read: exports of phones end in .csv; rename it if it is one"


def goes_with_another(own: str) -> str:
    """Another workbook's folder of exports that were counted in this trial's strips; `own` is what
    this one's is called."""
    return (
        "not read: phones counted for this trial, but the folder goes with a workbook of another "
        f"name; if that one became this one, give trialkit add its files, or rename it to {own!r}"
    )


# ---------------------------------------------------------------- against the tables
def filled_in(rows: int) -> str:
    """Laid-out rows that phones filled in."""
    return f"{counted(rows, 'laid-out row')} filled in by phones"


def at_place(line: int, file: str, entry: str) -> str:
    """ "line 3 of frames.csv", "line 7 of added/K7QF-001.csv (entry K7QF-12)"."""
    return f"line {line} of {file}" + (f" (entry {entry})" if entry else "")


def one_place(place: str) -> str:
    """A row that stands in another place as well."""
    return f"this row once; it repeats {place}"


def counted_alike(table: str, rows: Sequence[tuple[str, str, str]]) -> str:
    """Rows that two people entered with equal values: what each is called, and both places."""
    named = [f"{row} ({one} and {other})" for row, one, other in rows]
    return (
        f"{counted(len(rows), 'row')} of {table} entered twice with equal values, which counts "
        f"once and needs no correction: {_shown(named)}"
    )


def _shown(named: Sequence[str]) -> str:
    more = f"; and {len(named) - _MOST_ROWS} more" if len(named) > _MOST_ROWS else ""
    return "; ".join(named[:_MOST_ROWS]) + more


def one_of_places(
    table: str, key: Sequence[str], column: str, places: Sequence[str], values: Sequence[str],
    entries: Sequence[str],
) -> str:  # fmt: skip
    """Rows of one key in several places; what stands there in a column in which they differ (none
    of free text); and the phones' entries among them."""
    typed = "delete the typed row" if len(entries) < len(places) else ""
    if key[-1] in ("frame", "sample"):
        phones = dict.fromkeys(entry.split("-")[0] for entry in entries)
        either = " or ".join(f"--apart {phone}" for phone in phones)
        both = f"to count both, as different {key[-1]}s: trialkit add TRIAL {either}"
    else:
        both = f"to count both, add a row for this {' and '.join(key)} to {table}"
    return (
        f"one row for this {' and '.join(key)}: in {column} {_stand(places, values)}. "
        f"{_drop(entries, typed)}; {both}"
    )


def _drop(entries: Sequence[str], typed: str) -> str:
    """How one of several entries is made the one that counts; `typed` is what else would."""
    drop = [f"--drop {entry}" for entry in entries]
    if len(entries) + bool(typed) == 2:
        return f"To count one: trialkit add TRIAL {' or '.join([*drop, *([typed] * bool(typed))])}"
    also = f", and {typed} unless it counts" if typed else ""
    return f"To count one, drop all others of: trialkit add TRIAL {' '.join(drop)}{also}"


def one_cell(
    column: str, key: str, places: Sequence[str], values: Sequence[str], entries: Sequence[str]
) -> str:
    """Cells of one row in several places that differ; otherwise as `one_of_places`."""
    typed = "clear the typed cell" if len(entries) < len(places) else ""
    return f"one {column} for this {key}: {_stand(places, values)}. {_drop(entries, typed)}"


def _stand(places: Sequence[str], values: Sequence[str]) -> str:
    if not values:
        return f"{listed(list(places))} differ"
    pairs = zip(places, values, strict=True)
    return listed([f"{place} has {value or 'nothing'}" for place, value in pairs])


_MOST_ROWS = 12  # that a note names
_PLACES = re.compile(r"one \w+ for this .*\(entry \w+-\d+\)", re.DOTALL)


def of_places(expected: str) -> bool:
    """Whether it is such a conflict: one fault, though its rows stand in several files."""
    return bool(_PLACES.match(expected))


def also_elsewhere(table: str, rows: Sequence[tuple[str, Sequence[str]]]) -> str:
    """Rows without a name of their own in a strip and zone of which others have rows too, more
    than were laid out: what each place is called, and where the rows stand."""
    named = [f"{place} ({listed(list(at))})" for place, at in rows]
    return (
        f"{counted(len(rows), 'place')} of {table} entered on paper or more than one phone: all "
        f"rows count; if one was entered twice, drop or delete it: {_shown(named)}"
    )


# ---------------------------------------------------------------- trialkit add
def other_trial(matching: int, named: int, strips: int) -> str:
    """A file whose fingerprint is another's: so many of the strips it names are the trial's."""
    names = f"{matching} of the {counted(named, 'strip')} it names" if named else "no strip"
    return (
        f"it was counted for another trial: {names} {'is' if matching == 1 else 'are'} among this "
        f"one's {strips}. Where strips were only renamed, added or taken out since the page was "
        "made, add it with --strips-changed"
    )


def no_entry() -> str:
    return "none of its rows can be read as an entry of a phone; export it again"


def nothing_new(file: str) -> str:
    """Everything in a file is there."""
    return f"{file}: nothing new; every entry is there already"


def taken(file: str, new: int, changed: int, undone: int, kept_as: str, dry: bool) -> str:
    """Entries of a file that are new, changed or undone, and the name it is kept under."""
    parts = [f"{counted(new, 'new entry', 'new entries')}"]
    parts += [f"{changed:,} changed"] if changed else []
    parts += [f"{undone:,} undone"] if undone else []
    return f"{file}: {', '.join(parts)}; {'to be ' * dry}kept as {kept_as}"


def dropped(entry: str, row: str, values: str, dry: bool) -> str:
    """An entry that counts no longer: what its row is called, and what stood in it."""
    return f"{entry} {'would be ' * dry}dropped: {', '.join(filter(None, (row, values)))}"


def set_apart(entry: str, row: str, dry: bool) -> str:
    """An entry that counts beside the one it was in conflict with, under a name of its own."""
    return f"{entry} {'would be ' * dry}counted apart: {row}"


def refused_whole(file: str, why: str) -> str:
    """A file of which nothing is taken."""
    return f"{file} was not taken: {why}"


def reading(k: int, files: int, name: str) -> str:
    """A step."""
    return f"reading file {k} of {files}: {name}"


def taken_title() -> str:
    """Over the table of what was taken."""
    return "Taken (rows)"


def place_called(kind: str, name: str) -> str:
    """A strip by its name alone, a field or a header as such."""
    return name if kind == "strip" else f"{kind} {name}".strip()


def row_called(cells: Sequence[tuple[str, str]]) -> str:
    """ "strip S2, zone header, frame 1"."""
    return ", ".join(f"{column} {value}" for column, value in cells)


def named(row: str, conflict: str) -> str:
    """A conflict with the row it is about."""
    return f"{row}: {conflict}" if row else conflict


def conflicts_title(conflicts: int) -> str:
    """Over the conflicts."""
    return (
        f"{counted(conflicts, 'conflict')}: both stay in the files, neither counts until one "
        "is chosen"
    )


def how_to_correct() -> str:
    """Below what was refused of the phones' files."""
    return (
        "An entry is corrected on its phone and exported again; or in the kept file, where its "
        "revision must then be raised by one."
    )


def note(file: str, notes: str) -> str:
    """How a file was read."""
    return f"{file}: {notes}"


def more_conflicts(more: int) -> str:
    """So many others are not shown."""
    return f"... and {counted(more, 'more conflict')}; trialkit check TRIAL --all lists every one."


def no_files() -> str:
    """Nothing was asked for."""
    return "Give a file that a phone exported, or --drop or --apart to settle a conflict."


def not_unlocked(parts: Sequence[tuple[str, str]]) -> str:
    """Parts of the analysis that cannot be made yet, and why."""
    return "Not unlocked yet: " + "; ".join(f"{part} ({why})" for part, why in parts) + "."


def dry() -> str:
    """Nothing was written, as was asked."""
    return "Nothing was written (--dry-run)."


def next_step(trial: str, refused: bool, waiting: bool) -> str:
    """What to run next."""
    if refused:
        return f"Next: trialkit check {trial} --out corrections.xlsx"
    if waiting:
        return f"Next, when more is counted: trialkit add {trial} FILE; or trialkit check {trial}"
    return f"Next: trialkit check {trial}, then trialkit analyse {trial}"
