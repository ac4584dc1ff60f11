"""Planned against run: each way a run can depart from its plan is told, and only then."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from frozen_trials import CUSHION_PAIRS

import trialkit as tk
from trialkit import plan as tp
from trialkit.intake.write import csv_text
from trialkit.pages import researcher
from trialkit.pages.html import html
from trialkit.pages.letters import Letters
from trialkit.pages.run.as_run import AsRun
from trialkit.pages.run.planned import planned_against_run
from trialkit.plan.run_order import longest_in_order
from trialkit.responses import schema
from trialkit.simulate import Effort
from trialkit.simulate.tables import draw_tables

EFFORT = Effort(header_frames=3, preharvest_frames=1, total_frames=0, grain_samples=1,
                residue_samples=0, ear_area=0.0, stalks=0)  # fmt: skip
GROUNDS = [tp.Ground("North Piece", 400.0), tp.Ground("South Piece", 400.0)]
Tables = dict[str, pd.DataFrame]


@pytest.fixture(scope="module")
def plan() -> tp.Plan:
    """Three pairs on each of two fields."""
    return tp.plan_trial(CUSHION_PAIRS.config, GROUNDS, seed=11, blocks=3)


@pytest.fixture(scope="module")
def drawn(plan: tp.Plan) -> Tables:
    """The trial as planned to the letter: times follow the planned order."""
    tables = plan.tables()
    out = draw_tables(CUSHION_PAIRS.config, CUSHION_PAIRS.truth, EFFORT, tables["strips"],
                      tables["fields"], np.random.default_rng(1))  # fmt: skip
    own = ["strip", "field", "pair", "main_strip", "cushion", "harvested_at"]
    out["strips"] = out["strips"].reindex(columns=own)
    out["strips"]["harvested_at"] = pd.Timestamp(2025, 10, 3, 8) + pd.to_timedelta(
        20 * (plan.strips["run"].to_numpy() - 1), unit="min"
    )
    return {name: out[name] for name in ("fields", "strips", "frames", "grain")}


def run(
    folder: Path, plan: tp.Plan, drawn: Tables, change: Callable[[Tables], object] | None = None,
    effort: Effort | None = EFFORT,
) -> tk.Trial:  # fmt: skip
    """The plan's folder with its tables filled in."""
    plan.write(folder, effort)
    tables = {name: table.copy() for name, table in drawn.items()}
    if change is not None:
        change(tables)
    for name, table in tables.items():
        tidy = schema.tidy(table, name, plan.config.setups)
        (folder / f"{name}.csv").write_text(csv_text(tidy, name, plan.config))
    return tk.load_trial(folder)


def told(trial: tk.Trial) -> tuple[str, dict[str, list[list[str]]]]:
    """Sentences, and rows of the tables by the beginning of their caption."""
    analysis = tk.analyse(trial, responses=["header_loss"])
    soup = BeautifulSoup(html(planned_against_run(analysis, Letters(trial))), "html.parser")
    tables = {
        t.caption.get_text().split()[0]: [
            [c.get_text() for c in tr.find_all(["th", "td"])] for tr in t.find_all("tr")
        ]
        for t in soup.find_all("table")
    }
    return " ".join(p.get_text() for p in soup.find_all(["p", "li"])), tables


def test_a_run_to_the_letter(tmp_path: Path, plan: tp.Plan, drawn: Tables) -> None:
    words, tables = told(run(tmp_path / "t", plan, drawn))
    assert "paired strips: 12 strips in 6 pairs on 2 fields" in words and "seed 11" in words
    assert "All 12 planned strips were run, and no other." in words
    assert "Every strip that was run had its planned setup." in words
    assert "Strips were harvested in the planned order" in words
    for departure in ("instead of", "split", "one go", "lost", "was changed", "another", "time of"):
        assert departure not in words
    assert "North" not in words  # growers did not agree to be named
    rows = {row[0]: row[1:] for row in tables["Counts"]}
    assert rows["frames behind the header"] == ["36", "36", "12", "0", "0", "0"]
    assert rows["grain samples"] == ["12", "12", "12", "0", "0", "0"]
    assert "ear searches" not in rows
    # 12 strips less 6 pairs less one effect.
    freedom = tables["Degrees"][1]
    assert freedom[1:3] == ["5", "5"] and float(freedom[3]) > 1


