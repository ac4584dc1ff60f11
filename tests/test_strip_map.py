"""The map of strips: a mark for every strip and factor where the table puts it, and its words."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit import plots
from trialkit.plots.layout import in_order


@pytest.mark.parametrize("name", ["cushion_pairs", "gap_fields", "split_strips"])
def test_every_strip_has_a_mark_a_factor(name: str) -> None:
    trial = tk.load_trial(frozen_dir(name))
    figure = plots.strip_map(trial)
    strips = trial.strips
    pairs = strips.groupby(["field", "pair"]).ngroups
    ax = figure.axes[0]
    marks = [line for line in ax.lines if str(line.get_gid()).startswith("level ")]
    for factor in trial.config.setups:
        for level in factor.levels:
            drawn = sum(line.get_gid() == f"level {level}" for line in marks)
            assert drawn == int((strips[factor.name] == level).sum())
    counted = sum(len(line.get_xdata()) for line in ax.lines if line.get_gid() == "counted")
    assert counted == trial.frames["strip"].nunique()
    assert sum(patch.get_gid() == "pair" for patch in ax.patches) == pairs
    assert f"{len(strips)} strips of {pairs} pairs" in figure.alt_text
    low, high = ax.get_xlim()
    assert all(low < line.get_xdata()[0] < high for line in marks)


def test_marks_stand_in_the_order_harvested() -> None:
    """Rows of the table shuffled: the map is the same; a strip left out loses its mark only."""
    trial = tk.load_trial(frozen_dir("gap_fields"))
    shuffled = trial.strips.sample(frac=1, random_state=3)
    # Fields keep the table's order, so that is the one thing that may move.
    first = {f: i for i, f in enumerate(trial.strips["field"].unique())}
    shuffled = shuffled.sort_values("field", key=lambda f: f.map(first), kind="stable")
    ordered, words = in_order(replace(trial, strips=shuffled))
    assert ordered["strip"].tolist() == in_order(trial)[0]["strip"].tolist()
    assert words == "in the order harvested"
    untimed = trial.strips.assign(harvested_at=pd.NaT)
    assert in_order(replace(trial, strips=untimed))[1] == "in the order of the strips table"
    frames = trial.frames[trial.frames["strip"] != trial.strips["strip"].iloc[0]]
    assert "1 without frames" in plots.strip_map(replace(trial, frames=frames)).summary


def test_effects_are_those_of_the_check() -> None:
    result = tk.analyse(tk.load_trial(frozen_dir()), responses=["header_loss"])["header_loss"]
    check = result.check(n=40, influence=False)
    assert check.influence.empty and "leaving out" not in check.verdict.lower()
    figure = plots.effect_quantiles(check)
    drawn = [line for line in figure.axes[0].lines if line.get_gid() in ("inside", "outside")]
    assert sum(len(line.get_xdata()) for line in drawn) == len(check.effects)
    with pytest.raises(tk.errors.DesignError, match="estimated at zero"):
        plots.effect_quantiles(replace(check, effects=check.effects.head(0)))
