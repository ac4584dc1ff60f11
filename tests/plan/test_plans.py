"""Layouts: textbooks' degrees of freedom, what every plan keeps to, what is refused."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from itertools import groupby, pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import trialkit as tk
from trialkit import plan as tp
from trialkit.analysis.covariates import spare
from trialkit.errors import DesignError, FileExistsRefusal, TrialError
from trialkit.intake import HeaderConfig, SetupFactor, TrialConfig
from trialkit.plan.draws import Draws
from trialkit.plan.ground import joints, lanes
from trialkit.simulate import Effort
from trialkit.simulate.demo import CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS
from trialkit.simulate.tables import draw_tables


def factor(name: str, levels: int, hard: bool = False) -> SetupFactor:
    labels = tuple(f"{name}{i}" for i in range(levels))
    return SetupFactor(name, labels, labels[0], hard_to_change=hard)


def config(*factors: SetupFactor, rows: int = 8) -> TrialConfig:
    width = rows * 0.762
    return TrialConfig("Plan", 2026, "SI", HeaderConfig(rows, width, width), factors)


ONE = tp.Ground("North", 400.0)
CUSHION, GAP = factor("cushion", 2, hard=True), factor("gap", 3)


def planned(*factors: SetupFactor, **more: Any) -> tp.Plan:
    return tp.plan_trial(
        config(*factors), more.pop("grounds", ONE), seed=more.pop("seed", 1), **more
    )


def lines(plan: tp.Plan) -> list[tuple[str, int]]:
    return [(t, int(df)) for t, df in zip(plan.variance["term"], plan.variance["df"], strict=True)]


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
    """`at_most` is the textbook's error and the larger units' that it may be pooled with; and the
    strips' error is what the analysis itself finds spare."""
    error = made.variance[made.variance["role"] == "error"].set_index("term")["df"]
    order = [t for t in ("fields", "blocks", "main strips", "strips") if t in error]
    for row in made.degrees_of_freedom.itertuples():
        upto = order[: order.index(row.compared_on) + 1]
        pooled = sum(error[t] for t in upto)
        assert row.error_df == error[row.compared_on]
        assert row.at_most == pooled == made.design.strata[row.factor]
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
    pace = tp.Pace(**recorded.pop("pace"))
    again = tp.plan_trial(scenario.config, grounds, seed=record["seed"], pace=pace, **recorded)
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
        f"{r.frame},{r.strip},{r.zone},{a:.6g},{r.loose_kernels},"
        for r, a in zip(frames.itertuples(), area, strict=True)
    ]
    assert header == "frame,strip,zone,area (ft2),loose_kernels,note"
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


# --- What every plan keeps to ---------------------------------------------------------------


@st.composite
def asked(draw: Any) -> dict[str, Any]:
    layout = draw(st.sampled_from(["pairs", "blocks", "split"]))
    setups = {
        "pairs": (CUSHION,),
        "blocks": (factor("gap", draw(st.integers(2, 5))),),
        "split": (factor("cushion", draw(st.integers(2, 3)), hard=True),
                  factor("gap", draw(st.integers(2, 3)))),
    }[layout]  # fmt: skip
    rows = draw(st.sampled_from([4, 6, 8, 12]))
    planters = [n for n in (None, 4, 6, 8, 12, 16, 24) if n is None or n >= rows or rows % n == 0]
    grounds = [
        tp.Ground(f"F{i}", draw(st.sampled_from([300.0, 800.0])),
                  planter_rows=draw(st.sampled_from(planters)),
                  headland=draw(st.sampled_from([0.0, 20.0])))
        for i in range(draw(st.integers(1, 3)))
    ]  # fmt: skip
    return {
        "config": config(*setups, rows=rows),
        "grounds": grounds,
        "layout": layout,
        "blocks": draw(st.integers(3, 7)),
        "seed": draw(st.integers(0, 2**32)),
        "border_passes": draw(st.integers(0, 2)),
        "buffer_passes": draw(st.integers(0, 2)),
        "buffers_between": draw(st.sampled_from(["blocks", "main strips", "strips"])),
        "balance": draw(st.booleans()),
        "order": draw(st.sampled_from(["position", "fewest changes"])),
    }


SOME = settings(max_examples=25, deadline=None, derandomize=True,
                suppress_health_check=list(HealthCheck))  # fmt: skip


