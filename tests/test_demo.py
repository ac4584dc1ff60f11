"""The demo trials: files that repeat, days a combine could keep, a truth that no page denies."""

from __future__ import annotations

import filecmp
import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from trialkit.demo import CUSHION_PAIRS, GAP_FIELDS, SCENARIOS, SPLIT_STRIPS, denied, write_demo
from trialkit.demo.days import harvested_at
from trialkit.errors import FileExistsRefusal
from trialkit.pages import demo_dir
from trialkit.pages.html import html
from trialkit.pages.letters import Letters
from trialkit.pages.run.planned import planned_against_run
from trialkit.plan import read_plan
from trialkit.simulate import truths

IDS = [s.folder for s in SCENARIOS]


@pytest.fixture(scope="module")
def analyses():
    return {name: tk.analyse(tk.load_trial(demo_dir(name))) for name in IDS}


def test_demo_folders_are_regenerated_byte_for_byte(tmp_path: Path) -> None:
    for folder in write_demo(tmp_path):
        shipped = demo_dir(folder.name)
        names = sorted(p.name for p in folder.iterdir())
        assert names == sorted(p.name for p in shipped.iterdir())
        same, different, odd = filecmp.cmpfiles(folder, shipped, names, shallow=False)
        assert (different, odd) == ([], []) and len(same) == len(names)
        assert tk.load_trial(folder).refused.empty
    with pytest.raises(FileExistsRefusal):
        write_demo(tmp_path)


@pytest.mark.parametrize("scenario", SCENARIOS, ids=IDS)
def test_a_folder_reads_back_as_it_was_drawn(scenario) -> None:
    folder = demo_dir(scenario.folder)
    trial, drawn = tk.load_trial(folder), scenario.trial()
    assert trial.refused.empty
    assert (trial.read["rows_kept"] == trial.read["rows_in"]).all()
    for name, table in drawn.tables.items():
        read = trial.tables[name]
        assert len(table) > 0 and list(read.columns) == list(table.columns)
        for column in table:
            if table[column].dtype.kind in "if":
                np.testing.assert_allclose(read[column], table[column], rtol=1e-9, err_msg=column)
            else:
                assert read[column].fillna("").tolist() == table[column].fillna("").tolist()
    record = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert record["seed"] == scenario.seed
    assert record["truth"]["header"] == scenario.truth.header


@pytest.mark.parametrize("scenario", SCENARIOS, ids=IDS)
def test_the_truth_denies_nothing_that_is_told(scenario, analyses) -> None:
    """The rule by which the seed was chosen: the first of which this holds, counted from 1."""
    analysis = analyses[scenario.folder]
    assert scenario.seed == 1
    assert set(truths(scenario.truth, analysis.trial)) >= set(analysis.responses)
    assert not analysis.skipped and denied(analysis, scenario.truth) == []


def test_what_a_truth_denies_is_named(analyses) -> None:
    """A truth without an effect denies a clear one, a truth with twice the effect its interval."""
    analysis = analyses["cushion_pairs"]
    none = replace(CUSHION_PAIRS.truth, header_ratios={})
    (line,) = denied(analysis, none)
    assert line.startswith("header_loss, cushion cushion: ") and "no effect" in line
    double = replace(CUSHION_PAIRS.truth, header_ratios={"cushion": {"cushion": 0.05}})
    (line,) = denied(analysis, double)
    assert "does not cover" in line


def test_a_cushion_tells_at_the_ear_butt_and_not_in_the_tank(analyses) -> None:
    """Most damage arises in threshing; the first page a newcomer sees says so of a cushion."""
    analysis = analyses["cushion_pairs"]
    butts, tank = (analysis[r].contrasts.iloc[0] for r in ("ear_butt_damage", "kernel_damage"))
    assert butts["p_adjusted"] < 0.01 and butts["ratio_high"] < 1
    assert tank["p_adjusted"] > 0.15 and tank["ratio_low"] < 1 < tank["ratio_high"]
    true = truths(CUSHION_PAIRS.truth, analysis.trial)
    ratio = {name: table["ratio"].iloc[-1] for name, table in true.items()}
    assert ratio["kernel_damage"] > 0.95 and ratio["ear_butt_damage"] < 0.5
    assert ratio["residue_mass"] == ratio["residue_score"] == 1.0
    before, header = (true[n]["kg_ha"].iloc[0] for n in ("preharvest_loss", "header_loss"))
    # A third: INTA 2007 0.28, 2005 0.38 of the header's, ears included.
    assert before / header == pytest.approx(1 / 3, abs=0.02)


