"""The grower's page: whose names it shows, what it says, and its figures in Python and script."""

from __future__ import annotations

import base64
import html
import json
import re
import shutil
import subprocess
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import nbformat
import numpy as np
import pytest
from bs4 import BeautifulSoup
from frozen_trials import frozen_dir
from report_pages import CHROMIUM, Visit
from scipy import stats
from test_page import Document

import trialkit as tk
from trialkit import decide, plots
from trialkit.decide.balance import PROBABILITIES
from trialkit.decide.what_if import scenarios
from trialkit.errors import DesignError
from trialkit.intake.config import SetupFactor
from trialkit.pages import grower as grower_page
from trialkit.pages import notebooks_dir, render
from trialkit.pages.html import html as set_html
from trialkit.pages.page import Page
from trialkit.pages.paper import add
from trialkit.pages.parts.own_fields import _outside
from trialkit.pages.printing import Sheet
from trialkit.pages.resources import template_dir
from trialkit.pages.widgets import money_panel
from trialkit.responses import in_full
from trialkit.units import kg_ha_to_bu_ac
from trialkit.words import grower as grower_words
from trialkit.words.what_if import FRAME

NODE = shutil.which("node")
DESIGNS = ("cushion_pairs", "gap_fields", "split_strips")


@pytest.fixture(scope="module")
def analyses() -> dict[str, tk.TrialAnalysis]:
    full = in_full()
    return {name: tk.analyse(tk.load_trial(frozen_dir(name)), responses=full) for name in DESIGNS}


@pytest.fixture(scope="module")
def pages(analyses: dict) -> dict[str, Page]:
    return {name: grower_page(analysis, "A") for name, analysis in analyses.items()}


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a trial whose labels and title try to be markup and to end the script."""
    folder = tmp_path_factory.mktemp("grower") / "trial"
    shutil.copytree(frozen_dir("split_strips"), folder)
    settings = folder / "trial.toml"
    text = settings.read_text(encoding="utf-8")
    text = text.replace('Cushioned chain"', 'Cushioned </script><img src=x onerror=alert(1)>"')
    text = text.replace('"5.5 mph"', '"5.5 mph</script><b>"').replace('"USD"', '"U<S>D"')
    settings.write_text(text, encoding="utf-8")
    return render(folder, report="grower", parameters={"grower": "kernelby  FARM"}).html


def parts(page: Page) -> str:
    """HTML of the parts, in the order of the notebook's cells."""
    notebook = nbformat.read(notebooks_dir() / "reports" / "grower.ipynb", as_version=4)
    calls = [cell.source for cell in notebook.cells if cell.source.startswith("page.")]
    assert len(calls) == 10
    return "".join(eval(call, {"page": page})._repr_html_() for call in calls)


def everything(page: Page) -> str:
    """All a reader could find on the page, the pictures' text too."""
    shown = parts(page)
    pictures = re.findall(r"svg\+xml;base64,([^\"]+)", shown)
    return html.unescape(shown) + "".join(base64.b64decode(p).decode() for p in pictures)


# ---------------------------------------------------------------- names
def test_each_grower_sees_the_own_names_and_no_other(analyses: dict) -> None:
    analysis = analyses["gap_fields"]
    fields = analysis.trial.fields
    growers = list(dict.fromkeys(fields["grower"]))
    assert len(growers) == 4
    for i, grower in enumerate(growers[1:3], 1):
        own = {grower, *fields.loc[fields["grower"] == grower, "field"]}
        other = ({*fields["field"], *growers}) - own
        text = everything(grower_page(analysis, f" grower {'ABCD'[i].lower()}"))
        assert all(name in text for name in own)
        assert not [name for name in other if name in text]
        named, lettered = (grower_page(analysis, g) for g in (grower.upper(), "ABCD"[i]))
        assert named.context.mine == lettered.context.mine


def test_names_stand_where_all_agreed_and_strangers_are_refused(analyses: dict) -> None:
    analysis = analyses["gap_fields"]
    trial = analysis.trial
    agreed = replace(trial, config=replace(trial.config, growers_agreed=True))
    text = everything(grower_page(replace(analysis, trial=agreed), "B"))
    assert all(name in text for name in trial.fields["field"])
    for stranger in ("E", "Nobody"):
        with pytest.raises(DesignError, match="letter from A to D"):
            grower_page(analysis, stranger)
    nameless = replace(trial, fields=trial.fields.drop(columns="grower"))
    page = grower_page(replace(analysis, trial=nameless))
    assert set(page.context.mine) == set(trial.strips["field"]) and not page.context.others
    with pytest.raises(DesignError, match="has no growers"):
        grower_page(replace(analysis, trial=nameless), "A")


