"""Parts of pages: functions of a page's context that yield elements, each registered once."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from typing import Any

from trialkit.errors import ReportError
from trialkit.pages.context import Context
from trialkit.pages.elements import MEDIA, Element, Section, Sentence, as_json
from trialkit.pages.html import html

Need = Callable[[Context], str]
"""What a part cannot do without: why it is not there, in a sentence, or ""."""
Make = Callable[[Context], Iterable[Element]]
_PARTS: dict[str, Part] = {}


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a page.

    Attributes
    ----------
    name : str
        File under `trialkit.pages.parts` and function: "effect.headline".
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
    title: str | Callable[[Context], str] = ""
    needs: tuple[Need, ...] = ()

    def elements(self, context: Context) -> tuple[Element, ...]:
        """The part of one trial's page."""
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
    section: str = "", title: str | Callable[[Context], str] = "", needs: Iterable[Need] = (),
    name: str = "",
) -> Callable[[Make], Make]:  # fmt: skip
    """Register a function as a part.

    Parameters
    ----------
    section, title, needs
        As in `Part`.
    name : str, optional
        By default the last piece of the function's module, and its name.

    Raises
    ------
    ReportError
        When another part has the name.
    """

    def register(make: Make) -> Make:
        known = name or f"{make.__module__.rpartition('.')[2]}.{make.__name__}"
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
    module = f"trialkit.pages.parts.{name.partition('.')[0]}"
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
