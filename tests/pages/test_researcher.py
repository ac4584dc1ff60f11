"""The researcher's report: what it says is what the analysis found, in every section, for every
demo trial; names and hostile labels; what can be taken from it."""

from __future__ import annotations

import base64
import html
import io
import re
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import nbformat
import numpy as np
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit.analysis.questions.findings import DOUBT, NOTE
from trialkit.pages import notebooks_dir, researcher
from trialkit.pages.elements import Element, Table, every, plain, whole
from trialkit.pages.export import nameless
from trialkit.pages.html import html as as_html
from trialkit.pages.letters import Letters
from trialkit.pages.page import Page
from trialkit.pages.paper import add
from trialkit.pages.parts.responses import every_asked
from trialkit.pages.printing import Sheet, compile_pdf
from trialkit.pages.response import formulas, further, holds
from trialkit.pages.response.asked import SIMULATED, SIMULATED_BRIEF, Asked
from trialkit.quantities import decimals, number
from trialkit.responses import in_full

DEMOS = ("cushion_pairs", "gap_fields", "split_strips")
SECTIONS = ("design", "result", "left-out", "change", "margins", "trust", "appendix", "answer",
            "as-run", "quality", "header-loss", "kernel-damage", "scores", "others", "estimation",
            "calibration", "methods", "downloads")  # fmt: skip
# Two responses in full, one of each other family folded.
RESPONSES = ("header_loss", "kernel_damage", "processing_loss", "broken_corn", "yield",
             "residue_score")  # fmt: skip
HOSTILE = '</mtext><script>alert(1)</script> $#panic("x")$ \\text{a}_b "q" & <b>'


def parts_of(page: Page) -> list[tuple[Element, ...]]:
    """The page's parts, as the notebook's cells make them, without a kernel."""
    notebook = nbformat.read(notebooks_dir() / "reports" / "researcher.ipynb", as_version=4)
    calls = [cell.source for cell in notebook.cells if cell.source.startswith("page.")]
    assert [call[len("page.") : -len("()")] for call in calls] == list(page.parts)
    return [eval(call, {"page": page}).elements for call in calls]


class Made:
    """A page and what was made of it."""

    def __init__(self, name: str) -> None:
        self.analysis = tk.analyse(tk.load_trial(frozen_dir(name)), responses=RESPONSES)
        self.page = researcher(self.analysis)
        self.parts = parts_of(self.page)
        self.asked = every_asked(self.page.context)
        self.html = "".join(map(as_html, self.parts))
        self.soup = BeautifulSoup(f"<main>{self.html}</main>", "html.parser")


@pytest.fixture(scope="module", params=[
    pytest.param(name, marks=[pytest.mark.slow] * (name == "gap_fields")) for name in DEMOS
])  # fmt: skip
def made(request: pytest.FixtureRequest) -> Made:
    return Made(request.param)


def rows_of(made: Made, section: str, caption: str) -> list[list[str]]:
    """Text of the cells of a table whose caption begins so."""
    for table in made.soup.find(class_=section).find_all("table"):
        if table.caption.get_text().startswith(caption):
            return [
                [c.get_text() for c in tr.find_all(["th", "td"])] for tr in table.find_all("tr")
            ]
    raise AssertionError(f"no table {caption!r} in {section}")


def test_the_method_told_is_the_one_the_degrees_of_freedom_come_from(made: Made) -> None:
    paper = made.soup.find(class_="methods").get_text()
    judges = [j for r in made.analysis.responses.values() for j in r.judges.values()]
    integrated = [not isinstance(judge, float) for judge in judges]
    assert any(integrated) == ("integrate the restricted likelihood" in paper)
    assert all(integrated) != ("Kenward and Roger, at most those of the layout" in paper)
    for result in made.analysis.responses.values():
        for row in result.contrasts.itertuples():
            if isinstance(result.judges[row.factor], float):
                assert row.df <= result.design.strata[row.factor].df + 1e-6


