"""Every report's page as a document: valid, whole, in order, loading nothing from elsewhere."""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise
from pathlib import Path

import html5lib
import pytest
from bs4 import BeautifulSoup
from report_pages import LOOKED_AT, Render

LOADS = ("src", "href", "srcset", "data", "action", "poster", "background", "formaction", "ping")
REFERS = ("aria-labelledby", "aria-describedby", "aria-controls", "for", "list", "form", "headers")


@pytest.fixture(params=LOOKED_AT)
def file(request: pytest.FixtureRequest, rendered: Render) -> Path:
    return rendered(*request.param).html


def test_page_is_valid_whole_and_small(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    parser = html5lib.HTMLParser(namespaceHTMLElements=False)
    parser.parse(text)
    assert [(place, code) for place, code, _ in parser.errors] == []
    soup = BeautifulSoup(text, "html.parser")
    assert re.match(r"(?i)<!doctype html>", text)
    assert soup.html and soup.html.get("lang") == "en"
    assert soup.title and len(soup.title.get_text().strip()) > 5
    assert len(soup.find_all("main")) == 1
    assert file.stat().st_size < 3_000_000
    # Python's own mishaps are not a report.
    said = soup.main.get_text(" ")
    assert not re.search(r"Traceback|Warning:|\bnan\b|<function|object at 0x", said)


def test_ids_are_unique_and_references_lead_somewhere(file: Path) -> None:
    soup = BeautifulSoup(file.read_text(encoding="utf-8"), "html.parser")
    ids = Counter(tag["id"] for tag in soup.find_all(id=True))
    assert [name for name, n in ids.items() if n > 1] == []
    for attribute in REFERS:
        for tag in soup.find_all(attrs={attribute: True}):
            if tag.find_parent("math"):
                continue  # there "form" is a place in a formula
            value = tag[attribute]  # several at once come as a list
            named = value if isinstance(value, list) else value.split()
            assert set(named) <= set(ids), str(tag)[:200]
    for tag in soup.find_all("a", href=re.compile("^#")):
        assert tag["href"][1:] in ids, tag


def test_headings_are_in_order_and_pictures_are_told_in_words(file: Path) -> None:
    soup = BeautifulSoup(file.read_text(encoding="utf-8"), "html.parser")
    headings = soup.find_all(re.compile("^h[1-6]$"))
    levels = [int(heading.name[1]) for heading in headings]
    assert levels[0] == 1 and levels.count(1) == 1
    assert [h for (a, b), h in zip(pairwise(levels), headings[1:], strict=True) if b > a + 1] == []
    assert all(heading.get_text().strip() for heading in headings)
    pictures = soup.find_all("img")
    assert len(pictures) >= (2 if file.stem == "header" else 3)
    assert [str(p)[-80:] for p in pictures if len(p.get("alt", "")) < 40] == []
    for table in soup.find_all("table"):
        assert table.find("th") is not None, str(table)[:200]
        if "paper" in table.get("class", []):
            continue
        # A wide one scrolls in its own box, which the keyboard reaches and which says its name.
        box = table.find_parent(class_="scroll")
        assert box is not None and box.get("tabindex") == "0", str(table)[:200]
        assert box.get("role") == "region" and box.get("aria-label"), str(table)[:200]


def test_nothing_is_loaded_from_elsewhere(file: Path) -> None:
    soup = BeautifulSoup(file.read_text(encoding="utf-8"), "html.parser")
    assert not soup.find_all(["link", "iframe", "object", "embed", "base", "source"])
    for attribute in LOADS:
        for tag in soup.find_all(attrs={attribute: True}):
            value = tag[attribute]
            if tag.name == "a" and attribute == "href":  # loaded when a reader asks for it
                assert re.match(r"(?:#|https://|mailto:|data:|blob:)", value), value[:80]
            else:
                assert value.startswith("data:"), (tag.name, attribute, value[:80])
    style = "".join(tag.get_text() for tag in soup.find_all("style"))
    style += " ".join(tag["style"] for tag in soup.find_all(style=True))
    assert not re.search(r"@import|url\((?!['\"]?data:)", style)
    for script in soup.find_all("script"):
        assert not re.search(r"\bfetch\(|XMLHttpRequest|WebSocket|import\(|https?://(?!www\.w3\.org)",
                             script.get_text())  # fmt: skip
