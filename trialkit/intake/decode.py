"""Bytes of a text file to clean UTF-8 with one kind of line end.

Text that is not UTF-8 is decoded when only one reading is possible. Otherwise the readable part is
kept and what is not readable becomes U+FFFD, which the checks refuse cell by cell.
"""

from __future__ import annotations

import codecs
import re
import unicodedata

from trialkit.words import readings

DAMAGED = "\ufffd"
"""Stands where bytes could not be read."""

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
)
# Western European text: these characters make a reading as Windows-1252 believable.
_WESTERN = re.compile(r"[\x00-\x7f\u00a0-\u00ff‘’“”–—…€Œœ]*")
_UTF8_PAIR = re.compile(rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}")


def clean_utf8(raw: bytes) -> tuple[bytes, list[str]]:
    """UTF-8 without byte-order mark, lines ended by LF, no NUL; and notes on what was done."""
    for mark, encoding, name in _BYTE_ORDER_MARKS:
        if raw.startswith(mark):
            notes = [] if encoding == "utf-8" else [readings.read_as(name)]
            return _plain(raw[len(mark) :].decode(encoding, "replace"), notes)
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        return _not_utf8(raw)
    if wide := _utf16_without_mark(raw):
        return _plain(raw.decode(wide, "replace"), [readings.read_as("UTF-16")])
    if b"\r" in raw or b"\0" in raw:
        return _plain(text, [])
    return raw, []


def composed(text: str) -> str:
    """The text with letters and their accents as one character each (Unicode's form C): "ü" may
    also be written as two, which look the same."""
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def _not_utf8(raw: bytes) -> tuple[bytes, list[str]]:
    if wide := _utf16_without_mark(raw):
        return _plain(raw.decode(wide, "replace"), [readings.read_as("UTF-16")])
    if not _UTF8_PAIR.search(raw):
        try:
            text = raw.decode("cp1252")
        except UnicodeDecodeError:
            text = ""
        if text and _WESTERN.fullmatch(text):
            return _plain(text, [readings.old_encoding()])
    return _plain(raw.decode("utf-8", "replace"), [readings.unknown_encoding()])


def _utf16_without_mark(raw: bytes) -> str | None:
    """ASCII text in UTF-16 has a NUL in every other byte."""
    sample = raw[:2000]
    if len(sample) < 4 or sample.count(0) < len(sample) * 0.4:
        return None
    return "utf-16-le" if sample[1::2].count(0) > sample[::2].count(0) else "utf-16-be"


def _plain(text: str, notes: list[str]) -> tuple[bytes, list[str]]:
    text = text.replace("\r\n", "\n").replace("\r", "\n").replace("\0", DAMAGED)
    return text.encode("utf-8", "replace"), notes