def test_every_section_is_there_and_reached(made: Made) -> None:
    ids = [tag["id"] for tag in made.soup.find_all(id=True)]
    assert len(ids) == len(set(ids)) and set(SECTIONS) <= set(ids)
    targets = [a["href"][1:] for a in made.soup.find("nav").find_all("a")]
    assert len(targets) > 25 and set(targets) <= set(ids)
    levels = [int(t.name[1]) for t in made.soup.find_all(re.compile(r"h[1-6]"))]
    assert levels.count(1) == 1 and levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert all(len(img["alt"]) > 40 for img in made.soup.find_all("img"))
    text = made.soup.get_text(" ")
    assert not re.search(r"signific|proves|Traceback|Warning:|\bnan\b|\binf\b", text)
    for known in (tk.__version__, made.analysis.trial.data_hash(), "Kenward", "Holm"):
        assert known in text


def test_estimates_are_those_of_the_analysis(made: Made) -> None:
    us = made.analysis.trial.config.units == "US"
    for name, section in (("header_loss", "header-loss"), ("kernel_damage", "kernel-damage")):
        result = made.analysis[name]
        suffix = "_bu_ac" if us and result.unit == "kg/ha" else ""
        head, *rows = rows_of(made, section, f"{result.title}: adjusted means")
        assert len(rows) == len(result.means)
        for shown, (_, row) in zip(rows, result.means.iterrows(), strict=True):
            own = [row[c + suffix] for c in ("estimate", "low", "high")]
            places = decimals((own[2] - own[1]) / 2)
            value, low, high = (number(v, places) for v in own)
            assert shown[:2] == [whole(row["label"]), f"{value} ({low} to {high})"]
        head, *rows = rows_of(made, section, f"{result.title}: differences")
        for shown, (_, row) in zip(rows, result.contrasts.iterrows(), strict=True):
            cells = dict(zip(head, shown, strict=True))
            assert cells["df"] == number(row["df"], 1)
            ends = [number(row[f"ratio{e}"], 2) for e in ("", "_low", "_high")]
            assert cells["ratio"] == f"{ends[0]} ({ends[1]} to {ends[2]})"
            if row["p_adjusted"] >= 0.001:
                assert float(cells["p, Holm"]) == pytest.approx(row["p_adjusted"], rel=0.06)
        terms = rows_of(made, section, f"{result.title}: F tests")[1:]
        assert [float(r[1]) for r in terms] == pytest.approx(result.term_tests["F"], abs=0.006)


def test_pairwise_by_tukey_for_three_levels_or_more(made: Made) -> None:
    result = made.analysis["header_loss"]
    three = [f for f in result.design.factors if len(result.design.levels[f.name]) > 2]
    captions = [c.get_text() for c in made.soup.find(class_="header-loss").find_all("caption")]
    assert sum("Tukey" in c for c in captions) == len(three)
    for factor in three:
        _, *rows = rows_of(made, "header-loss", f"{whole(factor.label)}: every two levels")
        table = result.pairwise(factor.name).table
        assert len(rows) == len(table)
        for shown, p in zip(rows, table["p_adjusted"], strict=True):
            given = shown[-1]
            assert (
                p < 0.001 if given == "below 0.001" else float(given) == pytest.approx(p, rel=0.06)
            )


def test_each_answer_or_its_reason_stands(made: Made) -> None:
    """What the design allows is drawn; where it does not the analysis' own sentence stands."""
    text = " ".join(made.soup.find(class_="header-loss").get_text(" ").split())
    text = text.replace("\N{NON-BREAKING HYPHEN}", "-")
    result = made.analysis["header_loss"]
    # Curves are drawn for the comparison with the smallest p.
    best = result.contrasts.loc[result.contrasts["p_adjusted"].idxmin()]
    chosen = {"factor": best["factor"], "level": best["level"]}
    asked = (
        lambda: result.field_effects(),
        lambda: result.effect_along("moisture", **chosen),
        lambda: result.effect_along("speed_measured", **chosen),
        lambda: result.surface(),
    )
    for ask in asked:
        try:
            ask()
        except tk.errors.DesignError as error:
            assert " ".join(str(error).split()) in text
    told = made.page.context.letters.text
    assert told(made.asked["header_loss"].check.verdict) in text
    assert result.alternatives().conclusion in text
    assert result.power(*result.contrasts.loc[0, ["factor", "level"]]).sentence in text


