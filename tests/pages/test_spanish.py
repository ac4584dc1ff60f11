"""Paper for the field in another language: nothing English left on it, and it still fits."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from pypdf import PdfReader
from test_cards import CHAIN, config, pages, texts, write_plan
from test_paper import A4

from trialkit import plan as tp
from trialkit import plots
from trialkit.errors import ReportError
from trialkit.pages import cards
from trialkit.pages.field_paper import SHEETS
from trialkit.pages.field_paper.content import content
from trialkit.pages.field_paper.labels import label_list
from trialkit.pages.field_paper.source import field_trial
from trialkit.plots.row_unit import DRAWINGS
from trialkit.responses import ZONES, schema
from trialkit.words.es.cards import template

NOTE = "Traducción por revisar"
# Spelt alike in both languages, or of neither: units and agencies.
ALIKE = set(
    ["bushel", "hospital", "manual", "plan", "total", "mph", "usda", "cfr", "iso", "min"]
)
# What stands in Spanish text on purpose: titles of sources, words the tables are filled in with.
NAMES = re.compile(
    r"Sumner & Williams.*?\[2\] University of Missouri Ext\. G1290"
    r"|Safety sentences.*?translator\."
    r"|\(en la tabla: sound,\s+torn,\s+missing\)"
    r"|(?:Izquierda )?\(left\)|\(right\)|\((?:tank|behind)\)",
    re.DOTALL,
)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_plan(tmp_path_factory.mktemp("us"))


@pytest.fixture(scope="module")
def metric(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_plan(tmp_path_factory.mktemp("si"), "SI", rows=16)


@pytest.fixture(scope="module")
def spanish(planned: Path) -> list[str]:
    """Text of every page that is not left empty, those of the labels last."""
    made = cards(planned, language="es")
    assert made.sheets is not None and PdfReader(made.sheets).trailer["/Root"]["/Lang"] == "es"
    return [text for text in (*texts(made.sheets), *texts(made.labels)) if text.strip()]


def vocabulary(text: str) -> set[str]:
    """Words of three letters or more, small."""
    return set(re.findall(r"[a-záéíóúüñ]{3,}", text.lower()))


def given() -> set[str]:
    """Words that are the user's own or the tables' own, whatever the language."""
    own = [CHAIN.label, *CHAIN.level_labels, *CHAIN.levels, "Loops North"]
    tables = [schema.TABLES[name] for name in schema.TABLES]
    names = [name for t in tables for name in (t.name, *(c.name for c in t.columns))]
    levels = [level for t in tables for c in t.columns for level in c.levels]
    return vocabulary(" ".join([*own, *ZONES, *levels, *names]).replace("_", " "))


def strings(value: Any) -> Iterator[str]:
    """Every text that the template gets, but for the names of pictures."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from strings(inner) if key not in ("file", "code", "paper", "sheets") else ()
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from strings(inner)


def said(folder: Path, language: str, blind: bool) -> str:
    """All that the template and the labels get, in one text; the setups told on the card too where
    not `blind`, then without the header's sheets."""
    trial = field_trial(folder, language=language)
    data, _ = content(trial, SHEETS if blind else ("crew", "cards", "run"), "a4", blind)
    return " ".join(strings([data, label_list(trial)]))


@pytest.fixture(scope="module")
def english(planned: Path, metric: Path) -> set[str]:
    """The words of English sheets."""
    told = vocabulary(f"{said(planned, 'en', True)} {said(metric, 'en', False)}")
    return told - given() - ALIKE


def test_no_english_word_is_said(planned: Path, metric: Path, english: set[str]) -> None:
    """Of all words of the English sheets of a trial, none stands on its Spanish ones."""
    assert len(english) > 400
    for text in (said(planned, "es", True), said(metric, "es", False)):
        assert "mazorcas" in text and "Cambio" in text
        left = vocabulary(NAMES.sub(" ", " ".join(text.split()))) & english
        assert not left, left


def test_no_english_word_is_printed(spanish: list[str], english: set[str]) -> None:
    left = vocabulary(NAMES.sub(" ", " ".join(" ".join(spanish).split()))) & english
    assert not left, left


def drawings(language: str, plan: Any) -> dict[str, plots.Plot]:
    made = {name: draw(language=language) for name, draw in DRAWINGS.items()}
    for system in ("US", "SI"):
        made[f"zones {system}"] = plots.count_zones(system, language=language)  # type: ignore[arg-type]
    return made | {"map": plots.pass_map(plan, language=language)}


def written(figure: plots.Plot) -> list[Text]:
    return [t for t in figure.findobj(Text) if t.get_text().strip()]


def test_drawings_are_spanish_and_words_of_both_lie_inside() -> None:
    plan = tp.plan_trial(config(), tp.Ground("North", 400.0, planter_rows=16), blocks=2, seed=4)
    one, other = (drawings(language, plan) for language in ("en", "es"))
    for name, figure in other.items():
        for drawn in (one[name], figure):
            canvas = FigureCanvasAgg(drawn)
            canvas.draw()
            # Two pixels at 100 a inch: a stroke's width.
            page = drawn.bbox.padded(2)
            for text in written(drawn):
                box = text.get_window_extent(canvas.get_renderer())
                assert page.contains(box.x0, box.y0) and page.contains(box.x1, box.y1), text
        said = [
            vocabulary(" ".join([*(t.get_text() for t in written(f)), f.summary, f.alt_text]))
            for f in (one[name], figure)
        ]
        assert not (said[0] & said[1]) - given() - ALIKE, name
        assert figure.alt_text != one[name].alt_text


def test_spanish_sheets_fit(spanish: list[str], planned: Path) -> None:
    """A card of 20 frames is one leaf, a side of the header's sheet one page, on US letter."""
    note = re.compile(rf"\s*{NOTE}.*translator\.\s*$", re.DOTALL)
    sheets = [text for text in spanish if re.search(r"\d+ / \d+", text)]
    assert all(note.search(text) for text in sheets)  # on every sheet, under its number
    sheets = [note.sub("", text) for text in sheets]
    words = template()
    wanted = {"front": 4, "back": 4, "crew": 2, "operator": 2, "header_check": 3, "ground": 1}
    assert {key: len(pages(sheets, str(words[key]))) for key in wanted} == wanted


def test_spanish_sheets_fit_on_a4(metric: Path, tmp_path: Path) -> None:
    made = cards(metric, tmp_path, sheets=["cards", "header"], language="es", blind=False)
    reader = PdfReader(str(made.sheets))
    # Four cards of two sides; three sides and one left empty for each half of the rows; stalks.
    assert len(reader.pages) == 4 * 2 + 2 * 4 + 1
    assert [float(x) for x in reader.pages[0].mediabox.upper_right] == pytest.approx(A4, abs=0.01)


def test_another_language_is_refused_with_those_that_exist(planned: Path, tmp_path: Path) -> None:
    with pytest.raises(ReportError, match=r"language 'fr'; choose from en, es"):
        cards(planned, tmp_path, language="fr")
    assert not list(tmp_path.iterdir())
