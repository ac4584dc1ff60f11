"""Judging the cells of one column, each distinct text once.

A column is held as its distinct texts and, for each row, which of them stands there; so a file of
millions of rows costs little more than its distinct cells.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.intake.config import DateOrder
from trialkit.intake.dates import read_dates
from trialkit.intake.decode import DAMAGED
from trialkit.intake.numbers import MISSING_WORDS, Mark, in_doubt, read_quantity
from trialkit.responses import ZONES, schema
from trialkit.words import readings, refusals

# Every blank of Unicode, and two marks without width.
_BLANKS = "".join(filter(str.isspace, map(chr, range(0x3001)))) + "\u200b\ufeff"
_SIMPLE = re.compile(r"[A-Za-z0-9_./\n-]*")
_ESCAPED = re.compile(r"'+[=+\-@]")
_LONGEST_LABEL = 100
# Labels that need not be there, and are not free text.
_NAMES = ("main_strip", "header")
_SAMPLE = 1000


@dataclass(slots=True)
class Cells:
    """One column of text: `codes` (per row) point into `raw` and `texts` (the same, stripped).

    `simple` says that all of it is letters, digits and a few harmless signs of ASCII: then nothing
    needs stripping, unescaping or refusing for what it is made of.
    """

    codes: np.ndarray
    raw: np.ndarray
    texts: list[str]
    simple: bool
    _numbers: np.ndarray | None = None

    @classmethod
    def from_column(cls, column: np.ndarray) -> Cells:
        """From an object array of str."""
        sample = column[:: max(1, len(column) // _SAMPLE)]
        if len(column) > 10 * _SAMPLE and len(set(sample)) == len(sample):
            # Hardly any text repeats: finding the distinct ones would cost more than it saves.
            codes, raw = np.arange(len(column)), column
        else:
            codes, raw = pd.factorize(column)
        texts = raw.tolist()
        joined = "\n".join(texts)
        simple = bool(_SIMPLE.fullmatch(joined)) and joined.count("\n") == max(len(texts) - 1, 0)
        if not simple:
            texts = [text.strip(_BLANKS) for text in texts]
        return cls(codes, raw, texts, simple)

    def blank(self) -> np.ndarray:
        """Rows whose cell is empty."""
        if "" not in self.texts:
            return np.zeros(len(self.codes), bool)
        empty = np.fromiter((not text for text in self.texts), bool, len(self.texts))
        return empty[self.codes]

    def numbers(self) -> np.ndarray:
        """`texts` as numbers, NaN where they are not plainly written ones."""
        if self._numbers is None:
            numbers = pd.to_numeric(pd.Series(self.texts, dtype=object), errors="coerce")
            self._numbers = np.asarray(numbers, dtype=float)
        return self._numbers

    def rows(self, keep: np.ndarray) -> Cells:
        """The cells of some rows."""
        return Cells(self.codes[keep], self.raw, self.texts, self.simple)


@dataclass(slots=True)
class Judged:
    """Distinct values of a column in SI and, for those at fault, what was expected.

    `folded` are the texts that identify a key, capitals and runs of blanks put aside.
    """

    values: Any
    faults: dict[int, str]
    folded: list[str] | None = None
    notes: list[str] = field(default_factory=list)


def judge(
    cells: Cells,
    column: schema.Column,
    unit: str,
    mark: Mark,
    season: int,
    order: DateOrder | None,
) -> Judged:
    """Read and check the distinct texts of a column, given in `unit`."""
    if column.kind in ("number", "count"):
        judged = _numbers(cells, column, unit, mark)
    elif column.kind == "date":
        judged = _dates(cells.texts, season, order)
    elif column.levels:
        judged = _choices(cells.texts, column)
    else:
        judged = _labels(cells, is_key=column.kind == "key" or column.name in _NAMES)
    if column.required and "" in cells.texts:
        blank = [k for k, text in enumerate(cells.texts) if not text]
        judged.faults |= dict.fromkeys(blank, refusals.value_needed())
    if not cells.simple:
        damaged = [k for k, text in enumerate(cells.texts) if DAMAGED in text]
        judged.faults |= dict.fromkeys(damaged, refusals.readable_text())
    return judged


def _numbers(cells: Cells, column: schema.Column, unit: str, mark: Mark) -> Judged:
    texts, values = cells.texts, cells.numbers().copy()
    expected = expected_number(column, unit)
    faults: dict[int, str] = {}
    notes: list[str] = []
    if mark in ("comma", "both"):
        for k in np.flatnonzero(~np.isnan(values)).tolist():
            if in_doubt(texts[k], mark):
                values[k] = np.nan
    for k in np.flatnonzero(np.isnan(values)).tolist():
        text = texts[k]
        if text.casefold() in MISSING_WORDS:
            if column.required:
                faults[k] = expected
            continue
        number, named = read_quantity(text, unit, mark)
        if isinstance(number, float):
            values[k] = number
            notes += _how_written(text, mark)
            if named and named != unit:
                notes.append(readings.converted(column.name, named, unit))
        else:
            faults[k] = f"{expected}{', ' if number else ''}{number}"
    if unit:
        values = units.convert(values, unit, column.si)
    slack = 1e-9 * np.abs(values)
    with np.errstate(invalid="ignore"):
        outside = (values < column.low - slack) | (values > column.high + slack)
        if column.kind == "count":
            outside |= values % 1 != 0
    for k in np.flatnonzero(outside & ~np.isnan(values)).tolist():
        faults[k] = expected
    return Judged(values, faults, notes=list(dict.fromkeys(notes)))


def _how_written(text: str, mark: Mark) -> list[str]:
    grouped = re.search(r"\d[ \u00a0\u2009\u202f'’]\d", text) or ("," in text and mark == "point")
    if grouped or (mark == "comma" and "." in text):
        return [readings.thousands_parted()]
    return [readings.decimal_commas()] if mark == "comma" and "," in text else []


def expected_number(column: schema.Column, unit: str) -> str:
    """What a number cell may hold, in the unit of the file."""
    low, high = column.low, column.high
    if unit:
        low, high = (float(units.convert(v, column.si, unit)) for v in (low, high))
    return refusals.within(low, high, unit, whole=column.kind == "count")


def _dates(texts: list[str], season: int, order: DateOrder | None) -> Judged:
    given = [k for k, text in enumerate(texts) if text.casefold() not in MISSING_WORDS]
    moments, notes = read_dates([texts[k] for k in given], season, order)
    values = np.full(len(texts), np.datetime64("NaT"), dtype="datetime64[ns]")
    faults: dict[int, str] = {}
    for k, moment in zip(given, moments, strict=True):
        if isinstance(moment, datetime):
            values[k] = np.datetime64(moment, "ns")
        else:
            faults[k] = moment or refusals.date_that_exists()
    return Judged(values, faults, notes=notes)


def _choices(texts: list[str], column: schema.Column) -> Judged:
    """Levels by their text with capitals put aside, then by number ("3.0" is level "3")."""
    levels = {fold(level): level for level in column.levels}
    if column.kind == "zone":
        levels |= {alias: name for name, zone in ZONES.items() for alias in zone.aliases}
    numeric = {v: level for level in column.levels if (v := _as_number(level)) is not None}
    expected = refusals.one_of(column.levels)
    values = np.full(len(texts), np.nan, dtype=object)
    faults: dict[int, str] = {}
    for k, text in enumerate(texts):
        if not text and not column.required:
            continue
        number = _as_number(text)
        level = levels.get(fold(text)) or (None if number is None else numeric.get(number))
        if level is None:
            faults[k] = expected
        else:
            values[k] = level
    return Judged(as_text(values), faults)


def _as_number(text: str) -> float | None:
    try:
        return float(text) if re.fullmatch(r"[\d.]+", text) else None
    except ValueError:
        return None


def fold(text: str) -> str:
    """A label for comparison: capitals and runs of blanks put aside."""
    return " ".join(text.split()).casefold()


def _labels(cells: Cells, is_key: bool) -> Judged:
    if cells.simple and max(map(len, cells.texts), default=0) <= _LONGEST_LABEL:
        values: Any = cells.raw
        if "" in cells.texts:
            values = [text or np.nan for text in cells.texts]
        if not is_key:
            return Judged(as_text(values), {})
        folded = "\n".join(cells.texts).lower().split("\n") if cells.texts else []
        return Judged(as_text(values), {}, folded)
    faults: dict[int, str] = {}
    values = []
    for k, text in enumerate(cells.texts):
        if text[:1] == "'" and _ESCAPED.match(text):
            text = text[1:]
        if is_key and text:
            if not text.isalnum():
                text = " ".join(text.split())
                if text[0] == "=":
                    faults[k] = refusals.label_not_formula()
                elif not text.isprintable():
                    faults[k] = refusals.plain_label()
            if len(text) > _LONGEST_LABEL:
                faults[k] = refusals.short_label(_LONGEST_LABEL)
        values.append(text or np.nan)
    if not is_key:
        return Judged(as_text(values), faults)
    folded = [v.casefold() if isinstance(v, str) else "" for v in values]
    return Judged(as_text(values), faults, folded)


def as_text(values: Any) -> pd.Series:
    """Strings and NaN as pandas' text type."""
    return pd.Series(values, dtype=object).astype(schema.TEXT)
