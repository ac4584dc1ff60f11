"""Every page in a real browser: wide and narrow, with a mouse, with keys only, and printed.

Nothing is installed here; where no Chromium is found the tests are skipped and say so.
"""

from __future__ import annotations

import base64
import io
import re
from pathlib import Path
from typing import Any

import html5lib
import nbformat
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread
from pypdf import PdfReader
from report_pages import CHROMIUM, HOSTILE, LOOKED_AT, TRIALS, WRITTEN, Render, Visit

from trialkit.pages.readers import Reader
from trialkit.pages.rendering import on_paper
from trialkit.pages.rendering import page as render_page

pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium here (looked for chromium, chromium-browser)"
)

DESKTOP, PHONE = {"width": 1280, "height": 900}, {"width": 360, "height": 800}
A4 = {"width": 688, "height": 1017}  # inside margins of 14 mm, in pixels

# What is seen: no part of the page beyond its edge unless it scrolls in a box of its own (what is
# clipped to nothing is for screen readers), and no text too small to read.
SEEN = """() => {
  const width = document.documentElement.clientWidth;
  const scrolls = element => element && (element.classList.contains("scroll")
    || scrolls(element.parentElement));
  const shown = element => element.checkVisibility({visibilityProperty: true})
    && element.getBoundingClientRect().width > 1;
  const all = [...document.querySelectorAll("body *")].filter(shown);
  const own = element => [...element.childNodes].some(node =>
    node.nodeType === 3 && node.textContent.trim());
  const tell = element => element.outerHTML.slice(0, 120);
  return {
    wide: document.documentElement.scrollWidth - width,
    out: all.filter(element => (element.getBoundingClientRect().right > width + 0.5
      || element.getBoundingClientRect().left < -0.5) && !scrolls(element.parentElement)).map(tell),
    small: all.filter(element => own(element) && !element.closest("sub, sup, math")
      && parseFloat(getComputedStyle(element).fontSize) < 12).map(tell),
    blank: [...document.images].filter(image => !image.naturalWidth).map(tell),
  };
}"""
# What contrast is read from: colours, and whether lettering is large or bold, of all that is shown.
COLOURED = """() => [...document.querySelectorAll("body, body *")].map(element => {
  const style = getComputedStyle(element), size = parseFloat(style.fontSize);
  return [element.checkVisibility({visibilityProperty: true}), style.color, style.backgroundColor,
    style.backgroundImage, style.opacity, style.textShadow, style.position,
    size >= 24 || (size * 0.75 >= 14 && style.fontWeight >= 700)].join("|");
})"""
# What the Tab key must reach, each marked with a number; of a group of radio buttons, one.
STOPS = """() => {
  const kinds = "a[href], button, input, select, textarea, summary, [tabindex='0']";
  const groups = new Set();
  return [...document.querySelectorAll(kinds)].filter(element => {
    if (element.disabled || !element.checkVisibility({visibilityProperty: true})) return false;
    if (element.type !== "radio") return true;
    const group = document.querySelectorAll(`input[type=radio][name="${element.name}"]`);
    return element === ([...group].find(each => each.checked) || group[0]);
  }).map((element, i) => { element.dataset.stop = i; return element.outerHTML.slice(0, 120); });
}"""
# The element that has the focus, and what of its looks the focus changes.
LOOK = """element => {
  const style = getComputedStyle(element);
  return [style.outlineStyle === "none" || parseFloat(style.outlineWidth) === 0 ? "" :
    style.outlineStyle + style.outlineWidth + style.outlineColor,
    style.boxShadow, style.borderColor, style.backgroundColor].join("|");
}"""


@pytest.fixture(params=LOOKED_AT)
def file(request: pytest.FixtureRequest, rendered: Render) -> Path:
    return rendered(*request.param).html


@pytest.fixture(params=[(r, t) for r in WRITTEN for t in (TRIALS[0], HOSTILE)], ids="-".join)
def typical(request: pytest.FixtureRequest, rendered: Render) -> Path:
    """A page of each report, for what does not depend on the trial's design; and a hostile one."""
    return rendered(*request.param).html


