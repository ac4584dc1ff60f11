"""Elements as HTML; everything that comes from a user is escaped here."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

from trialkit.display import escape, printable
from trialkit.pages.elements import (
    Abreast,
    Beside,
    Bullets,
    Choice,
    Code,
    Element,
    Figure,
    Files,
    Folded,
    Form,
    Formula,
    Group,
    Heading,
    Html,
    Item,
    Link,
    Number,
    Picture,
    Section,
    Sentence,
    Table,
    Words,
    plain,
    whole,
)

WIDE = 5  # columns of a table that a telephone does not show at once
LONG = 14
"""Letters beyond which a cell of a card takes the card's width."""
_TAGS = {"strong": "strong", "emph": "em", "code": "code", "sub": "sub", "sup": "sup"}


def html(elements: Iterable[Element]) -> str:
    """Elements, one after the other."""
    return "".join(map(_element, elements))


def inline(words: Words) -> str:
    """Words with their marks."""
    if isinstance(words, str):
        return _text(words)
    out = []
    for run in words:
        if isinstance(run, str):
            out.append(_text(run))
        elif isinstance(run, Formula):
            out.append(_formula(run, "span"))
        elif isinstance(run, Link):
            out.append(f'<a href="{escape(run.target)}">{_text(run.text)}</a>')
        elif run.how == "paper":
            out.append(f'<span class="paper">{_text(run.text)}</span>')
        else:
            text = escape(run.text) if run.how == "code" else _text(run.text)
            out.append(f"<{_TAGS[run.how]}>{text}</{_TAGS[run.how]}>")
    return "".join(out)


def _text(text: str) -> str:
    return escape(whole(text))


def _class(kind: str) -> str:
    return f' class="{escape(kind)}"' if kind else ""


def _element(element: Element) -> str:
    match element:
        case Heading():
            key = f' id="{escape(element.key)}"' if element.key else ""
            return f"<h{element.level}{key}>{inline(element.words)}</h{element.level}>"
        case Sentence():
            return f"<p{_class(element.kind)}>{inline(element.words)}</p>"
        case Bullets():
            tag = "ol" if element.numbered else "ul"
            items = "".join(f"<li>{_item(item)}</li>" for item in element.items)
            return f"<{tag}{_class(element.kind)}>{items}</{tag}>"
        case Table():
            return _table(element)
        case Figure():
            words = inline(element.caption)
            caption = f"<figcaption>{words}</figcaption>" if words else ""
            return f"<figure>{_picture(element.picture)}{caption}</figure>"
        case Formula():
            return _formula(element, "div")
        case Beside():
            words = f'<div class="words">{html(element.words)}</div>'
            return f'<div class="pair">{_element(element.figure)}{words}</div>'
        case Abreast():
            return f"<div{_class(element.kind)}>{html(element.elements)}</div>"
        case Group(name, elements, role):
            named = _named_by(elements) if role == "nav" else ""
            return f"<{role}{_class(name)}{named}>{html(elements)}</{role}>"
        case Section():
            place = escape(element.name + element.key)
            return (
                f'<section{_class(element.name)} aria-labelledby="{place}"><h{element.level} '
                f'id="{place}">{inline(element.title)}</h{element.level}>'
                f"{html(element.elements)}</section>"
            )
        case Folded():
            summary = element.summary
            shown = _element(summary) if isinstance(summary, Heading) else inline(summary)
            key = f' id="{escape(element.key)}"' if element.key else ""
            return (
                f"<details{_class(element.kind)}{key}><summary>{shown}</summary>"
                f"{html(element.elements)}</details>"
            )
        case Files():
            return _files(element)
        case Form():
            return _form(element)
        case Code():
            return (
                '<pre class="scroll" role="region" tabindex="0" '
                f'aria-label="{escape(element.about)}"><code>{escape(element.text)}</code></pre>'
            )
        case Html():
            return element.text
    raise TypeError(f"no element of a page: {element!r}")


def _named_by(elements: Iterable[Element]) -> str:
    key = next((e.key for e in elements if isinstance(e, Heading) and e.key), "")
    return f' aria-labelledby="{escape(key)}"' if key else ""


def _item(item: Words | Item) -> str:
    return html(item.elements) if isinstance(item, Item) else inline(item)


def _picture(picture: Picture) -> str:
    return (
        f'<img src="data:image/{picture.media};base64,{picture.data}" alt="{escape(picture.alt)}" '
        f'width="{picture.width}" height="{picture.height}" '
        f'data-lettering="{picture.lettering:g}" style="max-width:100%;height:auto">'
    )


