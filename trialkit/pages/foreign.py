"""HTML on paper: what a cell of a user's own showed, walked element by element.

Tables of a data frame, pictures and text are written as calls of the same Typst functions that
`paper` writes. What only works on a screen (scripts, controls, class ``screen``) is left out; class
``paper`` is for paper alone.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote_to_bytes

from trialkit.errors import ReportError
from trialkit.pages.printing import (
    Cell,
    Sheet,
    braced,
    data_table,
    is_number,
    joined,
    literal,
    words,
)

if TYPE_CHECKING:
    from bs4 import Tag

_SCREEN_ONLY = {"script", "style", "button", "input", "select", "textarea", "form", "template",
                "noscript", "svg", "canvas", "iframe"}  # fmt: skip
_INLINE = {"strong": "strong", "b": "strong", "em": "emph", "i": "emph", "sub": "sub",
           "sup": "super", "code": "mono", "u": "underline"}  # fmt: skip
_PLAIN = {"span", "label", "abbr", "small", "time", "output", "kbd", "samp", "var", "cite", "q",
          "mark", "dfn", "bdi", "data", "del", "s", "ins"}  # fmt: skip


def blocks(html: str, sheet: Sheet) -> list[str]:
    """Calls that set a piece of HTML; its pictures are put by on the sheet."""
    from bs4 import BeautifulSoup

    return _Reader(sheet).blocks(BeautifulSoup(html, "html.parser"))


@dataclass(slots=True)
class _Reader:
    sheet: Sheet

    def blocks(self, parent: Tag) -> list[str]:
        """Block-level calls for the children of an element; loose text makes paragraphs."""
        out: list[str] = []
        loose: list[str] = []

        def close() -> None:
            if any(part.strip('" ') for part in loose):
                out.append(f'paragraph("", {joined(loose)})')
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
        if name in ("h1", "h2", "h3", "h4", "h5", "h6"):
            return [f"heading(level: {name[1]}, {self._content(tag)})"]
        if name == "p":
            return [f"paragraph({literal(' '.join(kinds))}, {self._content(tag)})"]
        if name in ("ul", "ol"):
            items = [braced(self.blocks(li)) for li in tag.find_all("li", recursive=False)]
            return [f"{'list' if name == 'ul' else 'enum'}({', '.join(items)})"] if items else []
        if name == "dl":
            return list(self._terms(tag))
        if name == "table":
            return self._table(tag)
        if name == "figure":
            caption = tag.find("figcaption")
            told = self._content(caption) if caption else '""'
            if caption:
                caption.extract()
            drawn = braced(self.blocks(tag))
            return self.sheet.figure(drawn, told)
        if name == "img":
            return self._image(tag)
        if name == "pre":
            return [f"raw(block: true, {literal(tag.get_text(), keep=True)})"]
        if name == "details":
            return self.blocks(tag)
        if name == "summary" and tag.find(re.compile("^h[1-6]$")) is not None:
            return self.blocks(tag)
        if name == "summary":
            return [f'paragraph("summary", {self._content(tag)})']
        return self.blocks(tag)

    def _inline(self, node: Any) -> str | None:
        """A run of text as an expression, or None for a block."""
        from bs4 import Comment, NavigableString

        if isinstance(node, Comment):
            return '""'
        if isinstance(node, NavigableString):
            return words(str(node))
        if _left_out(node):
            return '""'
        if node.name == "br":
            return "linebreak()"
        if node.name in _INLINE:
            return f"{_INLINE[node.name]}({self._content(node)})"
        if node.name == "a":
            target = str(node.get("href", ""))
            if target.startswith(("http://", "https://", "mailto:")):
                return f"link({literal(target)}, {self._content(node)})"
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
        return joined(parts)

    def _terms(self, tag: Tag) -> Iterable[str]:
        entries: list[tuple[str, list[str]]] = []
        for child in tag.find_all(["dt", "dd"]):
            if child.find_parent("dl") is not tag:
                continue
            if child.name == "dt" or not entries:
                entries.append((self._content(child) if child.name == "dt" else '""', []))
            if child.name == "dd":
                entries[-1][1].extend(self.blocks(child))
        for term, blocks in entries:
            yield f"terms.item({term}, {braced(blocks)})"

    def _table(self, tag: Tag) -> list[str]:
        caption = tag.find("caption")
        told = self._content(caption) if caption else '""'
        rows = [row for row in tag.find_all("tr") if row.find_parent("table") is tag]
        # Rows of the head first, as Typst repeats them on every page.
        rows.sort(key=lambda row: row.parent is None or row.parent.name != "thead")
        n_head = sum(row.parent is not None and row.parent.name == "thead" for row in rows)
        cells: list[Cell] = []
        taken: set[tuple[int, int]] = set()
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
                number = is_number(cell.get_text()) if wide == 1 else None
                cells.append(Cell(x, y, content, number, wide, high))
                x += wide
        return data_table(told, n_head, len(rows), cells)

    def _image(self, tag: Tag) -> list[str]:
        match = re.match(r"data:image/(svg\+xml|png|jpeg|gif|webp)([^,]*),(.*)",
                         str(tag.get("src")), re.DOTALL)  # fmt: skip
        if match is None:
            return []
        data = unquote_to_bytes(match[3])
        if match[2].endswith(";base64"):
            try:
                data = base64.b64decode(data)
            except binascii.Error as error:
                raise ReportError(f"A picture's data cannot be read: {error}.") from error
        size = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:px)?\s*", str(tag.get("width")))
        own = re.fullmatch(r"\d+(?:\.\d+)?", str(tag.get("data-lettering")))
        width, lettering = (float(found[1 if found is size else 0]) if found else None
                            for found in (size, own))  # fmt: skip
        return [self.sheet.drawing(match[1], data, str(tag.get("alt", "")), width, lettering)]


def _left_out(tag: Tag) -> bool:
    return (
        tag.name in _SCREEN_ONLY or "screen" in (tag.get("class") or []) or tag.has_attr("hidden")
    )


def _whole(attribute: Any, most: int) -> int:
    """A span of cells: a whole number from 1 to `most`."""
    text = str(attribute or 1).strip()
    return min(max(int(text), 1), most) if re.fullmatch(r"[0-9]{1,6}", text) else 1
