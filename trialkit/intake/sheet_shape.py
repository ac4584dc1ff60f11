"""What a sheet or a file of text holds beside its rows of data: titles, sums, notes, other tables.

Works on the text of the cells, so that a sheet and a CSV of the same cells are read alike. A row
is put aside only where it cannot be a data row of the table: what names it is blank, or is a word
such as "Average". Everything put aside is named in a note with its place; a second table is refused
once, in the row where its header row stands.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from trialkit.intake.heads import settle_heads
from trialkit.intake.other_tables import cut_below, cut_beside, stands_above
from trialkit.intake.source import SourceTable, plain_name
from trialkit.responses import schema
from trialkit.words import sheets as words

HEADER_WITHIN = 30
"""Rows, blank ones aside, among which the header row is looked for."""

_SUM = r"(?:(?:sub|grand)[ -]?)?totals?|sums?|averages?|avg|means?|medians?"
_SPREAD = r"count|min(?:imum)?|max(?:imum)?|st\.? ?dev|std\.?(?: ?dev\.?)?|sd|cv|lsd"
_SUM_WORD = re.compile(rf"(?:.{{1,60}}[ -])?(?:{_SUM}|{_SPREAD})(?: of .{{1,40}})?[.: ]*", re.I)
# Nobody names a row so, whatever else stands in it.
_SUM_FOR_SURE = ("average", "avg", "mean", "subtotal", "grand total")
# Nor a row of a header, a frame or a sample.
_SPREAD_FOR_SURE = ["sum", "min", "max", "minimum", "maximum", "sd", "std", "median"]
_SUM_FORMULA = re.compile(r"=\+?(?:SUM|AVERAGE|SUBTOTAL|AGGREGATE|MEDIAN|COUNT|MIN|MAX)[A-Z.]*\(")
_NOTE_WORD = re.compile(r"(?:notes?|remarks?|comments?|legend|source|key|\*+)\b.*|.*:", re.I)
_MOST_LOOKED_AT = 20_000


def header_row(
    rows: Sequence[Sequence[str]], known: Collection[str], needed: Collection[str]
) -> int:
    """Which of the first rows is the header row.

    It is the first that names every column needed, else the one that names most of those known;
    where none names two of them, the first.
    """
    best, most = 0, 1
    for k, row in enumerate(rows[:HEADER_WITHIN]):
        names = {plain_name(cell) for cell in row}
        if needed and names.issuperset(needed):
            return k
        found = len(names.intersection(known))
        if found > most:
            best, most = k, found
    return best


def needed_names(layout: schema.Table) -> set[str]:
    """Columns that a header row of this table must have."""
    return {c.name for c in layout.columns if c.required}


def shaped(
    source: SourceTable, layout: schema.Table, sum_lines: Collection[int] = ()
) -> SourceTable:
    """The table without what is no data row of it, each thing found told in its notes.

    Parameters
    ----------
    source : SourceTable
    layout : schema.Table
        With the trial's setup factors.
    sum_lines : collection of int
        Lines in which a formula sums up others.
    """
    names = {c.name for t in schema.TABLES.values() for c in t.columns}
    names |= {c.name for c in layout.columns}
    source = settle_heads(cut_beside(source, names), layout)
    place = {n: k for k, n in reversed(list(enumerate(map(plain_name, source.header))))}
    labels = [place[c.name] for c in layout.columns
              if c.required and c.kind not in ("number", "count") and c.name in place]  # fmt: skip
    if not labels or not len(source.lines):
        return source
    rows = _Rows(source, layout, place, labels)
    cut = cut_below(source, names, rows.distinct, ~rows.real)
    if cut is not source:
        rows = _Rows(cut, layout, place, labels)
    source = rows.without_other_rows(sum_lines)
    return _names_as_whole_numbers(source, layout, place)


def is_sum_formula(text: str) -> bool:
    """Whether a formula sums up other cells."""
    return bool(_SUM_FORMULA.match(text))


class _Rows:
    """Rows of one table whose labels are not complete, looked at one by one."""

    def __init__(
        self, source: SourceTable, layout: schema.Table, place: dict[str, int], labels: list[int]
    ) -> None:
        self.source, self.labels = source, labels
        kinds = {c.name: c.kind for c in layout.columns}
        self.keys = [k for n, k in place.items() if kinds.get(n) == "key"]
        self.numbered = [place[n] for n in ("row", "frame", "sample") if n in place]
        self.worded = [k for n, k in place.items()
                       if kinds.get(n, "text") in ("key", "text") or k in self.keys]  # fmt: skip
        self.numbers = [k for n, k in place.items() if kinds.get(n) in ("number", "count")]
        # In one of the columns few texts stand, also where there are millions of rows.
        self.at = next((place[n] for n in ("strip", "field", "header") if n in place), labels[0])
        codes, texts = pd.factorize(source.columns[self.at])
        self.distinct = codes, texts
        incomplete = (texts == "")[codes]
        for k in labels:
            if k != self.at:
                incomplete |= source.columns[k] == ""
        crooked = np.zeros(len(source.lines), bool)
        crooked[[position for position, _, _ in source.faults]] = True
        self.real = ~incomplete
        self.given = np.zeros(len(source.lines), int)  # cells of the incomplete rows
        rows = np.flatnonzero(incomplete)
        for column in source.columns:
            self.given[rows] += column[rows] != ""
        self.incomplete = np.flatnonzero(incomplete & (self.given > 0) & ~crooked)

    def without_other_rows(self, sum_lines: Collection[int]) -> SourceTable:
        rows = self.incomplete[:_MOST_LOOKED_AT].tolist()
        sums: dict[int, str] = {}
        for row in self._sure_sums():
            sums[row] = self._sum_word(row)
        for row in rows:
            word = self._sum_word(row)
            if word or self._sums_up(row, sum_lines):
                sums[row] = word
        notes = self._trailing([row for row in rows if row not in sums])
        if not sums and not notes:
            return self.source
        keep = np.ones(len(self.source.lines), bool)
        keep[[*sums, *notes]] = False
        where, lines = self.source.where, self.source.lines
        told = []
        if sums:
            order = sorted(sums)
            known = [sums[row] for row in order if sums[row]]
            told.append(words.sums(where, lines[order].tolist(), known))
        if notes:
            texts = [" ".join(filter(None, self._row(row))) for row in notes]
            told.append(words.trailing(where, lines[notes].tolist(), texts))
        return self.source.rows(keep, told)

    def _row(self, row: int) -> list[str]:
        return [column[row].strip() for column in self.source.columns]

    def _sure_sums(self) -> list[int]:
        """Rows named "Average" and the like by a key, or any sum where nothing else names a row."""
        found: set[int] = set()
        for k in self.keys:
            texts = [*_SUM_FOR_SURE] + ["total", "sum"] * (len(self.labels) == 1)
            texts += _SPREAD_FOR_SURE * (k in self.numbered)
            spelled = {form for t in texts for form in (t, t.title(), t.upper(), t.capitalize())}
            spelled |= {f"{form}:" for form in spelled}
            if k == self.at:
                codes, texts = self.distinct
                named = _among(texts, spelled)
                rows = np.flatnonzero(named[codes]) if named.any() else ()
            else:
                rows = np.flatnonzero(_among(self.source.columns[k], spelled))
            found.update(int(row) for row in rows)
        return sorted(found)

    def _sum_word(self, row: int) -> str:
        """The word by which a row without complete labels is known as a sum."""
        for k in self.worded:
            text = self.source.columns[k][row].strip()
            # A word in a note, beside the name of a row, says something of that row.
            alone = k in self.keys or all(self.source.columns[j][row] == "" for j in self.labels)
            if text and alone and _SUM_WORD.fullmatch(text):
                return text
        return ""

    def _sums_up(self, row: int, sum_lines: Collection[int]) -> bool:
        """Whether nothing names the row, and each of its numbers is a sum or mean of the column."""
        cells = self._row(row)
        if any(cells[k] for k in self.labels):
            return False
        if self.source.lines[row] in sum_lines or any(map(is_sum_formula, cells)):
            return True
        given = [k for k, cell in enumerate(cells) if cell]
        if not given or any(k not in self.numbers for k in given):
            return False
        return all(self._is_sum(k, cells[k]) for k in given)

    def _is_sum(self, k: int, text: str) -> bool:
        number = as_number(text)
        values = [v for r in np.flatnonzero(self.real[:_MOST_LOOKED_AT])
                  if (v := as_number(self.source.columns[k][r])) is not None]  # fmt: skip
        if number is None or len(values) < 2:
            return False
        digits = len(text.strip(" %").partition(".")[2])
        near = max(0.5 * 10.0**-digits, 1e-9 * abs(number)) * 1.0000001
        return any(abs(number - v) <= near for v in (sum(values), sum(values) / len(values)))

    def _trailing(self, rows: list[int]) -> list[int]:
        """Rows of text below the last data row, up to the end."""
        last = int(np.flatnonzero(self.real)[-1]) if self.real.any() else len(self.real)
        lines = self.source.lines
        notes: list[int] = []
        for row in (r for r in rows if r > last):
            after_blank = lines[row] > lines[row - 1] + 1 or self._blank(row - 1) or (
                bool(notes) and notes[-1] == row - 1)  # fmt: skip
            if self._is_note([c for c in self._row(row) if c], row, after_blank):
                notes.append(row)
        return notes

    def _blank(self, row: int) -> bool:
        return not self.real[row] and not self.given[row]

    def _is_note(self, cells: list[str], row: int, after_blank: bool) -> bool:
        if any(as_number(cell) is not None for cell in cells):
            return False
        if len(cells) == 1:
            return after_blank or len(cells[0].split()) > 1
        if len(cells) == 2 and _NOTE_WORD.fullmatch(cells[0]):
            return True
        return after_blank and not _seen_before(self.source, row)


def as_number(text: str) -> float | None:
    """A plainly written number; a comma between thousands and a sign of percent are passed over."""
    try:
        return float(text.strip(" %").replace(",", ""))
    except ValueError:
        return None


def _seen_before(source: SourceTable, row: int) -> bool:
    """Whether some cell of a row stands in the same column of an earlier row."""
    return any(column[row].strip() and stands_above(column, row) for column in source.columns)


def _among(column: np.ndarray, texts: set[str]) -> np.ndarray:
    return np.fromiter((text in texts for text in column), bool, len(column))


_WITH_DECIMALS = re.compile(r"\d+\.0+")


def _names_as_whole_numbers(
    source: SourceTable, layout: schema.Table, place: dict[str, int]
) -> SourceTable:
    """Names that some program wrote as 1.0, 2.0: all names of the column are, or none is meant."""
    columns, notes = list(source.columns), []
    for key in (c.name for c in layout.columns if c.kind == "key" and c.name in place):
        column = columns[place[key]]
        first = next((text for text in column if text), "")
        if not _WITH_DECIMALS.fullmatch(first.strip()):
            continue
        if all(_WITH_DECIMALS.fullmatch(t.strip()) for t in column if t):
            whole = [text.strip().partition(".")[0] for text in column]
            columns[place[key]] = np.asarray(whole, dtype=object)
            notes.append(words.names_with_decimals(key))
    return replace(source, columns=columns, notes=[*source.notes, *notes]) if notes else source
