"""The header page: what it says of a header, on whatever there is of a trial; how it looks is
tested with the other pages."""

from __future__ import annotations

import base64
import html
import re
import shutil
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from frozen_trials import frozen_dir
from pypdf import PdfReader
from report_pages import CHROMIUM, IMAGE, PAGES, SCRIPT, TRIALS, Render, Visit
from typer.testing import CliRunner

import trialkit as tk
from trialkit import plots
from trialkit.cli import app
from trialkit.errors import DesignError, ReportError
from trialkit.header.plates import STATIONS
from trialkit.intake import write_trial
from trialkit.pages import by_header, notebooks_dir, render
from trialkit.pages import header as header_page
from trialkit.pages.rendering import Rendered, fractions_whole
from trialkit.responses import schema

INCH = 25.4
PROFILE = [4.75, 4.5, 4.375, 5.0, 6.0]  # a pair of warped guides, in


def demo(name: str = "cushion_pairs") -> tk.Trial:
    return tk.load_trial(frozen_dir(name))


def with_header(rows: int = 8, **changed: dict[int, Any]) -> tk.Trial:
    """A trial whose header is sound but for ``column={row: value}``."""
    table = pd.DataFrame({
        "header": "1", "row": [str(i) for i in range(1, rows + 1)], "gap_front": 31.4,
        "gap_rear": 34.6, "roll_left_wear_length": 10.0, "roll_right_wear_length": 10.0,
        **dict.fromkeys(STATIONS, 130.0),
    })  # fmt: skip
    table = schema.tidy(table, "header_check")
    for column, values in changed.items():
        for row, value in values.items():
            table.loc[row - 1, column] = value
    trial = demo()
    header = replace(trial.config.header, rows=rows, width=rows * 0.762)
    return replace(trial, header_check=table, config=replace(trial.config, header=header))


def warped(row: int = 4) -> dict[str, dict[int, float]]:
    return {s: {row: v * INCH} for s, v in zip(STATIONS, PROFILE, strict=True)}


def parts_of(trial: tk.Trial, **options: Any) -> BeautifulSoup:
    """The page's parts as the notebook's cells show them, without a kernel."""
    shown: list[str] = []
    made: dict[str, Any] = {"page": header_page(trial, **options)}
    notebook = nbformat.read(notebooks_dir() / "reports" / "header.ipynb", as_version=4)
    cells = [c.source for c in notebook.cells if c.cell_type == "code"][2:]
    for source in cells:
        shown.append(eval(source, made)._repr_html_())
    return BeautifulSoup(f"<main>{''.join(shown)}</main>", "html.parser")


def said(soup: BeautifulSoup, name: str) -> str:
    text = soup.select_one(f"section.{name}").get_text(" ")
    return " ".join(text.replace("\xa0", " ").replace("\N{NON-BREAKING HYPHEN}", "-").split())


def test_warped_guides_are_told_where_they_pinch() -> None:
    soup = parts_of(with_header(**warped()))
    assert soup.h1.get_text() == "Repair row 4"
    fix = said(soup, "fix")
    assert "Chain guides pinched at the front, second and middle stations, down to 4-3/8 in" in fix
    assert "straighten or change the guides" in fix
    cells = [td.get_text() for td in soup.select("section.verdicts table")[0].select("tr")[4]]
    assert cells[1] == "1. repair guides" and cells[5] == "4.38"
    readings = [td.get_text() for td in soup.select("section.verdicts table")[2].select("tr")[4]]
    assert readings[1:6] == ["4.75", "4.50", "4.38", "5.00", "6.00"]
    told = soup.select_one("section.drawing img")["alt"]
    assert "guides pinched at the front, second and middle stations" in told


def test_cautions_come_before_anything_to_do() -> None:
    soup = parts_of(demo())
    names = [section["class"][0] for section in soup.find_all("section")]
    assert names == ["cautions", "fix", "drawing", "verdicts", "target", "feeding", "noise",
                     "limits", "gaps"]  # fmt: skip
    cautions = said(soup, "cautions")
    for words in ("engine", "key out", "lift cylinders", "rolls turning", "dust and fire",
                  "operator's manual", "qualified service people", "29 CFR 1928.57"):  # fmt: skip
        assert words in cautions
    text = soup.get_text()
    assert not re.search(r"signific|proves|\bnan\b", text)


