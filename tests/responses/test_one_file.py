"""What a new response, zone or source needs is one record: nothing else is touched here.

Each goes the whole way, from a simulated truth written to disk, over paper, intake and analysis, to
power, pages and tables.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from html import unescape
from pathlib import Path
from types import ModuleType
from typing import Any

import cobs_on_ground
import husked_ears
import pandas as pd
import pytest
import verge
from frozen_trials import CUSHION_PAIRS

import trialkit as tk
from trialkit import plots
from trialkit.analysis import TrialAnalysis
from trialkit.intake import new_workbook, write_trial
from trialkit.pages import field_day, researcher
from trialkit.pages.export import tables as exported
from trialkit.pages.field_paper import SHEETS, source
from trialkit.pages.field_paper.content import content
from trialkit.pages.field_paper.source import field_trial
from trialkit.pages.printing import typeset
from trialkit.plan import Ground, planned_tables, read_description
from trialkit.responses import RESPONSES, SOURCES, TABLES, ZONES, added, register
from trialkit.simulate import Effort, true_of
from trialkit.trial import Trial, load_trial
from trialkit.words.plan_file import example

RECORDS = (cobs_on_ground.RECORD, husked_ears.RECORD, verge.ZONE, verge.SOURCE, verge.RECORD)
FILES: tuple[ModuleType, ...] = (cobs_on_ground, husked_ears, verge)
OTHERS = {"cobs": 3, "husks": 2, "verge": 4}
SEED = 4
TRUTH = replace(
    CUSHION_PAIRS.truth,
    others={
        cobs_on_ground.NAME: cobs_on_ground.DRAWN, husked_ears.NAME: husked_ears.DRAWN,
        "verge": verge.DRAWN,
    },
)  # fmt: skip
EFFORT = Effort(header_frames=3, total_frames=1, grain_samples=1, stalks=0, others=OTHERS)


@dataclass(frozen=True)
class Whole:
    """One trial with all three, from its folder on."""

    folder: Path
    drawn: Trial
    trial: Trial
    analysis: TrialAnalysis


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Whole]:
    names = ["header_loss", *(module.NAME for module in FILES)]
    with added(*RECORDS):
        drawn = tk.simulate.simulate_trial(
            CUSHION_PAIRS.config, TRUTH, seed=SEED, blocks=6, effort=EFFORT
        )
        folder = write_trial(tmp_path_factory.mktemp("one") / "trial", drawn.config, drawn.tables)
        for table, column, bad in (("cobs", "cobs", "-3"), ("husks", "in_husk", "77"),
                                   ("frames", "zone", "vurge")):  # fmt: skip
            path = folder / f"{table}.csv"
            lines = path.read_text(encoding="utf-8").splitlines()
            place = [name.split(" (")[0] for name in lines[0].split(",")].index(column)
            cells = lines[1].split(",")
            cells[place] = bad
            path.write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n", "utf-8")
        trial = load_trial(folder)
        yield Whole(folder, drawn, trial, tk.analyse(trial, responses=names))


def text_of(page: Any, *parts: str) -> str:
    """What a page says on these parts. The one place that knows how a page is made."""
    html = " ".join(getattr(page, part)().html for part in parts)
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", html)).split())


# ---------------------------------------------------------------- registering
def test_records_come_in_their_rank_and_go_again() -> None:
    before = [list(each) for each in (RESPONSES, ZONES, SOURCES, TABLES)]
    with added(*RECORDS):
        assert list(ZONES) == ["preharvest", "header", "verge", "total"]
        assert list(RESPONSES).index(verge.NAME) == list(RESPONSES).index("processing_loss") + 1
        assert list(RESPONSES)[-2:] == [cobs_on_ground.NAME, husked_ears.NAME]
        assert list(TABLES)[-2:] == ["cobs", "husks"]
        with pytest.raises(ValueError, match="'verge' is there already"):
            register(replace(verge.ZONE, rank=1.0))
    assert [list(each) for each in (RESPONSES, ZONES, SOURCES, TABLES)] == before


def test_records_are_left_as_they_were_by_an_error() -> None:
    with pytest.raises(RuntimeError), added(verge.ZONE):
        raise RuntimeError
    assert "verge" not in ZONES


# ---------------------------------------------------------------- on disk and on paper
def test_what_is_drawn_is_written_and_read_back(whole: Whole) -> None:
    heads = {n: (whole.folder / f"{n}.csv").read_text("utf-8").splitlines()[0]
             for n in ("cobs", "husks")}  # fmt: skip
    assert heads["cobs"] == "strip,zone,area (ft2),cobs"
    assert heads["husks"] == "strip,sample,ears_seen,in_husk"
    for name in ("cobs", "husks"):
        pd.testing.assert_frame_equal(
            whole.trial.tables[name], whole.drawn.tables[name].iloc[1:].reset_index(drop=True)
        )
    assert whole.trial.frames["zone"].eq("verge").sum() == 12 * OTHERS["verge"]


def test_a_bad_cell_is_refused_by_the_record(whole: Whole) -> None:
    refused = whole.trial.refused.set_index("file")
    assert refused.loc["cobs.csv", "expected"] == "a whole number from 0 to 100,000"
    assert refused.loc["husks.csv", "expected"] == "at most ears_seen of the same row"
    assert refused.loc["frames.csv", "expected"] == (
        "one of 'preharvest', 'header', 'verge', 'total'"
    )
    assert len(refused) == 3


def test_templates_and_planned_sheets_ask_for_it(whole: Whole, tmp_path: Path) -> None:
    del whole
    from openpyxl import load_workbook

    book = load_workbook(new_workbook(tmp_path / "new.xlsx", "SI"))
    assert [cell.value for cell in book["cobs"][1]] == ["strip", "zone", "area (m2)", "cobs"]
    assert "verge" in " ".join(r.formula1 for r in book["frames"].data_validations.dataValidation)
    readme = " ".join(str(row[0].value) for row in book["readme"].rows)
    assert "residue, cobs or husks is needed" in readme
    assert "verge is ground beside the pass, outside the header's ends;" in readme
    made = planned_tables(pd.DataFrame({"strip": ["a", "b"]}), EFFORT)
    assert len(made["cobs"]) == 6 and len(made["husks"]) == 4
    assert list(made["frames"].query("zone == 'verge'")["frame"]) == ["V1", "V2", "V3", "V4"] * 2


def test_count_cards_have_its_boxes(whole: Whole) -> None:
    found = field_trial(whole.trial)
    found = replace(found, strips=found.strips.head(1))
    data, files = content(found, ("crew", "cards"), "a4", blind=False)
    card = data["cards"][0]
    sheets = {each["name"]: each for each in card["samples"]}
    heads = [head for head, _ in sheets["cobs on the ground"]["headers"]]
    assert heads == ["zone", "area (ft2)", "cobs"]
    assert sheets["ears in husk"]["words"].endswith("fifty ears as they lie.")
    zones = [(z["number"], z["name"][0], z["words"]) for z in card["zones"]]
    assert zones[2] == ("3", "verge", "beside the pass, outside the ends")
    assert zones[3][:2] == ("4", "total") and "at zone 4 of the card" in json.dumps(data["crew"])
    assert typeset(*source("paper-for-the-field", data, files)).startswith(b"%PDF")
    drawn = plots.count_zones()
    assert [t.get_text() for t in drawn.axes[0].texts if "verge" in t.get_text()] == ["3 verge"]
    assert "Zone 3, verge: beside the pass, outside the header's ends." in drawn.alt_text
    assert set(SHEETS) >= {"crew", "cards"}


def test_it_takes_its_minutes(whole: Whole) -> None:
    del whole
    bare, work = replace(EFFORT, others={}), tk.simulate.Work()
    more = work.on_strip(EFFORT) - work.on_strip(bare)
    assert more == 3 * 4.0 + 4 * work.frame_minutes  # cobs by their own minutes, frames by theirs
    assert work.sorting(EFFORT) - work.sorting(bare) == 2 * work.sample_minutes
    config = replace(CUSHION_PAIRS.config, season=2026)
    plan = tk.plan.plan_trial(config, [Ground("A", 300.0)], blocks=3, seed=1, effort=EFFORT)
    row = plan.hours_table.set_index("work").loc["counting: searches for cobs"]
    assert row["times"] == 3 * len(plan.strips) and row["minutes_each"] == 4.0


def test_a_plan_in_a_file_may_ask_for_it(whole: Whole, tmp_path: Path) -> None:
    del whole
    path = tmp_path / "plan.toml"
    head, count, rest = example().partition("[count]")
    path.write_text(f"{head}{count}\ncobs = 5\nverge = 2\n{rest.split(chr(10), 1)[1]}", "utf-8")
    assert read_description(path).effort.others == {"cobs": 5, "verge": 2}


def test_users_are_told_what_their_data_unlock(whole: Whole) -> None:
    parts = whole.trial.unlocks().set_index("part")
    own = parts.loc[["cobs on the ground", "ears in husk", "loss at the header's ends"]]
    assert own["unlocked"].all()
    assert parts.loc["cobs on the ground", "reason"] == "rows with cobs: 35"


# ---------------------------------------------------------------- numbers
@pytest.mark.parametrize("module", FILES, ids=lambda m: m.NAME)
def test_the_analysis_recovers_its_truth(whole: Whole, module: ModuleType) -> None:
    result = whole.analysis[module.NAME]
    true = true_of(module.NAME, TRUTH, whole.trial).set_index("level")
    mean = next(c for c in true if c not in ("factor", "ratio", "difference"))
    means = result.means.set_index("level")
    for level in ("standard", "cushion"):
        assert means.loc[level, "low"] < true.loc[level, mean] < means.loc[level, "high"]
    contrast = result.contrasts.iloc[0]
    low, high = contrast["difference_low"], contrast["difference_high"]
    assert low < true.loc["cushion", "difference"] < high < 0


def test_a_source_is_the_weighted_sum_of_its_zones(whole: Whole) -> None:
    losses = whole.trial.losses()
    strip = whole.trial.strips["strip"].iloc[3]
    frames = losses.frames[losses.frames["strip"].eq(strip)]
    density = frames.groupby("zone")["kg_ha"].mean()  # frames are of one area
    own = losses.strips.query("strip == @strip and source == 'ends' and kind == 'kernels'").iloc[0]
    assert own["kg_ha"] == pytest.approx(0.1 * (density["verge"] - density["preharvest"]))
    spread = frames.groupby("zone")["kg_ha"].sem()
    se = 0.1 * (spread["verge"] ** 2 + spread["preharvest"] ** 2) ** 0.5
    assert own["se_kg_ha"] == pytest.approx(se)
    assert own["n_frames"] == 4 and own["preharvest_from"] == "strip"


@pytest.mark.parametrize("module", [cobs_on_ground, husked_ears], ids=lambda m: m.NAME)
def test_its_power_is_simulated(whole: Whole, module: ModuleType) -> None:
    del whole
    from trialkit import plan

    grid = plan.power(
        CUSHION_PAIRS.config, response=module.NAME, reduction=0.4, pairs=[6], frames=[2, 6],
        rounds=25, seed=3, effort=replace(EFFORT, others={}),
    )  # fmt: skip
    less, more = grid.table["power"]
    assert 0 < grid.table["detectable"].iloc[1] < grid.table["detectable"].iloc[0] < 1
    assert less <= more and more > 0.5
    minutes = grid.table["minutes"].diff().iloc[1]
    each = {"cobs_on_ground": 4.0, "husked_ears": 10.0}[module.NAME]
    assert minutes == pytest.approx(4 * each * 12)
    said = " ".join(grid.sentences)
    assert {"cobs_on_ground": "cobs/ac of cobs on the ground",
            "husked_ears": "20 % ears in husk"}[module.NAME] in said  # fmt: skip
    row = {"cobs_on_ground": "searches", "husked_ears": "samples"}[module.NAME]
    assert f"between pairs, strips and {row} assumed" in said and row in grid.shown()


# ---------------------------------------------------------------- pages and tables
def test_the_field_day_page_tells_it(whole: Whole) -> None:
    page = field_day(whole.analysis)
    also = text_of(page, "also")
    assert "fewer cobs on the ground" in also and "fewer ears in husk" in also
    assert "fewer kernels outside its ends" in also
    assert "outside the header's ends" in text_of(page, "sources")
    assert "beside the pass, outside the header's ends" in text_of(page, "measured")
    assert "outside the header's ends" in plots.loss_by_source(whole.analysis).alt_text
    verdict = {c.response for c in page.context.verdict.first.others}
    assert verdict == {module.NAME for module in FILES}


def test_the_researchers_page_tells_it(whole: Whole) -> None:
    page = researcher(whole.analysis)
    others = text_of(page, "others")
    for module in FILES:
        assert module.RECORD.title in others
    assert "cobs/ac" in others
    assert "beside the pass" in text_of(page, "as_run")
    assert "cobs/ac" in text_of(page, "answer")


def test_a_page_may_be_about_it(whole: Whole) -> None:
    config = whole.trial.config
    config = replace(config, model=replace(config.model, primary=cobs_on_ground.NAME))
    trial = replace(whole.trial, config=config)
    page = field_day(tk.analyse(trial, responses=[cobs_on_ground.NAME]))
    assert "fewer cobs on the ground" in text_of(page, "headline")


def test_exported_tables_hold_it(whole: Whole) -> None:
    out = exported(whole.analysis)
    for name in ("contrasts", "means", "by_strip", "models"):
        assert {module.NAME for module in FILES} <= set(out[name]["response"])
    assert "ends" in set(out["loss_by_strip"]["source"])
    assert out["means"].query("response == 'cobs_on_ground'")["unit"].eq("cobs/ha").all()
