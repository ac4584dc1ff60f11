"""What every plan keeps to, whatever is asked for."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from layouts import CUSHION, GAP, ONE, config, factor, planned

from trialkit import plan as tp
from trialkit.plan.draws import Draws


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
    plan, again = tp.plan_trial(**a), tp.plan_trial(**a)
    pd.testing.assert_frame_equal(plan.strips, again.strips)  # the seed tells the plan
    pd.testing.assert_frame_equal(plan.order, again.order)
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


def test_hours_of_changeovers_are_kept() -> None:
    """Two levels, 4 blocks: by position 4 to 7 changes, 7 only where all four blocks begin alike,
    which is never drawn; at most 5 of them are allowed."""
    work = tp.Work(change_minutes={"cushion": 60.0})

    def changes(seed: int, **more: float) -> int:
        plan = planned(CUSHION, GAP, seed=seed, blocks=4, work=work, **more)
        return int(plan.changeovers["changes"].iloc[0])

    free = {seed: changes(seed) for seed in range(16)}
    assert set(free.values()) == {4, 5, 6}
    # Every draw that is over the limit where there is none, and some that are not.
    asked = [seed for seed in free if free[seed] == 6 or seed < 4]
    assert {changes(seed, max_change_hours=5.0) for seed in asked} == {4, 5}