def test_downloads_hold_the_tables(made: Made) -> None:
    links = {a["download"]: a["href"] for a in made.soup.find(class_="downloads").find_all("a")}
    for name, href in links.items():
        assert href.startswith("data:"), name
    letters = Letters(made.analysis.trial)
    data = base64.b64decode(links["contrasts.csv"].split(";base64,")[1])
    read = pd.read_csv(io.BytesIO(data), encoding="utf-8-sig")
    own = pd.concat([r.contrasts for r in made.analysis.responses.values()], ignore_index=True)
    assert read["difference"].to_numpy() == pytest.approx(own["difference"].to_numpy())
    assert read["p_adjusted"].to_numpy() == pytest.approx(own["p_adjusted"].to_numpy())
    book = pd.read_excel(
        io.BytesIO(base64.b64decode(links["analysis.xlsx"].split(";base64,")[1])), sheet_name=None
    )
    scripts = {"refit.R", "refit.sas"}
    assert {f"{sheet}.csv" for sheet in book} == set(links) - {"analysis.xlsx", *scripts}
    # What is printed of the primary response stands in the files; its rows are those of the model.
    files = [
        base64.b64decode(links[name].split(";base64,")[1]).decode() for name in sorted(scripts)
    ]
    for listing, file in zip(made.soup.find_all("pre"), files, strict=True):
        printed = listing.get_text().split("\n\n")[1:]
        assert len(printed) == 2 and all(model.strip() in file for model in printed)
    rows = book["model_rows"].query("response == 'header_loss' and part == 'result'")
    seen = made.analysis["header_loss"].data
    assert rows["y"].tolist() == seen["loose_kernels"].tolist()
    assert np.exp(rows["log_area"]).to_numpy() == pytest.approx(seen["area"].to_numpy())
    assert rows["unit_strip"].nunique() == rows["strip"].nunique() == seen["strip"].nunique()
    strips = nameless(made.analysis["header_loss"].by_strip, letters)
    shown = book["by_strip"].query("response == 'header_loss'")
    assert shown["value"].to_numpy() == pytest.approx(strips["value"].to_numpy())
    checked = book["checks"].query("response == 'header_loss'")
    table = made.asked["header_loss"].check.checks
    assert checked["p"].to_numpy() == pytest.approx(table["p"].to_numpy())


