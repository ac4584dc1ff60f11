"""Parts of pages: functions of a page's context that yield elements, each registered once."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from typing import Any

from trialkit.errors import ReportError
from trialkit.pages.elements import MEDIA, Element, Section, Sentence, as_json
from trialkit.pages.html import html

Need = Callable[[Any], str]
"""What a part cannot do without: why it is not there, in a sentence, or ""; takes the context."""
Make = Callable[[Any], Iterable[Element]]
"""From the context of a trial (`context`) or of many (`seasons.context`) to elements."""
MANY = "seasons"
"""The folder of parts over many trials, which begins their names: "seasons.head.headline"."""
_PARTS: dict[str, Part] = {}


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a page.

    Attributes
    ----------
    name : str
        File under `trialkit.pages.parts` and function: "effect.headline"; or `MANY`, file under
        it and function.
    make : callable
        From a context to elements.
    section : str
        Name of the section they stand in; "" where they stand alone.
    title : str or callable
        Of the section; a function of the context where it depends on the trial.
    needs : tuple of callable
        What must be there; the first reason that it is not takes the elements' place.
    """

    name: str
    make: Make
    section: str = ""
    title: str | Callable[[Any], str] = ""
    needs: tuple[Need, ...] = ()

    def elements(self, context: Any) -> tuple[Element, ...]:
        """The part of a page, from its context."""
        lacking = next(filter(None, (need(context) for need in self.needs)), "")
        inside = (Sentence(lacking),) if lacking else tuple(self.make(context))
        if not self.section:
            return inside
        title = self.title if isinstance(self.title, str) else self.title(context)
        return (Section(self.section, title, inside),)

    @property
    def about(self) -> str:
        """Its one line of description."""
        return (inspect.getdoc(self.make) or "").partition("\n")[0]


def part(
    section: str = "", title: str | Callable[[Any], str] = "", needs: Iterable[Need] = (),
    name: str = "",
) -> Callable[[Make], Make]:  # fmt: skip
    """Register a function as a part.

    Parameters
    ----------
    section, title, needs
        As in `Part`.
    name : str, optional
        By default the last piece of the function's module (`MANY` before it), and its name.

    Raises
    ------
    ReportError
        When another part has the name.
    """

    def register(make: Make) -> Make:
        room, _, file = make.__module__.rpartition(".")
        many = f"{MANY}." if room.endswith(f".{MANY}") else ""
        known = name or f"{many}{file}.{make.__name__}"
        other = _PARTS.get(known)
        if other is not None and other.make.__module__ != make.__module__:
            raise ReportError(f"There is a part {known!r} already, in {other.make.__module__}.")
        _PARTS[known] = Part(known, make, section, title, tuple(needs))
        return make

    return register


def find(name: str) -> Part:
    """The part of a name.

    Raises
    ------
    ReportError
        When there is none.
    """
    room = name.rpartition(".")[0]
    module = f"trialkit.pages.{'' if room.startswith(f'{MANY}.') else 'parts.'}{room}"
    if name not in _PARTS and find_spec(module) is not None:
        import_module(module)
    if name not in _PARTS:
        raise ReportError(f"There is no part {name!r}.")
    return _PARTS[name]


@dataclass(frozen=True, slots=True)
class Shown:
    """Elements at the end of a notebook's cell: HTML to look at, and themselves for paper."""

    elements: tuple[Element, ...]

    @property
    def html(self) -> str:
        """As HTML."""
        return html(self.elements)

    def _repr_html_(self) -> str:
        return self.html

    def _repr_mimebundle_(self, **how: Any) -> dict[str, Any]:
        return {"text/html": self.html, MEDIA: as_json(self.elements)}
