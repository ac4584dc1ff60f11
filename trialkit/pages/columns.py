"""Sections side by side on a wide screen: two columns shared out so that neither ends far above
the other, as the handout's template does on paper."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import groupby

from trialkit.pages.elements import (
    Abreast,
    Beside,
    Bullets,
    Element,
    Figure,
    Folded,
    Group,
    Heading,
    Item,
    Section,
    Sentence,
    Table,
    inside,
    plain,
)

Piece = tuple[Element, ...]
_LINE = 1.6  # rem
_LETTERS = 46.0  # of running text in a line
_WIDTH = 28.0  # rem; of a column


def in_columns(pieces: Iterable[Piece], names: Sequence[str]) -> list[Piece]:
    """Pieces of a page; those in a row whose section is one of `names` stand in two columns."""
    out: list[Piece] = []
    for abreast, run in groupby(pieces, lambda piece: _named(piece, names)):
        found = list(run)
        out += [_shared(found)] if abreast and len(found) > 1 else found
    return out


def _named(piece: Piece, names: Sequence[str]) -> bool:
    return len(piece) == 1 and isinstance(piece[0], Section) and piece[0].name in names


def _shared(pieces: Sequence[Piece]) -> Piece:
    """The first piece stays on the left; order is kept within each column."""
    heights = [height(piece) for piece in pieces]

    def tallest(right: int) -> float:
        sides = [0.0, 0.0]
        for i, high in enumerate(heights):
            sides[right >> i & 1] += high
        return max(sides)

    best = min(range(2, 2 ** len(pieces), 2), key=tallest)
    columns = (
        Group("column", tuple(e for i, p in enumerate(pieces) if best >> i & 1 == side for e in p))
        for side in (0, 1)
    )
    return (Abreast(tuple(columns), "columns"),)


def height(elements: Iterable[Element]) -> float:
    """About how high elements stand in a column of a wide screen, in rem."""
    return math.fsum(map(_height, elements))


def _height(element: Element) -> float:
    match element:
        case Sentence():
            larger = 1.25 if element.kind == "extent" else 1.0
            return _lines(plain(element.words), larger) + 0.7
        case Heading():
            return 3.0
        case Bullets():
            return 0.9 + math.fsum(
                height(i.elements) if isinstance(i, Item) else _lines(plain(i)) + 0.35
                for i in element.items
            )
        case Table():
            return 2.5 + 2.0 * len(element.rows)
        case Figure(picture, caption):
            return _WIDTH * picture.height / picture.width + _lines(plain(caption), 0.9) + 1.5
        case Folded():
            return 2.6
        case Section() | Beside():
            return height(inside(element)) + (5.0 if isinstance(element, Section) else 0.0)
    return height(inside(element))


def _lines(text: str, size: float = 1.0) -> float:
    return _LINE * size * math.ceil(len(text) * size / _LETTERS)