@pytest.mark.parametrize("scenario", SCENARIOS, ids=IDS)
def test_strips_are_run_in_working_days_with_time_for_every_step(scenario) -> None:
    strips = scenario.trial().strips.sort_values("harvested_at").reset_index(drop=True)
    order = scenario.plan().order
    begun = strips["harvested_at"]
    assert begun.dt.hour.between(10, 17).all()
    # From one pass to the next on a day there is time for the pass and every change between.
    minutes = order.set_index("strip").loc[strips["strip"], "minutes"].to_numpy()
    gaps = begun.diff().dt.total_seconds().to_numpy()[1:] / 60
    assert (gaps > minutes[:-1] - 1.01).all()
    passes = order.index[order["what"].eq("pass")]
    for one, two in pairwise(passes):
        between = order.loc[one + 1 : two - 1, "minutes"].sum()
        times = begun[strips["strip"].isin(order.loc[[one, two], "strip"])]
        if between and times.dt.normalize().nunique() == 1:
            assert (times.max() - times.min()).total_seconds() / 60 > between + minutes[0] - 1.01
    # Both strips of a pair come before the next pair.
    assert (strips.groupby(["field", "pair"], sort=False).ngroup().diff().dropna() >= 0).all()


def test_what_does_not_end_in_the_day_waits() -> None:
    steps = [("pass", "1", 60.0), ("change", "", 300.0), ("pass", "2", 60.0), ("pass", "3", 120.0)]
    order = pd.DataFrame(steps, columns=["what", "strip", "minutes"]).assign(field="A")
    both = pd.concat([order, order.assign(field="B", strip=order["strip"].where(
        order["strip"].eq(""), "B" + order["strip"]))])  # fmt: skip
    told = harvested_at(both, "2025-10-03", days_apart=4)
    # 10:00; change 11:00 to 16:00; pass to 17:00; two hours more end after 18:30.
    assert told.astype(str).tolist() == [
        "2025-10-03 10:00:00", "2025-10-03 16:00:00", "2025-10-04 10:00:00",
        "2025-10-07 10:00:00", "2025-10-07 16:00:00", "2025-10-08 10:00:00",
    ]  # fmt: skip
    # A change that would not end in the evening is begun in the morning, before the dew is off.
    late = pd.DataFrame({"field": "A", "what": ["pass", "change", "pass"], "strip": ["1", "", "2"],
                         "minutes": [400.0, 130.0, 60.0]})  # fmt: skip
    assert str(harvested_at(late, "2025-10-03")["2"]) == "2025-10-04 10:10:00"


def test_corn_dries_while_the_fields_are_harvested() -> None:
    strips = GAP_FIELDS.trial().strips
    day = (strips["harvested_at"] - strips["harvested_at"].min()).dt.total_seconds() / 86_400
    slope = np.polyfit(day, strips["moisture"].astype(float), 1)[0]
    # 0.5 points a day; fields differ by 2 points and strips by 0.3, over three weeks.
    assert slope == pytest.approx(-0.5, abs=0.06)
    assert strips["moisture"].max() < 30 and strips["moisture"].min() > 15


def test_two_headers_si_units_and_a_plan() -> None:
    fields = tk.load_trial(demo_dir("gap_fields"))
    assert set(fields.strips["header"]) == set(fields.header_check["header"]) == {"A", "B"}
    growers = fields.fields.set_index("field")["grower"]
    by_grower = fields.strips.groupby(fields.strips["field"].map(growers))["header"]
    assert (by_grower.nunique() == 1).all()
    split = tk.load_trial(demo_dir("split_strips"))
    assert split.config.units == "SI" and split.config.currency == "EUR"
    assert set(split.strips["speed_set"]) == {5.5, 9.0} and set(split.frames["area"]) == {1.0}
    folder = demo_dir("cushion_pairs")
    plan = read_plan(folder)
    assert plan is not None and plan.seed == CUSHION_PAIRS.seed
    analysis = tk.analyse(tk.load_trial(folder), responses=["header_loss"])
    told = html(planned_against_run(analysis, Letters(analysis.trial)))
    assert "Planned and run" in told and "All 12 planned strips were run, and no other." in told
    assert not any(s.planned for s in (GAP_FIELDS, SPLIT_STRIPS))


@pytest.mark.parametrize("name", IDS)
def test_a_reader_can_hold_the_pages_against_the_truth(name: str, analyses) -> None:
    """Every response told has its true means beside it, grain also in the page's own unit."""
    record = json.loads((demo_dir(name) / "truth.json").read_text(encoding="utf-8"))
    for response, result in analyses[name].responses.items():
        rows = pd.DataFrame(record[response]).set_index(["factor", "level"])
        assert set(rows.index) == set(result.means.set_index(["factor", "level"]).index)
        if result.unit == "kg/ha" and analyses[name].trial.config.units == "US":
            # kg of a bushel over ha of an acre.
            assert rows["kg_ha"].to_numpy() == pytest.approx(
                rows["bu_ac"].to_numpy() * 25.40117272 / 0.40468564224, rel=1e-4
            )
