"""Typst, which sets what goes on paper: literals, a sheet of calls, and the compiler.

Text travels as string literals, so nothing a user typed is read as markup.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from trialkit.display import printable
from trialkit.ending import temporary
from trialkit.errors import ReportError
from trialkit.pages.resources import template_dir

PAPERS = {"US": "us-letter", "SI": "a4"}
_PIXEL = 0.75  # points
_MAY_BREAK = "h(0.01pt)"  # a line may end there; none at zero
_LONG_WORD = 25  # letters; what still fits half a narrow column


@dataclass(slots=True)
class Sheet:
    """Typst source of a page, with the pictures it needs by file name.

    Attributes
    ----------
    blocks : list of str
        Calls in the order of the page.
    sections : dict of str to (str, str)
        Words and pictures of every section by its first class, for templates that place them
        themselves.
    pictures : dict of str to bytes
    lettering : float
        Points that a picture's own lettering is set in at most, where it is known; a template
        that places pictures by their width leaves it without a limit.
    drawn : list of str, optional
        Where pictures are set aside for now, not in the text.
    alone : bool
        Whether a picture stands by itself in the text, and may float.
    """

    blocks: list[str] = field(default_factory=list)
    sections: dict[str, tuple[str, str]] = field(default_factory=dict)
    pictures: dict[str, bytes] = field(default_factory=dict)
    lettering: float = math.inf
    drawn: list[str] | None = None
    alone: bool = True

    def drawing(
        self, media: str, data: bytes, alt: str, width: float | None, lettering: float | None
    ) -> str:
        """The call that draws a picture of `width` pixels, and the picture itself put by."""
        name = f"picture-{len(self.pictures) + 1}.{media.removesuffix('+xml')}"
        self.pictures[name] = data
        share = min(1.0, self.lettering / lettering) if lettering else 1.0
        wide = f"{width * _PIXEL * share:.5g}pt" if width else "auto"
        return f'drawing("{name}", {wide}, {literal(alt)})'

    def figure(self, body: str, caption: str) -> list[str]:
        """A picture with its caption, set aside while pictures are."""
        call = f"{'lone-picture' if self.alone else 'picture'}({body}, {caption})"
        if self.drawn is None:
            return [call]
        self.drawn.append(call)
        return []

    @contextmanager
    def in_company(self) -> Iterator[None]:
        """Pictures made meanwhile stand beside something and stay where they are."""
        before, self.alone = self.alone, False
        yield
        self.alone = before

    @contextmanager
    def apart(self, label: str, words: list[str]) -> Iterator[None]:
        """Keep a section's `words`, which are filled meanwhile, and its pictures apart."""
        files, outer = dict(self.pictures), self.drawn
        self.drawn = []
        yield
        self.sections[label] = ("; ".join(words), "; ".join(self.drawn))
        self.drawn = outer
        # The same pictures get the same names when the section is written in its place.
        self.pictures = files


@dataclass(slots=True)
class Cell:
    """A cell of a table where it stands; `number` where what it holds is one, None where that
    says nothing of its column."""

    x: int
    y: int
    content: str
    number: bool | None
    wide: int = 1
    high: int = 1


def data_table(caption: str, n_head: int, n_rows: int, cells: list[Cell]) -> list[str]:
    """A table, its cells row by row; the first `n_head` rows are its head."""
    if not cells:
        return [f'paragraph("", {caption})'] if caption != '""' else []
    calls = [
        f"table.cell(x: {c.x}, y: {c.y}, colspan: {c.wide}, rowspan: {c.high}, {c.content})"
        for c in cells
    ]
    numeric: dict[int, bool] = {}
    for c in cells:
        if c.y >= n_head and c.number is not None:
            numeric[c.x] = numeric.get(c.x, True) and c.number
    width = max(c.x + c.wide for c in cells)
    # Numbers stand to the right, words to the left.
    sides = ", ".join("right" if numeric.get(x) else "left" for x in range(width))
    in_head = sum(c.y < n_head for c in cells)
    head, body = array(calls[:in_head]), array(calls[in_head:])
    return [f"data-table({caption}, {n_head}, {n_rows}, ({sides},), {head}, {body})"]


def array(parts: list[str]) -> str:
    return f"({', '.join(parts)},)" if parts else "()"


def braced(parts: list[str]) -> str:
    return f"{{ {'; '.join(parts)} }}" if parts else '""'


