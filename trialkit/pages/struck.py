"""Names struck out of a page's elements, whatever part made them: the gate through which every
page goes. Parts put letters for names themselves, so that their sentences read well; what one of
them forgets ends here."""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from typing import Any

from trialkit.pages.elements import Html, Picture

Text = Callable[[str], str]
# What names a place, a look or a format, or holds a file that was written without names.
_NOT_TEXT = frozenset({
    "how", "target", "latex", "typst", "kind", "key", "role", "media", "data", "name",
})  # fmt: skip
_KEYED = frozenset({"options", "figures"})
_DRAWN = re.compile(r"(?<=>)[^<>]*[^<>\s][^<>]*(?=</(?:text|tspan|title|desc)\b)")


def struck(value: Any, text: Text) -> Any:
    """Elements, or anything inside one, with `text` applied to all that is read."""
    if isinstance(value, str):
        return text(value)
    if isinstance(value, tuple):
        return tuple(struck(each, text) for each in value)
    if isinstance(value, Picture):
        return replace(value, alt=text(value.alt), data=_drawing(value, text))
    if isinstance(value, Html) or not is_dataclass(value) or isinstance(value, type):
        return value
    changed = {
        f.name: struck(getattr(value, f.name), text)
        for f in fields(value) if f.name not in _NOT_TEXT
    }  # fmt: skip
    for keyed in _KEYED & changed.keys():  # by a value, or by a figure's name
        pairs = getattr(value, keyed)
        changed[keyed] = tuple((key, struck(told, text)) for key, told in pairs)
    return replace(value, **changed)


def _drawing(picture: Picture, text: Text) -> str:
    """A drawing with nothing but names changed in its lettering."""
    if not picture.media.startswith("svg"):
        return picture.data
    before = base64.b64decode(picture.data).decode()
    after = _DRAWN.sub(lambda m: _escaped(m[0], text), before)
    return picture.data if after == before else base64.b64encode(after.encode()).decode()


def _escaped(found: str, text: Text) -> str:
    plain = html.unescape(found)
    shown = text(plain)
    return found if shown == plain else html.escape(shown, quote=False)
