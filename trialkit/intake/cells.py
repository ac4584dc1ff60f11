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
from trialkit.intake.choices import read_choices
from trialkit.intake.config import DateOrder, TrialConfig
from trialkit.intake.dates import read_dates
from trialkit.intake.decode import DAMAGED, composed
from trialkit.intake.numbers import (
    MISSING_WORDS,
    Mark,
    how_written,
    in_doubt,
    read_quantity,
    split_unit,
    two_readings,
)
from trialkit.responses import schema
from trialkit.words import readings, refusals

# Every blank of Unicode, and two marks without width.
_BLANKS = "".join(filter(str.isspace, map(chr, range(0x3001)))) + "\u200b\ufeff"
_SIMPLE = re.compile(r"[A-Za-z0-9_./\n-]*")
_ESCAPED = re.compile(r"'+[=+\-@]")
_LONGEST_LABEL = 100
# Labels that need not be there, and are not free text.
_NAMES = ("main_strip", "header")
_SAMPLE = 1000
_LARGEST_COUNT = 2**53  # beyond it not every whole number is held


@dataclass(slots=True)
class Cells:
    """One column of text: `codes` (per row) point into `raw` and `texts` (the same, stripped).

    `simple` says that all of it is letters, digits and a few harmless signs of ASCII: then nothing
    needs stripping, unescaping or refusing for what it is made of. `typed` says that plain
    numbers come from number cells, so that the mark of none is in doubt.
    """

    codes: np.ndarray
    raw: np.ndarray
    texts: list[str]
    simple: bool
    typed: bool = False
    _numbers: np.ndarray | None = None

    @classmethod
    def from_column(cls, column: np.ndarray, typed: bool = False) -> Cells:
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
            texts = [composed(text).strip(_BLANKS) for text in texts]
        return cls(codes, raw, texts, simple, typed)

    def blank(self) -> np.ndarray:
        """Rows whose cell is empty."""
        if "" not in self.texts:
            return np.zeros(len(self.codes), bool)
        empty = np.fromiter((not text for text in self.texts), bool, len(self.texts))
        return empty[self.codes]

    def numbers(self) -> np.ndarray:
        """`texts` as numbers, NaN where they are not plainly written ones."""
        if self._numbers is None:
            texts = np.asarray(self.texts, dtype=object)
            found = np.asarray(pd.to_numeric(texts, errors="coerce"), dtype=float)
            # "inf" and 1e309 are none: they would pass every range.
            self._numbers = np.where(np.isinf(found), np.nan, found)
        return self._numbers

    def rows(self, keep: np.ndarray) -> Cells:
        """The cells of some rows."""
        return Cells(self.codes[keep], self.raw, self.texts, self.simple, self.typed)


@dataclass(slots=True)
class Judged:
    """Distinct values of a column in SI and, for those at fault, what was expected.

    `folded` are the texts that identify a key, capitals and runs of blanks put aside.
    """

    values: Any
    faults: dict[int, str]
    folded: list[str] | None = None
    notes: list[str] = field(default_factory=list)

    def lose_faults(self) -> None:
        """Values at fault become missing: the cell is lost, the rest of its row stays."""
        if not self.faults:
            return
        at = list(self.faults)
        self.values = self.values.copy()
        self.values[at] = missing_of(self.values)
        if self.folded is not None:
            self.folded = ["" if k in self.faults else text for k, text in enumerate(self.folded)]


def missing_of(values: Any) -> Any:
    """What stands for a missing value among these: NaT among dates, else NaN."""
    return np.datetime64("NaT") if getattr(values.dtype, "kind", "") == "M" else np.nan


def judge(
    cells: Cells, column: schema.Column, unit: str, mark: Mark, config: TrialConfig
) -> Judged:
    """Read and check the distinct texts of a column, given in `unit`."""
    if column.kind in ("number", "count"):
        judged = _numbers(cells, column, unit, mark)
    elif column.kind == "date":
        judged = _dates(cells.texts, config)
    elif column.levels:
        factor = next((f for f in config.setups if f.name == column.name), None)
        chosen = read_choices(cells.texts, column, factor if column.kind == "level" else None,
                              config.units)  # fmt: skip
        levels = [np.nan if level is None else level for level in chosen.levels]
        judged = Judged(as_text(levels), chosen.faults, notes=chosen.notes)
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
    if mark in ("comma", "both") and not cells.typed:
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
        if not isinstance(number, float) and mark == "unknown":
            number = _settled(text, column, unit, notes) or number
        if isinstance(number, float):
            values[k] = number
            notes += how_written(split_unit(text)[0] if unit else text, named, mark)
            if named and named != unit:
                notes.append(readings.converted(column.name, named, unit))
        else:
            # "14,0" is not asked for as 14.0 where a whole number is.
            why = "" if column.kind == "count" and mark == "point" and "," in text else number
            faults[k] = f"{expected}{', ' if why else ''}{why}"
    values, outside = _outside(values, column, unit)
    for k in np.flatnonzero(outside).tolist():
        faults[k] = expected
    return Judged(values, faults, notes=list(dict.fromkeys(notes)))


def _outside(
    values: np.ndarray, column: schema.Column, unit: str
) -> tuple[np.ndarray, np.ndarray]:
    """Values in SI, and which of them are outside what the column may hold."""
    with np.errstate(invalid="ignore", over="ignore"):
        if unit:
            values = units.convert(values, unit, column.si)
        slack = 1e-9 * np.abs(values)
        outside = (values < column.low - slack) | (values > column.high + slack)
        outside |= np.isinf(values)
        if column.kind == "count":
            outside |= (values % 1 != 0) | (np.abs(values) > _LARGEST_COUNT)
    return values, outside & ~np.isnan(values)


def _settled(text: str, column: schema.Column, unit: str, notes: list[str]) -> float | None:
    """The one reading of "1,234" that the column can hold; None where both or none can stand."""
    bare, named = split_unit(text) if unit else (text, "")
    both = two_readings(bare)
    if both is None or (named and named not in units.units_like(unit)):
        return None
    _, outside = _outside(np.asarray(both), column, named or unit)
    if outside.sum() != 1:
        return None
    which = int(outside[0])
    notes.append(readings.commas_settled(column.name, which == 1))
    return float(units.convert(both[which], named or unit, unit)) if unit else both[which]


def expected_number(column: schema.Column, unit: str) -> str:
    """What a number cell may hold, in the unit of the file."""
    low, high = column.low, column.high
    if unit:
        low, high = (float(units.convert(v, column.si, unit)) for v in (low, high))
    return refusals.within(low, high, unit, whole=column.kind == "count")


def _dates(texts: list[str], config: TrialConfig) -> Judged:
    given = [k for k, text in enumerate(texts) if text.casefold() not in MISSING_WORDS]
    usual: DateOrder | None = "month-first" if config.units == "US" else None
    moments, notes = read_dates(
        [texts[k] for k in given], config.season, config.date_order, usual
    )
    values = np.full(len(texts), np.datetime64("NaT"), dtype="datetime64[ns]")
    faults: dict[int, str] = {}
    for k, moment in zip(given, moments, strict=True):
        if isinstance(moment, datetime):
            values[k] = np.datetime64(moment, "ns")
        else:
            faults[k] = moment or refusals.date_that_exists()
    return Judged(values, faults, notes=notes)


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


def as_text(values: Any) -> Any:
    """Strings and NaN as an array of pandas' text type."""
    return pd.array(np.asarray(values, dtype=object), dtype=schema.TEXT)
