"""Precision attained against closed forms and the power of the paired t."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import count
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS, SCENARIOS, frozen_dir
from noncentral_t import paired_t_power, t_power

from trialkit.analysis.questions.power_attained import chance, detectable, power_attained
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.trial import Trial, load_trial

DEMO = Path(__file__).parent.parent / "data_demo"


def one_response(trial: Trial, name: str):
    return analyse_response(SPECIFICATIONS[name], trial, trial.losses(), 0.95)


@pytest.fixture(scope="module")
def demos(analysed):
    return {s.folder: analysed(s.folder).responses for s in SCENARIOS}


@pytest.fixture(scope="module")
def heavy():
    """One Gaussian value a strip, the pair variance inside its range."""
    truth = Truth(preharvest=10.0, header=400.0, header_ratios={"cushion": {"cushion": 0.9}},
                  sd={"pair": 0.2, "strip": 0.15}, preharvest_sd={"strip": 0.1})  # fmt: skip
    effort = Effort(header_frames=1, preharvest_frames=1, frame_area=50.0, total_frames=0,
                    ear_area=0, grain_samples=0, residue_samples=0, stalks=0)  # fmt: skip
    trial = simulate_trial(CUSHION_PAIRS.config, truth, seed=4, blocks=6, effort=effort)
    return one_response(trial, "yield")


@pytest.mark.parametrize("n", [3, 4, 6, 12, 40])
@pytest.mark.parametrize("power", [0.5, 0.8, 0.95])
def test_detectable_effect_is_that_of_the_paired_t(n, power):
    found = detectable(1 / np.sqrt(n), n - 1, power, 0.95)
    assert paired_t_power(found, n) == pytest.approx(power, abs=1e-9)


def test_chance_is_the_noncentral_t_of_r():
    """1 to 200 degrees of freedom, up to 40 standard errors; R's series stops at 1e-12.

    Made by `tests/reference/make_noncentral_t.R`. The other tests' reference is held to it as well.
    """
    known = json.loads((DEMO.parent / "tests/reference/noncentral_t.json").read_text())
    for shift, df, confidence, power in known["rows"]:
        assert chance(shift, df, confidence) == pytest.approx(power, rel=0, abs=1e-11)
        assert t_power(shift, df, 1 - confidence) == pytest.approx(power, rel=0, abs=1e-11)


@pytest.mark.parametrize("times", [-2.0, -1.2, 0.5, 1.0])
def test_pairs_needed_are_those_of_the_paired_t(heavy, times):
    wide = heavy.data.pivot(index="pair", columns="cushion", values="value")
    sd = (wide["cushion"] - wide["standard"]).std()
    assert heavy.variances["variance"].min() > 0  # the comparison is the paired t
    found = power_attained(heavy, differences=[times * sd])
    assert found.se == pytest.approx(sd / np.sqrt(6), rel=1e-6)
    assert found.df == pytest.approx(5)
    effect = abs(times)
    enough = next(n for n in count(2) if paired_t_power(effect, n) >= 0.8)
    needed = found.needed.query("aim == 'detectable difference'")["pairs"].item()
    assert needed == enough


@pytest.mark.parametrize("folder", [s.folder for s in SCENARIOS])
@pytest.mark.parametrize("response", ["header_loss", "kernel_damage"])
def test_present_precision_is_the_reported_one(demos, folder, response):
    result = demos[folder][response]
    for known in result.contrasts.itertuples():
        found = power_attained(result, known.factor, known.level)
        width = np.sqrt(known.ratio_high / known.ratio_low)
        assert found.half_width == pytest.approx(width, rel=1e-8)
        half = (known.difference_high - known.difference_low) / 2
        assert found.half_width_difference == pytest.approx(half, rel=1e-6)
        assert found.detectable_low < 1 < found.detectable_high
        assert found.variance["share"].sum() == pytest.approx(1)
        assert found.variance["share"].min() >= -1e-6


def test_more_rows_follow_the_closed_form_of_unpaired_strips(demos):
    # The pair variance is zero, so strips are independent: the variance of the contrast is
    # 1 / sum(1 / v) over the strips of either setup, v = strip + 1 / sum of rows' information.
    result = demos["cushion_pairs"]["header_loss"]
    variance = result.fit.variances.set_index("level")["variance"]
    assert variance["pair"] == 0.0
    data = result.data.assign(information=1 / (variance["frame"] + 1 / result.fit.predict()))
    by_strip = data.groupby(["cushion", "strip"], observed=True)["information"].sum()

    def closed(times: int) -> float:
        v = variance["strip"] + 1 / (by_strip * times)
        return float((1 / (1 / v).groupby("cushion", observed=True).sum()).sum())

    found = power_attained(result)
    now = found.scaling.query("pairs == 6").sort_values("rows_per_strip")
    assert list(now["rows_per_strip"]) == [8, 16]
    quotient = (now["se"].iloc[1] / now["se"].iloc[0]) ** 2
    assert quotient == pytest.approx(closed(2) / closed(1), rel=1e-6)
    # The one attained counts in that the strips' variance is not known.
    assert found.se**2 > closed(1)
    rows = found.variance.set_index("source")["share"]["rows"]
    assert rows == pytest.approx(1 - closed(10**6) / closed(1), abs=1e-4)


def test_twice_the_pairs_halve_the_variance_as_a_twice_as_large_trial_does(demos):
    result = demos["cushion_pairs"]["kernel_damage"]
    scaling = power_attained(result).scaling
    few, many = (scaling[scaling["rows_per_strip"] == 2].set_index("pairs").loc[n] for n in (6, 12))
    assert (few["se"] / many["se"]) ** 2 == pytest.approx(2)
    assert many["df"] / few["df"] == pytest.approx((12 - 1) / (6 - 1))
    trial = load_trial(frozen_dir("cushion_pairs"))
    tables = dict(trial.tables)
    copies = {
        "strips": tables["strips"].assign(pair=tables["strips"]["pair"] + "x"),
        "grain": tables["grain"],
    }
    twice = {
        name: pd.concat([tables[name], copy.assign(strip=copy["strip"] + "x")], ignore_index=True)
        for name, copy in copies.items()
    }
    double = Trial.from_tables(trial.config, {"fields": tables["fields"], **twice})
    doubled = power_attained(one_response(double, "kernel_damage"))
    # Variances are estimated anew (REML takes off a smaller share of the degrees of freedom).
    assert doubled.se == pytest.approx(many["se"], rel=0.1)


def test_needed_is_the_smallest_that_will_do_and_fields_limit_pairs(demos):
    result = demos["gap_fields"]["header_loss"]
    found = power_attained(result, "gap", "wide", half_widths=[1.15, 1.02], ratios=[0.9])
    table = found.needed.set_index("value")
    # Setup effects that differ between eight fields put a floor under the width.
    assert np.isnan(table.loc[1.02, "pairs"]) and table.loc[1.02, "fields"] > 100
    assert table.loc[1.15, "pairs_twice_the_rows"] <= table.loc[1.15, "pairs"]
    assert table.loc[1.15, "pairs"] > 24
    assert "differs between fields" in found.sentences[0]


def test_wrong_calls_and_escaping(demos):
    result = demos["cushion_pairs"]["header_loss"]
    with pytest.raises(DesignError, match="cushion cushion"):
        power_attained(result, "gap")
    for wrong in ({"power": 0.03}, {"confidence": 1.0}, {"half_widths": [0.9]}, {"ratios": [1]}):
        with pytest.raises(ValueError, match="must"):
            power_attained(result, **wrong)
    labelled = result.contrasts.assign(label="<b>chain")
    text = power_attained(replace(result, contrasts=labelled))._repr_html_()
    assert "<b>chain" not in text and "&lt;b&gt;chain" in text