def serious(page: Any, contrast: bool = True) -> list[tuple[str, str, list[str]]]:
    """What axe finds that bars some readers: rule, help, the first elements."""
    from axe_playwright_python.sync_playwright import Axe

    options = {"resultTypes": ["violations"], "rules": {"color-contrast": {"enabled": contrast}}}
    return [
        (each["id"], each["help"], [node["html"][:150] for node in each["nodes"][:3]])
        for each in Axe().run(page, options=options).response["violations"]
        if each["impact"] in ("serious", "critical")
    ]


def test_all_is_seen_nothing_bars_a_reader_nor_asks_the_network(file: Path, browser: Any) -> None:
    """On a phone and on a desktop, folded and unfolded."""
    coloured: list[Any] = []
    for viewport in (PHONE, DESKTOP):
        with Visit(browser, file, viewport) as visit:
            for folded in (True, False):
                if not folded:
                    visit.unfold()
                seen = visit.page.evaluate(SEEN)
                assert seen == {"wide": 0, "out": [], "small": [], "blank": []}, (viewport, seen)
            assert visit.complaints == [], viewport
            # The slowest rule by far need not be asked again where nothing it reads has changed;
            # a page like another one is asked on a phone alone.
            coloured.append(visit.page.evaluate(COLOURED))
            again = len(coloured) == 1 or coloured[-1] != coloured[0]
            if viewport is PHONE or file.parent.name.endswith((TRIALS[0], HOSTILE)):
                assert serious(visit.page, contrast=again) == [], viewport


def test_code_is_folded_until_asked_for(typical: Path, browser: Any) -> None:
    with Visit(browser, typical, PHONE) as visit:
        code = visit.page.locator("details.code pre").first
        assert not code.is_visible()
        summary = visit.page.locator("details.code > summary")
        summary.click()
        assert code.is_visible()
        visit.page.keyboard.press("Enter")  # the summary has the focus
        assert not code.is_visible()
        assert visit.complaints == []


def test_keys_reach_every_control_and_show_where_they_are(typical: Path, browser: Any) -> None:
    with Visit(browser, typical, PHONE) as visit:
        visit.unfold()
        stops = visit.page.evaluate(STOPS)
        assert len(stops) >= 2
        unfocused = visit.page.evaluate(
            f"() => [...document.querySelectorAll('[data-stop]')].map({LOOK})"
        )
        reached: list[int] = []
        for _ in range(2 * len(stops) + 20):
            visit.page.keyboard.press("Tab")
            at = visit.page.evaluate("document.activeElement.dataset.stop ?? null")
            if at is None:
                if visit.page.evaluate("document.activeElement === document.body"):
                    break  # past the last one, out of the page
                continue  # a box the browser itself lets keys reach, because it scrolls
            stop = int(at)
            if reached and stop == reached[-1]:
                continue  # parts of one control, such as a date
            reached.append(stop)
            look = visit.page.evaluate(f"() => ({LOOK})(document.activeElement)")
            assert look != unfocused[stop], f"no sign of the focus: {stops[stop]}"
        assert [stops[i] for i in range(len(stops)) if i not in reached] == []
        assert reached[: len(stops)] == sorted(reached[: len(stops)])  # in reading order


def test_printed_from_the_browser(typical: Path, browser: Any) -> None:
    with Visit(browser, typical, A4) as visit:
        assert visit.page.locator(".paper:visible").count() == 0
        words = visit.page.locator("details:not(.code) p")
        visit.page.emulate_media(media="print")
        seen = visit.page.evaluate(SEEN)
        assert (seen["wide"], seen["out"], seen["blank"]) == (0, [], [])
        assert visit.page.locator(".screen:visible, .code:visible").count() == 0
        for i in range(words.count()):  # what is folded on the screen is not lost on paper
            # A page may leave a whole folded part off the paper.
            left_out = "e => e.closest('.screen') || !e.closest('details').checkVisibility()"
            if not words.nth(i).evaluate(left_out):
                assert words.nth(i).is_visible()


