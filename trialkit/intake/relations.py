"""Rows against each other: one row per key, strips that exist, one setup per main strip.

Two rows under one key cannot both be right and nothing tells which is. Rows equal in every column
are one row entered twice: the first stays and the others are refused. Rows that differ are all
refused, so that both readings stand side by side in the list of refusals; that one of them has
another fault as well does not make the other one right. A row with nothing measured yet is no
reading and stands against no other.

What phones counted is held against each other and against what was typed by the same rule; only a
phone's row that equals another is no fault: two people counted one frame and agree. It counts once,
within the other, and a note names both.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trialkit.intake.cells import as_text
from trialkit.intake.check import CheckedTable
from trialkit.intake.config import SetupFactor
from trialkit.responses.fate import HARVESTED, SPOILT
from trialkit.words import added, readings, refusals

NOTES = ("note", "reason")
"""Columns of remarks: of rows in several files that differ in these alone the first stays."""


def refuse_repeats(table: CheckedTable) -> np.ndarray:
    """Refuse rows whose key stands on another row as well (see the module's rule).

    Returns
    -------
    ndarray of bool
        Phones' rows that are told by an equal one, which is kept.
    """
    key, told = table.layout.key, np.zeros(len(table.lines), bool)
    rows = np.flatnonzero(~table.nameless & ~table.waiting)
    if not key and table.places is not None:
        key, rows = table.layout.names, np.flatnonzero(table.places.once & table.sound)
    if not key or not rows.size:
        return told
    code = np.zeros(len(rows), np.int64)
    for name in key:
        folded = table.folded.get(name)
        if folded is None:
            folded = pd.factorize(pd.Series(table.data[name]))[0]
        folded = folded[rows]
        code = code * (int(folded.max()) + 1) + folded
    repeated = pd.Series(code).duplicated(keep=False).to_numpy()
    if not repeated.any():
        return told
    rows, code = rows[repeated], code[repeated]
    others = [c.name for c in table.layout.columns if c.name not in key]
    if table.places is not None:  # what is written beside a count is no other reading of it
        others = [name for name in others if name not in NOTES]
    frame = pd.DataFrame({name: pd.Series(table.data[name]).take(rows) for name in others})
    frame = frame.reset_index(drop=True)
    frame["code"], frame["line"] = code, table.lines[rows]
    again = frame.duplicated(subset=[*others, "code"]).to_numpy()
    groups = frame.groupby("code")
    distinct = (~pd.Series(again)).groupby(code).transform("sum").to_numpy()
    first = groups["line"].transform("first").to_numpy()
    same = distinct == 1
    if table.places is not None:
        refused = pd.Series(table.refused[rows]).groupby(code).transform("any").to_numpy()
        told[rows[same & again & ~refused & (table.places.entries[rows] != "")]] = True
    for row in np.flatnonzero(same & again & ~told[rows]):
        table.refuse([rows[row]], key[-1], _repeats(table, first[row]))
    if told.any():
        _note_told(table, rows, first, told)
    conflict = distinct > 1
    if conflict.any():
        _refuse_conflicts(table, rows[conflict], frame[conflict], others)
    return told


def _repeats(table: CheckedTable, line: int) -> str:
    if table.places is None:
        return refusals.row_once(line)
    return added.one_place(place_of(table, line))


def _note_told(
    table: CheckedTable, rows: np.ndarray, first: np.ndarray, told: np.ndarray
) -> None:
    """Note rows that equal those on the lines `first`, with what each is called."""
    pairs = []
    for row, line in zip(rows[told[rows]], first[told[rows]], strict=True):
        one, other = entry_at(table, line), entry_at(table, table.lines[row])
        pairs.append((called(table, row), one, other))
    table.notes.append(added.counted_alike(table.layout.name, pairs))


def place_of(table: CheckedTable, line: int) -> str:
    """A row of several files in words: its line, its file and the phone's entry."""
    file, own = table.at(line)
    entry = table.places.entries[np.searchsorted(table.lines, line)] if table.places else ""
    return added.at_place(own, file, entry)


def called(table: CheckedTable, row: int) -> str:
    """What the row at a position is called: "strip S2, zone header, frame 1"."""
    return added.row_called([(name, str(table.data[name][row])) for name in table.layout.names])


def entry_at(table: CheckedTable, line: int) -> str:
    """A row of several files by its entry alone; one that was typed as `place_of`."""
    entry = table.places.entries[np.searchsorted(table.lines, line)] if table.places else ""
    return str(entry) or place_of(table, line)


def _refuse_conflicts(
    table: CheckedTable, rows: np.ndarray, frame: pd.DataFrame, others: list[str]
) -> None:
    groups = frame.groupby("code")
    differs = np.full(len(frame), "", object)
    for name in reversed(others):
        varied = (groups[name].transform("nunique", dropna=False) > 1).to_numpy()
        differs[varied] = name
    lines = frame["code"].map(groups["line"].agg(list)).to_numpy()
    for name in dict.fromkeys(differs):
        mine = differs == name
        expected = [_one_row(table, own, name) for own in lines[mine]]
        table.refuse(rows[mine], name, np.asarray(expected, dtype=object))


def _one_row(table: CheckedTable, lines: list[int], column: str) -> str:
    """What was expected of rows of one key, on these lines, that differ in a column."""
    if table.places is None:
        return refusals.one_row_for(table.layout.key, lines, column)
    at = np.searchsorted(table.lines, lines)
    entries = [entry for entry in table.places.entries[at] if entry]
    if not entries:
        own = [table.at(line)[1] for line in lines]
        return refusals.one_row_for(table.layout.key, own, column)
    places, values = [place_of(table, line) for line in lines], values_of(table, column, at)
    return added.one_of_places(
        table.layout.name, table.layout.names, column, places, values, entries
    )


def values_of(table: CheckedTable, column: str, rows: Sequence[int] | np.ndarray) -> list[str]:
    """What stands there; none of free text, which is a user's own."""
    cells = table.raw.get(column)
    if cells is None or table.layout.column(column).kind in ("text", "key"):
        return []
    return [cells.texts[k] for k in cells.codes[rows]]


def refuse_unknown(table: CheckedTable, column: str, *parents: CheckedTable) -> None:
    """Refuse rows whose label in `column` is no kept row of a parent; spell the rest as it does.

    Of several parents the first that holds a label spells it.
    """
    if column not in table.folded:
        return
    spelling: dict[str, str] = {}
    refused_at: dict[str, str] = {}
    for parent in reversed(parents):
        kept, refused = _known(parent, column)
        spelling |= kept
        refused_at |= {label: readings.at_line(*parent.at(n)) for label, n in refused.items()}
    files = [parent.file for parent in parents]
    labels = table.labels[column]
    expected = np.full(len(labels), "", object)
    because = np.full(len(labels), "", object)
    for k, label in enumerate(labels):
        if label in refused_at and label not in spelling:
            expected[k], because[k] = refusals.kept_one(column), refused_at[label]
        elif label and label not in spelling:
            expected[k] = refusals.listed_one(column, files)
    codes = table.folded[column]
    lost = (expected != "")[codes] & ~table.stray
    table.refuse(lost, column, expected[codes[lost]], because=because[codes[lost]])
    _respell(table, column, spelling)


def match_grounds(
    table: CheckedTable, strips: CheckedTable | None, fields: CheckedTable | None
) -> None:
    """Fields in which stalks or ear butts were measured: those of the strips or the fields table.

    Before there are strips, as when a header is set up before harvest, every field stays.
    """
    known = [t for t in (strips, fields) if t is not None and len(t.lines)]
    if strips is not None and len(strips.lines):
        refuse_unknown(table, "field", *known)
    elif known:
        _match(table, known[0], "field")


def match_fields(strips: CheckedTable, fields: CheckedTable) -> None:
    """Spell the strips' fields as the fields table does; note those it does not hold.

    Strips without a row there stay: losses need nothing from it.
    """
    _match(strips, fields, "field")


def match_headers(strips: CheckedTable, headers: CheckedTable) -> None:
    """Spell the strips' headers as header_check does; note those it does not hold."""
    _match(strips, headers, "header")


def _match(strips: CheckedTable, table: CheckedTable, column: str) -> None:
    if column not in strips.folded or not len(table.lines):
        return
    spelling, _ = _known(table, column)
    # Of rows that are refused or put aside nothing is missing there.
    standing = set(strips.folded[column][~(strips.refused | strips.stray)].tolist())
    unknown = [
        strips.spelled[column][k]
        for k, label in enumerate(strips.labels[column])
        if k in standing and label and label not in spelling
    ]
    if unknown:
        strips.notes.append(readings.without_row(column, table.file, unknown))
    _respell(strips, column, spelling)


def _respell(table: CheckedTable, column: str, spelling: dict[str, str]) -> None:
    own = table.spelled[column]
    texts = [spelling.get(label, own[k]) for k, label in enumerate(table.labels[column])]
    table.spelled[column] = as_text(texts)
    table.data[column] = table.spelled[column].take(table.folded[column])


def _known(parent: CheckedTable, column: str) -> tuple[dict[str, str], dict[str, int]]:
    """Folded label -> its spelling, of kept rows; folded label -> line, of refused ones."""
    spelling: dict[str, str] = {}
    refused_at: dict[str, int] = {}
    if column in parent.folded:
        folded = parent.labels[column][parent.folded[column]]
        for row, label in enumerate(folded):
            if parent.refused[row]:
                refused_at.setdefault(label, int(parent.lines[row]))
            else:
                spelling.setdefault(label, parent.data[column][row])
    return spelling, refused_at


def refuse_changed_main_strips(strips: CheckedTable, setups: tuple[SetupFactor, ...]) -> None:
    """Refuse the strips of a main strip in which a hard-to-change factor has several levels."""
    hard = [factor.name for factor in setups if factor.hard_to_change]
    rows = np.flatnonzero(~strips.refused)
    if not hard or not rows.size or "main_strip" not in strips.folded:
        return
    places = ["field", "pair", "main_strip"]
    frame = pd.DataFrame({name: strips.folded[name][rows] for name in places})
    frame["line"] = strips.lines[rows]
    named = strips.labels["main_strip"][strips.folded["main_strip"][rows]] != ""
    for factor in hard:
        frame[factor] = np.asarray(strips.data[factor])[rows]
        groups = frame[named].groupby(places)
        changed = groups[factor].transform("nunique") > 1
        for position in changed.index[changed]:
            same = (frame[places] == frame.loc[position, places]).all(axis=1)
            lines = [strips.at(line)[1] for line in frame.loc[same, "line"]]
            expected = refusals.one_level(factor, lines)
            strips.refuse([rows[position]], factor, expected)


def note_thin_pairs(strips: CheckedTable, setups: tuple[SetupFactor, ...]) -> None:
    """Note pairs that compare nothing: one strip only, or one setup only."""
    if "status" not in strips.data:
        return
    status = np.asarray(strips.data["status"], object)
    rows = np.flatnonzero(strips.sound & (pd.isna(status) | np.isin(status, [HARVESTED, SPOILT])))
    columns = [np.asarray(strips.data[c], object)[rows]
               for c in ("field", "pair", *(s.name for s in setups))]  # fmt: skip
    found: dict[tuple[str, str], list[tuple[str, ...]]] = {}
    for field, pair, *setup in zip(*columns, strict=True):
        found.setdefault((field, pair), []).append(tuple(map(str, setup)))
    alone = sorted(place for place, own in found.items() if len(own) == 1)
    alike = sorted(p for p, own in found.items() if len(own) > 1 and len(set(own)) == 1)
    for places, single in ((alone, "strip"), (alike if setups else [], "setup")):
        if places:
            strips.notes.append(readings.thin_pairs(single, places))
