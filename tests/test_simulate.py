"""Simulated trials: designs as stated, counts that obey the stated truth, files that repeat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from frozen_trials import CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS

from trialkit.errors import DesignError
from trialkit.simulate import Effort, Truth, simulate_trial, true_of


def test_layouts_hold_every_setup_once_in_every_block():
    pairs = CUSHION_PAIRS.trial().strips
    assert pairs.groupby("pair")["cushion"].nunique().tolist() == [2] * 6 and len(pairs) == 12
    fields = GAP_FIELDS.trial().strips
    assert (fields.groupby(["field", "pair"])["gap"].nunique() == 3).all() and len(fields) == 72
    # Order within blocks is random, not the same everywhere.
    assert fields.groupby(["field", "pair"])["gap"].agg(tuple).nunique() > 3
    split = SPLIT_STRIPS.trial().strips
    assert len(split) == 60 and split["main_strip"].nunique() == 10
    main = split.groupby("main_strip")
    assert (main["cushion"].nunique() == 1).all() and (main.size() == 6).all()
    assert (main[["gap", "speed"]].apply(lambda t: len(t.drop_duplicates())) == 6).all()
    # A main strip is harvested in one go.
    runs = (split["main_strip"] != split["main_strip"].shift()).sum()
    assert runs == 10


QUIET = Truth(
    preharvest=6.0, header=20.0, header_ratios={"cushion": {"cushion": 0.5}}, processing=4.0,
    sd={}, preharvest_sd={}, damage=0.08, damage_odds={"cushion": {"cushion": 0.5}},
    ears=0.03, preharvest_ears=0.01,
)  # fmt: skip


def test_counts_without_random_effects_are_poisson_about_the_stated_densities():
    config = replace(
        CUSHION_PAIRS.config, header=replace(CUSHION_PAIRS.config.header, discharge_width=6.096 / 2)
    )
    effort = Effort(header_frames=50, preharvest_frames=50, total_frames=50)
    trial = simulate_trial(config, QUIET, seed=7, blocks=20, effort=effort)
    frames = trial.frames.merge(trial.strips[["strip", "cushion"]], on="strip")
    expected = {  # kernels/m2; residue lies on half the width, so twice as dense
        ("preharvest", "standard"): 6.0, ("preharvest", "cushion"): 6.0,
        ("header", "standard"): 26.0, ("header", "cushion"): 16.0,
    }  # fmt: skip
    for (zone, level), density in expected.items():
        rows = frames[frames["zone"].eq(zone) & frames["cushion"].eq(level)]
        mean = density * rows["area"].iloc[0]
        n = len(rows)
        # Five standard errors of the mean and of the variance of n Poisson counts.
        assert rows["loose_kernels"].mean() == pytest.approx(mean, abs=5 * np.sqrt(mean / n))
        spread = np.sqrt((mean + 2 * mean**2) / n)
        assert rows["loose_kernels"].var() == pytest.approx(mean, abs=5 * spread)
    # Processing varies on the log scale with sd 0.3: its mean is exp(0.045) times 4.
    losses = trial.losses().setups.set_index(["cushion", "source", "kind"])
    processing = losses.loc[("standard", "processing", "kernels")]
    assert processing["kg_ha"] == pytest.approx(
        3 * 4.0 * np.exp(0.045), abs=5 * processing["se_kg_ha"]
    )
    examined = trial.grain.merge(trial.strips[["strip", "cushion"]], on="strip")
    sums = examined.groupby("cushion")[["kernels_damaged", "kernels_examined"]].sum()
    share = sums["kernels_damaged"] / sums["kernels_examined"]
    # Odds 0.08/0.92 halved: 4.17 %; 8,000 kernels a setup.
    for level, p in (("standard", 0.08), ("cushion", 0.04 / (0.92 + 0.04))):
        assert share[level] == pytest.approx(p, abs=5 * np.sqrt(p * (1 - p) / 8000))


def test_the_reported_truth_is_the_mean_over_random_effects():
    # By hand: exp(half the variance); the field's effects count only where there are fields.
    truth = replace(QUIET, sd={"field": 9.0, "pair": 0.3, "frame": 0.4, "main_strip": 9.0})
    trial = simulate_trial(CUSHION_PAIRS.config, truth, seed=1, blocks=2)
    table = true_of("header_loss", truth, trial).set_index("level")
    standard = 3 * 20.0 * np.exp((0.09 + 0.16) / 2)  # 300 g per 1000: 3 kg/ha per kernel/m2
    assert table.loc["standard", "kg_ha"] == pytest.approx(standard)
    assert table.loc["cushion", "ratio"] == pytest.approx(0.5)
    assert table.loc["cushion", "difference"] == pytest.approx(-standard / 2)
    # Logistic-normal mean against a large sample.
    truth = replace(QUIET, damage_sd={"strip": 0.8})
    rng = np.random.default_rng(3)
    eta = np.log(0.08 / 0.92) + 0.8 * rng.standard_normal(400_000)
    sample = 100 / (1 + np.exp(-eta))
    value = true_of("kernel_damage", truth, trial).set_index("level").loc["standard", "percent"]
    assert value == pytest.approx(sample.mean(), abs=5 * sample.std() / np.sqrt(len(sample)))


def test_interactions_enter_the_truth_of_the_other_factors_levels():
    trial = SPLIT_STRIPS.trial()
    table = true_of("header_loss", SPLIT_STRIPS.truth, trial).set_index(["factor", "level"])
    # Cushion 0.65, times 0.80 with a wide gap; gaps 0.90, 1, 1.45 averaged as grain on the ground.
    cushion = 0.65 * (0.90 + 1 + 1.45 * 0.80) / (0.90 + 1 + 1.45)
    assert table.loc[("cushion", "cushion"), "ratio"] == pytest.approx(cushion)


@pytest.mark.parametrize(
    "more",
    [{"header_ratios": {"gap": {"wide": 1.4}}}, {"damage_odds": {"cushion:gap": {"a:b": 2.0}}},
     {"strip_shifts": {"yield": {"gap": {"wide": 100.0}}}}],
)  # fmt: skip
def test_a_truth_of_a_factor_that_is_not_varied_is_refused_in_a_sentence(more):
    truth = replace(QUIET, **more)
    with pytest.raises(DesignError, match="factor 'gap', which the trial does not vary"):
        simulate_trial(CUSHION_PAIRS.config, truth, seed=1, blocks=2)
    with pytest.raises(DesignError, match="factor 'gap'"):
        true_of("header_loss", truth, CUSHION_PAIRS.trial())


def test_the_seed_alone_decides_the_trial():
    one, two = CUSHION_PAIRS.trial(), CUSHION_PAIRS.trial()
    assert one.data_hash() == two.data_hash()
    other = simulate_trial(CUSHION_PAIRS.config, CUSHION_PAIRS.truth, seed=CUSHION_PAIRS.seed + 1)
    assert other.data_hash() != one.data_hash()
