"""Rows of one table from several files: what was typed, and what phones counted, as one table.

Every file's cells are judged by themselves, in its own units and way of writing numbers; here the
judged rows are put below one another. A row that was laid out and is still blank gives way to the
phone's row of its names, which takes its place and its area. What is typed into strips and fields
once, phones add cells to.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from trialkit.intake.added import Part
from trialkit.intake.cells import Cells
from trialkit.intake.check import (
    Also,
    CheckedTable,
    Places,
    check_cells,
    one_to_a_line,
    settled,
)
from trialkit.intake.completed import complete
from trialkit.intake.config import TrialConfig
from trialkit.intake.relations import called, entry_at
from trialkit.intake.source import SourceTable
from trialkit.responses import schema
from trialkit.words import added as words
from trialkit.words import refusals


def check_joined(
    source: SourceTable | None, parts: Sequence[Part], layout: schema.Table, config: TrialConfig,
    also: Sequence[Also] = (),
) -> CheckedTable:  # fmt: skip
    """`check_table` of what was typed, if anything was, and of what was added to it."""
    typed = None if source is None else check_cells(source, layout, config, also)
    lenient = _lenient(layout)
    added = [check_cells(part.source, lenient, config, also) for part in parts]
    table = _stacked(layout, [*([typed] if typed is not None else []), *added], parts)
    planned = _typed_rows(table)
    taken = np.zeros(len(table.lines), bool)
    taken[_fill(table)] = True
    _refuse_without(table, _filled(layout))
    table = without(table, taken)
    if taken.any():
        table.notes.append(words.filled_in(int(taken.sum())))
    if layout.key and not layout.response:
        told = complete(table, _keys(table, layout.key))
        table = without(table, told, told=True)
    _counted_elsewhere(table, planned)
    return settled(table)


def _filled(layout: schema.Table) -> list[schema.Column]:
    """Columns a row must have, that are laid out for it and not measured."""
    measured = {c.name for c in layout.measured}
    return [c for c in layout.columns if c.required and c.si and c.name not in measured] \
        if layout.response else []  # fmt: skip


def _lenient(layout: schema.Table) -> schema.Table:
    """The table as an added row may have it: what is laid out, or typed once, may be missing."""
    free = {c.name for c in _filled(layout)}
    if layout.key and not layout.response:
        free = {c.name for c in layout.columns if c.name not in layout.key}
    columns = tuple(replace(c, required=c.required and c.name not in free) for c in layout.columns)
    return replace(layout, columns=columns)


# ---------------------------------------------------------------- one table of several
def _stacked(
    layout: schema.Table, tables: Sequence[CheckedTable], parts: Sequence[Part]
) -> CheckedTable:
    """The rows of all, below one another, under numbers that rise."""
    starts, last = [], 0
    for table in tables:
        starts.append(last)
        last += int(table.lines.max(initial=0)) + 1
    lines = np.concatenate([t.lines + s for t, s in zip(tables, starts, strict=True)])
    typed = len(tables) - len(parts)
    joined = CheckedTable(layout, tables[0].file, lines.astype(int))
    joined.usable = all(table.usable for table in tables)
    joined.notes = list(tables[0].notes)
    entries = [np.full(len(t.lines), "", object) for t in tables[:typed]]
    order = [np.arange(len(t.lines), dtype=float) for t in tables[:typed]]
    first = sum(len(t.lines) for t in tables[:typed])
    for table, part in zip(tables[typed:], parts, strict=True):
        given = np.isin(part.source.lines, table.lines)
        entries.append(part.entries[given])
        order.append(first + part.order[given].astype(float))
    files = tuple(table.file for table in tables)
    notes = tuple(one_to_a_line(table.notes) for table in tables)
    joined.places = Places(
        files, tuple(starts), notes, np.concatenate(entries), np.concatenate(order),
        np.zeros(len(lines), bool),
    )  # fmt: skip
    for name in ("refused", "nameless", "waiting"):
        setattr(joined, name, np.concatenate([getattr(table, name) for table in tables]))
    for table, start in zip(tables, starts, strict=True):
        joined.faults += [f.assign(line=f["line"] + start) for f in table.faults]
    _stack_cells(joined, tables)
    return joined


def _stack_cells(joined: CheckedTable, tables: Sequence[CheckedTable]) -> None:
    joined.raw = {n: _cells(n, [t.raw for t in tables], tables)
                  for n in dict.fromkeys(n for t in tables for n in t.raw)}  # fmt: skip
    joined.extra = {n: _cells(n, [t.extra for t in tables], tables)
                    for n in dict.fromkeys(n for t in tables for n in t.extra)}  # fmt: skip
    for name in dict.fromkeys(n for t in tables for n in t.spoilt):
        joined.spoilt[name] = np.concatenate([t.lost(name) for t in tables])
    for column in joined.layout.columns:
        values = [t.data[column.name] for t in tables]
        if any(column.name in t.folded for t in tables):
            _stack_labels(joined, column.name, tables)
        elif all(isinstance(v, np.ndarray) for v in values):
            joined.data[column.name] = np.concatenate(values)
        else:
            joined.data[column.name] = pd.concat([pd.Series(v) for v in values]).array


def _cells(
    name: str, columns: Sequence[Mapping[str, Cells]], tables: Sequence[CheckedTable]
) -> Cells:
    """One column of all tables; where a table lacks it its cells are empty."""
    blank = [Cells(np.zeros(len(t.lines), int), np.asarray([""], object), [""], True)
             for t in tables]  # fmt: skip
    own = [c.get(name, b) for c, b in zip(columns, blank, strict=True)]
    shift = np.cumsum([0, *(len(c.texts) for c in own)])
    codes = np.concatenate([c.codes + s for c, s in zip(own, shift, strict=False)])
    raw = np.concatenate([np.asarray(c.raw, dtype=object) for c in own])
    texts = [text for c in own for text in c.texts]
    return Cells(codes.astype(int), raw, texts, all(c.simple for c in own))


def _stack_labels(joined: CheckedTable, name: str, tables: Sequence[CheckedTable]) -> None:
    """A column of labels: equal where they differ in capitals only, spelled as where first met."""
    codes: list[np.ndarray] = []
    labels: list[Any] = []
    spelled: list[Any] = []
    for table in tables:
        known = name in table.folded
        codes.append(len(labels) + (table.folded[name] if known
                                    else np.zeros(len(table.lines), int)))  # fmt: skip
        labels += list(table.labels[name]) if known else [""]
        spelled += list(table.spelled[name]) if known else [np.nan]
    one, unique = pd.factorize(np.asarray(labels, dtype=object))
    first = np.unique(one, return_index=True)[1]
    texts = pd.Series(spelled, dtype=object).astype(schema.TEXT).array.take(first)
    joined.labels[name], joined.spelled[name] = unique, texts
    joined.folded[name] = one[np.concatenate(codes).astype(int)]
    joined.data[name] = texts.take(joined.folded[name])


def without(table: CheckedTable, gone: np.ndarray, told: bool = False) -> CheckedTable:
    """The table less some of its rows (a mask), and less their faults unless other rows tell what
    was in them."""
    if not gone.any() or table.places is None:
        return table
    keep, faults, own = ~gone, table.faults, table.places
    if not told:
        faults = [f[~f["line"].isin(table.lines[gone])] for f in faults]
    of = own.of(table.lines[gone])
    before = own.within or (0,) * len(own.files)
    within = tuple(n + told * int((of == k).sum()) for k, n in enumerate(before))
    places = replace(own, entries=own.entries[keep], order=own.order[keep], once=own.once[keep],
                     within=within)  # fmt: skip
    out = replace(
        table, lines=table.lines[keep], places=places, faults=[f for f in faults if len(f)],
        data={n: v[keep] for n, v in table.data.items()},
        raw={n: c.rows(keep) for n, c in table.raw.items()},
        extra={n: c.rows(keep) for n, c in table.extra.items()},
        folded={n: c[keep] for n, c in table.folded.items()},
        spoilt={n: m[keep] for n, m in table.spoilt.items()},
    )  # fmt: skip
    for name in ("refused", "nameless", "waiting", "stray"):
        setattr(out, name, getattr(table, name)[keep])
    return out


# ---------------------------------------------------------------- rows that were laid out
def _fill(table: CheckedTable) -> list[int]:
    """Give the phones' rows the place and the area of laid-out rows that are blank; these."""
    places = table.places
    names = table.layout.names
    if places is None or not table.layout.measured:
        return []
    phones = places.entries != ""
    blank = np.flatnonzero(table.waiting & ~phones)
    keys = _keys(table, names)
    waiting: dict[tuple[str, ...], list[int]] = {}
    for row in blank.tolist():
        waiting.setdefault(keys[row], []).append(row)
    taken: dict[int, None] = {}
    rows = np.flatnonzero(phones & ~table.nameless)
    for row in rows[np.argsort(places.order[rows], kind="stable")].tolist():
        laid = waiting.get(keys[row], [])
        if not laid:
            continue
        # A row without a name of its own fills one of them; one of a key, or of a place that was
        # laid out once, is the same row.
        at = laid[0] if table.layout.key or len(laid) == 1 else laid.pop(0)
        if table.layout.key or at not in taken:
            places.order[row] = places.order[at]
        taken[at] = None
        for column in _filled(table.layout):
            values = table.data[column.name]
            if np.isnan(values[row]) and not table.lost(column.name)[row]:
                values[row] = values[at]
    return list(taken)


