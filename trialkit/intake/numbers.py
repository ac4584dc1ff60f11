"""Numbers as people write them, read only when one reading is possible.

A file has one decimal mark. It is known from cells that allow one reading only ("2,5" or "12.75"
or "1,234.5"). "1,234" alone could be 1234 or 1.234: where the file does not settle the mark it is
1234 in a trial in US units, as is usual there, and elsewhere what the column can hold, where that
leaves one reading; else it is refused, and so are numbers with a comma in a file that uses both
marks. Number cells of a sheet say nothing of it and are never in doubt: in a trial in SI units its
texts with a comma are a file of their own. In one in US units a comma in a sheet parts thousands.

A cell may name its unit ("35 mm", "1-3/8 in"), and lengths in inches or feet and speeds in miles
may be fractions: "1 3/8", "1-3/8", "1⅜".
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable
from typing import Literal

from trialkit import units
from trialkit.words import readings, refusals

Mark = Literal["point", "comma", "both", "unknown"]

MISSING_WORDS = frozenset({"", "na", "n/a", "nan", "-", "–", "—", "."})
"""Texts that mean "no value" in a number or date column, in lower case."""

_SPACED = re.compile(r"[+-]?\d{1,3}(?:[ \u00a0\u2009\u202f'’]\d{3})+(?:[.,]\d+)?")


def _sure(decimal: str, group: str) -> re.Pattern[str]:
    """Numbers that can only be meant with this decimal mark."""
    d, g = re.escape(decimal), re.escape(group)
    forms = (
        rf"\d*{d}\d{{1,2}}", rf"\d*{d}\d{{4,}}", rf"0*{d}\d+", rf"(?:0\d*|\d{{4,}}){d}\d+",
        rf"\d{{1,3}}(?:{g}\d{{3}})+{d}\d+", rf"\d{{1,3}}(?:{g}\d{{3}}){{2,}}",
    )  # fmt: skip
    return re.compile(rf"[+-]?(?:{'|'.join(forms)})")


_SURE_POINT, _SURE_COMMA = _sure(".", ","), _sure(",", ".")
_IN_DOUBT = re.compile(r"[+-]?\d{1,3}[.,]\d{3}")
_GROUPED = {
    "point": re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)?"),
    "comma": re.compile(r"[+-]?[1-9]\d{0,2}(?:\.\d{3})+(?:,\d+)?"),
}
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")


def decimal_mark(texts: Iterable[str]) -> Mark:
    """The decimal mark that the number cells of one file settle."""
    point = comma = False
    for text in texts:
        point = point or bool(_SURE_POINT.fullmatch(text))
        comma = comma or bool(_SURE_COMMA.fullmatch(text))
    if point and comma:
        return "both"
    return "point" if point else "comma" if comma else "unknown"


def in_doubt(text: str, mark: Mark) -> bool:
    """Whether a text that reads as a plain number ("1.234") may mean another one in this file."""
    return mark in ("comma", "both") and bool(_IN_DOUBT.fullmatch(text))


def two_readings(text: str) -> tuple[float, float] | None:
    """What a text such as "1,234" may mean: with a thousands separator, with a decimal comma."""
    if "," not in text or not _IN_DOUBT.fullmatch(text):
        return None
    return float(text.replace(",", "")), float(text.replace(",", "."))


def read_number(text: str, mark: Mark) -> float | str:
    """The number, or in words what stands against reading it."""
    if text.startswith(("=", "@")):
        return refusals.no_formula()
    plain = text.replace("−", "-")
    if _SPACED.fullmatch(plain):
        plain = re.sub(r"[^\d.,+-]", "", plain)
    if "," in plain:
        if _IN_DOUBT.fullmatch(plain) and mark not in ("point", "comma"):
            return refusals.without_doubt(text)
        if mark == "both":
            return refusals.one_decimal_mark()
    if mark == "comma":
        if _IN_DOUBT.fullmatch(plain) and "." in plain:
            return refusals.without_doubt(text)
        if _DECIMAL_COMMA.fullmatch(plain) or _GROUPED["comma"].fullmatch(plain):
            plain = plain.replace(".", "").replace(",", ".")
    elif mark == "point" and _GROUPED["point"].fullmatch(plain):
        plain = plain.replace(",", "")
    elif mark == "point" and _DECIMAL_COMMA.fullmatch(plain):
        return refusals.decimal_point(plain.replace(",", "."))
    try:
        number = float(plain) if re.fullmatch(r"[+-]?[\d.]+(?:[eE][+-]?\d+)?", plain) else math.nan
    except ValueError:
        return ""
    # 1e309 becomes infinity, which would pass every range.
    return number if math.isfinite(number) else ""


def how_written(bare: str, named: str, mark: Mark) -> list[str]:
    """What is to be said of how a number is written, its unit taken off.

    Parameters
    ----------
    bare : str
    named : str
        The unit that stood behind it; empty where there was none.
    mark : Mark
        Decimal mark of the file.
    """
    notes = [readings.units_in_cells()] if named else []
    if "/" in bare or "\u2044" in bare or _VULGAR.search(bare):
        notes.append(readings.fractions())
    parted = re.search(r"\d[ \u00a0\u2009\u202f'’]\d{3}", bare)
    if parted or ("," in bare and mark == "point") or (mark == "comma" and "." in bare):
        notes.append(readings.thousands_parted())
    elif mark == "comma" and "," in bare:
        notes.append(readings.decimal_commas())
    return notes


_WITH_UNIT = re.compile(r"([-+−]?[\d.,][^A-Za-z%°\"″”“'′’]*|[-+−]?[¼½¾⅛⅜⅝⅞])(\D.*)")
_MARKS = {"″": "in", "”": "in", "“": "in", "''": "in", "’’": "in", "′′": "in",
          "'": "ft", "′": "ft", "’": "ft"}  # fmt: skip
_VULGAR = re.compile("[¼½¾⅛⅜⅝⅞]")
_TAPE = re.compile(r"([-+]?)(?:(\d{1,4})(?:\s*[-–]\s*|\s+))?(\d{1,2})\s*/\s*(\d{1,2})")
_TAPE_PARTS = (2, 4, 8, 16, 32, 64)
_IN_FRACTIONS = ("in", "ft", "mph")
_MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
_DATED = re.compile(
    rf"\d{{4}}-\d\d?-\d\d?.*|\d\d?[-/. ](?:{_MONTHS})[a-z]*.*|(?:{_MONTHS})[a-z]*[-/. ]\d\d?.*|"
    r"\d\d?/\d\d?/\d{2,4}", re.IGNORECASE,
)  # fmt: skip


def split_unit(text: str) -> tuple[str, str]:
    """A cell's number and the unit written after it; no unit where there is none that is known."""
    match = _WITH_UNIT.fullmatch(text)
    if match is None:
        return text, ""
    unit = match[2].strip().rstrip(".")
    symbol = _MARKS.get(unit) or units.unit_symbol(unit)
    return (match[1].rstrip(), symbol) if symbol else (text, "")


