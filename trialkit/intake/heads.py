"""Heads of columns that are not written as the table has them, and what is told of those not read.

A head with the words of one known column in any order, or with what the trade calls it
(`Column.also`), with or without a unit among them, is that column where nothing else is.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import pandas as pd

from trialkit import units
from trialkit.intake.causes import sheet_of
from trialkit.intake.source import SourceTable, plain_name
from trialkit.responses import schema
from trialkit.words import readings

_LONGEST = 100  # characters of a head looked at
_UNIT_WORDS = 3  # "bu per ac"
_BETWEEN = re.compile(r"[\s,;:_()\[\]{}|]+")


def settle_heads(source: SourceTable, layout: schema.Table) -> SourceTable:
    """The table with such heads as the columns they mean, each told in a note.

    Two heads that mean one column are both left as they are, and so are those beyond an empty
    column, where another table may stand.
    """
    names = [plain_name(cell) for cell in source.header]
    absent = [c for c in layout.columns if c.name not in names]
    meant: dict[str, list[tuple[int, str]]] = {}
    known = {c.name for c in layout.columns}
    for k in range(_end(source, names, known)):
        if names[k] and names[k] not in known and (source.columns[k] != "").any():
            found = _meant(source.header[k], absent)
            if found is not None:
                meant.setdefault(found[0], []).append((k, found[1]))
    header, notes = list(source.header), []
    for name, heads in meant.items():
        if len(heads) == 1:
            k, unit = heads[0]
            read = f"{name} ({unit})" if unit else name
            notes.append(readings.head_read(" ".join(header[k].split()), read))
            header[k] = read
    if not notes:
        return source
    return replace(source, header=header, notes=[*source.notes, *notes])


def _end(source: SourceTable, names: list[str], known: set[str]) -> int:
    """Columns before the first empty one beyond which no known head stands."""
    for k, cell in enumerate(source.header):
        empty = not cell.strip() and bool((source.columns[k] == "").all())
        if k and empty and not known.intersection(names[k:]):
            return k
    return len(names)


def _meant(head: str, absent: list[schema.Column]) -> tuple[str, str] | None:
    """The one column a head means, and the unit it names ("" without one)."""
    words = [w.strip(".") for w in _BETWEEN.split(head[:_LONGEST].casefold())]
    words = [w for w in words if w]
    readings_of = [(sorted(words), "")]
    for n in range(1, _UNIT_WORDS + 1):
        for k in range(len(words) - n + 1):
            if unit := units.unit_symbol(" ".join(words[k : k + n])):
                readings_of.append((sorted(words[:k] + words[k + n :]), unit))
    found = {
        (column.name, unit)
        for left, unit in readings_of
        for column in absent
        if any(sorted(re.split(r"[ _]", name)) == left for name in (column.name, *column.also))
        and (not unit or (column.si and unit in units.units_like(column.si)))
    }
    return found.pop() if len(found) == 1 else None


@dataclass(frozen=True, slots=True)
class ReadFile:
    """What is told of how one file was read: columns not read in a line, notes in others."""

    file: str
    aside: str
    notes: tuple[str, ...]


def read_files(
    read: pd.DataFrame, extra: Mapping[str, pd.DataFrame], tables: Mapping[str, pd.DataFrame]
) -> Iterator[ReadFile]:
    """Of every file of which something is to be told; arguments as `Trial` has them.

    A file is told without the workbook it is a sheet of.
    """
    for name, file, told in zip(read["table"], read["file"], read["notes"], strict=True):
        book = file.removesuffix(sheet_of(file))
        notes = [note.replace(book, "") if book else note for note in told.split("\n") if note]
        aside = ""
        if name in extra:
            titles = [str(title) for title in extra[name].columns]
            notes = [note for note in notes if note != readings.kept_aside(titles)]
            free = [str(c) for c, own in tables[name].items() if own.isna().all()]
            near = [_near(title, free) for title in titles]
            aside = readings.columns_not_read(sheet_of(file), titles, near)
        if notes or aside:
            yield ReadFile(sheet_of(file), aside, tuple(notes))


def _near(title: str, names: list[str]) -> str:
    """The name that may be meant by a head; "" where none is near."""
    plain = plain_name(title[:_LONGEST])
    turned = "_".join(reversed(plain.split("_")))
    for text in (plain, turned):
        if near := difflib.get_close_matches(text, names, 1, 0.7):
            return near[0]
    return ""