def test_order_amount_and_reason_of_every_repair() -> None:
    trial = with_header(**warped(2), gap_front={7: 36.0}, roll_left_wear_length={5: 240.0})
    soup = parts_of(trial, roll_length=20, roll_diameter=3.07, pulled_length=30)
    assert soup.h1.get_text() == "Repair row 7 first, then rows 2 and 5"
    items = [" ".join(li.get_text(" ").split()) for li in soup.select("section.fix ol li")]
    assert [re.match(r"Row (\d)\.", item)[1] for item in items] == ["7", "2", "5"]
    assert all("Do:" in item and "Why:" in item for item in items)
    # 9.4 of 20 in gone; 5.5 mph when new, as the demo strips ran 900 1/min: see RowUnit.
    assert "worn out at 4.7 mph: what is left pulls up to 2.9" in items[2].replace("\xa0", " ")
    assert "change the rolls, or drive slower than" in items[2]
    text = soup.get_text()
    assert "standard deviation" not in text and not re.search(r"\b0\.0\d\d (in|mm)\b", text)
    assumed = parts_of(trial)
    assert "First:" in said(assumed, "fix") and "change the rolls" not in said(assumed, "fix")
    twice = parts_of(with_header(**(warped(2) | {"clearance_1": {6: 120.0}})))
    assert "for the same reason, as for row 2" in said(twice, "fix")
    fine = parts_of(with_header())
    assert fine.h1.get_text() == "Nothing to repair was found"
    assert "Nothing was found in the 8 rows" in said(fine, "fix")


@pytest.mark.parametrize("rows", [6, 8, 12, 16])
def test_plan_is_to_scale_and_rows_stand_in_figures_of_eight(rows: int) -> None:
    guides = warped()
    guides["clearance_2"][3] = np.nan
    trial = with_header(rows, **guides, gap_front={6: 38.0})
    report = tk.check_header(trial)
    figure = plots.header_plan(report)
    (ax,) = figure.axes
    marks: dict[str, list[Any]] = {}
    for each in (*ax.lines, *ax.collections, *ax.texts):
        marks.setdefault(str(each.get_gid()), []).append(each)
    middles = [text.get_position()[0] for text in marks["row"]]
    assert [text.get_text() for text in marks["row"]] == report.rows["row"].tolist()
    scale = (middles[1] - middles[0]) / 762.0  # rows 30 in apart
    (bar,) = marks["bar"]
    assert np.ptp(bar.get_xdata()) == pytest.approx(609.6 * scale)  # 2 ft
    for i, (_, row) in enumerate(report.rows.iterrows()):
        slot = marks["slot"][i].get_paths()[0].vertices
        front, rear = slot[:, 1].min(), slot[:, 1].max()
        assert rear - front == pytest.approx(508 * scale)  # 20 in of roll
        for y, gap in ((front, row["gap_front"]), (rear, row["gap_rear"])):
            assert np.ptp(slot[slot[:, 1] == y, 0]) == pytest.approx(gap * scale)
        channel = marks["channel"][i].get_paths()[0].vertices
        for k, station in enumerate(STATIONS):
            at = np.isclose(channel[:, 1], front + k / 4 * (rear - front))
            if np.isnan(row[station]):
                assert not at.any()
            else:
                assert np.ptp(channel[at, 0]) == pytest.approx(row[station] * scale)
    places = [mark.get_xdata()[0] for mark in marks["order"]]
    assert places == [middles[3], middles[5]]
    parts = plots.header_parts(report)
    lanes = [sum(line.get_gid() == "aim left" for line in p.axes[0].lines) for p in parts]
    assert lanes == {6: [6], 8: [8], 12: [6, 6], 16: [8, 8]}[rows]
    bars = {np.ptp(line.get_ydata()) for p in parts for line in p.axes[0].lines
            if line.get_gid() == "bar"}  # fmt: skip
    assert len({round(float(b), 9) for b in bars}) == 1


