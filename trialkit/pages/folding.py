"""Text as a name is looked for in it: without case, accents and what is not seen."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import NamedTuple

_TOKEN = re.compile(r"[^\W\d_]+|\d+")
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


def words_of(text: str) -> tuple[str, ...]:
    """Words and numbers of a text, folded."""
    return tuple(token.text for token in tokens(text))


@lru_cache(maxsize=4096)
def _folded(character: str) -> str:
    apart = unicodedata.normalize("NFKD", character).casefold()
    return "".join(
        _PLAIN.get(c, c) for c in apart if unicodedata.category(c) not in ("Mn", "Cf")
    )
