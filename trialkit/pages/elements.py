"""What a page is made of: plain records that know nothing of HTML or of paper.

A part of a page yields elements; `html` and `paper` write the same ones, each with its own rules of
escaping. All text in them is plain: what a user typed stands as it is.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from trialkit.plots import Plot


# ---------------------------------------------------------------- runs of text
@dataclass(frozen=True, slots=True)
class Marked:
    """A run of text that is set apart: "strong", "emph", "code", "sub" or "sup"; "paper" for
    paper alone."""

    text: str
    how: Literal["strong", "emph", "code", "sub", "sup", "paper"] = "strong"


@dataclass(frozen=True, slots=True)
class Link:
    """Text that leads to an address, or to a place on the page ("#name", on a screen alone)."""

    text: str
    target: str


@dataclass(frozen=True, slots=True)
class Formula:
    """Mathematics in LaTeX for the screen and in Typst for paper; `aloud` is what is read for it.

    `labels` are plain texts that stand for the marks LABELq0q, LABELq1q, ... of the LaTeX. Alone
    it takes a line of its own, among `Words` it stands in the line.
    """

    latex: str
    typst: str
    aloud: str
    labels: tuple[str, ...] = ()


Words = str | tuple["str | Marked | Link | Formula", ...]


# ---------------------------------------------------------------- blocks
@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; `key` is the place that links and sections refer to."""

    words: Words
    level: int = 2
    key: str = ""


@dataclass(frozen=True, slots=True)
class Sentence:
    """A paragraph of its `kind`: "extent" (how large), "grade" (how sure), "kicker", "quiet",
    "finding", "record", "defer", "screen" or "paper" (there alone), or "" for running text."""

    words: Words
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Item:
    """An item of a list that holds more than words."""

    elements: tuple[Element, ...]


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list; `kind` "decide" is the few lines to decide by."""

    items: tuple[Words | Item, ...]
    kind: str = ""
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table; the first cell of a row names it.

    Attributes
    ----------
    caption : str
    head : tuple of str
    rows : tuple of tuple
        Of the length of `head` each.
    mine : tuple of bool
        Rows that are the reader's own; empty where none is.
    kind : str
        "paper" or "screen": there alone. "cards": on a telephone each row is a card, its cells
        under the names of their columns. Otherwise a class for a page's own style.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Words, ...], ...]
    mine: tuple[bool, ...] = ()
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing in base64 with what it shows in words.

    Attributes
    ----------
    media : str
        "svg+xml", "png", "jpeg".
    data, alt : str
    width, height : int
        Pixels of 1/96 inch.
    lettering : float
        Points of its own text.
    """

    media: str
    data: str
    alt: str
    width: int
    height: int
    lettering: float

    @classmethod
    def of(cls, plot: Plot) -> Picture:
        """A plot as it stands now."""
        width, height = (round(float(inches) * 96) for inches in plot.get_size_inches())
        data = base64.b64encode(plot.svg().encode()).decode()
        return cls("svg+xml", data, plot.alt_text, width, height, plot.lettering)


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture with its caption."""

    picture: Picture
    caption: Words = ""


@dataclass(frozen=True, slots=True)
class Beside:
    """A figure and the words that belong to it, side by side where there is room."""

    figure: Figure
    words: tuple[Element, ...]


@dataclass(frozen=True, slots=True)
class Abreast:
    """Elements two and two abreast where there is room."""

    elements: tuple[Element, ...]
    kind: str = "figures"


@dataclass(frozen=True, slots=True)
class Section:
    """A section of a page; `key` tells it from others of its name."""

    name: str
    title: Words
    elements: tuple[Element, ...]
    key: str = ""
    level: int = 2


@dataclass(frozen=True, slots=True)
class Group:
    """Elements that belong together without a heading of their own.

    `role` is "header" for a page's head, "footer" for its foot, "nav" for links to its parts (on a
    screen alone; its first heading names it), "section" or "div". What is named "afloat" may stand
    at the head or the foot of a sheet of paper, and what follows fills the room before it.
    """

    name: str
    elements: tuple[Element, ...]
    role: Literal["header", "footer", "nav", "section", "div"] = "div"


@dataclass(frozen=True, slots=True)
class Folded:
    """What a reader opens who wants it; on paper it stands open."""

    summary: Words | Heading
    elements: tuple[Element, ...]
    kind: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class File:
    """A file inside the page for a reader to save, with words on it and beside it."""

    name: str
    media: str
    data: str
    words: str
    beside: str = ""


@dataclass(frozen=True, slots=True)
class Files:
    """Files to save, on a screen alone."""

    files: tuple[File, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """A control with a few values to choose from, each with its words."""

    name: str
    label: str
    options: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Number:
    """A control for a number, in the reader's own unit."""

    name: str
    label: str
    value: float
    above_zero: bool

    @property
    def text(self) -> str:
        """The number it starts from."""
        return f"{self.value:.9g}"


