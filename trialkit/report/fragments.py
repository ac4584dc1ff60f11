"""Small pieces of HTML; everything that comes from a user is escaped here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trialkit.plots import Plot


@dataclass(frozen=True, slots=True)
class Fragment:
    """HTML that a notebook shows as it is."""

    html: str

    def _repr_html_(self) -> str:
        return self.html


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


def section(name: str, title: str, *parts: str, picture: str = "", below: str = "") -> Fragment:
    """One section of a page: its heading, a picture if there is one, and the words beside it;
    `below` takes the full width under both."""
    words = "".join(parts)
    if picture:
        words = f'<div class="pair">{picture}<div class="words">{words}</div></div>'
    return Fragment(
        f'<section class="{name}" aria-labelledby="{name}">'
        f'<h2 id="{name}">{escape(title)}</h2>{words}{below}</section>'
    )
