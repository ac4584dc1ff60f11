"""Pages on paper: the HTML a report's notebook made, set by Typst.

The notebook stays the one source of a report: whatever its cells show as HTML (our fragments,
tables of a data frame, pictures) is walked element by element and written as calls of a few Typst
functions, which the templates under ``templates/print`` style. Text travels as string literals, so
nothing a user typed is read as markup. What only works on a screen (scripts, controls, class
``screen``) is left out; class ``paper`` is for paper alone.
"""

from __future__ import annotations

import base64
import binascii
import math
import re
import tempfile
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import unquote_to_bytes

from trialkit.errors import ReportError
from trialkit.report.resources import template_dir

if TYPE_CHECKING:
    from bs4 import Tag

PAPERS = {"US": "us-letter", "SI": "a4"}
_SCREEN_ONLY = {"script", "style", "button", "input", "select", "textarea", "form", "template",
                "noscript", "svg", "canvas", "iframe"}  # fmt: skip
_INLINE = {"strong": "strong", "b": "strong", "em": "emph", "i": "emph", "sub": "sub",
           "sup": "super", "code": "mono", "u": "underline"}  # fmt: skip
_PLAIN = {"span", "label", "abbr", "small", "time", "output", "kbd", "samp", "var", "cite", "q",
          "mark", "dfn", "bdi", "data", "del", "s", "ins"}  # fmt: skip
