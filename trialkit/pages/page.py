"""A page: the parts of a list, of one trial or of many."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from trialkit.display import escape
from trialkit.pages.context import Context
from trialkit.pages.elements import Element
from trialkit.pages.registry import Shown, find
from trialkit.pages.struck import struck
from trialkit.words import pages as words

if TYPE_CHECKING:
    from trialkit.pages.seasons.context import SeasonsContext


class Page:
    """The parts of a page, each called by the last piece of its name.

    ``page.headline()`` shows one; ``dir(page)`` and a notebook's completion list them.

    Parameters
    ----------
    parts : sequence of str
        Names of parts in reading order, such as "effect.headline".
    context : Context or SeasonsContext
        The trial, or the trials, as the parts see them.
    """

    def __init__(self, parts: Sequence[str], context: Context | SeasonsContext) -> None:
        self.context: Any = context
        self.parts = {name.rpartition(".")[2]: name for name in parts}

    def __getattr__(self, name: str) -> Callable[[], Shown]:
        parts = self.__dict__.get("parts", {})
        if name not in parts:
            raise AttributeError(f"The page has no part {name!r}; it has {', '.join(parts)}.")

        def show() -> Shown:
            return self[name]

        show.__name__, show.__doc__ = name, find(parts[name]).about
        return show

    def __getitem__(self, name: str) -> Shown:
        elements = find(self.parts[name]).elements(self.context)
        letters = self.context.letters
        return Shown(elements if letters.agreed else struck(elements, letters.text))

    def __iter__(self) -> Iterator[Shown]:
        return (self[name] for name in self.parts)

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self.parts]

    def _ipython_key_completions_(self) -> list[str]:
        return list(self.parts)

    @property
    def elements(self) -> tuple[Element, ...]:
        """All elements of the page."""
        return tuple(element for shown in self for element in shown.elements)

    def _repr_html_(self) -> str:
        """The first part, and what else can be shown, with its one line of description."""
        first, *others = self.parts
        listed = "".join(
            f"<li><code>.{name}()</code> {escape(find(self.parts[name]).about)}</li>"
            for name in others
        )
        return (
            f"<div>{self[first].html}<details><summary>{words.parts_of_page()}</summary>"
            f"<ul>{listed}</ul></details></div>"
        )
