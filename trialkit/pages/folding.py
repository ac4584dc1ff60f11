"""Text as a name is looked for in it: without case, accents and what is not seen."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import NamedTuple

# Scripts that are written without spaces between words: every letter is a word. Hangul comes as
# its parts here (NFKD), to which particles are joined.
UNSPACED = "\u1100-\u11ff\u3040-\u30ff\u3400-\u4dbf\u4e00-\u9fff\U00020000-\U0003ffff"
_TOKEN = re.compile(rf"[{UNSPACED}]|[^\W\d_{UNSPACED}]+|\d+")
_MARKS = "['`\u00b4\u02b9\u02bb\u02bc\u2018\u2019\u2032\uff07]"
_APOSTROPHE = re.compile(rf"(?<=\w){_MARKS}(?=\w\w)")
_COMPOUND = re.compile(rf"\w+(?:{_MARKS}\w\w+)+")
_PARTS = re.compile(r"(?<=[^\W\d_])(?=[A-Z][a-z])|(?i:(?<=\bmc)(?=[^\W\d_]))")
_LONG = re.compile(r"[^\W\d_]{6,}")
_TWO_LETTERS = re.compile(r"(?i)([ao]|(?<!q)u)e(?=\w)")
_UMLAUTS = str.maketrans({
    "\u00e4": "ae", "\u00f6": "oe", "\u00fc": "ue", "\u00c4": "Ae", "\u00d6": "Oe",
    "\u00dc": "Ue", "\u00f8": "oe", "\u00d8": "Oe", "\u00e5": "aa", "\u00c5": "Aa",
})  # fmt: skip
# Letters that no decomposition takes apart, as people write them without.
_PLAIN = {
    "\u00f8": "o", "\u0142": "l", "\u0111": "d", "\u00e6": "ae", "\u0153": "oe", "\u0131": "i",
}  # fmt: skip


class Token(NamedTuple):
    """A word or a number of a text, folded, with where it stands in the text itself."""

    text: str
    start: int
    end: int


def tokens(text: str) -> list[Token]:
    """Words and numbers of a text, folded, in their order.

    Case, accents (composed or not), soft hyphens and joiners make no difference; letters and digits
    are taken apart, so that "Oak_2" is a word and a number.
    """
    if text.isascii():
        return [Token(m[0], m.start(), m.end()) for m in _TOKEN.finditer(text.lower())]
    pieces, places = [], []
    for i, character in enumerate(text):
        folded = _folded(character)
        pieces.append(folded)
        places += [i] * len(folded)
    places.append(len(text))
    flat = "".join(pieces)
    return [Token(m[0], places[m.start()], _end(text, places[m.end() - 1]))
            for m in _TOKEN.finditer(flat)]  # fmt: skip


def _end(text: str, last: int) -> int:
    """Behind a character and the marks that belong to it."""
    end = last + 1
    while end < len(text) and unicodedata.combining(text[end]):
        end += 1
    return end


@lru_cache(maxsize=2**16)
def words_of(text: str) -> tuple[str, ...]:
    """Words and numbers of a text, folded."""
    return tuple(token.text for token in tokens(text))


def unspaced(text: str) -> list[str]:
    """Runs of two letters and more in scripts without spaces."""
    return re.findall(f"[{UNSPACED}]{{2,}}", unicodedata.normalize("NFKD", text))


def compounds(text: str) -> list[tuple[str, ...]]:
    """Words of a text that an apostrophe parts, "O'Brien", folded part by part; no possessives."""
    found = _COMPOUND.findall(unicodedata.normalize("NFC", text))
    return [words for words in map(words_of, found) if len(words) > 1]


@lru_cache(maxsize=2**16)
def spellings(text: str, parted: bool = True) -> tuple[tuple[str, ...], ...]:
    """Words of a name, folded, as it is written and as people write it too: "OBrien" for "O'Brien",
    "Mueller" for "M\u00fcller" and the other way; with `parted`, "Mc Donald" for "McDonald"."""
    out = [unicodedata.normalize("NFC", text)]
    for change in (_joined, _two_letters, _one_letter, *([_parted] if parted else [])):
        out += [told for told in map(change, out) if told not in out]
    return tuple(dict.fromkeys(map(words_of, out)))


def _joined(text: str) -> str:
    return _APOSTROPHE.sub("", text)


def _two_letters(text: str) -> str:
    return text.translate(_UMLAUTS)


def _one_letter(text: str) -> str:
    """Of long words alone: of "Baer" it would be a word of another meaning."""
    return _LONG.sub(lambda found: _TWO_LETTERS.sub(r"\1", found[0]), text)


def _parted(text: str) -> str:
    return _PARTS.sub(" ", text)


@lru_cache(maxsize=4096)
def _folded(character: str) -> str:
    apart = unicodedata.normalize("NFKD", character).casefold()
    return "".join(
        _PLAIN.get(c, c) for c in apart if unicodedata.category(c) not in ("Mn", "Cf")
    )