def test_own_fields_are_marked_by_shape_and_others_keep_the_order_of_letters(
    pages: dict,
) -> None:
    page = pages["gap_fields"].context
    figure = plots.own_fields(
        page.result, page.found.level, mine=page.mine, effects=page.effects,
        field_names=page.letters.fields, system="US",
    )  # fmt: skip
    marks = {gid: [line for line in figure.axes[0].lines if line.get_gid() == gid]
             for gid in ("own", "other", "raw")}  # fmt: skip
    assert [line.get_marker() for line in marks["own"]] == ["D", "D"]
    assert {line.get_marker() for line in marks["other"]} == {"o"}
    assert (len(marks["other"]), len(marks["raw"])) == (6, 8)
    rows = page.effects.fields
    rows = rows[rows["level"] == page.found.level].set_index("field")
    drawn = [float(line.get_xdata()[0]) for line in marks["own"]]
    assert drawn == pytest.approx(np.exp(rows.loc[list(page.mine), "shrunken"]))
    labels = [text.get_text() for text in figure.axes[0].get_yticklabels()]
    assert labels[:2] == list(page.mine)
    assert labels[2:-1] == sorted(labels[2:-1]) and labels[2].startswith("Field ")


def test_setups_stand_side_by_side_as_measured(pages: dict) -> None:
    page = pages["gap_fields"].context
    figure = plots.setups_by_field(
        page.result, "gap", mine=page.mine, field_names=page.letters.fields, system="US"
    )
    strips = page.result.by_strip
    for level in ("narrow", "usual", "wide"):
        own = strips[(strips["field"] == page.mine[0]) & (strips["gap"] == level)]["value"]
        drawn = [line for line in figure.axes[0].lines if line.get_gid() == f"mean {level}"]
        assert drawn[0].get_xdata()[0] == pytest.approx(kg_ha_to_bu_ac(own.mean()))
        assert len(drawn) == 8


# ---------------------------------------------------------------- what it says
@pytest.mark.parametrize("name", DESIGNS)
def test_every_design_has_its_page(pages: dict, name: str) -> None:
    page = pages[name]
    text = Document(f"<main>{parts(page)}</main>").all("main")[0][1]
    row = page.context.result.contrasts.set_index(["factor", "level"])
    row = row.loc[(page.context.found.factor, page.context.found.level)]
    assert (" less (" in text.split("that is")[0]) == (row["difference"] < 0)
    assert not re.search(r"signific|proves|Traceback|\bnan\b|\binf\b", text)
    assert "not guarantees" in text and "operator's manual" in text


@pytest.fixture(scope="module")
def two_fields(analyses: dict) -> Page:
    trial = analyses["gap_fields"].trial
    keep = list(trial.fields["field"])[:2]
    strips = trial.strips[trial.strips["field"].isin(keep)]
    tables = {
        name: table[table["strip"].isin(strips["strip"])]
        for name in ("frames", "ears", "grain", "residue")
        if len(table := getattr(trial, name))
    }
    less = replace(trial, strips=strips, **tables)
    return grower_page(tk.analyse(less, responses=in_full()), "A")


def test_with_two_fields_measured_differences_stand_and_the_reason_is_told(
    two_fields: Page,
) -> None:
    shown = two_fields.my_fields()._repr_html_()
    assert isinstance(two_fields.context.effects, str)
    assert "it takes three fields or more" in shown
    own = two_fields.context
    row = own.result.by_field
    row = row[(row["field"] == own.mine[0]) & (row["level"] == own.found.level)]
    assert f"{row['difference_bu_ac'].iloc[0]:+.1f}" in shown.replace("\N{MINUS SIGN}", "-")
    assert "by the model, %" not in shown
    # What was measured in the two fields spans a range; the model's figure may lie beyond it.
    ends = own.result.by_field.query("level == @own.found.level")["difference"]
    for beyond, value in ((False, ends.mean()), (True, ends.max() + 1.0), (True, ends.min() - 1.0)):
        table = own.result.contrasts.assign(difference=value)
        result = SimpleNamespace(by_field=own.result.by_field, contrasts=table)
        page = SimpleNamespace(result=result, found=own.found, response=own.response)
        assert [("compares by ratio" in text) for text in _outside(page)] == [True] * beyond