@dataclass(frozen=True, slots=True)
class Form:
    """Controls, figures as text by name, and the data from which a page's script works them out.

    On paper `figures` stand as a table under `caption`, `head` and the rows' own names.
    """

    name: str
    legend: str
    reset: str
    controls: tuple[Choice | Number, ...]
    figures: tuple[tuple[str, tuple[str, str, str]], ...]
    data: Any
    table: Table


@dataclass(frozen=True, slots=True)
class Code:
    """Lines of a language for computers as they stand; `about` says what they are."""

    text: str
    about: str


@dataclass(frozen=True, slots=True)
class Html:
    """What a cell of a user's own showed, as it stands."""

    text: str


Element = (
    Heading | Sentence | Bullets | Table | Figure | Formula | Beside | Abreast | Section | Group
    | Folded | Files | Form | Code | Html
)  # fmt: skip


# ---------------------------------------------------------------- made shortly
def bullets(items: Iterable[Words], kind: str = "") -> Bullets:
    """A list of plain items."""
    return Bullets(tuple(items), kind)


def table(
    caption: str, head: Sequence[str], rows: Iterable[Sequence[Words]], mine: Sequence[bool] = ()
) -> Table:
    """A table of plain text."""
    return Table(caption, tuple(head), tuple(map(tuple, rows)), tuple(mine))


def figure(plot: Plot, caption: Words) -> Figure:
    """A plot with its caption."""
    return Figure(Picture.of(plot), caption)


def folded(summary: str, *elements: Element) -> Folded:
    """Elements a reader may open."""
    return Folded(summary, elements)


def screen(*elements: Element) -> Group:
    """Elements for a screen alone."""
    return Group("screen", elements)


# ---------------------------------------------------------------- looked through
def plain(words: Words) -> str:
    """Words without their marks."""
    if isinstance(words, str):
        return words
    return "".join(
        run if isinstance(run, str) else run.aloud if isinstance(run, Formula) else run.text
        for run in words
    )


def inside(element: Element) -> tuple[Element, ...]:
    """Elements that stand inside one."""
    if isinstance(element, (Section, Group, Folded, Abreast)):
        return element.elements
    if isinstance(element, Beside):
        return (element.figure, *element.words)
    return ()


def every(elements: Iterable[Element]) -> Iterable[Element]:
    """All elements, those inside others too, in reading order."""
    for element in elements:
        yield element
        yield from every(inside(element))


def tables(elements: Iterable[Element]) -> list[Table]:
    """All tables in reading order."""
    return [element for element in every(elements) if isinstance(element, Table)]


# A line that could break between a whole inch and its eighths: "1-1/8".
_FRACTION = re.compile(r"(?<=\d)-(?=\d+/\d)")


def whole(text: str) -> str:
    """Text whose "1-1/8 in" no line breaks."""
    return _FRACTION.sub("\N{NON-BREAKING HYPHEN}", text)


# ---------------------------------------------------------------- as JSON
_KINDS = {
    kind.__name__: kind
    for kind in (Marked, Link, Formula, Heading, Sentence, Item, Bullets, Table, Picture, Figure,
                 Beside, Abreast, Section, Group, Folded, File, Files, Choice, Number, Form,
                 Code, Html)
}  # fmt: skip
MEDIA = "application/vnd.trialkit.elements+json"
"""Under which a notebook's cell shows elements beside their HTML."""


def as_json(value: Any) -> Any:
    """Elements as what JSON holds: lists for tuples, records by their kind."""
    if is_dataclass(value):
        named = {f.name: as_json(getattr(value, f.name)) for f in fields(value)}
        return {"is": type(value).__name__, **named}
    if isinstance(value, (tuple, list)):
        return [as_json(v) for v in value]
    return {"data": value} if isinstance(value, Mapping) else value


def from_json(value: Any) -> Any:
    """What `as_json` made of elements, as they were."""
    if isinstance(value, list):
        return tuple(from_json(v) for v in value)
    if not isinstance(value, dict):
        return value
    if "is" not in value:
        return value["data"]
    given = {name: from_json(v) for name, v in value.items() if name != "is"}
    return _KINDS[value["is"]](**given)


def with_elements(element: Element, elements: Iterable[Element]) -> Element:
    """An element with others inside it."""
    found = tuple(elements)
    if isinstance(element, (Section, Group, Folded, Abreast)):
        return replace(element, elements=found)
    if isinstance(element, Beside):
        first, *rest = found
        assert isinstance(first, Figure)
        return Beside(first, tuple(rest))
    return element