def strip(plan: tp.Plan, place: int) -> str:
    return str(plan.strips["strip"].iloc[place])


def test_missing_and_added_strips_and_counts(tmp_path: Path, plan: tp.Plan, drawn: Tables) -> None:
    lost, idle, short = strip(plan, 0), strip(plan, 7), strip(plan, 3)

    def change(t: Tables) -> None:
        last = t["strips"].iloc[[11]].assign(strip="South Piece-99")
        t["strips"] = pd.concat([t["strips"], last], ignore_index=True)
        extra = t["frames"][t["frames"]["strip"] == strip(plan, 11)]
        t["frames"] = pd.concat([t["frames"], extra.assign(strip="South Piece-99")])
        t["strips"] = t["strips"][t["strips"]["strip"] != lost]
        t["strips"].loc[t["strips"]["strip"] == idle, "harvested_at"] = pd.NaT
        for name in ("frames", "grain"):
            t[name] = t[name][~t[name]["strip"].isin([lost, idle])]
        at = t["frames"].index[(t["frames"]["strip"] == short) & (t["frames"]["zone"] == "header")]
        t["frames"] = t["frames"].drop(index=at[0])
        # A planned name is known again whatever its capitals and spaces.
        for name in ("strips", "frames", "grain"):
            t[name]["strip"] = t[name]["strip"].replace(short, f" {short.upper()} ")

    words, tables = told(run(tmp_path / "t", plan, drawn, change))
    assert "Planned, but not in the strips table: strip A-6." in words
    assert "nothing says it was run: strip B-2." in words
    assert "Run, but not planned: strip B-7." in words
    assert "Piece" not in words  # of no strip's name, planned or run
    assert "2 pairs (blocks) lost a strip or more" in words
    assert "1 planned strip without a time of harvest" in words
    rows = {row[0]: row[1:] for row in tables["Counts"]}
    # 36 planned; two strips without (6), one frame short, three on the strip not planned.
    assert rows["frames behind the header"] == ["36", "32", "9", "1", "2", "0"]
    assert tables["Degrees"][1][1:3] == ["5", "4"]


def test_refused_strips_are_named_as_a_reason(tmp_path, plan, drawn) -> None:
    def change(t: Tables) -> None:
        t["strips"].loc[0, "cushion"] = "unheard of"

    words, _ = told(run(tmp_path / "t", plan, drawn, change))
    assert "1 row of the strips table was refused when it was read" in words


def test_setups_and_places_changed(tmp_path: Path, plan: tp.Plan, drawn: Tables) -> None:
    def change(t: Tables) -> None:
        other = {"standard": "cushion", "cushion": "standard"}
        t["strips"].loc[:1, "cushion"] = t["strips"].loc[:1, "cushion"].map(other)
        t["strips"].loc[4, "pair"] = "2"

    words, _ = told(run(tmp_path / "t", plan, drawn, change))
    assert "Another setup than planned on 2 strips: A-1" in words
    assert "instead of" in words and "had its planned setup" not in words
    assert "Put to another pair (block) than planned: strip A-5." in words


def test_order_days_and_pairs(tmp_path: Path, plan: tp.Plan, drawn: Tables) -> None:
    """The first strip is run last in its field, a day later; fields change places."""

    def change(t: Tables) -> None:
        when = t["strips"]["harvested_at"].copy()
        when.loc[:5] = when.loc[:5] + pd.Timedelta(days=3)
        when.loc[0] = when.loc[5] + pd.Timedelta(days=1)
        t["strips"]["harvested_at"] = when

    words, _ = told(run(tmp_path / "t", plan, drawn, change))
    assert "On Field A the order of harvest was not the planned one: 1 of 6 strips" in words
    assert "Fields were taken in another order than planned: Field B and Field A." in words
    assert "1 pair (block) was split over more than one day: 1 of Field A." in words
    assert "1 pair (block) was not harvested in one go: 1 of Field A" in words
    levels = drawn["strips"]["cushion"].tolist()
    ran = [*levels[6:], *levels[1:6], levels[0]]
    changes = [sum(a != b for a, b in itertools.pairwise(v)) for v in (levels, ran)]
    planned_changes = int(plan.changeovers["changes"].iloc[0])
    assert changes[0] == planned_changes
    said = f"changed {changes[1]} times by the times of harvest; planned were {planned_changes}"
    assert (said in words) == (changes[1] != planned_changes)


