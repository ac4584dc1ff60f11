"""What the pages and their files look like at the end of a notebook's cell."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import unquote, urlparse

import pytest
from bs4 import BeautifulSoup
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit.analysis import TrialAnalysis
from trialkit.pages import field_day, researcher
from trialkit.pages import grower as grower_page
from trialkit.pages.registry import Shown
from trialkit.pages.rendering import Rendered


@pytest.fixture(scope="module")
def analysis() -> TrialAnalysis:
    return tk.analyse(tk.load_trial(frozen_dir()), responses=["header_loss", "kernel_damage"])


@pytest.mark.parametrize("kind", [field_day, grower_page, researcher])
def test_a_page_shows_its_headline_and_its_parts(kind, analysis) -> None:
    page = kind(analysis)
    soup = BeautifulSoup(page._repr_html_(), "html.parser")
    heading = BeautifulSoup(page.headline().html, "html.parser").h1
    assert soup.h1.get_text() == heading.get_text()
    named = [code.get_text() for code in soup.select("details li code")]
    assert len(named) > 7 and len(named) == len(set(named))
    for name in named:
        assert isinstance(getattr(page, name.strip(".()"))(), Shown)


def test_files_are_linked(tmp_path: Path) -> None:
    html = tmp_path / "a report & more.html"
    html.write_text("x")
    pdf = html.with_suffix(".pdf")
    pdf.write_bytes(b"y")
    for files in (Rendered(html, pdf), Rendered(html, None)):
        soup = BeautifulSoup(files._repr_html_(), "html.parser")
        linked = [Path(unquote(urlparse(a["href"]).path)) for a in soup.find_all("a")]
        assert linked == [path for path in files if path is not None]
        assert [a.get_text() for a in soup.find_all("a")] == [path.name for path in linked]
