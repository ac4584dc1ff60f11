"""Pages on paper: the HTML a report's notebook made, set by Typst.

The notebook stays the one source of a report: whatever its cells show as HTML (our fragments,
tables of a data frame, pictures) is walked element by element and written as calls of a few Typst
functions, which the templates under ``templates/print`` style. Text travels as string literals, so
nothing a user typed is read as markup. What only works on a screen (scripts, controls, class
``screen``) is left out; class ``paper`` is for paper alone.
"""

from __future__ import annotations

import base64
import re
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.errors import ReportError
from trialkit.report.resources import template_dir

if TYPE_CHECKING:
    from bs4 import Tag

PAPERS = {"US": "us-letter", "SI": "a4"}
_SCREEN_ONLY = {"script", "style", "button", "input", "select", "form", "template", "noscript"}
_INLINE = {"strong": "strong", "b": "strong", "em": "emph", "i": "emph", "sub": "sub",
           "sup": "super", "code": "mono", "u": "underline"}  # fmt: skip
_PIXEL = 0.75  # points


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
    """

    blocks: list[str] = field(default_factory=list)
    sections: dict[str, tuple[str, str]] = field(default_factory=dict)
    pictures: dict[str, bytes] = field(default_factory=dict)
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
        if name in _SCREEN_ONLY or "screen" in kinds or tag.has_attr("hidden"):
            return []
        if "data-typst" in tag.attrs:  # a formula of ours
            return [f"formula({_text(tag['data-typst'])})"]
        if name in ("h1", "h2", "h3", "h4", "h5", "h6"):
            return [f"heading(level: {name[1]}, {self._content(tag)})"]
        if name == "p":
            return [f"paragraph({_text(' '.join(kinds))}, {self._content(tag)})"]
        if name in ("ul", "ol"):
            items = [
                f"{{ {'; '.join(self._blocks(li))} }}" for li in tag.find_all("li", recursive=False)
            ]
            return [f"{'list' if name == 'ul' else 'enum'}({', '.join(items)})"] if items else []
        if name == "dl":
            return ["; ".join(self._terms(tag))]
        if name == "table":
            return [self._table(tag)]
        if name == "figure":
            caption = tag.find("figcaption")
            words = self._content(caption) if caption else '""'
            own = [b for child in tag.find_all(["img", "table"]) for b in self._block(child)]
            call = f"picture({{ {'; '.join(own)} }}, {words})"
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
        if name == "summary":
            return [f'paragraph("summary", {self._content(tag)})']
        if name in ("section", "header", "footer") and kinds:
            self._set_aside(kinds[0], tag)
        if name == "div" and "figures" in kinds and self._drawn is None:  # two and two abreast
            cells = [
                f"{{ {'; '.join(self._block(child))} }}"
                for child in tag.find_all(True, recursive=False)
            ]
            return [f"beside(({', '.join(cells)},))"] if cells else []
        inside = self._blocks(tag)
        if name in ("div", "section", "header", "footer") and kinds and inside:
            return [f"part({_text(kinds[0])}, {{ {'; '.join(inside)} }})"]
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
            return _text(str(node))
        if node.name in _SCREEN_ONLY or "screen" in (node.get("class") or []):
            return '""'
        if node.name == "br":
            return "linebreak()"
        if node.name in _INLINE:
            return f"{_INLINE[node.name]}({self._content(node)})"
        if node.name == "a":
            target = str(node.get("href", ""))
            if target.startswith(("http://", "https://", "mailto:")):
                return f"link({_text(target)}, {self._content(node)})"
            return self._content(node)
        if node.name in ("span", "label", "abbr", "small", "time", "output"):
            return self._content(node)
        return None

    def _content(self, tag: Tag) -> str:
        parts = [self._inline(child) for child in tag.children]
        return _joined([part for part in parts if part is not None])

    def _terms(self, tag: Tag) -> Iterable[str]:
        term = '""'
        for child in tag.find_all(["dt", "dd"]):
            if child.name == "dt":
                term = self._content(child)
            else:
                yield f"terms.item({term}, {{ {'; '.join(self._blocks(child))} }})"

    def _table(self, tag: Tag) -> str:
        caption = tag.find("caption")
        words = self._content(caption) if caption else '""'
        rows: list[list[Tag]] = [list(tr.find_all(["th", "td"])) for tr in tag.find_all("tr")]
        rows = [row for row in rows if row]
        head = rows.pop(0) if rows and tag.find("thead") else []
        width = max((len(row) for row in [head, *rows]), default=1)

        def line(cells: list[Tag]) -> str:
            texts = [self._content(cell) for cell in cells]
            texts += ['""'] * (width - len(texts))
            return f"({', '.join(texts)},)"

        # Numbers stand to the right, words to the left.
        right = [
            all(_number(row[i].get_text()) for row in rows if i < len(row)) for i in range(width)
        ]
        sides = ", ".join("right" if r else "left" for r in right)
        return (
            f"data-table({words}, {line(head) if head else 'none'}, "
            f"({', '.join(line(row) for row in rows)},), ({sides},))"
        )

    def _image(self, tag: Tag) -> list[str]:
        match = re.match(r"data:image/(svg\+xml|png|jpeg)[^,]*;base64,(.*)", str(tag.get("src")))
        if match is None:
            return []
        suffix = {"svg+xml": "svg"}.get(match[1], match[1])
        name = f"picture-{len(self.pictures) + 1}.{suffix}"
        self.pictures[name] = base64.b64decode(match[2])
        width = f"{float(str(tag['width'])) * _PIXEL:g}pt" if tag.has_attr("width") else "auto"
        return [f'drawing("{name}", {width}, {_text(str(tag.get("alt", "")))})']


def _joined(parts: list[str]) -> str:
    parts = [part for part in parts if part != '""']
    return f"{{ {'; '.join(parts)} }}" if len(parts) > 1 else (parts[0] if parts else '""')


def _text(text: str, keep: bool = False) -> str:
    """A Typst string literal; runs of white space are one space unless kept."""
    if not keep:
        text = re.sub(r"[ \t\r\n\f]+", " ", text)
    text = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", "\ufffd", text)
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
    import matplotlib as mpl
    import typst

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
    with tempfile.TemporaryDirectory(prefix="trialkit-") as folder:
        root = Path(folder)
        for path in (template_dir() / "print").glob("*.typ"):
            (root / path.name).write_bytes(path.read_bytes())
        for name, data in sheet.pictures.items():
            (root / name).write_bytes(data)
        (root / "page.typ").write_text(source, encoding="utf-8")
        try:
            return typst.compile(
                str(root / "page.typ"), root=str(root), ignore_system_fonts=True,
                font_paths=[str(Path(mpl.get_data_path()) / "fonts" / "ttf")],
            )  # fmt: skip
        except Exception as error:
            raise ReportError(f"The page could not be set for paper: {error}") from error