def _keys(table: CheckedTable, names: Sequence[str]) -> list[tuple[str, ...]]:
    columns: list[Any] = []
    for name in names:
        if name in table.folded:
            columns.append(table.labels[name][table.folded[name]])
        else:
            columns.append(pd.Series(table.data[name]).astype(object).fillna("").to_numpy())
    return [tuple(map(str, key)) for key in zip(*columns, strict=True)] \
        if columns else []  # fmt: skip


def _refuse_without(table: CheckedTable, columns: Sequence[schema.Column]) -> None:
    """Refuse the phones' rows that have no area, neither of their own nor laid out."""
    if table.places is None:
        return
    phones = table.places.entries != ""
    for column in columns:
        lost = phones & table.lost(column.name)
        for fault in table.faults:
            own = (fault["column"] == column.name) & fault["line"].isin(table.lines[lost])
            fault.loc[own, "lost"] = "row"
        table.refused |= lost
        none = phones & np.isnan(table.data[column.name]) & ~table.refused
        table.refuse(none, column.name, refusals.value_needed())


def _typed_rows(table: CheckedTable) -> Counter[tuple[str, ...]]:
    """How many rows every place has that were typed or laid out, where rows have no other name."""
    if table.layout.key or not table.layout.response or table.places is None:
        return Counter()
    keys = _keys(table, table.layout.names)
    return Counter(keys[row] for row in np.flatnonzero(table.places.entries == "").tolist())


def _counted_elsewhere(table: CheckedTable, planned: Mapping[tuple[str, ...], int]) -> None:
    """Rows without names of their own in places that several files have rows of: where the trial
    has one row for the place they are the same row (`once`); of others a note tells."""
    if table.layout.key or not table.layout.response or table.places is None:
        return
    entries, keys = table.places.entries, _keys(table, table.layout.names)
    at: dict[tuple[str, ...], list[int]] = {}
    for row in np.flatnonzero(table.sound).tolist():
        at.setdefault(keys[row], []).append(row)
    told = []
    for key, rows in at.items():
        if len({entries[row].split("-")[0] for row in rows}) < 2:
            continue
        if planned.get(key) == 1:
            table.places.once[rows] = True
        elif len(rows) > planned.get(key, 0):
            at_rows = [entry_at(table, table.lines[row]) for row in rows]
            told.append((called(table, rows[0]), at_rows))
    if told:
        table.notes.append(words.also_elsewhere(table.layout.name, told))