def test_a_factor_without_a_label_is_no_raw_name() -> None:
    """Levels with labels say what they are; a name that says more than its levels stays."""
    own = {"levels": ("a", "b"), "reference": "a", "level_labels": ("Standard chain", "New chain")}
    assert SetupFactor("cushion", **own).spoken == ""
    assert SetupFactor("cushion", label="Cushion", **own).spoken == ""
    assert SetupFactor("cushion", label="Gathering chain", **own).spoken == "Gathering chain"
    assert SetupFactor("gap", ("narrow", "wide"), "wide").spoken == "gap"
    assert grower_words.marks("").startswith("Setups: ")
    caption = grower_words.means_caption("Header loss", "", "bu/ac", "", 3, 4)
    assert caption.startswith("Header loss by setup, bu/ac;")


def test_with_one_field_it_says_so_and_with_no_price_too(pages: dict, analyses: dict) -> None:
    assert "only field" in pages["cushion_pairs"].my_fields()._repr_html_()
    analysis = analyses["cushion_pairs"]
    config = replace(analysis.trial.config, price_per_t=None)
    page = grower_page(replace(analysis, trial=replace(analysis.trial, config=config)))
    for part in (page.headline(), page.money(), page.what_would_change()):
        assert "no price of grain" in part._repr_html_()
    assert "form" not in page.money()._repr_html_()
    with pytest.raises(DesignError, match="no price"):
        money_panel(page)


def test_without_frames_the_page_is_about_damage(analyses: dict) -> None:
    trial = analyses["cushion_pairs"].trial
    bare = replace(trial, frames=trial.frames.head(0), ears=trial.ears.head(0))
    page = grower_page(tk.analyse(bare, responses=in_full()))
    text = Document(f"<main>{parts(page)}</main>").all("main")[0][1]
    assert "damaged kernels than standard chain" in text.split("On my fields")[0]
    assert isinstance(page.context.what_if, str) and page.context.what_if in text


# ---------------------------------------------------------------- money
def test_figures_are_those_of_payback_and_of_the_t_distribution(
    pages: dict, analyses: dict
) -> None:
    analysis, page = analyses["cushion_pairs"], pages["cushion_pairs"].context
    found, pay, worth = page.what_if.figures(), decide.payback(analysis), decide.balance(analysis)
    assert found.grain == pytest.approx(worth.grain)
    assert found.annual_cost == pytest.approx(worth.annual_cost)
    for end in ("value", "low", "high"):
        assert getattr(found.even_area, end) == pytest.approx(getattr(pay.area, end))
    for price in (90.0, 157.0, 300.0):
        budget = replace(page.what_if.given, price=price)
        saved = page.what_if.scenarios[0].saved
        needed = 1000 * budget.annual_cost / budget.area / price
        side = 1 + saved.skew * np.sign(needed - saved.value)
        exact = stats.t.sf((needed - saved.value) / (saved.se * side), saved.df)
        own = decide.what_if.figures(page.what_if.scenarios[0], budget, 0.95, "USD", "US")
        assert own.chance == pytest.approx(exact, rel=1e-9)
        # The script reads it off a polygon with 400 sides.
        share = 1 - np.interp(needed, own.quantiles(), PROBABILITIES)
        assert share == pytest.approx(exact, abs=2e-4)
    assert found.chance == pytest.approx(pay.probability, abs=0.005)


def test_own_area_and_price_go_through_the_whole_page(analyses: dict) -> None:
    page = grower_page(analyses["cushion_pairs"], area=1200, price=8)
    text = Document(f"<main>{parts(page)}</main>").all("main")[0][1]
    assert "corn at USD 8.00 per bu on 1,200 ac" in text
    assert "With 1,200 ac a year" in text and "With corn at USD 8.00 per bu" in text
    base = grower_page(analyses["cushion_pairs"]).context.what_if.figures()
    one, four = base.net_per_year[0], page.context.what_if.figures().net_per_year[0]
    assert four + base.annual_cost == pytest.approx(4 * (one + base.annual_cost))


