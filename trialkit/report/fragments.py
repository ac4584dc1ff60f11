"""Small pieces of HTML; everything that comes from a user is escaped here."""

from __future__ import annotations

import inspect
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trialkit.plots import Plot


@dataclass(frozen=True, slots=True)
class Fragment:
    """HTML that a notebook shows as it is."""

    html: str

    def _repr_html_(self) -> str:
        return self.html


def in_notebook(page: Any) -> str:
    """A page at the end of a notebook's cell: its headline, and the parts that can be shown with
    their one line of description.

    Parameters
    ----------
    page : FieldDayPage, GrowerPage or ResearcherPage
        Parts are its public methods that take nothing and are annotated to return a Fragment.
    """
    parts = [
        f"<li><code>.{name}()</code> {escape((inspect.getdoc(method) or '').splitlines()[0])}</li>"
        for name, method in _parts(type(page))
        if name != "headline"
    ]
    shown = "".join(parts)
    return (
        f"<div>{page.headline().html}<details><summary>Parts of this page, one call each"
        f"</summary><ul>{shown}</ul></details></div>"
    )


def _parts(kind: type) -> list[tuple[str, Any]]:
    """Methods of a page that make a part, those of its own class first, in their order."""
    found: dict[str, Any] = {}
    for owner in kind.__mro__:
        for name, method in vars(owner).items():
            made = getattr(method, "__annotations__", {}).get("return")
            needed = [
                p for p in inspect.signature(method).parameters.values()
                if p.default is p.empty and p.name != "self"
            ] if inspect.isfunction(method) else [None]  # fmt: skip
            if not name.startswith("_") and made in ("Fragment", Fragment) and not needed:
                found.setdefault(name, method)
    return list(found.items())


def paragraph(text: str, kind: str = "") -> str:
    """A paragraph of plain text."""
    attribute = f' class="{kind}"' if kind else ""
    return f"<p{attribute}>{escape(text)}</p>"


def bullets(items: Sequence[str]) -> str:
    """A list of plain-text items."""
    return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"


def table(caption: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table of plain text; the first column names the row. It scrolls when it must."""
    return marked_table(caption, head, rows, [False] * len(rows))


def marked_table(
    caption: str, head: Sequence[str], rows: Sequence[Sequence[str]], own: Sequence[bool]
) -> str:
    """A table like `table`, some of its rows the reader's own (class ``mine``)."""
    top = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in head)
    body = "".join(
        ('<tr class="mine">' if mine else "<tr>")
        + f'<th scope="row">{escape(first)}</th>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in rest)
        + "</tr>"
        for (first, *rest), mine in zip(rows, own, strict=True)
    )
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{escape(caption)}"><table>'
        f"<caption>{escape(caption)}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
    )


def figure(plot: Plot, caption: str) -> str:
    """A figure with its caption in plain text."""
    return f"<figure>{plot._repr_html_()}<figcaption>{escape(caption)}</figcaption></figure>"


def section(
    name: str, title: str, *parts: str, picture: str = "", below: str = "", level: int = 2,
    key: str = "",
) -> Fragment:  # fmt: skip
    """One section of a page: its heading of a `level`, a picture if there is one, and the words
    beside it; `below` takes the full width under both. A `key` tells it from others of its name."""
    words = "".join(parts)
    if picture:
        words = f'<div class="pair">{picture}<div class="words">{words}</div></div>'
    return Fragment(
        f'<section class="{name}" aria-labelledby="{name}{key}">'
        f'<h{level} id="{name}{key}">{escape(title)}</h{level}>{words}{below}</section>'
    )
