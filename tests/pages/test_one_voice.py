"""All pages of a trial say the same of every comparison: direction, grade, figures, advice."""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import nbformat
import own_trials
import pypdf
import pytest
from _pytest.mark import ParameterSet
from bs4 import BeautifulSoup
from one_voice import Reader, Said, disagreements, flat
from report_pages import LOOKED_AT, PAGES, TRIALS, Render
from snapshot import extract, frozen
from snapshot.sources import OF_ANALYSIS
from typer.testing import CliRunner

from trialkit.analysis import TrialAnalysis, analyse
from trialkit.cli import app
from trialkit.decide import Advice, verdict
from trialkit.pages import advice, demo_dir, field_day, researcher
from trialkit.pages import grower as grower_page
from trialkit.pages.html import html as html_of
from trialkit.pages.paper import add
from trialkit.pages.parts.responses import every_asked
from trialkit.pages.printing import Sheet, compile_pdf
from trialkit.pages.readers import READERS
from trialkit.pages.registry import Shown
from trialkit.pages.resources import notebooks_dir
from trialkit.pages.response.estimates import answers, contrasts
from trialkit.plots import Plot
from trialkit.responses import in_full
from trialkit.trial import load_trial


def parts(page: object, name: str) -> list[Shown]:
    """What the cells of a report's notebook show, without a kernel. Measured means and the effect
    along moisture and speed, other quantities and slow to draw, are read of the demo trials."""
    notebook = nbformat.read(notebooks_dir() / "reports" / f"{name}.ipynb", as_version=4)
    calls = [cell.source for cell in notebook.cells if cell.source.startswith("page.")]
    calls = [call for call in calls if call not in ("page.conditions()", "page.side_by_side()")]
    return [eval(call, {"page": page}) for call in calls]


def joined(pieces: list[Shown]) -> str:
    return "".join(piece.html for piece in pieces)


def paper(pieces: list[Shown], layout: str) -> str:
    """The text of the same on paper."""
    sheet = Sheet()
    for piece in pieces:
        add(sheet, piece.elements)
    return text_of(compile_pdf(sheet, layout, title="Trial", paper="us-letter"))


