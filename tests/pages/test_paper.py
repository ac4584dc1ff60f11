"""Every report on paper: text that can be found and read aloud, fonts inside, the right sheet."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bs4 import BeautifulSoup
from pypdf import PdfReader
from report_pages import LOOKED_AT, METRIC, Render, kids

# From the last, so that a process beside this one, which reads the pages, makes the others.
SHEETS = LOOKED_AT[::-1]
# Points: ISO 216 A4, 210 x 297 mm; ANSI/ASME Y14.1 letter, 8.5 x 11 in.
A4, LETTER = (595.276, 841.890), (612.0, 792.0)


@pytest.fixture(params=SHEETS)
def printed(request: pytest.FixtureRequest, rendered: Render) -> tuple[PdfReader, Path, str]:
    files = rendered(*request.param)
    assert files.pdf is not None
    return PdfReader(files.pdf), files.html, request.param[1]


def letters(text: str) -> str:
    """Text without white space and hyphens at line ends: what a line break leaves unchanged."""
    return re.sub(r"[\s\u00ad\u200b]", "", text)


def fonts(reader: PdfReader) -> Iterator[Any]:
    """Every font of every page and of every picture in it."""
    waiting = [page["/Resources"] for page in reader.pages]
    seen: set[int] = set()
    while waiting:
        resources = waiting.pop().get_object()
        for font in resources.get("/Font", {}).values():
            yield font.get_object()
        for form in resources.get("/XObject", {}).values():
            form = form.get_object()
            if id(form) not in seen and "/Resources" in form:
                seen.add(id(form))
                waiting.append(form["/Resources"])


def test_headline_is_text_and_fonts_are_inside(printed: tuple[PdfReader, Path, str]) -> None:
    reader, html, _ = printed
    soup = BeautifulSoup(html.read_text(encoding="utf-8"), "html.parser")
    text = letters("".join(page.extract_text() for page in reader.pages))
    headline = letters(soup.h1.get_text())
    assert len(headline) > 5 and headline in text
    assert "\N{REPLACEMENT CHARACTER}" not in text
    found = list(fonts(reader))
    assert found
    for font in found:
        inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
        about = inner["/FontDescriptor"].get_object()
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(about), font["/BaseFont"]
        assert "/ToUnicode" in font


def test_sheet_title_language(printed: tuple[PdfReader, Path, str]) -> None:
    reader, html, trial = printed
    width, height = A4 if trial in (METRIC, "split_strips") else LETTER  # both in hectares
    for page in reader.pages:
        assert float(page.mediabox.width) == pytest.approx(width, abs=0.01)
        assert float(page.mediabox.height) == pytest.approx(height, abs=0.01)
    soup = BeautifulSoup(html.read_text(encoding="utf-8"), "html.parser")
    assert reader.metadata is not None and soup.title is not None
    assert reader.metadata.title == soup.title.get_text()
    assert str(reader.trailer["/Root"]["/Lang"]).split("-")[0] == "en"


def test_structure_can_be_read_aloud(printed: tuple[PdfReader, Path, str]) -> None:
    reader, html, _ = printed
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    parts = list(kids(root["/StructTreeRoot"]))
    kinds = {part["/S"] for part in parts}
    assert {"/H1", "/P", "/Figure"} <= kinds
    told = [str(part.get("/Alt", "")) for part in parts if part["/S"] == "/Figure"]
    soup = BeautifulSoup(html.read_text(encoding="utf-8"), "html.parser")
    known = {" ".join(picture["alt"].split()) for picture in soup.find_all("img")}
    assert told and set(told) <= known
    if "/Table" in kinds:
        assert "/TH" in kinds