def test_speeds_and_units_are_the_trials() -> None:
    sizes = {"roll_length": 20, "roll_diameter": 3.07, "pulled_length": 30}
    us = parts_of(demo(), speeds=[4, 5.6], **sizes)
    rows = [[c.get_text() for c in tr] for tr in us.select("section.feeding tbody tr")]
    assert [row[0] for row in rows] == ["4.0", "5.6"]
    assert [row[1] for row in rows] == ["on every roll", "not even on new rolls"]
    # 32,000 plants/ac in 30-in rows: 13.47 a second at 5 mph; 7.6 ac/h is 4.5 mph on 20 ft.
    assert [row[2] for row in rows] == [f"{13.467 * v / 5:.1f}" for v in (4, 5.6)]
    assert [row[-2] for row in rows] == [f"{v * 20 / 8.25 * 0.7:.1f}" for v in (4, 5.6)]
    assert "drive slower than 5.5 mph" in said(us, "fix")
    # Sizes no one measured: told where both ends of what they may be agree, and no order.
    bare = parts_of(demo(), speeds=[2, 5.6])
    rows = [[c.get_text() for c in tr] for tr in bare.select("section.feeding tbody tr")]
    assert [row[1] for row in rows] == ["on every roll", "not known"]
    assert "measure these three, then ask again" in said(bare, "fix")
    assert "drive slower" not in said(bare, "fix")
    trial = demo()
    si = parts_of(replace(trial, config=replace(trial.config, units="SI")), speeds=[7, 8])
    text = " ".join(si.get_text(" ").split()).replace("\xa0", " ").replace("12 ft/s", "")
    assert not re.search(r"\d\s(in(?! order)|mph|ft)\b", text)
    assert [tr.th.get_text() for tr in si.select("section.feeding tbody tr")] == ["7.0", "8.0"]


def test_noise_is_the_trials_own_or_assumed_or_not_told() -> None:
    own = said(parts_of(demo("gap_fields")), "noise")
    assert re.search(r"narrows an interval for a difference between setups by at most 0\.\d %", own)
    assert "In this trial loss at the header went up by 7.6 % for each 1/16 in of gap" in own
    untold = said(parts_of(demo()), "noise")
    assert "cannot be told yet" in untold and "None is assumed here" in untold
    assert "narrows an interval" not in untold
    assumed = said(parts_of(demo(), loss_ratio=1.05), "noise")
    assert "Assumed, not measured: 8.1 % more loss" in assumed and "at most" in assumed
    trial = demo()
    bare = replace(trial, frames=trial.frames.head(0))
    before = said(parts_of(bare, loss_ratio=1.05), "noise")
    assert "takes its own frame counts, which are not there yet" in before
    much = said(parts_of(trial, loss_ratio=3.0), "noise")
    assert "the ratio assumed is too large for these counts" in much


def test_several_headers_stand_one_after_the_other() -> None:
    trial = with_header(**warped())
    other = trial.header_check.assign(header=f"B {SCRIPT} {IMAGE}")
    other.loc[0, "gap_front"] = 44.0
    both = pd.concat([trial.header_check, other], ignore_index=True)
    names = [*both["header"].unique()] * 6
    trial = replace(trial, header_check=both, strips=trial.strips.assign(header=names))
    soup = parts_of(trial)
    assert [h.get_text() for h in soup.find_all("h2")][1:3] == ["Header 1", f"Header {names[1]}"]
    levels = [int(h.name[1]) for h in soup.find_all(re.compile("^h[1-6]$"))]
    assert all(b - a <= 1 for a, b in pairwise(levels))
    ids = [tag["id"] for tag in soup.find_all(id=True)]
    assert len(ids) == len(set(ids))
    assert not soup.find_all("script") and not soup.find_all(onerror=True)
    assert SCRIPT in soup.get_text()


