"""What a farmer calls a thing, beside the trade's term where a page first uses that."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from trialkit.pages.elements import (
    Bullets,
    Element,
    Figure,
    Folded,
    Group,
    Html,
    Item,
    Marked,
    Sentence,
    Words,
    inside,
    with_elements,
)
from trialkit.words.glosses import GLOSSES

_PLACES = {term: re.compile(rf"\b{term}\b(?! \()", re.IGNORECASE) for term in GLOSSES}
# Where a term stands short, or is not seen at first.
_PASSED = frozenset(("details", "form", "h1", "h2", "h3", "h4", "math", "nav", "script", "style",
                     "svg", "table"))  # fmt: skip


class Glosses:
    """`GLOSSES` not yet told on a page; each is told once."""

    def __init__(self) -> None:
        self._left = dict(_PLACES)

    def text(self, text: str) -> str:
        """Running text with those that it is the first to use."""
        for term, place in list(self._left.items()):
            text, n = place.subn(rf"\g<0> ({GLOSSES[term]})", text, count=1)
            if n:
                del self._left[term]
        return text

    def in_html(self, html: str) -> str:
        """The same in HTML, its headings, tables, pictures and what is folded aside."""
        parts, passed, kicker = re.split(r"(<[^>]*>)", html), 0, False
        for i, part in enumerate(parts):
            tag = re.match(r"<(/?)(\w+)", part)
            if 'class="kicker"' in part:  # the trial's own title, to the end of its paragraph
                passed, kicker = passed + 1, True
            elif kicker and part == "</p>":
                passed, kicker = passed - 1, False
            elif tag and tag[2].lower() in _PASSED:
                passed += -1 if tag[1] else 1
            elif not tag and not passed:
                parts[i] = self.text(part)
        return "".join(parts)


def explained(pieces: Iterable[Iterable[Element]]) -> list[tuple[Element, ...]]:
    """Pieces of a page with the glosses at first use, in running text that is seen at first."""
    glosses = Glosses()
    return [tuple(_explained(element, glosses) for element in piece) for piece in pieces]


def _explained(element: Element, glosses: Glosses) -> Element:
    match element:
        case Html():
            return Html(glosses.in_html(element.text))
        case Folded() | Group(role="nav"):
            return element
        case Sentence():
            if element.kind == "kicker":  # the trial's own title
                return element
            return replace(element, words=_words(element.words, glosses))
        case Bullets():
            return replace(element, items=tuple(_item(item, glosses) for item in element.items))
        case Figure():
            return replace(element, caption=_words(element.caption, glosses))
    within = inside(element)
    if not within:
        return element
    return with_elements(element, (_explained(each, glosses) for each in within))


def _item(item: Words | Item, glosses: Glosses) -> Words | Item:
    if isinstance(item, Item):
        return Item(tuple(_explained(each, glosses) for each in item.elements))
    return _words(item, glosses)


def _words(words: Words, glosses: Glosses) -> Words:
    if isinstance(words, str):
        return glosses.text(words)
    return tuple(
        glosses.text(run) if isinstance(run, str)
        else replace(run, text=glosses.text(run.text)) if isinstance(run, Marked)
        else run
        for run in words
    )  # fmt: skip