def test_a_chosen_speed_is_the_curve_at_that_speed(pages: dict) -> None:
    page = pages["gap_fields"].context
    curve = page.curve("speed_measured")
    assert not isinstance(curve, str)
    at = [s for s in page.what_if.scenarios if s.level == page.found.level and not s.as_run]
    assert len(at) >= 3
    for scenario in at:
        low, high = scenario.saved.interval(0.95)
        assert -scenario.saved.value == pytest.approx(
            np.interp(scenario.speed, curve.table["x"], curve.table["difference"]), rel=0.01
        )
        for end, value in (("high", -low), ("low", -high)):
            column = curve.table[f"difference_{end}"]
            assert value == pytest.approx(
                np.interp(scenario.speed, curve.table["x"], column), abs=0.5
            )
    assert len(scenarios(page.analysis)) == 2


CASES = [
    {},
    {"price": 3.1, "area": 250.0},
    {"cost": 0.0},
    {"cost": 25_000.0, "years": 4.0, "interest": 0.0},
    {"price": 12.35, "area": 4321.0, "cost": 999.0, "years": 7.5, "interest": 6.25},
    {"price": 0.07, "area": 3.0, "cost": 12_345.0},
    # Worn out before the years are over, and by an area that no saving pays for.
    {"cost": 6000.0, "years": 10.0, "life": 900.0, "area": 700.0, "repair": 0.3, "change": 80.0},
    {"cost": 6000.0, "years": 10.0, "life": 5000.0, "area": 2000.0, "interest": 0.0},
    {"cost": 900.0, "years": 100.0, "life": 640.0, "area": 320.0, "change": 55.0},
]


@pytest.mark.skipif(NODE is None, reason="no node here")
@pytest.mark.parametrize("name", DESIGNS)
def test_the_script_says_what_python_says(pages: dict, name: str, tmp_path: Path) -> None:
    model = pages[name].context.what_if
    start = {c.name: c.value for c in model.controls}
    asked, expected = [], []
    for level, _ in model.levels:
        for speed, _ in model.speeds(level):
            for case in CASES:
                asked.append({"level": level, "speed": speed, "given": start | case})
                lines = model.figures(level, speed, **case).lines
                expected.append({key: list(line) for key, line in lines.items()})
    script = template_dir() / "page" / "grower.js"
    data = json.dumps({"data": model.data(), "asked": asked})
    (tmp_path / "data.json").write_text(data, encoding="utf-8")
    run = (
        "const g = require(process.argv[1]);"
        "const {data, asked} = JSON.parse(require('fs').readFileSync(process.argv[2]));"
        "const out = asked.map(a => g.figures(data, data.scenarios.find("
        "s => s.level === a.level && s.speed === a.speed), a.given));"
        "process.stdout.write(JSON.stringify(out));"
    )
    done = subprocess.run(
        [str(NODE), "-e", run, str(script), str(tmp_path / "data.json")],
        capture_output=True, text=True, check=True, encoding="utf-8",
    )  # fmt: skip
    assert json.loads(done.stdout) == expected


def test_on_paper_the_first_numbers_stand_without_controls(pages: dict) -> None:
    sheet = Sheet()
    add(sheet, pages["cushion_pairs"].money().elements)
    printed = "".join(sheet.blocks)
    for _, value, reach in pages["cushion_pairs"].context.what_if.figures().lines.values():
        assert f'"{value}"' in printed and f'"{reach}"' in printed
    assert "Put in your own" not in printed and "quantiles" not in printed


# ---------------------------------------------------------------- the page in a browser
def test_page_is_whole_and_its_data_cannot_end_the_script(rendered: Path) -> None:
    text = rendered.read_text(encoding="utf-8")
    document = Document(text)
    assert len(document.all("main")) == 1 and len(document.all("h1")) == 1
    levels = [int(t[1]) for t, _ in document.elements if re.fullmatch(r"h[1-6]", t)]
    assert all(b - a <= 1 for a, b in pairwise(levels))
    ids = [a["id"] for _, a in document.elements if "id" in a]
    assert len(ids) == len(set(ids))
    assert {a.get("type") for a, _ in document.all("script")} == {"application/json", None}
    assert len(document.all("script")) == 2
    assert all("onerror" not in attrs for _, attrs in document.elements)
    for attrs, _ in document.all("label"):
        assert attrs["for"] in ids
    output = document.all("output")[0][0]
    assert output["aria-live"] == "polite" and set(output["for"].split()) <= set(ids)
    assert all(len(a["alt"] or "") > 40 for a, _ in document.all("img"))
    assert "http://" not in re.sub(r"base64,[^\"]*", "", text) and "https://" not in text
    assert rendered.stat().st_size < 3_000_000
    page = BeautifulSoup(text, "html.parser")
    data = json.loads(page.find("script", type="application/json").string)
    assert any("</script>" in s["speed"] for s in data["scenarios"])