def read_quantity(text: str, unit: str, mark: Mark) -> tuple[float | str, str]:
    """The number of a cell in `unit`, or what stands against reading it; and the unit it names.

    Parameters
    ----------
    text : str
    unit : str
        Symbol of the column's unit; empty where it has none.
    mark : Mark
        Decimal mark of the file.
    """
    bare, named = split_unit(text) if unit else (text, "")
    alike = units.units_like(unit) if unit else ()
    if named and named not in alike:
        return refusals.unit_among(alike), named
    number = read_number(bare, mark)
    if not isinstance(number, float) and ("m" in alike or (named or unit) == "mph"):
        number = _on_a_tape(bare, named or unit) or number
    if isinstance(number, float) and named:
        number = float(units.convert(number, named, unit))
        number = number if math.isfinite(number) else ""
    return number, named


def spelled_out(text: str) -> str:
    """A number with its fraction in figures: "1¼" as "1 1/4"."""
    plain = text.replace("−", "-")
    plain = _VULGAR.sub(lambda m: " " + unicodedata.normalize("NFKC", m[0]), plain)
    return plain.replace("\u2044", "/").strip().replace("- ", "-")


def _on_a_tape(text: str, unit: str) -> float | str:
    """A fraction of an inch or a foot as on a tape, or of a mile; empty for what is none."""
    if unit in _IN_FRACTIONS and _DATED.fullmatch(text):
        return refusals.fraction_not_date()
    match = _TAPE.fullmatch(spelled_out(text))
    if match is None:
        return ""
    sign, whole, part, parts = match[1], int(match[2] or 0), int(match[3]), int(match[4])
    if unit not in _IN_FRACTIONS:
        return refusals.decimals_in(unit)
    if not 0 < part < parts or parts not in _TAPE_PARTS:
        return refusals.tape_fraction()
    return (-1 if sign == "-" else 1) * (whole + part / parts)