def _table(table: Table) -> str:
    """It scrolls in a box of its own when it must; on a telephone the rows of "cards" are cards."""
    top = "".join(f'<th scope="col">{_text(cell)}</th>' for cell in table.head)
    own = table.mine or (False,) * len(table.rows)
    names = table.head if table.kind == "cards" else ("",) * len(table.head)
    body = "".join(
        ('<tr class="mine">' if mine else "<tr>")
        + f'<th scope="row"{_named(first, names[0])}>{inline(first)}</th>'
        + "".join(
            f"<td{_named(cell, name)}>{inline(cell)}</td>"
            for cell, name in zip(rest, names[1:], strict=True)
        )
        + "</tr>"
        for (first, *rest), mine in zip(table.rows, own, strict=True)
    )
    shown = (
        f"<caption>{_text(table.caption)}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )
    if table.kind == "paper":  # only seen where a page is printed from the browser
        return f'<table class="paper" style="display:none">{shown}'
    box = " ".join(filter(None, ("scroll", table.kind, "wide" * (len(table.head) >= WIDE))))
    return (
        f'<div class="{box}" role="region" tabindex="0" aria-label="{escape(table.caption)}">'
        f"<table>{shown}</div>"
    )


def _named(cell: Words, name: str) -> str:
    """A cell of a card carries the name of its column; a long one takes the width of the card."""
    if not name:
        return ""
    long = ' class="long"' if len(plain(cell)) > LONG else ""
    return f'{long} data-name="{escape(name)}"'


def _formula(formula: Formula, tag: str) -> str:
    from latex2mathml.converter import convert as to_mathml

    mathml = to_mathml(formula.latex, display="block" if tag == "div" else "inline")
    labels = [escape(label) for label in formula.labels]
    mathml = re.sub(r"LABELq(\d+)q", lambda m: labels[int(m[1])], mathml)
    look = ' class="formula scroll" role="group" tabindex="0"' if tag == "div" else ""
    return (
        f'<{tag}{look} aria-label="{escape(formula.aloud)}" '
        f'data-typst="{escape(formula.typst)}">{mathml}</{tag}>'
    )


def _files(element: Files) -> str:
    rows = "".join(
        f'<li><a download="{escape(f.name)}" href="data:{f.media};base64,{f.data}">'
        f"{escape(f.words)}</a>{escape(f.beside)}</li>"
        for f in element.files
    )
    return f'<ul class="downloads screen">{rows}</ul>'


# ---------------------------------------------------------------- controls
def _form(form: Form) -> str:
    """Controls (shown by the page's script), figures as text, and the data of both; the figures
    as a table for paper."""
    names = " ".join(f"{form.name}-{c.name}" for c in _in_order(form))
    controls = "".join(_control(form.name, c) for c in form.controls)
    figures = " ".join(_amount(name, line) for name, line in form.figures)
    return (
        f'<form class="{form.name} screen"><fieldset class="controls" hidden>'
        f"<legend>{escape(form.legend)}</legend>{controls}"
        f'<button type="reset">{escape(form.reset)}</button></fieldset>'
        f'<output class="figures" aria-live="polite" for="{names}">{figures}</output>'
        f'<script type="application/json">{script_json(form.data)}</script></form>'
        f"{_table(form.table)}"
    )


def _in_order(form: Form) -> list[Choice | Number]:
    """Numbers first."""
    return sorted(form.controls, key=lambda c: isinstance(c, Choice))


def _control(form: str, control: Choice | Number) -> str:
    place = f"{form}-{control.name}"
    label = f'<label for="{place}">{_text(control.label)}</label>'
    if isinstance(control, Choice):
        options = "".join(
            f'<option value="{escape(value)}">{escape(words)}</option>'
            for value, words in control.options
        )
        return (
            f'{label}<select id="{place}" name="{control.name}" autocomplete="off">'
            f"{options}</select>"
        )
    least = "any" if control.above_zero else "zero"
    return (
        f'{label}<input id="{place}" name="{control.name}" type="number" step="any" min="0" '
        f'inputmode="decimal" autocomplete="off" data-least="{least}" value="{control.text}">'
    )


def _amount(name: str, line: tuple[str, str, str]) -> str:
    what, value, reach = map(_text, line)
    return (
        f'<span class="item" data-figure="{name}"><span class="name">{what}</span> '
        f'<strong class="amount">{value}</strong> <span class="range">{reach}</span></span>'
    )


def script_json(data: Any) -> str:
    """JSON that may stand inside a script element: nothing in it can end the element."""
    text = json.dumps(_shown(data), separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _shown(data: Any) -> Any:
    if isinstance(data, str):
        return printable(data)
    if isinstance(data, Mapping):
        return {_shown(key): _shown(value) for key, value in data.items()}
    return [_shown(value) for value in data] if isinstance(data, list | tuple) else data