def test_cells_of_a_users_own(browser: Any, tmp_path: Path) -> None:
    """What someone may add to a notebook fits the page, on every screen and on paper."""
    wide = pd.DataFrame([[f"a rather long value {i}" for i in range(15)]] * 2)
    figure = Figure(figsize=(9, 2))
    figure.text(0.1, 0.5, "drawn")
    drawn = io.BytesIO()
    figure.savefig(drawn, format="png")
    outputs = [
        {"text/html": "<h1>One page</h1>"},
        {"text/html": wide._repr_html_(), "text/plain": "no"},
        {"image/png": base64.encodebytes(drawn.getvalue()).decode(), "text/plain": "no"},
        {"text/plain": "<b>" + "x" * 500},
        {"text/html": "<details><summary>More</summary><p>folded</p></details>"},
        {"text/html": '<p class="paper">for paper</p><p class="screen">for the screen</p>'},
    ]
    cells = [nbformat.v4.new_code_cell(f"own({i})") for i in range(len(outputs))]
    for cell, data in zip(cells, outputs, strict=True):
        cell.outputs = [nbformat.v4.new_output("display_data", data)]
    notebook = nbformat.v4.new_notebook(cells=cells)
    file = tmp_path / "own.html"
    file.write_text(render_page(notebook, "Own", Reader("own", "Own", "article")), encoding="utf-8")
    parser = html5lib.HTMLParser()
    parser.parse(file.read_text(encoding="utf-8"))
    assert parser.errors == []
    for viewport in (PHONE, DESKTOP):
        with Visit(browser, file, viewport) as visit:
            assert serious(visit.page) == []
            assert visit.page.evaluate(SEEN) == {"wide": 0, "out": [], "small": [], "blank": []}
            assert visit.page.get_by_text("for the screen").is_visible()
            assert not visit.page.get_by_text("for paper").is_visible()
            assert not visit.page.get_by_text("folded").is_visible()
            assert visit.page.locator("table").count() == 1
            assert visit.page.get_by_text("no", exact=True).count() == 0
            assert visit.page.get_by_text("<b>xxx").is_visible()
            paper = PdfReader(io.BytesIO(visit.page.pdf()))
            printed = " ".join(sheet.extract_text() for sheet in paper.pages)
            assert "for paper" in printed and "folded" in printed
            assert "for the screen" not in printed and "own(1)" not in printed
    on = PdfReader(io.BytesIO(on_paper(notebook, "Own", "article", "a4")))
    text = " ".join(sheet.extract_text() for sheet in on.pages)
    assert "a rather" in text and "for paper" in text and "for the screen" not in text


def test_markup_in_user_text_is_text(rendered: Render, browser: Any) -> None:
    for report in WRITTEN:
        with Visit(browser, rendered(report, HOSTILE).html, PHONE) as visit:
            visit.unfold()
            assert "<script>" in visit.page.title()
            assert visit.page.title() != "taken"
            assert visit.page.locator("[onerror]").count() == 0
            assert visit.complaints == []


@pytest.mark.parametrize("viewport", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_screenshot_is_not_blank(
    typical: Path, browser: Any, tmp_path: Path, viewport: dict[str, int]
) -> None:
    picture = tmp_path / "page.png"
    with Visit(browser, typical, viewport) as visit:
        visit.page.screenshot(path=picture)
    pixels = (imread(picture)[..., :3] * 255).round().astype(np.uint32)
    assert pixels.shape[:2] == (viewport["height"], viewport["width"])
    colours = np.unique(pixels @ np.array([65536, 256, 1], dtype=np.uint32))
    assert len(colours) > 50
    # A page with words and figures is mostly paper, and not only paper.
    dark = (pixels.mean(axis=2) < 128).mean()
    assert 0.01 < dark < 0.5


def test_moving_the_price_moves_the_money(rendered: Render, browser: Any) -> None:
    money = re.compile(r"(?:USD|\$|EUR|\u20ac)\s?\N{MINUS SIGN}?-?[\d,.\u202f\u00a0]+")
    with Visit(browser, rendered("grower", TRIALS[0]).html, DESKTOP) as visit:
        visit.unfold()
        price = visit.page.get_by_label(re.compile("price", re.IGNORECASE)).first
        main = visit.page.locator("main")
        before = money.findall(main.inner_text())
        was = float(price.input_value())
        seen = [before]
        for factor in (2.0, 0.5, 1.0):
            value = f"{was * factor:g}"
            price.evaluate(
                """(input, value) => {
                  input.value = value;
                  for (const kind of ["input", "change"])
                    input.dispatchEvent(new Event(kind, {bubbles: true}));
                }""",
                value,
            )
            seen.append(money.findall(main.inner_text()))
        assert before
        assert seen[1] != before and seen[2] != before and seen[2] != seen[1]
        assert seen[3] == before  # and back
        assert visit.complaints == []
