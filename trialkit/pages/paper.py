"""Elements on paper: calls of a few Typst functions, which the templates under ``templates/print``
style; what only works on a screen is left out."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable

from trialkit.errors import ReportError
from trialkit.pages import foreign
from trialkit.pages.elements import (
    Abreast,
    Beside,
    Bullets,
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
    Section,
    Sentence,
    Table,
    Words,
    plain,
    whole,
)
from trialkit.pages.printing import Cell, Sheet, braced, data_table, is_number, joined, literal
from trialkit.pages.printing import words as run

_CALLS = {"strong": "strong", "emph": "emph", "code": "mono", "sub": "sub", "sup": "super"}


def add(sheet: Sheet, elements: Iterable[Element]) -> None:
    """Append elements to a sheet."""
    sheet.blocks += _blocks(elements, sheet)


def _blocks(elements: Iterable[Element], sheet: Sheet) -> list[str]:
    return [call for element in elements for call in _block(element, sheet)]


def inline(words: Words) -> str:
    """A run of text as an expression."""
    if isinstance(words, str):
        return run(whole(words))
    parts = []
    for piece in words:
        if isinstance(piece, str):
            parts.append(run(whole(piece)))
        elif isinstance(piece, Formula):
            parts.append(f"inline-formula({_formula(piece)})")
        elif isinstance(piece, Link):
            text = run(whole(piece.text))
            away = piece.target.startswith(("http://", "https://", "mailto:"))
            parts.append(f"link({literal(piece.target)}, {text})" if away else text)
        elif piece.how == "paper":
            parts.append(run(whole(piece.text)))
        else:
            text = piece.text if piece.how == "code" else whole(piece.text)
            parts.append(f"{_CALLS[piece.how]}({run(text)})")
    return joined(parts)


def _block(element: Element, sheet: Sheet) -> list[str]:
    match element:
        case Heading():
            return [f"heading(level: {element.level}, {inline(element.words)})"]
        case Sentence():
            if "screen" in element.kind.split():
                return []
            return [f"paragraph({literal(element.kind)}, {inline(element.words)})"]
        case Bullets():
            call = "enum" if element.numbered else "list"
            items = [braced(_item(item, sheet)) for item in element.items]
            return [f"{call}({', '.join(items)})"] if items else []
        case Table():
            return [] if element.kind == "screen" else _table(element)
        case Figure():
            return _figure(element, sheet)
        case Formula():
            return [f"formula({_formula(element)})"]
        case Abreast() if sheet.drawn is None and len(element.elements) > 1:
            with sheet.in_company():
                cells = [braced(_block(each, sheet)) for each in element.elements]
            return [f"beside(({', '.join(cells)},))"]
        case Beside() if sheet.drawn is None:
            with sheet.in_company():
                picture, words = _block(element.figure, sheet), _blocks(element.words, sheet)
            return [f"abreast(({braced(picture)}, {braced(_part('words', words))},))"]
        case Abreast():
            return _part(element.kind, _blocks(element.elements, sheet))
        case Beside():
            picture = _block(element.figure, sheet)
            return _part("pair", [*picture, *_part("words", _blocks(element.words, sheet))])
        case Section():
            title = f"heading(level: {element.level}, {inline(element.title)})"
            return _apart(element.name, [title], element.elements, sheet)
        case Group():
            if element.name == "screen" or element.role == "nav":
                return []
            if element.role == "div":
                return _part(element.name, _blocks(element.elements, sheet))
            return _apart(element.name, [], element.elements, sheet)
        case Folded():
            summary = element.summary
            head = (
                _block(summary, sheet)
                if isinstance(summary, Heading)
                else [f'paragraph("summary", {inline(summary)})']
            )
            return [*head, *_blocks(element.elements, sheet)]
        case Files():
            return []
        case Form():
            return _table(element.table)
        case Code():
            return [f"listing({literal(element.text, keep=True)})"]
        case Html():
            return foreign.blocks(element.text, sheet)
    raise TypeError(f"no element of a page: {element!r}")


def _apart(name: str, title: list[str], inside: tuple[Element, ...], sheet: Sheet) -> list[str]:
    """A section in its place; its words and its pictures are put by too."""
    kept: list[str] = []
    with sheet.apart(name, kept):
        kept += [*title, *_blocks(inside, sheet)]
    return _part(name, [*title, *_blocks(inside, sheet)])


def _part(name: str, blocks: list[str]) -> list[str]:
    return [f"part({literal(name)}, {braced(blocks)})"] if name and blocks else blocks


def _item(item: Words | Item, sheet: Sheet) -> list[str]:
    if isinstance(item, Item):
        return _blocks(item.elements, sheet)
    return [f'paragraph("", {inline(item)})']


def _figure(figure: Figure, sheet: Sheet) -> list[str]:
    picture = figure.picture
    try:
        data = base64.b64decode(picture.data)
    except binascii.Error as error:
        raise ReportError(f"A picture's data cannot be read: {error}.") from error
    drawn = sheet.drawing(picture.media, data, picture.alt, picture.width, picture.lettering)
    return sheet.figure(braced([drawn]), inline(figure.caption))


def _table(table: Table) -> list[str]:
    cells = []
    head = [tuple(table.head)] if table.head else []
    for y, row in enumerate([*head, *table.rows]):
        own = y >= len(head) and bool(table.mine) and table.mine[y - len(head)]
        for x, cell in enumerate(row):
            content = inline(cell)
            if y < len(head) or own:  # the reader's own row
                content = f"strong({content})"
            cells.append(Cell(x, y, content, is_number(plain(cell))))
    return data_table(run(whole(table.caption)), len(head), len(head) + len(table.rows), cells)


def _formula(formula: Formula) -> str:
    return f"{literal(formula.typst)}, {literal(formula.aloud)}"