def test_a_figure_holds_no_more_units_than_a_page(
    made: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    check = made.asked["header_loss"].check
    table = check.influence
    units = int(table.groupby(["factor", "level"]).size().iloc[0])
    monkeypatch.setattr("trialkit.pages.response.holds.UNITS_DRAWN", 3)
    row = check.full.iloc[0]
    shown, words = holds.moved_most(check, row)
    own = table[table["factor"].eq(row["factor"]) & table["level"].eq(row["level"])]
    moved = (own["difference"] - row["difference"]).abs()
    assert set(shown.influence.index) == set(moved.sort_values().index[-3:])
    assert f"3 of {units}" in words


def test_names_are_letters(made: Made) -> None:
    """Unless growers agreed, no name in the text, a figure, a formula or a file."""
    trial = made.analysis.trial
    names = set(trial.fields["field"]) | {str(n) for n in trial.fields["grower"].dropna()}
    shown = html.unescape(made.html)
    for data in re.findall(r"svg\+xml;base64,([^\"]+)", made.html):
        shown += base64.b64decode(data).decode()
    for kind, data in re.findall(r"href=\"data:([^;]+);[^\"]*base64,([^\"]+)", made.html):
        raw = base64.b64decode(data)
        if kind.startswith("text/"):
            shown += raw.decode("utf-8-sig")
        else:
            shown += "".join(t.to_csv() for t in pd.read_excel(io.BytesIO(raw), None).values())
    assert names and not [name for name in names if name in shown]
    assert "Field A" in shown


def test_agreed_names_stand() -> None:
    trial = tk.load_trial(frozen_dir())
    agreed = replace(trial, config=replace(trial.config, growers_agreed=True))
    page = researcher(tk.analyse(agreed, responses=["kernel_damage"]))
    assert str(trial.fields["field"].iloc[0]) in page.as_run().html
    assert "Not analysed." in page.full().html


def test_formulas_are_well_formed_on_both_sides(made: Made) -> None:
    """MathML parses as XML; Typst sets every formula; every factor is in the predictor."""
    found = made.soup.find_all(attrs={"data-typst": True})
    assert len(found) > 20
    for tag in found:
        root = ElementTree.fromstring(str(tag.find("math")))
        assert len(list(root.iter())) > 3
    for name, asked in made.asked.items():
        lines = formulas.predictor(asked.result, Letters(made.analysis.trial))
        fixed = BeautifulSoup(as_html(line.element(name) for line in lines), "html.parser")
        typst = " ".join(tag["data-typst"] for tag in fixed.find_all(class_="formula"))
        for factor in asked.result.design.factors:
            assert factor.label in fixed.get_text()
            assert f'"{factor.label}"' in typst
    sheet = Sheet()
    add(sheet, [e for part in made.parts for e in every(part) if isinstance(e, formulas.Formula)])
    assert compile_pdf(sheet, "article", title="formulas").startswith(b"%PDF")


def test_hostile_labels_stay_text() -> None:
    trial = tk.load_trial(frozen_dir())
    setup = replace(trial.config.setups[0], label=HOSTILE, level_labels=(HOSTILE + "1", "=1+1"))
    config = replace(trial.config, setups=(setup,), title=HOSTILE)
    page = researcher(tk.analyse(replace(trial, config=config), responses=RESPONSES[:3]))
    parts = parts_of(page)
    shown = "".join(map(as_html, parts))
    soup = BeautifulSoup(shown, "html.parser")
    assert not soup.find("script") and not soup.find("b") and "<script" not in shown
    math = soup.find(class_="header-loss").find_all("math")
    assert any("</mtext><script>" in m.get_text() for m in math)
    sheet = Sheet()
    for part in parts:
        add(sheet, part)
    # Markup that ran would stop the setting: the label calls panic.
    assert compile_pdf(sheet, "article", title=HOSTILE).startswith(b"%PDF")
    assert "panic" in "".join(sheet.blocks)
    csv = next(a["href"] for a in soup.find_all("a", download="means.csv"))
    assert "'=1+1" in base64.b64decode(csv.split(";base64,")[1]).decode("utf-8-sig")


def test_enough_is_simulated_for_a_check_to_be_heard(analysed) -> None:
    """Holm's first step takes the least p there can be times the number of checks."""
    analysis = analysed("gap_fields")
    for name, result in analysis.responses.items():
        checks = result.check(n=20, influence=False).checks
        simulated = int((checks["simulations"] > 0).sum())
        n, cut = (SIMULATED, DOUBT) if name in in_full() else (SIMULATED_BRIEF, NOTE)
        assert simulated / (n + 1) < cut, name


def test_where_no_mean_is_clear_of_zero_the_difference_is_drawn() -> None:
    analysis = tk.analyse(tk.load_trial(frozen_dir("gap_fields")), responses=["header_loss"])
    result = analysis["header_loss"]
    unsure = replace(result, offset=replace(result.offset, variance=1e6))
    asked = Asked(unsure, Letters(analysis.trial), "US")
    drawn = BeautifulSoup(as_html(further.along(asked)), "html.parser")
    captions = [c.get_text() for c in drawn.find_all("figcaption")]
    assert captions and all("differences stand" in c for c in captions)


def lines_of(made: Made, name: str) -> list[dict[str, str]]:
    """Rows of the first table of a part, cells by heading."""
    found = next(e for e in every(made.page[name].elements) if isinstance(e, Table))
    return [dict(zip(found.head, map(plain, row), strict=True)) for row in found.rows]


def test_the_first_table_holds_the_cross_checks_of_every_primary_comparison(made: Made) -> None:
    """The least and the most of other answers are those of their own tables."""
    asked = made.asked["header_loss"]
    rows, ours = lines_of(made, "result"), iter(asked.result.contrasts.to_dict("records"))
    starts = [i for i, row in enumerate(rows) if row["answer"].endswith(", by the model")]
    assert len(starts) == len(asked.result.contrasts)
    for start, end in pairwise([*starts, len(rows)]):
        row, own = next(ours), rows[start:end]
        assert own[0]["p, Holm"] == ("below 0.001" if row["p_adjusted"] < 0.001
                                     else f"{row['p_adjusted']:.2g}")  # fmt: skip
        assert own[1]["answer"] == row["classical"]
        key = (row["factor"], row["level"])
        without = asked.check.influence.set_index(["factor", "level"]).loc[[key]]
        others = asked.alternatives.table.query("role == 'alternative'")
        others = others.set_index(["factor", "level"]).loc[[key]]
        for line, table in ((own[-1], without), (own[-2], others)):
            known = table["ratio"].dropna()
            ends = dict.fromkeys(f"{v:.2f}" for v in (known.min(), known.max()))
            assert line["ratio"] == " to ".join(ends), line


def test_design_tells_units_and_freedom_of_every_factor(made: Made) -> None:
    """Counted from the strips."""
    result = made.analysis["header_loss"]
    rows = {row["setup factor"]: row for row in lines_of(made, "design")}
    assert len(rows) == len(result.design.factors)
    for factor in result.design.factors:
        row = rows[factor.label]
        assert row["df of the layout"] == str(result.design.strata[factor.name].df)
        if row["set on"] == "strips":
            sizes = made.analysis.trial.strips.groupby(factor.name).size()
            assert row["units of a level"] == " to ".join(
                dict.fromkeys(str(n) for n in (sizes.min(), sizes.max()))
            )


def test_a_margin_that_was_stated_is_answered(made: Made) -> None:
    """Against the one-sided test itself; without one the least margin shown stands."""
    score = made.analysis["residue_score"]
    least = lines_of(made, "margins")
    assert len(least) == len(score.contrasts) and "margin stated" not in least[0]
    found = {f: score.no_more_than(9.0, scale="difference", factor=f) for f in score.design.names}
    bounds = pd.concat([f.table for f in found.values()])["high"]
    for row, bound in zip(least, bounds, strict=True):
        side = "below" if bound < 0 else "above"
        assert row["shown to be no more than"].endswith(f"steps {side}")
    for margin, answer in ((9.0, "shown"), (1e-6, None)):
        model = replace(made.analysis.trial.config.model, margins=(("residue_score", margin),))
        config = replace(made.analysis.trial.config, model=model)
        trial = replace(made.analysis.trial, config=config)
        page = researcher(replace(made.analysis, trial=trial))
        table = next(e for e in every(page.margins().elements) if isinstance(e, Table))
        told = [dict(zip(table.head, map(plain, row), strict=True))["answer"] for row in table.rows]
        assert len(told) == len(bounds)
        assert all(t == answer for t in told) if answer else "shown" not in [
            t for t, bound in zip(told, bounds, strict=True) if bound > margin
        ]  # fmt: skip


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_on_paper_the_appendix_begins_on_the_third_page(made: Made, paper: str) -> None:
    from pypdf import PdfReader

    sheet = Sheet(lettering=9.5)
    for part in made.parts:
        add(sheet, part)
    pages = PdfReader(io.BytesIO(compile_pdf(sheet, "article", title="t", paper=paper))).pages
    heads = [page.extract_text().strip().splitlines()[0] for page in pages]
    assert heads.index("Appendix") == 2
    assert "How far the intervals were tried" in pages[1].extract_text()


def test_another_primary_response_is_told_in_full(made: Made) -> None:
    """Where a trial is first of all about the score, its section stands first."""
    trial = made.analysis.trial
    model = replace(trial.config.model, primary="residue_score")
    trial = replace(trial, config=replace(trial.config, model=model))
    page = researcher(tk.analyse(trial, responses=["residue_score", "yield"]))
    first, *others = page.full().elements
    assert first.name == "residue-score" and len(first.elements) > 10
    assert all("Not analysed." in as_html([other]) for other in others)
    assert "exact test of ranks" in as_html(page.result().elements)