_PIXEL = 0.75  # points
_MAY_BREAK = "h(0.01pt)"  # a line may end there; none at zero
_LONG_WORD = 25  # letters; what still fits half a narrow column
_FORBIDDEN = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]"
)


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
    """

    blocks: list[str] = field(default_factory=list)
    sections: dict[str, tuple[str, str]] = field(default_factory=dict)
    pictures: dict[str, bytes] = field(default_factory=dict)
    lettering: float = math.inf
    _drawn: list[str] | None = None  # set aside here, not in the text, while a list

    def add(self, html: str) -> None:
        """Append what one cell showed."""
        from bs4 import BeautifulSoup

        self.blocks += self._blocks(BeautifulSoup(html, "html.parser"))

    # ------------------------------------------------------------ elements
    def _blocks(self, parent: Tag) -> list[str]:
        """Block-level calls for the children of an element; loose text makes paragraphs."""
        out: list[str] = []
        loose: list[str] = []

        def close() -> None:
            if any(part.strip('" ') for part in loose):
                out.append(f'paragraph("", {_joined(loose)})')
            loose.clear()

        for child in parent.children:
            inline = self._inline(child)
            if inline is not None:
                loose.append(inline)
                continue
            close()
            out += self._block(child)
        close()
        return out

    def _block(self, tag: Any) -> list[str]:
        name, kinds = tag.name, tag.get("class") or []
        if _left_out(tag):
            return []
        if "data-typst" in tag.attrs:  # a formula of ours
            return [f"formula({_formula(tag)})"]
        if name in ("h1", "h2", "h3", "h4", "h5", "h6"):
            return [f"heading(level: {name[1]}, {self._content(tag)})"]
        if name == "p":
            return [f"paragraph({_text(' '.join(kinds))}, {self._content(tag)})"]
        if name in ("ul", "ol"):
            items = [_braced(self._blocks(li)) for li in tag.find_all("li", recursive=False)]
            return [f"{'list' if name == 'ul' else 'enum'}({', '.join(items)})"] if items else []
        if name == "dl":
            return list(self._terms(tag))
        if name == "table":
            return self._table(tag)
        if name == "figure":
            caption = tag.find("figcaption")
            words = self._content(caption) if caption else '""'
            if caption:
                caption.extract()
            call = f"picture({_braced(self._blocks(tag))}, {words})"
            if caption:
                tag.append(caption)  # an element is read twice where its section is set aside
            if self._drawn is None:
                return [call]
            self._drawn.append(call)
            return []
        if name == "img":
            return self._image(tag)
        if name == "pre":
            return [f"raw(block: true, {_text(tag.get_text(), keep=True)})"]
        if name == "details":
            return self._blocks(tag)
        if name == "summary" and tag.find(re.compile("^h[1-6]$")) is not None:
            return self._blocks(tag)
        if name == "summary":
            return [f'paragraph("summary", {self._content(tag)})']
        if name in ("section", "header", "footer") and kinds:
            self._set_aside(kinds[0], tag)
        if name == "div" and "figures" in kinds and self._drawn is None:  # two and two abreast
            cells = [_braced(self._block(child)) for child in tag.find_all(True, recursive=False)]
            return [f"beside(({', '.join(cells)},))"] if cells else []
        if name == "div" and "pair" in kinds and self._drawn is None:
            cells = [_braced(self._block(child)) for child in tag.find_all(True, recursive=False)]
            return [f"abreast(({', '.join(cells)},))"] if cells else []
        inside = self._blocks(tag)
        if name in ("div", "section", "header", "footer") and kinds and inside:
            return [f"part({_text(kinds[0])}, {_braced(inside)})"]
        return inside

    def _set_aside(self, label: str, tag: Tag) -> None:
        """Keep a section's words and its pictures apart."""
        files, outer = dict(self.pictures), self._drawn
        self._drawn = []
        words = "; ".join(self._blocks(tag))
        self.sections[label] = (words, "; ".join(self._drawn))
        self._drawn = outer
        # The same pictures get the same names when the section is written in its place.
        self.pictures = files

    def _inline(self, node: Any) -> str | None:
        """A run of text as an expression, or None for a block."""
        from bs4 import Comment, NavigableString

        if isinstance(node, Comment):
            return '""'
        if isinstance(node, NavigableString):
            return _words(str(node))
        if _left_out(node):
            return '""'
        if node.name == "span" and node.has_attr("data-typst"):
            return f"inline-formula({_formula(node)})"
        if node.name == "br":
            return "linebreak()"
        if node.name in _INLINE:
            return f"{_INLINE[node.name]}({self._content(node)})"
        if node.name == "a":
            target = str(node.get("href", ""))
            if target.startswith(("http://", "https://", "mailto:")):
                return f"link({_text(target)}, {self._content(node)})"
            return self._content(node)
        if node.name in _PLAIN:
            return self._content(node)
        return None

    def _content(self, tag: Tag) -> str:
        """What stands in a cell, a caption or a run of text; blocks there stay blocks."""
        parts: list[str] = []
        for child in tag.children:
            inline = self._inline(child)
            parts += self._block(child) if inline is None else [inline]
        return _joined(parts)

    def _terms(self, tag: Tag) -> Iterable[str]:
        entries: list[tuple[str, list[str]]] = []
        for child in tag.find_all(["dt", "dd"]):
            if child.find_parent("dl") is not tag:
                continue
            if child.name == "dt" or not entries:
                entries.append((self._content(child) if child.name == "dt" else '""', []))
            if child.name == "dd":
                entries[-1][1].extend(self._blocks(child))
        for term, blocks in entries:
            yield f"terms.item({term}, {_braced(blocks)})"

    def _table(self, tag: Tag) -> list[str]:
        caption = tag.find("caption")
        words = self._content(caption) if caption else '""'
        rows = [row for row in tag.find_all("tr") if row.find_parent("table") is tag]
        # Rows of the head first, as Typst repeats them on every page.
        rows.sort(key=lambda row: row.parent is None or row.parent.name != "thead")
        n_head = sum(row.parent is not None and row.parent.name == "thead" for row in rows)
        calls: list[str] = []
        in_head = 0
        taken: set[tuple[int, int]] = set()
        numeric: dict[int, bool] = {}
        for y, row in enumerate(rows):
            x = 0
            end = n_head if y < n_head else len(rows)  # no cell reaches out of its part
            for cell in row.find_all(["th", "td"], recursive=False):
                while (y, x) in taken:
                    x += 1
                wide = _whole(cell.get("colspan"), 100)
                high = min(_whole(cell.get("rowspan"), len(rows)), end - y)
                while any((y, x + i) in taken for i in range(wide)):
                    wide -= 1  # over a cell that reaches down from above
                taken |= {(y + j, x + i) for j in range(high) for i in range(wide)}
                content = self._content(cell)
                if y < n_head or "mine" in (row.get("class") or []):  # the reader's own row
                    content = f"strong({content})"
                if y >= n_head and wide == 1:
                    numeric[x] = numeric.get(x, True) and _number(cell.get_text())
                calls.append(
                    f"table.cell(x: {x}, y: {y}, colspan: {wide}, rowspan: {high}, {content})"
                )
                in_head += y < n_head
                x += wide
        if not taken:
            return [f'paragraph("", {words})'] if words != '""' else []
        width = 1 + max(x for _, x in taken)
        # Numbers stand to the right, words to the left.
        sides = ", ".join("right" if numeric.get(x) else "left" for x in range(width))
        head, body = calls[:in_head], calls[in_head:]
        return [
            f"data-table({words}, {n_head}, {len(rows)}, ({sides},), "
            f"{_array(head)}, {_array(body)})"
        ]

    def _image(self, tag: Tag) -> list[str]:
        match = re.match(r"data:image/(svg\+xml|png|jpeg|gif|webp)([^,]*),(.*)",
                         str(tag.get("src")), re.DOTALL)  # fmt: skip
        if match is None:
            return []
        name = f"picture-{len(self.pictures) + 1}.{match[1].removesuffix('+xml')}"
        data = unquote_to_bytes(match[3])
        if match[2].endswith(";base64"):
            try:
                data = base64.b64decode(data)
            except binascii.Error as error:
                raise ReportError(f"A picture's data cannot be read: {error}.") from error
        self.pictures[name] = data
        size = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:px)?\s*", str(tag.get("width")))
        own = re.fullmatch(r"\d+(?:\.\d+)?", str(tag.get("data-lettering")))
        share = min(1.0, self.lettering / float(own[0])) if own and float(own[0]) else 1.0
        width = f"{float(size[1]) * _PIXEL * share:.5g}pt" if size else "auto"
        return [f'drawing("{name}", {width}, {_text(str(tag.get("alt", "")))})']