PLAY = """
<script>
const form = document.querySelector("form.what-if"), out = form.querySelector("output");
const said = () => [...out.querySelectorAll(".amount, .range")].map(e => e.textContent);
const put = (name, value) => {
  form.elements[name].value = value;
  form.elements[name].dispatchEvent(new Event("input", {bubbles: true}));
};
const log = {controls: !form.querySelector(".controls").hidden, first: said()};
put("price", form.elements.price.value); log.again = said();
put("price", "8"); log.dear = said();
const paper = document.querySelector("table.paper");
log.paper = [...paper.querySelectorAll("tbody td")].map(e => e.textContent);
log.caption = paper.caption.textContent;
log.warned = [...document.querySelectorAll(".own-numbers")].map(e => !e.hidden);
put("speed", [...form.elements.speed.options].at(-1).value); log.fast = said();
put("area", "0"); log.wrong = out.querySelector(".wrong").textContent;
log.invalid = form.elements.area.getAttribute("aria-invalid");
form.reset();
setTimeout(() => {
  log.unwarned = [...document.querySelectorAll(".own-numbers")].every(e => e.hidden);
  log.unchanged = paper.caption.textContent;
  log.reset = said(); log.clear = out.querySelector(".wrong") === null;
  log.title = document.title;
  log.focusable = [...form.querySelectorAll("input, select, button")].every(e =>
    { e.focus(); return document.activeElement === e && e.tabIndex === 0; });
  const pre = document.createElement("pre"); pre.id = "log";
  pre.textContent = JSON.stringify(log); document.body.append(pre);
}, 50);
</script>
"""


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")
def test_controls_change_the_figures(rendered: Path, tmp_path: Path, browser: Any) -> None:
    file = tmp_path / "play.html"
    text = rendered.read_text(encoding="utf-8")
    file.write_text(text.replace("</body>", f"{PLAY}</body>"), encoding="utf-8")
    with Visit(browser, file, {"width": 1040, "height": 900}) as visit:
        log = json.loads(visit.page.locator("#log").text_content())
    assert log["controls"] and log["focusable"] and log["clear"]
    assert log["first"] == log["again"] == log["reset"]
    trial = tk.load_trial(rendered.parent)
    model = grower_page(tk.analyse(trial, responses=in_full())).context.what_if
    fast = model.speeds(model.levels[0][0])[-1][0]
    for key, found in (
        ("first", model.figures()),
        ("dear", model.figures(price=8.0)),
        ("fast", model.figures("cushion", fast, price=8.0)),
    ):
        assert log[key] == [text for _, *rest in found.lines.values() for text in rest]
    assert len({tuple(log[key]) for key in ("first", "dear", "fast")}) == 3
    # What is printed is what the screen says, with the numbers typed; the rest of the page, which
    # keeps the first ones, says that it does.
    assert log["paper"] == log["dear"] and " per bu 8;" in log["caption"]
    assert log["warned"] == [True, True] and log["unwarned"]
    assert log["unchanged"] == FRAME["caption"]
    assert log["wrong"] == "Corn harvested, ac a year: give a number above zero."
    assert log["invalid"] == "true"


# ---------------------------------------------------------------- widgets
def test_panel_answers_like_the_page(pages: dict) -> None:
    page = pages["gap_fields"]
    model, panel = page.context.what_if, money_panel(page)
    *controls, shown = panel.children
    by_name = {widget.description: widget for widget in controls}
    setup, speed = by_name["Setup"], by_name["Ground speed"]
    price = by_name["Grain price, USD per bu"]

    def told(**values: float) -> str:
        return set_html([model.table(model.figures(setup.value, speed.value, **values))])

    assert shown.value == told()
    price.value = 6.5
    assert shown.value == told(price=6.5) != told()
    setup.value = "narrow"
    speed.value = model.speeds("narrow")[2][0]
    assert shown.value == told(price=6.5)
    assert panel._repr_mimebundle_()["text/html"] == shown.value
    price.value = 0
    assert shown.value == '<p class="wrong">Grain price, USD per bu: give a number above zero.</p>'