def text_of(pdf: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return flat(" ".join(page.extract_text() for page in pages))


@dataclass
class Told:
    """A trial and the texts that speak of it."""

    analysis: TrialAnalysis
    html: dict[str, str]
    plain: dict[str, str]

    def said(self, **altered: str) -> list[Said]:
        """Every statement; `altered` puts another text in the place of one."""
        first = verdict(self.analysis).first.primary
        reader = Reader(self.analysis, first.response, (first.label, first.reference_label))
        for where, html in self.html.items():
            reader.page(altered.get(where, html), where)
        for where, text in self.plain.items():
            reader.text(altered.get(where, text), where)
        return reader.said


def told(analysis: TrialAnalysis) -> Told:
    own_day = parts(field_day(analysis), "field_day")
    named = analysis.trial.fields["grower"].notna().any()
    grower = parts(grower_page(analysis, "A" if named else ""), "grower")
    page = researcher(analysis)
    own = [page.headline().html, page.answer().html]
    own += [
        f'<div data-response="{name}">{html_of(answers(asked))}</div>{html_of(contrasts(asked))}'
        for name, asked in every_asked(page.context).items()
    ]
    return Told(
        analysis,
        {"field_day": joined(own_day), "grower": joined(grower), "researcher": "".join(own)},
        {"handout": paper(own_day, "handout"), "grower_paper": paper(grower, "article")},
    )


EMPTY = '<svg xmlns="http://www.w3.org/2000/svg" width="96" height="48" viewBox="0 0 96 48"/>'
KEPT: dict[int, Told] = {}


def generated(number: int) -> Told:
    if number not in KEPT:
        with pytest.MonkeyPatch.context() as patch:
            # Their words are read, their drawing is not: that is most of the time.
            patch.setattr(Plot, "svg", lambda self: EMPTY)
            KEPT[number] = told(own_trials.analysed(number))
    return KEPT[number]


def numbered(every: Iterable[int]) -> list[ParameterSet]:
    """Trials by number, those that are not told of in every run by hand."""
    return [pytest.param(n, marks=[pytest.mark.slow] * (n not in own_trials.IN_EVERY_RUN))
            for n in every]  # fmt: skip


@pytest.mark.parametrize("number", numbered(range(len(own_trials.TRIALS))))
def test_pages_of_a_trial_speak_with_one_voice(number: int) -> None:
    trial = generated(number)
    said = trial.said()
    assert disagreements(said) == []
    # The reader is not blind: every page and paper is heard, on every kind of statement.
    heard = Counter((s.where, s.what[3].split()[0]) for s in said)
    for where in (*trial.html, *trial.plain):
        assert heard[where, "grade"] and heard[where, "amount"]
    found = verdict(trial.analysis)
    for own in found.levels:
        text = flat(advice.of_level(own, found))
        for where, html in trial.html.items():
            assert text in plain(html), where
        for where, words in trial.plain.items():
            # A line that ends on paper leaves a hyphen or a slash where it was.
            assert re.sub(r"\W", "", text) in re.sub(r"\W", "", words), where


def plain(html: str) -> str:
    return flat(BeautifulSoup(html, "html.parser").get_text(" "))


def test_the_trials_bring_up_every_advice_and_grade() -> None:
    found = [level for n in own_trials.IN_EVERY_RUN
             for level in verdict(generated(n).analysis).levels]  # fmt: skip
    assert {level.advice for level in found} == set(Advice)
    assert len({level.primary.grade for level in found}) == 4


def test_speed_is_advised_from_the_whole_balance_alone() -> None:
    seen = Counter()
    for number in own_trials.IN_EVERY_RUN:
        factors, system, prices, *_ = own_trials.TRIALS[number]
        trial = generated(number)
        found = verdict(trial.analysis)
        speeds = [v for v in found.levels if v.primary.factor == "speed"]
        assert bool(speeds) == any("speed" in f for f in factors)
        for own in speeds:
            assert own.time is not None
            area = "100 acres" if system == "US" else "40 ha"
            assert f"hours more per {area}" in plain(trial.html["field_day"])
            if "hour" not in prices:
                assert own.advice in (Advice.CHOICE, Advice.UNSETTLED)
            seen["hour" in prices, own.advice] += 1
    assert seen[False, Advice.CHOICE] and seen[True, Advice.PAYS]


ALTERED = (
    # Another direction, grade, figure, range, worth, advice.
    (10, "field_day", "left more loose kernels", "left fewer loose kernels"),
    (10, "handout", "left more loose kernels", "left clearly more loose kernels"),
    (10, "grower", r"(\d) bu/ac more \(", r"\1 bu/ac less ("),
    (4, "field_day", r"that is (\d)\d %", r"that is \g<1>x9 %"),
    (4, "grower_paper", r"(\d\.\d)\d to ", r"\g<1>x to "),
    (4, "researcher", r"(\d+) kg/ha more \((\d+) to", r"\1 kg/ha more (1 to"),
    (4, "grower", r"(loses grain worth USD )\d", r"\g<1>8"),
    (17, "handout", "Not settled yet: 1-1/2 in gap against 1-1/4 in gap.",
     "Stay with 1-1/4 in gap rather than 1-1/2 in gap, which left more loose kernels at the header "
     "here."),
    (17, "researcher", "<td>stay</td>", "<td>try</td>"),
    (15, "grower", "3.5 mph costs", "3.5 mph pays: it leaves"),
    # Money of a year: one rounding on every page.
    (0, "field_day", r"(per \w+, \w+ \d[\d,]*)\d( a year, (?:less|more) than)", r"\g<1>x\2"),
)  # fmt: skip


@pytest.mark.parametrize(("number", "where", "pattern", "other"), ALTERED)
def test_one_altered_sentence_is_found(number: int, where: str, pattern: str, other: str) -> None:
    trial = generated(number)
    text = (trial.html | trial.plain)[where]
    if "x" in other.replace("text", ""):  # a digit that is certainly another one
        altered = re.sub(pattern, lambda m: m[0].replace(*_digit(m)), text, count=1)
    else:
        altered = re.sub(pattern, other, text, count=1)
    assert altered != text
    assert disagreements(trial.said(**{where: altered}))


def _digit(found: re.Match) -> tuple[str, str]:
    """The last digit of what was found, and another."""
    last = re.findall(r"\d+(?:\.\d+)?", found[0])[-1]
    return last, last[:-1] + str((int(last[-1]) + 3) % 10)


# ---------------------------------------------------------------- the demo trials as printed
@pytest.mark.parametrize("name", TRIALS)
def test_demo_trials_as_printed_speak_with_one_voice(name: str, rendered: Render) -> None:
    pages = {r: rendered(r, name) for r in READERS if r != "header" and (r, name) in PAGES}
    terminal = {}
    if name == TRIALS[0]:  # the command analyses once more
        done = CliRunner().invoke(app, ["analyse", str(demo_dir(name))])
        assert done.exit_code == 0
        terminal["terminal"] = flat(done.stdout)
    trial = Told(
        analyse(load_trial(demo_dir(name)), responses=in_full()),
        {r: made.html.read_text(encoding="utf-8") for r, made in pages.items()},
        {f"{r}, paper": text_of(made.pdf.read_bytes()) for r, made in pages.items()}
        | terminal,
    )
    said = trial.said()
    assert disagreements(said) == []
    assert {s.where for s in said} == {*trial.html, *trial.plain}


# ------------------------------------------------------------- numbers as frozen, see snapshot/
def pages(number: int) -> dict[str, set[str]]:
    """Numbers of the pages of a generated trial."""
    trial = generated(number)
    html = dict(trial.html)
    if number in extract.WHOLE:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Plot, "svg", lambda self: EMPTY)
            whole = parts(researcher(trial.analysis), "researcher")
        html["researcher"] = "".join(shown.html for shown in whole)
    return {f"generated {number}, {page}": extract.of_page(text)
            for page, text in html.items()}  # fmt: skip


@pytest.mark.parametrize("number", numbered(extract.GENERATED))
def test_numbers_of_a_generated_trial_are_the_frozen_ones(number: int) -> None:
    name = f"generated {number}"
    for source, extracted in OF_ANALYSIS.items():
        found = extracted(generated(number).analysis)
        frozen.hold(f"{source}, {name}", frozen.changes(frozen.read(source)[name], found))
    if number in extract.PLANNED:
        found = extract.of_power(own_trials.config(number))
        frozen.hold(f"power, {name}", frozen.changes(frozen.read("power")[name], found))
    before = frozen.read_pages()
    for page, words in pages(number).items():
        frozen.hold(page, frozen.changes_of_page(before[page], words))


@pytest.mark.parametrize("looked_at", LOOKED_AT)
def test_numbers_of_a_printed_page_are_the_frozen_ones(
    looked_at: tuple[str, str], rendered: Render
) -> None:
    words = extract.of_page(rendered(*looked_at).html.read_text(encoding="utf-8"))
    page = ", ".join(looked_at[::-1])
    frozen.hold(page, frozen.changes_of_page(frozen.read_pages()[page], words))