def _left_out(tag: Tag) -> bool:
    return (
        tag.name in _SCREEN_ONLY or "screen" in (tag.get("class") or []) or tag.has_attr("hidden")
    )


def _formula(tag: Tag) -> str:
    """Source of a formula, and what is read aloud for it."""
    source = str(tag["data-typst"])
    return f"{_text(source)}, {_text(str(tag.get('aria-label') or source))}"


def _whole(attribute: Any, most: int) -> int:
    """A span of cells: a whole number from 1 to `most`."""
    text = str(attribute or 1).strip()
    return min(max(int(text), 1), most) if re.fullmatch(r"[0-9]{1,6}", text) else 1


def _array(parts: list[str]) -> str:
    return f"({', '.join(parts)},)" if parts else "()"


def _braced(parts: list[str]) -> str:
    return f"{{ {'; '.join(parts)} }}" if parts else '""'


def _joined(parts: list[str]) -> str:
    parts = [part for part in parts if part != '""']
    return f"{{ {'; '.join(parts)} }}" if len(parts) > 1 else (parts[0] if parts else '""')


def _words(text: str) -> str:
    """A run of text; a word longer than a narrow column may be broken anywhere, and nothing is
    added to it: who copies it gets the word."""
    parts: list[str] = []
    for piece in re.split(rf"(\S{{{_LONG_WORD},}})", text):
        if len(piece) < _LONG_WORD or re.search(r"\s", piece):
            parts.append(_text(piece))
            continue
        for i, letters in enumerate(_chunks(piece)):
            parts += [_MAY_BREAK, _text(letters)] if i else [_text(letters)]
    return _joined(parts)


def _chunks(word: str, size: int = 6) -> Iterable[str]:
    """A word in pieces; marks stay with the letter they stand on."""
    start = 0
    for i, letter in enumerate(word):
        mark = unicodedata.category(letter) in ("Mn", "Mc", "Me", "Cf", "Sk")
        if i - start >= size and not mark and word[i - 1] != "\N{ZERO WIDTH JOINER}":
            yield word[start:i]
            start = i
    yield word[start:]


def _text(text: str, keep: bool = False) -> str:
    """A Typst string literal; runs of white space are one space unless kept.

    What no text may hold (control characters, halves of surrogate pairs, noncharacters) becomes
    U+FFFD.
    """
    if not keep:
        text = re.sub(r"[ \t\r\n\f]+", " ", text)
    text = _FORBIDDEN.sub("\ufffd", text)
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _number(text: str) -> bool:
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
    info = ", ".join(f"{key}: {_text(value)}" for key, value in known.items())
    parts = ", ".join(
        f"{_text(k)}: (words: {{ {words} }}, picture: {{ {drawn} }})"
        for k, (words, drawn) in sheet.sections.items()
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

    with tempfile.TemporaryDirectory(prefix="trialkit-") as folder:
        root = Path(folder)
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


def clean(text: str) -> str:
    """Text without what no text may hold, for data that a template reads."""
    return _FORBIDDEN.sub("\ufffd", text)