def joined(parts: list[str]) -> str:
    parts = [part for part in parts if part != '""']
    return f"{{ {'; '.join(parts)} }}" if len(parts) > 1 else (parts[0] if parts else '""')


def words(text: str) -> str:
    """A run of text; a word longer than a narrow column may be broken anywhere, and nothing is
    added to it: who copies it gets the word."""
    parts: list[str] = []
    for piece in re.split(rf"(\S{{{_LONG_WORD},}})", text):
        if len(piece) < _LONG_WORD or re.search(r"\s", piece):
            parts.append(literal(piece))
            continue
        for i, letters in enumerate(_chunks(piece)):
            parts += [_MAY_BREAK, literal(letters)] if i else [literal(letters)]
    return joined(parts)


def _chunks(word: str, size: int = 6) -> Iterable[str]:
    """A word in pieces; marks stay with the letter they stand on."""
    start = 0
    for i, letter in enumerate(word):
        mark = unicodedata.category(letter) in ("Mn", "Mc", "Me", "Cf", "Sk")
        if i - start >= size and not mark and word[i - 1] != "\N{ZERO WIDTH JOINER}":
            yield word[start:i]
            start = i
    yield word[start:]


def literal(text: str, keep: bool = False) -> str:
    """A Typst string literal; runs of white space are one space unless kept.

    What no text may hold (`trialkit.display.UNSEEN`) becomes U+FFFD.
    """
    if not keep:
        text = re.sub(r"[ \t\r\n\f]+", " ", text)
    text = printable(text)
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def is_number(text: str) -> bool:
    return bool(re.fullmatch(r"\s*[<>~+\-\N{MINUS SIGN}]?[\d.,\s\N{NO-BREAK SPACE}]*"
                             r"(?:[\d.]\s*%?|to.*|\(.*\))?\s*", text))  # fmt: skip


def compile_pdf(
    sheet: Sheet, template: str, *, title: str, paper: str = "us-letter",
    fields: Mapping[str, str] | None = None,
) -> bytes:  # fmt: skip
    """Set a sheet with one of the templates.

    Parameters
    ----------
    sheet : Sheet
    template : str
        Name of a file under ``templates/print``.
    title : str
        Of the document.
    paper : str
        ``"us-letter"`` or ``"a4"``.
    fields : mapping of str to str, optional
        More that the template asks for.

    Returns
    -------
    bytes
        The PDF, fonts embedded.

    Raises
    ------
    ReportError
        When Typst refuses the page; the message gives its reason.
    """
    known = {"title": title, "paper": paper, **(fields or {})}
    info = ", ".join(f"{key}: {literal(value)}" for key, value in known.items())
    parts = ", ".join(
        f"{literal(k)}: (words: {{ {told} }}, picture: {{ {drawn} }})"
        for k, (told, drawn) in sheet.sections.items()
    )
    source = (
        '#import "base.typ": *\n'
        f'#import "{template}.typ": layout\n'
        f"#layout(({info}), {{ {'; '.join(sheet.blocks)} }}, ({parts or ':'}))\n"
    )
    return typeset(source, sheet.pictures)


def typeset(source: str, files: Mapping[str, bytes], form: Literal["pdf", "png"] = "pdf") -> Any:
    """Set a page that may import the templates and read files beside it.

    Parameters
    ----------
    source : str
        Typst source of ours; what a user typed is in it as string literals, or in `files`.
    files : mapping of name to bytes
        Pictures and data.
    form : {"pdf", "png"}
        The PDF, fonts embedded; or every page as a picture of 144 dots per inch.

    Returns
    -------
    bytes, or list of bytes for pages as pictures

    Raises
    ------
    ReportError
        When Typst refuses the page; the message gives its reason.
    """
    import matplotlib as mpl
    import typst

    with temporary() as root:
        for path in (template_dir() / "print").glob("*.typ"):
            (root / path.name).write_bytes(path.read_bytes())
        for name, data in files.items():
            (root / name).write_bytes(data)
        (root / "page.typ").write_text(source, encoding="utf-8")
        try:
            made = typst.compile(
                str(root / "page.typ"), root=str(root), ignore_system_fonts=True, format=form,
                font_paths=[str(Path(mpl.get_data_path()) / "fonts" / "ttf")],
            )  # fmt: skip
        except Exception as error:
            raise ReportError(f"The page could not be set for paper: {error}") from error
    return [made] if form == "png" and isinstance(made, bytes) else made