@SOME
@given(asked())
def test_every_plan(a: dict[str, Any]) -> None:
    plan = tp.plan_trial(**a)
    names = [f.name for f in plan.config.setups]
    rows = plan.config.header.rows
    every = Counter(
        {k: 1 for k in pd.MultiIndex.from_product([f.levels for f in plan.config.setups])}
    )
    for _, block in plan.strips.groupby(["field", "pair"]):
        setups = Counter(zip(*(block[n] for n in names), strict=True))
        assert setups == every  # complete
        assert block["run"].max() - block["run"].min() + 1 == len(block)  # one block at a time
    if a["layout"] == "split":
        main = plan.strips.groupby(["field", "pair", "main_strip"])
        assert (main["cushion"].nunique() == 1).all()
        assert (main["run"].max() - main["run"].min() + 1 == main.size()).all()
    for ground in plan.grounds:
        own = plan.passes[plan.passes["field"] == ground.field]
        # Passes lie edge to edge and their widths add up.
        assert own["first_row"].iloc[0] == 1
        assert (own["first_row"].to_numpy()[1:] == own["last_row"].to_numpy()[:-1] + 1).all()
        wide = (own["last_row"] - own["first_row"] + 1) * ground.row_spacing
        assert (own["right"] - own["left"]).sum() == pytest.approx(wide.sum())
        assert own["right"].iloc[-1] == pytest.approx(wide.sum())
        whole = own[own["pass"] > 0]
        assert (whole["last_row"] - whole["first_row"] + 1 == rows).all()
        kinds = own["kind"].value_counts()
        assert kinds.get("border", 0) == 2 * a["border_passes"]
        strips = plan.strips[plan.strips["field"] == ground.field]
        level = {"blocks": "pair", "main strips": "main_strip", "strips": "strip"}
        parts = strips[level[a["buffers_between"]]].fillna(strips["pair"]).nunique()
        assert kinds.get("buffer", 0) == (parts - 1) * a["buffer_passes"]
        # A planter pass is never split: a strip lies inside one, or takes whole ones.
        if planter := ground.planter_rows:
            first, last = strips["first_row"] - 1, strips["last_row"]
            inside = first // planter == (last - 1) // planter
            whole_ones = (first % planter == 0) & (last % planter == 0)
            assert (inside | whole_ones).all()
            assert own["last_row"].iloc[-1] % planter == 0
        ways = strips.sort_values("run")["direction"].tolist()
        assert ways == ["up", "down"] * (len(ways) // 2) + ["up"] * (len(ways) % 2)
        # Restrictions.
        firsts = strips.groupby("pair", sort=False).first()
        lead = firsts["cushion" if a["layout"] == "split" else names[0]].tolist()
        assert max(len(list(run)) for _, run in groupby(lead)) <= 3
        if a["balance"] and a["layout"] != "split":
            place = strips.groupby("pair").cumcount()
            counts = pd.crosstab(strips["setup"], place).to_numpy()
            assert counts.max() - counts.min() <= 1
    passes = plan.order[plan.order["what"] == "pass"]
    assert passes["strip"].tolist() == plan.strips.sort_values("run")["strip"].tolist()
    changed = plan.order[plan.order["what"] == "change"]["minutes"].sum() / 60
    assert changed == pytest.approx(plan.changeovers["hours"].sum())
    if a["order"] == "fewest changes" and a["layout"] != "blocks":
        swaps = plan.changeovers.set_index("factor").loc["cushion", "changes"]
        levels = len(plan.config.setups[0].levels)
        assert swaps == (levels - 1) * a["blocks"] * len(plan.grounds)


@SOME
@given(asked())
def test_the_seed_tells_the_plan(a: dict[str, Any]) -> None:
    once, again = tp.plan_trial(**a), tp.plan_trial(**a)
    pd.testing.assert_frame_equal(once.strips, again.strips)
    pd.testing.assert_frame_equal(once.order, again.order)


@SOME
@given(asked(), st.integers(1, 4), st.floats(40, 400), st.floats(2, 30), st.integers(0, 3))
def test_every_refusal_names_a_plan_that_can(
    a: dict[str, Any], blocks: int, width: float, hours: float, more: int
) -> None:
    """Too few blocks, too narrow fields, too few hours, alone or together: where a nearest plan is
    named, it can be made as it stands; and what is not refused keeps to what was asked."""
    grounds = [replace(g, width=width) for g in a["grounds"]]
    asked = {**a, "blocks": blocks, "grounds": grounds, "border_passes": 0,
             "max_change_hours": hours if more else None}  # fmt: skip
    try:
        plan = tp.plan_trial(**asked)
    except tp.PlanRefused as refused:
        if not refused.nearest:
            assert "No plan near this one" in str(refused)
            return
        asked |= refused.nearest
        plan = tp.plan_trial(**asked)
    assert plan.passes["right"].max() <= width + 1e-6
    limit = asked["max_change_hours"]
    assert limit is None or plan.changeovers["hours"].sum() <= limit + 1e-6
    assert (plan.degrees_of_freedom["error_df"] >= 1).all()


def test_seeds_differ_and_are_recorded() -> None:
    setups = {tuple(planned(GAP, seed=s, blocks=6).strips["setup"]) for s in range(20)}
    assert len(setups) == 20
    drawn = tp.plan_trial(config(GAP), ONE)
    again = tp.plan_trial(config(GAP), ONE, seed=drawn.seed)
    pd.testing.assert_frame_equal(drawn.strips, again.strips)


def test_the_same_plan_on_any_machine() -> None:
    """Frozen; computed once from the raw output of PCG64, numpy 2.4."""
    raw = np.random.PCG64(1).random_raw(3).tolist()
    assert raw == [9441442522235856127, 17532960557476522086, 2659275481604167885]
    draws = Draws(1)
    assert [draws.below(10) for _ in range(3)] == [7, 6, 5]
    plan = planned(CUSHION, GAP, blocks=3, seed=20261003)
    assert "".join(plan.strips["setup"]) == "DEFBCACABFEDFDEBCA"


def test_draws_are_fair() -> None:
    """Every order of three as likely: chi-squared with 5 degrees of freedom below its 99.9 %
    point, 20.5, for the free and the balanced draw."""
    for balance in (False, True):
        draws = Draws(7)
        orders = [tuple(o) for _ in range(400) for o in draws.orders(3, 3, balance)]
        counts = np.array(list(Counter(orders).values()))
        assert len(counts) == 6
        # Three rows of one square go together, so a balanced draw has a third of the trials.
        chi = ((counts - 200) ** 2 / 200).sum() / (3 if balance else 1)
        assert chi < 20.5


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
        ({"pace": tp.Pace(change_minutes={"chain": 5.0})}, "setup factors are gap"),
    ],
)  # fmt: skip
def test_arguments_without_meaning(more: dict[str, Any], words: str) -> None:
    with pytest.raises(DesignError, match=words):
        planned(GAP, **more)


