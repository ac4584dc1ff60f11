"""Layouts: textbooks' degrees of freedom, the analysis of what was planned, what is refused."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS
from layouts import CUSHION, GAP, ONE, config, factor, lines, planned

import trialkit as tk
from trialkit import plan as tp
from trialkit.analysis.covariates import spare
from trialkit.errors import DesignError, FileExistsRefusal, TrialError
from trialkit.simulate import Effort
from trialkit.simulate.tables import draw_tables

# --- Textbooks -------------------------------------------------------------------------------


def test_complete_blocks_by_the_textbook() -> None:
    """Montgomery, Design and Analysis of Experiments (2008), solution of problem 4.1: 5 treatments
    in 6 blocks have 4 degrees of freedom, blocks 5, error 20, total 29."""
    plan = planned(factor("gap", 5), blocks=6)
    assert lines(plan) == [("blocks", 5), ("gap", 4), ("strips", 20)]
    assert plan.variance["df"].sum() == 29 == len(plan.strips) - 1
    assert plan.degrees_of_freedom["error_df"].tolist() == [20]


def test_split_strips_by_the_textbook() -> None:
    """Yates's oats, 6 blocks of 3 main plots of 4 plots. Analysis of variance in the documentation
    of R's MASS 7.3-65, `oats`: blocks 5; variety 2, error 10; nitrogen 3, nitrogen by variety 6,
    error 45."""
    plan = planned(factor("variety", 3, hard=True), factor("nitrogen", 4), blocks=6)
    assert lines(plan) == [
        ("blocks", 5), ("variety", 2), ("main strips", 10),
        ("nitrogen", 3), ("variety:nitrogen", 6), ("strips", 45),
    ]  # fmt: skip
    table = plan.degrees_of_freedom.set_index("factor")
    assert table["error_df"].to_dict() == {"variety": 10, "nitrogen": 45}
    assert table["compared_on"].to_dict() == {"variety": "main strips", "nitrogen": "strips"}


def test_split_strips_of_paper() -> None:
    """Montgomery, tensile strength of paper: 3 replicates of 3 pulps on main plots, 4 temperatures
    (from memory: 2; 2, 4; 3, 6, 18)."""
    plan = planned(factor("pulp", 3, hard=True), factor("temperature", 4), blocks=3)
    assert plan.variance["df"].tolist() == [2, 2, 4, 3, 6, 18]


def test_pairs_and_fields() -> None:
    """n pairs leave n - 1 (Student's paired t); over fields the effect is judged against how it
    varies between them, (k - 1)(F - 1) (Cochran & Cox, chapter 14, from memory)."""
    assert planned(CUSHION, blocks=6).degrees_of_freedom["error_df"].tolist() == [5]
    grounds = [tp.Ground(f"F{i}", 400.0) for i in range(4)]
    plan = planned(GAP, blocks=3, grounds=grounds)
    assert lines(plan) == [
        ("fields", 3),
        ("blocks", 8),
        ("gap", 2),
        ("gap:field", 6),
        ("strips", 16),
    ]
    assert plan.degrees_of_freedom["error_df"].tolist() == [6]
    assert plan.degrees_of_freedom["compared_on"].tolist() == ["fields"]


@pytest.mark.parametrize(
    "made",
    [planned(CUSHION), planned(GAP, blocks=4), planned(CUSHION, GAP, factor("speed", 2), blocks=3),
     planned(CUSHION, grounds=[ONE, tp.Ground("South", 500.0)], blocks=3)],
    ids=repr,
)  # fmt: skip
def test_degrees_of_freedom_agree_with_the_analysis(made: tp.Plan) -> None:
    """The textbook's error is what the analysis takes; the strips' is what it finds spare."""
    error = made.variance[made.variance["role"] == "error"].set_index("term")["df"]
    for row in made.degrees_of_freedom.itertuples():
        assert row.error_df == error[row.compared_on] == made.design.strata[row.factor].df
    names, crossed = made.design.names, made.design.interactions
    mains = error.get("main strips", 0)
    assert spare(made.design.strips, names, crossed) == error["strips"] + mains


# --- From plan to analysis ------------------------------------------------------------------


@pytest.mark.parametrize("scenario", [CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS],
                         ids=lambda s: s.folder)  # fmt: skip
def test_the_analysis_finds_the_planned_design(scenario: Any, tmp_path: Any) -> None:
    """An empty trial is written, counts are drawn on its strips, and it is read and analysed."""
    names = list(scenario.fields["field"])[:4]
    grounds = [tp.Ground(n, 400.0, planter_rows=16, headland=15.0) for n in names]
    plan = tp.plan_trial(scenario.config, grounds, blocks=3, seed=8)
    folder = plan.write(tmp_path / "trial")
    with pytest.raises(TrialError, match="no row of a response table"):
        tk.load_trial(folder)
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    with pytest.raises(FileExistsRefusal):
        plan.write(folder)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before

    # What is recorded gives the plan again.
    record = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    recorded = record["arguments"]
    grounds = [tp.Ground(**g) for g in recorded.pop("grounds")]
    own = {"work": tp.Work(**recorded.pop("work")), "effort": Effort(**recorded.pop("effort"))}
    again = tp.plan_trial(scenario.config, grounds, seed=record["seed"], **own, **recorded)
    pd.testing.assert_frame_equal(again.strips, plan.strips)
    pd.testing.assert_frame_equal(again.order, plan.order)

    tables = plan.tables()
    effort = Effort(header_frames=4, preharvest_frames=1, total_frames=0, grain_samples=0,
                    residue_samples=0, ear_area=0.0, stalks=0)  # fmt: skip
    drawn = draw_tables(scenario.config, scenario.truth, effort, tables["strips"],
                        tables["fields"], np.random.default_rng(1))  # fmt: skip
    frames = drawn["frames"]
    header = (folder / "frames.csv").read_text().strip()
    area = frames["area"] / 0.3048**2
    rows = [
        f"{r.frame},{r.strip},{r.zone},{a:.6g},{r.loose_kernels},,"
        for r, a in zip(frames.itertuples(), area, strict=True)
    ]
    assert header == "frame,strip,zone,area (ft2),loose_kernels,kernels_on_cobs,note"
    (folder / "frames.csv").write_text("\n".join([header, *rows]) + "\n")

    trial = tk.load_trial(folder)
    assert trial.refused.empty
    own = ["strip", "field", "pair", *plan.design.names]
    pd.testing.assert_frame_equal(
        trial.strips[own], plan.strips[own], check_dtype=False, check_column_type=False
    )
    found = tk.analyse(trial, responses=["header_loss"])["header_loss"].design
    assert (found.kind, found.nested, found.strata, found.slope_factors, found.interactions) == (
        plan.design.kind, plan.design.nested, plan.design.strata, plan.design.slope_factors,
        plan.design.interactions,
    )  # fmt: skip


# --- Refusals -------------------------------------------------------------------------------

REFUSED: dict[str, tuple[dict[str, Any], str, dict[str, Any]]] = {
    "one pair": ({"config": config(CUSHION), "blocks": 1}, "only one pair", {"blocks": 3}),
    "one block": ({"config": config(GAP), "blocks": 1}, "only one pair", {"blocks": 3}),
    "main strips": (
        {"config": config(CUSHION, GAP), "blocks": 1}, "leave it unrepeated", {"blocks": 3}),
    "factors together": (
        {"config": config(GAP, factor("speed", 3)), "setups": [
            {"gap": f"gap{i}", "speed": f"speed{i}"} for i in range(3)]},
        "always change together", {"setups": None}),
    "nothing to split": (
        {"config": config(GAP), "layout": "split"}, "no factor here is hard", {"layout": "blocks"}),
    "three in a pair": (
        {"config": config(GAP), "layout": "pairs"}, "compare two setups; there are 3",
        {"layout": "blocks"}),
    "planter pass": (
        {"config": config(CUSHION, rows=12), "grounds": tp.Ground("N", 400.0, planter_rows=8)},
        "would split a planter pass", {"pass_rows": 8}),
    "too wide": (
        {"config": config(CUSHION), "grounds": tp.Ground("N", 400.0, width=60.0)},
        "is 60 m wide, and 6 blocks take 85 m", {"blocks": 3}),
    "buffers too wide": (
        {"config": config(CUSHION), "grounds": tp.Ground("N", 400.0, width=86.0),
         "buffer_passes": 1}, "6 blocks take 116 m", {"buffer_passes": 0}),
    "too short": (
        {"config": config(CUSHION), "grounds": tp.Ground("N", 100.0, headland=15.0)},
        "strips would be 70 m long", {"min_length": 70.0}),
    "hours": (
        {"config": config(factor("cushion", 3, hard=True), GAP), "max_change_hours": 48.0,
         "blocks": 12}, "At most 48 hours", {"order": "fewest changes"}),
    "hours, fewer blocks": (
        {"config": config(CUSHION, GAP), "max_change_hours": 7.0, "order": "fewest changes"},
        "takes 12 hours", {"order": "fewest changes", "blocks": 3}),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_refusals_name_the_nearest_plan(case: str) -> None:
    """And that plan can be made: the arguments it names are put in."""
    arguments, words, nearest = REFUSED[case]
    arguments = {"grounds": ONE, "seed": 5, **arguments}
    with pytest.raises(tp.PlanRefused, match=words) as refused:
        tp.plan_trial(**arguments)
    assert "The nearest plan that can be: " in str(refused.value)
    assert refused.value.nearest == nearest
    made = tp.plan_trial(**{**arguments, **nearest})
    assert made.degrees_of_freedom["error_df"].min() >= 1


def test_layouts_by_hand() -> None:
    """A sound one passes; one setup a block, one pair and main strips run once are refused."""
    plan = planned(CUSHION, GAP, blocks=3)
    assert tp.check_layout(plan.config, plan.strips.drop(columns="setup")).kind == plan.design.kind


def test_layouts_by_hand_refused() -> None:
    between = pd.DataFrame(
        {"strip": list("abcdefgh"), "field": "N", "pair": list("11223344"),
         "cushion": ["cushion0"] * 2 + ["cushion1"] * 4 + ["cushion0"] * 2}
    )  # fmt: skip
    with pytest.raises(tp.PlanRefused, match="confounded with blocks") as refused:
        tp.check_layout(config(CUSHION), between)
    assert refused.value.nearest == {"layout": "blocks", "blocks": 4}
    with pytest.raises(tp.PlanRefused, match="only one pair"):
        tp.check_layout(config(CUSHION), between.iloc[[1, 2]].assign(pair="1"))
    plan = planned(CUSHION, GAP, blocks=3)
    once = plan.strips[plan.strips["pair"] == "1"].drop(columns="setup")
    with pytest.raises(tp.PlanRefused, match="unrepeated") as refused:
        tp.check_layout(plan.config, once)
    assert refused.value.nearest == {"layout": "split", "blocks": 3}
    with pytest.raises(TrialError, match="no column 'pair'"):
        tp.check_layout(plan.config, once.drop(columns="pair"))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"blocks": 0}, "blocks is 0"), ({"layout": "square"}, "pairs, blocks, split"),
        ({"order": "any"}, "fewest changes"), ({"max_run": 1}, "max_run"),
        ({"seed": -1}, "seed is -1"), ({"min_length": float("nan")}, "min_length"),
        ({"grounds": []}, "at least one ground"), ({"grounds": [ONE, ONE]}, "its own name"),
        ({"grounds": tp.Ground("N", 400.0, row_spacing=0.5)}, "correct the row spacing"),
        ({"setups": [{"gap": "none"}]}, "its levels are"),
        ({"work": tp.Work(change_minutes={"chain": 5.0})}, "setup factors are gap"),
    ],
)  # fmt: skip
def test_arguments_without_meaning(more: dict[str, Any], words: str) -> None:
    with pytest.raises(DesignError, match=words):
        planned(GAP, **more)


def test_one_pair_a_field() -> None:
    """Three fields of one pair each are three pairs: two degrees of freedom."""
    grounds = [tp.Ground(f"F{i}", 400.0) for i in range(3)]
    plan = planned(CUSHION, grounds=grounds, blocks=1)
    assert lines(plan) == [("fields", 2), ("cushion", 1), ("strips", 2)]
    assert any("judged by 2 degrees" in text for text in plan.to_know)


def test_the_layout_is_what_the_factors_ask_for() -> None:
    split = planned(CUSHION, GAP, blocks=4)
    assert split.design.kind == "a split-strip trial of 4 blocks on one field"
    assert planned(CUSHION).design.kind == "paired strips, 6 pairs on one field"
    assert planned(CUSHION, GAP, layout="blocks").layout == "blocks"
