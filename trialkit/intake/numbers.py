"""Numbers as people write them, read only when one reading is possible.

A file has one decimal mark. It is known from cells that allow one reading only ("2,5" or "12.75"
or "1,234.5"). "1,234" alone could be 1234 or 1.234: it is refused while the file does not settle
the mark, and so are numbers with a comma in a file that uses both marks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Literal

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
    "point": re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?"),
    "comma": re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?"),
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


def read_number(text: str, mark: Mark) -> float | str:
    """The number, or in words what stands against reading it."""
    if text.startswith(("=", "@")):
        return "not a formula"
    plain = text.replace("−", "-")
    if _SPACED.fullmatch(plain):
        plain = re.sub(r"[^\d.,+-]", "", plain)
    if "," in plain:
        if _IN_DOUBT.fullmatch(plain) and mark not in ("point", "comma"):
            return f"written without doubt: {text!r} can be read as thousands or as decimals"
        if mark == "both":
            return "with one decimal mark in the whole file, which uses point and comma"
    if mark == "comma":
        if _IN_DOUBT.fullmatch(plain) and "." in plain:
            return f"written without doubt: {text!r} can be read as thousands or as decimals"
        if _DECIMAL_COMMA.fullmatch(plain) or _GROUPED["comma"].fullmatch(plain):
            plain = plain.replace(".", "").replace(",", ".")
    elif mark == "point" and _GROUPED["point"].fullmatch(plain):
        plain = plain.replace(",", "")
    try:
        return float(plain) if re.fullmatch(r"[+-]?[\d.]+(?:[eE][+-]?\d+)?", plain) else ""
    except ValueError:
        return ""