def test_labels_of_rows_and_names_of_fields() -> None:
    trial = with_header(gap_front={2: 40.0})
    table = trial.header_check.assign(row=[SCRIPT, IMAGE, *"345678"], header="Long Bottom")
    soup = parts_of(replace(trial, header_check=table))
    drawings = [base64.b64decode(i["src"].partition(",")[2]).decode() for i in soup.find_all("img")]
    assert not soup.find_all("script") and not any("<script" in d for d in drawings)
    assert len(soup.find_all("img")) == 2
    # The header is called after the field, and growers did not agree to be named.
    everything = html.unescape(str(soup)) + "".join(drawings)
    assert not trial.config.growers_agreed and "Long Bottom" not in everything


def test_what_is_lacking_is_said() -> None:
    trial = demo()
    with pytest.raises(DesignError, match="needs a table header_check"):
        header_page(replace(trial, header_check=trial.header_check.head(0)))
    with pytest.raises(ReportError, match="loss ratio must be above zero"):
        header_page(trial, loss_ratio=-1.0)
    empty = trial.header_check.assign(
        **{c: np.nan for c in trial.header_check.columns if c not in ("header", "row")}
    )
    bare = replace(
        trial, header_check=empty, fields=trial.fields.head(0), stalks=trial.stalks.head(0),
        strips=trial.strips.assign(speed_set=np.nan, speed_measured=np.nan, roll_rpm=np.nan),
    )  # fmt: skip
    soup = parts_of(bare)
    assert soup.h1.get_text() == "Nothing is measured yet"
    text = soup.get_text(" ")
    assert "No ground speed is known yet" in text and "must be measured" in text
    assert not re.search(r"\bnan\b|not known to", text)


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Rendered:
    """Page and paper of a folder with settings, header check and stalks alone: 16 rows."""
    folder = tmp_path_factory.mktemp("before")
    trial = with_header(16, **warped(), gap_front={11: 38.0})
    write_trial(folder / "all", trial.config, trial.tables)
    (folder / "t").mkdir()
    for name in ("trial.toml", "header_check.csv", "stalks.csv"):
        shutil.copy(folder / "all" / name, folder / "t")
    options = {"speeds": [4.0, 5.0], "roll_rpm": 900.0, "population": 32_000.0}
    return render(folder / "t", folder, report="header", pdf=True, parameters={"options": options})


def test_before_harvest_on_page_and_paper(before: Rendered) -> None:
    soup = BeautifulSoup(before.html.read_text(encoding="utf-8"), "html.parser")
    assert soup.h1.get_text() == "Repair row 11 first, then row 4"
    assert "There are no strips yet" in soup.get_text()
    assert len(soup.select("section.drawing img")) == 2
    assert before.pdf is not None
    pages = PdfReader(before.pdf).pages
    first = " ".join(pages[0].extract_text().split())
    # The first sheet alone: what to fix, and before it the cautions.
    assert first.index("lift cylinders") < first.index("What to fix first")
    assert "Row 11." in first and "Row 4." in first
    assert "pinched at the front, second and middle stations" in first
    assert len(pages) <= 7


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here (looked for chromium)")
@pytest.mark.parametrize("width", [360, 1040])
def test_sixteen_rows_fit_every_screen(before: Rendered, browser: Any, width: int) -> None:
    with Visit(browser, before.html, {"width": width, "height": 800}) as visit:
        visit.unfold()
        out = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert visit.page.evaluate(out) == 0
        cut = "[...document.querySelectorAll('.scroll')].filter(b => b.scrollWidth > b.clientWidth)"
        assert visit.page.evaluate(f"{cut}.map(b => b.ariaLabel)") == []
        verdict = visit.page.locator("section.verdicts tbody tr").first
        row, found = (verdict.locator(tag).first.bounding_box() for tag in ("th", "td"))
        assert abs(row["y"] - found["y"]) < 12 and found["x"] > row["x"]
        boxes = [p.bounding_box() for p in visit.page.locator("section.drawing img").all()]
        assert (boxes[0]["y"] == boxes[1]["y"]) == (width > 1000)  # side by side where they fit
        assert visit.complaints == []