def test_what_cannot_be_told_is_said(tmp_path: Path, plan: tp.Plan, drawn: Tables) -> None:
    def undated(t: Tables) -> None:
        t["strips"]["harvested_at"] = pd.NaT

    words, tables = told(run(tmp_path / "a", plan, drawn, undated, effort=None))
    assert "the order of work cannot be told" in words
    assert "does not say how much was to be counted" in words and "Counts" not in tables

    def one_day(t: Tables) -> None:
        t["strips"]["harvested_at"] = pd.Timestamp(2025, 10, 3)

    words, _ = told(run(tmp_path / "b", plan, drawn, one_day))
    assert "known only as far as times differ" in words and "one go" not in words

    def renamed(t: Tables) -> None:
        for name in ("strips", "frames", "grain"):
            t[name]["strip"] = "own " + t[name]["strip"]

    words, _ = told(run(tmp_path / "c", plan, drawn, renamed))
    assert "No strip of the strips table has the name of a planned one" in words


def test_without_a_plan_nothing_and_a_broken_one_is_named(tmp_path, plan, drawn) -> None:
    trial = run(tmp_path / "Grower's farm", plan, drawn)
    page = researcher(tk.analyse(trial, responses=["header_loss"]))
    assert "Planned and run" in page.as_run().html
    record = trial.source / "plan.json"
    broken = json.loads(record.read_text())
    del broken["seed"]
    record.write_text(json.dumps(broken))
    shown = page.as_run().html
    assert "plan.json is no plan: it has no" in shown and "farm" not in shown
    record.unlink()
    assert "Planned and run" not in page.as_run().html


def test_fewest_strips_to_move() -> None:
    """Against every subset of small lists."""
    rng = np.random.default_rng(3)
    for _ in range(40):
        values = rng.integers(0, 5, rng.integers(0, 8)).tolist()
        best = max(
            k for k in range(len(values) + 1)
            if any(list(c) == sorted(c) for c in itertools.combinations(values, k))
        )  # fmt: skip
        assert longest_in_order(values) == best


@pytest.mark.parametrize(("units", "shown"), [("US", "0.20 in wider"), ("SI", "5.0 mm wider")])
def test_measured_against_set_gaps(drawn: Tables, units: str, shown: str) -> None:
    """Header A reads what it is set to, B 5.08 mm more; C was never checked."""
    config = replace(CUSHION_PAIRS.config, units=units)
    strips = drawn["strips"].assign(
        header=["A", "B"] * 5 + ["C"] * 2, gap_front=np.where(np.arange(12) < 6, 30.0, 36.0),
    )  # fmt: skip
    strips["gap_rear"] = strips["gap_front"]
    checks = [
        pd.DataFrame({"header": h, "row": ["1", "2"], "set_front": 30.0, "set_rear": 30.0}).assign(
            **{f"gap_{end}": [reads - 1, reads + 1] for end in ("front", "rear")}
        )
        for h, reads in (("A", 30.0), ("B", 35.0 if units == "SI" else 35.08))
    ]  # fmt: skip
    trial = tk.Trial.from_tables(config, {**drawn, "strips": strips,
                                          "header_check": pd.concat(checks)})  # fmt: skip
    told = AsRun(trial, Letters(trial))
    text = BeautifulSoup(html([told.departures()]), "html.parser").get_text(" ")
    assert "Header A: the gap measured on its rows was" in text and ", as set (5 strips)" in text
    assert f"{shown} than set (5 strips)" in text
    assert "not known for 2 strips: this header was not checked" in text
    assert any("gap measured on the header" in name for name in told.setups().head)