# --- Ground ---------------------------------------------------------------------------------


def test_lanes_of_a_planter_that_does_not_fit() -> None:
    """By hand: 8 of 12 rows with 2 left at either side; a 16-row planter holds two passes of 8."""
    places = lanes(12, 8)
    assert [next(places) for _ in range(4)] == [
        ("rows left", 1, 2), ("pass", 3, 10), ("rows left", 11, 12), ("rows left", 13, 14),
    ]  # fmt: skip
    places = lanes(16, 8)
    assert [next(places) for _ in range(3)] == [("pass", 1, 8), ("pass", 9, 16), ("pass", 17, 24)]
    assert joints(tp.Ground("N", 100.0, planter_rows=16), 24.4) == pytest.approx(
        [0, 12.192, 24.384]
    )


def test_rows_to_count_leave_out_those_beside_a_joint() -> None:
    """Two passes of 8 in a planter pass of 16, borders none: the first pass has the joint at its
    left, the second at its right; run down the field, left and right change places."""
    plan = planned(CUSHION, grounds=tp.Ground("N", 400.0, planter_rows=16), border_passes=0)
    for row in plan.strips.itertuples():
        left = (row.first_row == 1 or (row.first_row - 1) % 16 == 0) == (row.direction == "up")
        assert row.count_rows == ("2-8" if left else "1-7")
    inside = planned(CUSHION, grounds=tp.Ground("N", 400.0, planter_rows=12))
    assert set(inside.strips["count_rows"]) == {"1-8"}
    over = tp.plan_trial(config(CUSHION, rows=12), tp.Ground("N", 400.0, planter_rows=6), seed=1)
    assert set(over.strips["count_rows"]) == {"2-5, 8-11"}