@pytest.mark.parametrize("trial", [t for r, t in PAGES if r == "header" and t in TRIALS])
def test_page_of_a_demo_trial_names_the_faults_drawn(rendered: Render, trial: str) -> None:
    soup = BeautifulSoup(rendered("header", trial).html.read_text("utf-8"), "html.parser")
    # Where two headers ran, the headline names the first of them.
    assert soup.h1.get_text().lower().endswith("repair row 6 first, then row 3")


def test_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit codes 0, 1, 2; options reach the page."""
    asked: list[Any] = []

    def fake(trial: tk.Trial, out: Path | None = None, **given: Any) -> Rendered:
        asked.append(given)
        return Rendered(tmp_path / "header.html", None)

    monkeypatch.setattr("trialkit.pages.rendering.render", fake)
    monkeypatch.setattr("trialkit.pages.render", fake, raising=False)
    run = CliRunner().invoke
    faulty = run(app, ["header", str(frozen_dir()), "--speed", "4", "--speed", "5", "--cushion"])
    assert faulty.exit_code == 1, faulty.output
    assert asked[0]["report"] == "header"
    assert asked[0]["parameters"]["options"]["speeds"] == [4.0, 5.0]
    assert asked[0]["parameters"]["options"]["cushion"] is True
    assert "What to fix first" in faulty.output and "2. repair guides" in faulty.output
    assert "engine off" in faulty.output
    sound = with_header()
    write_trial(tmp_path / "sound", sound.config, sound.tables)
    fine = run(app, ["header", str(tmp_path / "sound")])
    assert fine.exit_code == 0 and "Nothing to repair was found" in fine.output
    path = tmp_path / "sound" / "header_check.csv"
    head, first, *rest = path.read_text("utf-8").splitlines()
    path.write_text("\n".join([head, first.replace(",", ",x", 2), *rest]), "utf-8")
    partly = run(app, ["header", str(tmp_path / "sound")])
    assert partly.exit_code == 1 and "lost: 1 cell, the row stays" in partly.output
    bare = [
        ",".join([*line.split(",")[:2], *[""] * (head.count(",") - 1)]) for line in (first, *rest)
    ]
    path.write_text("\n".join([head, *bare]), "utf-8")
    unmeasured = run(app, ["header", str(tmp_path / "sound")])
    assert unmeasured.exit_code == 2 and "not filled in yet" in unmeasured.output
    assert "Nothing to repair" not in unmeasured.output
    asked.clear()
    shutil.copytree(frozen_dir(), tmp_path / "none")
    (tmp_path / "none" / "header_check.csv").unlink()
    none = run(app, ["header", str(tmp_path / "none")])
    assert none.exit_code == 2 and not asked


def test_ears_counted_at_the_header_stand_beside_their_diameters() -> None:
    trial = demo()
    strips = trial.strips.iloc[:2]
    counts = {"strip": strips["strip"], "ears_examined": [900, 600], "ears_damaged": [300, 60]}
    trial = replace(
        trial, ear_butt_damage=pd.DataFrame(counts),
        ear_butts=pd.DataFrame({"field": strips["field"], "diameter": [44.0, 46.0]}),
    )  # fmt: skip
    (one,) = by_header(header_page(trial))
    text = BeautifulSoup(one.target().html, "html.parser").get_text(" ")
    told = re.sub(r"\s", " ", text)
    assert "by diameter alone none of the 2 ear butts measured would reach the rolls" in told
    assert "of 1,500 ears collected at the header, all setups together, 24 % were damaged" in told


def test_only_a_reader_s_fractions_are_kept_whole() -> None:
    kept = '<b title="1-1/8"></b><script>a = "1-1/8 < 2"</script><code>1-1/8</code> 2025-10'
    assert fractions_whole(f"gap 1-1/8 in{kept}") == f"gap 1\u20111/8 in{kept}"
