"""The handout: one sheet, two sides, whatever the trial is like."""

from __future__ import annotations

import io
from dataclasses import replace

import nbformat
import pytest
from frozen_trials import frozen_dir
from pypdf import PdfReader
from report_pages import Render

import trialkit as tk
from trialkit.analysis import TrialAnalysis, analyse
from trialkit.pages import demo_dir, field_day, notebooks_dir
from trialkit.pages.elements import whole
from trialkit.pages.paper import add
from trialkit.pages.printing import PAPERS, Sheet, compile_pdf
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.trial import load_trial

LONG = (
    "Cushioned gathering chain with the long rubber lugs, new at the start of the season, "
    "tensioned by the manual"
)
SIZES = {"us-letter": (612, 792), "a4": (595, 842)}


def handout(analysis: TrialAnalysis, paper: str) -> PdfReader:
    """The page's parts set for paper, as the notebook shows them, without a kernel."""
    made = {"page": field_day(analysis)}
    notebook = nbformat.read(notebooks_dir() / "reports" / "field_day.ipynb", as_version=4)
    sheet = Sheet()
    for cell in notebook.cells:
        if cell.source.startswith("page."):
            add(sheet, eval(cell.source, made).elements)
    return PdfReader(io.BytesIO(compile_pdf(sheet, "handout", title="Field day", paper=paper)))


def check(pdf: PdfReader, analysis: TrialAnalysis, paper: str) -> list[str]:
    """Two pages of the paper's size, fonts inside, the headline and the cautions as text."""
    assert len(pdf.pages) == 2
    for page in pdf.pages:
        assert [round(float(v)) for v in page.mediabox[2:]] == list(SIZES[paper])
        fonts = page["/Resources"]["/Font"].get_object()
        assert len(fonts) >= 2
        for font in fonts.values():
            inner = font.get_object()["/DescendantFonts"][0].get_object()
            assert (
                "/FontFile2" in inner["/FontDescriptor"]
                or "/FontFile3" in (inner["/FontDescriptor"])
            )
    texts = [" ".join(page.extract_text().split()) for page in pdf.pages]
    page = field_day(analysis)
    first = page.context.findings(page.context.response)[0]
    assert whole(first.sentence.rstrip(".")) in texts[0]
    assert first.absolute[0] in texts[0]
    for words in (
        "What to try",
        "What we do not know",
        "How it was measured",
        "take the key out",
        "29 CFR 1928.57",
        "Thanks to",
    ):
        assert words in texts[1]
    return texts


def smallest_type(pdf: PdfReader) -> float:
    """Of running text, in points: pictures have their own scale."""
    sizes: list[float] = []

    def visit(text: str, _cm: list, tm: list, _font: object, size: float) -> None:
        if len(text.split()) > 5:
            sizes.append(size * abs(tm[3]))

    for page in pdf.pages:
        page.extract_text(visitor_text=visit)
    return min(sizes)


@pytest.fixture(scope="module", params=["cushion_pairs", "gap_fields", "split_strips"])
def analysis(request: pytest.FixtureRequest, analysed) -> TrialAnalysis:
    return analysed(request.param)


@pytest.mark.parametrize("paper", list(SIZES))
def test_two_sides_on_either_paper(analysis: TrialAnalysis, paper: str) -> None:
    pdf = handout(analysis, paper)
    texts = check(pdf, analysis, paper)
    assert "What else was counted" in texts[0]
    assert smallest_type(pdf) > 7.5
    option = analysis.trial.config.option
    assert ("Chance that it pays for itself on 600 ac a year" in texts[0]) == (option is not None)


def test_without_a_price_another_picture_takes_its_place(analysis: TrialAnalysis) -> None:
    config = replace(analysis.trial.config, price_per_t=None, option=None)
    changed = replace(analysis, trial=replace(analysis.trial, config=config))
    texts = check(handout(changed, "a4"), changed, "a4")
    assert "Damaged kernels, %" in texts[0]
    assert "Balance in a year" not in texts[0]


def test_long_labels_shrink_the_type_and_not_the_words(analysis: TrialAnalysis) -> None:
    setups = tuple(
        replace(f, level_labels=tuple(f"{LONG} ({label})" for label in f.level_labels))
        for f in analysis.trial.config.setups
    )
    config = replace(analysis.trial.config, setups=setups, title=f"{LONG} against {LONG}")
    changed = tk.analyse(replace(analysis.trial, config=config))
    texts = check(handout(changed, "us-letter"), changed, "us-letter")
    assert config.title in texts[0]


@pytest.mark.parametrize("paper", list(SIZES))
def test_four_setups(paper: str) -> None:
    config = tk.load_trial(frozen_dir("gap_fields")).config
    (gap,) = config.setups
    levels = ("narrow", "usual", "wide", "widest")
    labels = (*gap.level_labels, "Widest (1-3/4 in)")
    config = replace(config, setups=(replace(gap, levels=levels, level_labels=labels),))
    truth = Truth(
        preharvest=3.0, header=12.0, header_ratios={"gap": {"wide": 1.5, "widest": 2.0}},
        sd={"pair": 0.2, "strip": 0.15, "frame": 0.5}, preharvest_sd={"frame": 0.5},
    )  # fmt: skip
    trial = simulate_trial(config, truth, seed=4, blocks=5, fields=("North", "South"),
                           effort=Effort())  # fmt: skip
    found = tk.analyse(trial)
    texts = check(handout(found, paper), found, paper)
    assert all(label in texts[0] for label in labels)


def test_rendered_beside_the_page(rendered: Render) -> None:
    made = rendered("field-day", "cushion_pairs")
    analysis = analyse(load_trial(demo_dir("cushion_pairs")))
    assert made.pdf is not None
    pdf, trial = PdfReader(made.pdf), analysis.trial
    check(pdf, analysis, PAPERS[trial.config.units])
    assert pdf.metadata is not None and trial.config.title in str(pdf.metadata.title)