def test_geojson_by_lengths_of_a_degree() -> None:
    """At 45 degrees one of latitude is 111.132 km and one of longitude 78.847 km long (WGS 84,
    table of lengths of a degree, from memory)."""
    plan = planned(CUSHION, grounds=tp.Ground("N", 1111.32), border_passes=0)
    found = plan.geojson((45.0, 10.0), 0.0)
    assert found["type"] == "FeatureCollection" and len(found["features"]) == len(plan.passes)
    ring = found["features"][0]["geometry"]["coordinates"][0]
    assert ring[0] == ring[-1] == [10.0, 45.0] and len(ring) == 5
    assert ring[2][1] - 45 == pytest.approx(0.01, rel=1e-4)
    assert ring[1][0] - 10 == pytest.approx(8 * 0.762 / 78847, rel=1e-4)
    area = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring))
    assert area > 0  # counter-clockwise, as RFC 7946 wants outer rings
    # Heading east, "up" is east and the strips follow to the south.
    east = plan.geojson({"N": (45.0, 10.0)}, {"N": 90.0})["features"][0]
    turned = east["geometry"]["coordinates"][0]
    assert turned[1][1] < 45 and turned[2][0] - 10 == pytest.approx(1111.32 / 78847, rel=1e-4)
    assert east["properties"]["setup"] == plan.strips["setup"].iloc[0]
    with pytest.raises(DesignError, match="latitude"):
        plan.geojson((95.0, 10.0), 0.0)
    with pytest.raises(DesignError, match="No corner is given for field N"):
        plan.geojson({"M": (45.0, 10.0)}, 0.0)


@pytest.mark.parametrize("latitude", [-35.0, 0.0, 42.0, 60.0])
@pytest.mark.parametrize("heading", [0.0, 37.0, 270.0])
def test_geojson_against_the_ellipsoid(latitude: float, heading: float) -> None:
    """The corner's tangent plane put into earth-centred coordinates and a point's latitude and
    longitude likewise (WGS 84): within 2 km of the corner they are less than 1 m apart."""
    a, e2 = 6378137.0, 0.00669437999014

    def centred(lon: float, lat: float) -> np.ndarray:
        lon, lat = np.radians(lon), np.radians(lat)
        n = a / np.sqrt(1 - e2 * np.sin(lat) ** 2)
        return n * np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon),
                             (1 - e2) * np.sin(lat)])  # fmt: skip

    plan = planned(CUSHION, GAP, blocks=6, grounds=tp.Ground("N", 1950.0))
    found = plan.geojson((latitude, 20.0), heading)["features"]
    lat, lon, turn = np.radians(latitude), np.radians(20.0), np.radians(heading)
    east = np.array([-np.sin(lon), np.cos(lon), 0.0])
    north = np.array([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)])
    ahead = np.sin(turn) * east + np.cos(turn) * north
    right = np.cos(turn) * east - np.sin(turn) * north
    row = plan.passes.iloc[-1]
    corner = centred(20.0, latitude)
    for (x, y), place in zip(
        [(row["left"], 0), (row["right"], 0), (row["right"], 1950), (row["left"], 1950)],
        found[-1]["geometry"]["coordinates"][0], strict=False,
    ):  # fmt: skip
        truth = corner + x * right + y * ahead
        assert np.linalg.norm(truth - centred(*place)) < 1.0


def test_one_pair_a_field() -> None:
    """Three fields of one pair each are three pairs: two degrees of freedom."""
    grounds = [tp.Ground(f"F{i}", 400.0) for i in range(3)]
    plan = planned(CUSHION, grounds=grounds, blocks=1)
    assert lines(plan) == [("fields", 2), ("cushion", 1), ("strips", 2)]
    assert any("judged by 2 degrees" in note for note in plan.notes)


def test_split_strips_names_its_main_factor() -> None:
    easy = config(factor("chain", 2), GAP)
    plan = tp.split_strips(easy, ONE, main=["chain"], seed=1, blocks=4)
    assert plan.config.setups == (replace(easy.setups[0], hard_to_change=True), GAP)
    assert plan.design.kind == "a split-strip trial of 4 blocks on one field"
    with pytest.raises(DesignError, match="main names 'roll'"):
        tp.split_strips(easy, ONE, main=["roll"])
    assert tp.paired_strips(config(CUSHION), ONE, seed=1).design.kind == (
        "paired strips, 6 pairs on one field"
    )
    assert tp.complete_blocks(config(CUSHION, GAP), ONE, seed=1).layout == "blocks"


def test_hours_of_changeovers_are_kept() -> None:
    """Two levels, 4 blocks: by position 4 to 7 changes, 7 only where all four blocks begin alike,
    which is never drawn; at most 5 of them are allowed."""
    pace = tp.Pace(change_minutes={"cushion": 60.0})
    free = {int(planned(CUSHION, GAP, seed=s, blocks=4, pace=pace).changeovers["changes"].iloc[0])
            for s in range(40)}  # fmt: skip
    assert free == {4, 5, 6}
    kept = {int(planned(CUSHION, GAP, seed=s, blocks=4, pace=pace, max_change_hours=5.0)
                .changeovers["changes"].iloc[0]) for s in range(20)}  # fmt: skip
    assert kept == {4, 5}
