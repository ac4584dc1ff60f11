"""What a planned folder holds before anything is counted, and its record read back."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS

from trialkit import plan as tp
from trialkit.errors import TrialError
from trialkit.intake import HeaderConfig, SetupFactor, TrialConfig
from trialkit.plan.power_run import of_plan
from trialkit.responses import schema
from trialkit.simulate import Effort, HeaderProfile
from trialkit.simulate.tables import draw_tables

CUSHION = SetupFactor("cushion", ("standard", "cushion"), "standard", hard_to_change=True)
GAP = SetupFactor("gap", ("narrow", "usual", "wide"), "usual")
EFFORT = Effort(
    header_frames=3, preharvest_frames=1, total_frames=0, frame_area=1.0, ear_area=40.0,
    grain_samples=2, residue_samples=0, settings={"gap": {"wide": {"gap_front": 38.0}}},
    header_check=HeaderProfile(crooked_row=2),
)  # fmt: skip


def planned(*factors: SetupFactor, units: Any = "SI", **more: Any) -> tp.Plan:
    config = TrialConfig("Plan", 2026, units, HeaderConfig(8, 8 * 0.762, 8 * 0.762), factors)
    return tp.plan_trial(config, tp.Ground("North", 400.0, planter_rows=16), seed=7, **more)


def test_rows_to_fill_in() -> None:
    """Counted by hand for twelve strips."""
    plan = planned(CUSHION)
    tables = tp.planned_tables(plan.strips, EFFORT)
    assert {name: len(t) for name, t in tables.items()} == {
        "frames": 48, "ears": 24, "grain": 24, "ear_butt_damage": 0, "residue": 0,
    }  # fmt: skip
    first = tables["frames"].head(5)
    assert first["frame"].tolist() == ["P1", "H1", "H2", "H3", "P1"]
    assert first["strip"].tolist() == ["North-01"] * 4 + ["North-02"]
    assert tables["frames"]["loose_kernels"].isna().all()
    assert tables["ears"]["zone"].tolist() == ["preharvest", "header"] * 12
    assert tables["grain"]["sample"].tolist() == ["1", "2"] * 12
    assert tp.planned_tables(plan.strips, dataclasses.replace(EFFORT, ear_area=0))["ears"].empty


def test_the_rows_are_those_a_simulated_trial_has() -> None:
    """Names, zones and areas of the simulated tables, in the same order."""
    plan, effort = planned(CUSHION, blocks=4), dataclasses.replace(EFFORT, settings={})
    sheets = tp.planned_tables(plan.strips, effort)
    own = plan.tables()
    drawn = draw_tables(plan.config, CUSHION_PAIRS.truth, effort, own["strips"], own["fields"],
                        np.random.Generator(np.random.PCG64(1)))  # fmt: skip
    for name in ("frames", "ears", "grain"):
        keys = [c for c in ("frame", "strip", "zone", "sample", "area") if c in sheets[name]]
        pd.testing.assert_frame_equal(
            sheets[name][keys].astype(str), drawn[name][keys].astype(str), check_dtype=False
        )
        assert list(sheets[name]) == schema.column_names(name)


@pytest.mark.parametrize("effort", [None, Effort(), EFFORT])
@pytest.mark.parametrize("factors", [(CUSHION,), (CUSHION, GAP)])
def test_a_plan_is_read_back(
    factors: tuple[SetupFactor, ...], effort: Effort | None, tmp_path: Path
) -> None:
    plan = planned(*factors)
    record = tp.read_plan(plan.write(tmp_path / "trial", effort))
    plan = plan if effort is None else plan.counting(effort)
    assert record is not None
    assert (record.seed, record.layout, record.effort) == (plan.seed, plan.layout, effort)
    assert record.words == (*plan.words, *plan.to_know)
    assert json.loads(json.dumps(plan.arguments)) == record.arguments
    for name in ("strips", "passes", "order", "changeovers", "degrees_of_freedom"):
        made = getattr(plan, name)
        text = {c: schema.TEXT for c in ("main_strip",) if c in made}
        found = getattr(record, name)
        pd.testing.assert_frame_equal(found, made.astype(text), check_dtype=False, rtol=1e-6)


def test_no_record() -> None:
    assert tp.read_plan(Path(__file__).parent) is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("", "is no plan"), ("[]", "holds no object"), ({"seed": None}, "its seed is None"),
        ({"strips": [{"strip": "A"}]}, "a row of its strips has no 'field'"),
        ({"order": 3}, "its order are a list"), ({"effort": {"frames": 3}}, "'frames'"),
        ({"effort": {"header_frames": "many"}}, "header_frames 'many'"),
        ({"effort": {"header_check": {"gap": 3}}}, "gap"), ({"words": "all"}, "sentences"),
        ("left out", "it has no 'passes'"),
    ],
)  # fmt: skip
def test_a_broken_record_is_named(change: Any, words: str, tmp_path: Path) -> None:
    path = planned(CUSHION).write(tmp_path / "trial") / "plan.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    if change == "left out":
        del record["passes"]
    text = json.dumps(record | change) if isinstance(change, dict) else change
    path.write_text(json.dumps(record) if change == "left out" else text, encoding="utf-8")
    with pytest.raises(TrialError, match=words) as error:
        tp.read_plan(path.parent)
    assert str(path) in str(error.value)


def test_an_older_plan_has_its_own_times(tmp_path: Path) -> None:
    """With a pace and so many minutes of counting a strip: read, and told as it was."""
    plan = planned(CUSHION)
    path = plan.write(tmp_path / "trial", EFFORT) / "plan.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    del record["arguments"]["effort"], record["arguments"]["work"]
    record["arguments"]["pace"] = {"speed": 6.0, "turn_minutes": 2.0, "count_minutes": 15.0,
                                   "change_minutes": {"cushion": 90.0}}  # fmt: skip
    path.write_text(json.dumps(record), encoding="utf-8")
    read = tp.read_plan(path.parent)
    assert read is not None
    assert read.hours == pytest.approx(sum(step["minutes"] for step in record["order"]) / 60)
    work = tp.Work.recorded(read.arguments)
    assert (work.speed, work.turn_minutes, work.change_minutes) == (6.0, 2.0, {"cushion": 90.0})
    assert of_plan(read)["effort"] == read.effort == EFFORT
