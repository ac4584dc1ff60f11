"""Checks of every response: a spoilt pair is named in fitting words, sound data stay quiet."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from frozen_trials import CUSHION_PAIRS, frozen_dir
from scipy import stats

from trialkit.analysis import SPECIFICATIONS, analyse
from trialkit.analysis.questions.checks import check_model
from trialkit.analysis.questions.refits import block_outliers, leave_out
from trialkit.analysis.responses import analyse_response
from trialkit.display import decimals, number
from trialkit.plots.checks import influence, residual_quantiles
from trialkit.quantities import scales
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.trial import Trial, load_trial

TRUTH = Truth(
    preharvest=4.0, header=15.0, header_ratios={"cushion": {"cushion": 0.6}}, processing=12.0,
    sd={"pair": 0.15, "strip": 0.1, "frame": 0.3}, preharvest_sd={"strip": 0.15}, damage=0.06,
    damage_sd={"pair": 0.1, "strip": 0.1, "sample": 0.1}, ears=0.2, residue=0.02,
    residue_sd={"pair": 0.2, "strip": 0.15},
)  # fmt: skip
EFFORT = Effort(
    header_frames=6, total_frames=6, residue_samples=2, stalks=0, intake_samples=2, butt_samples=2
)
GAUSSIAN = [n for n, s in SPECIFICATIONS.items() if s.family in ("lognormal", "normal")]


def one(trial: Trial, name: str):
    return analyse_response(SPECIFICATIONS[name], trial, trial.losses(), 0.95)


def spoilt(trial: Trial, table: str, column: str, change, zone: str = "") -> Trial:
    """The trial with a column changed on the cushioned strip of pair 3 alone."""
    tables = dict(trial.tables)
    rows = tables[table].reset_index(drop=True)
    strips = trial.strips[trial.strips["pair"].eq("3") & trial.strips["cushion"].eq("cushion")]
    hit = rows["strip"].isin(strips["strip"])
    if zone:
        hit &= rows["zone"].eq(zone)
    assert hit.any()
    rows[column] = rows[column].astype(float)
    rows.loc[hit, column] = change(rows[hit])
    return Trial.from_tables(trial.config, {**tables, table: rows})


@pytest.fixture(scope="module")
def drawn() -> Trial:
    # A sound pair stands apart in one trial of twenty, for every response; in none of this one.
    return simulate_trial(CUSHION_PAIRS.config, TRUTH, seed=10, blocks=6, effort=EFFORT)


# One entry a family and a table: what is spoilt there, the comparison's name, where to look.
SPOILT = {
    "kernel_damage": (
        ("grain", "kernels_damaged", lambda f: f["kernels_examined"] * 0.6),
        "an odds ratio of", "sample sheets",
    ),
    "processing_loss": (
        ("frames", "loose_kernels", lambda f: f["loose_kernels"] * 10, "total"),
        "a difference of", "count sheets",
    ),
    "broken_corn": (
        ("grain", "sieve_mass", lambda f: f["sieve_mass"] * 10), "a ratio of", "sample sheets",
    ),
    "residue_mass": (
        ("residue", "residue_mass", lambda f: f["residue_mass"] * 10), "a ratio of",
        "residue sheets",
    ),
    "yield": (("strips", "yield", lambda f: f["yield"] + 4000.0), "a difference of", "readings"),
    "test_weight": (
        ("strips", "test_weight", lambda f: f["test_weight"] + 8.0), "a difference of", "readings",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_pair_is_named(drawn, name):
    where, what, sheet = SPOILT[name]
    sound = check_model(one(drawn, name), seed=1, n=60)
    assert "stands apart" not in sound.verdict and "doubtful" not in sound.verdict
    result = one(spoilt(drawn, *where), name)
    found = check_model(result, seed=1, n=60)
    assert "Pair 3 stands apart from the other pairs" in found.verdict
    (sentence,) = (f.sentence for f in found.findings if "stands apart" in f.sentence)
    assert what in sentence and f"check its {sheet}" in sentence
    if what == "a difference of":
        own = scales(result.unit, drawn.config.units)[0].unit
        unit = "% of what was found in the block" if name == "processing_loss" else own
        assert unit in sentence
    row = found.checks.set_index("check").loc["pair apart"]
    assert row["p_adjusted"] < 0.05
    assert found.outliers.set_index("pair")["p"].idxmin() == "3"
    # What the pair moves shows where it is left out.
    without = found.influence.set_index("pair")
    moved = (without["difference"] - found.full["difference"].item()).abs()
    assert moved.idxmax() == "3"


def test_a_score_out_of_line_is_named(drawn):
    result = one(drawn, "residue_score")
    noise = dict(zip("123456", (0.1, -0.1, 5.0, 0.05, -0.05, 0.12), strict=True))
    value = result.by_strip["pair"].map(noise).where(result.by_strip["cushion"] == "cushion", 0.0)
    strips = result.by_strip.assign(value=value)
    table = block_outliers(replace(result, by_strip=strips), "cushion", "cushion", "standard")
    known = sm.OLS(list(noise.values()), np.ones(6)).fit().outlier_test(method="bonf")
    assert table.set_index("pair")["p"].idxmin() == "3"
    ours = table.set_index("pair").loc[list(noise)]
    assert ours["effect"].to_numpy() == pytest.approx(list(noise.values()))
    assert ours["studentised"].to_numpy() == pytest.approx(known[:, 0])
    assert ours["p"].to_numpy() == pytest.approx(known[:, 2])
    # Where all the others are alike no spread is there to judge a pair by, and nothing is told.
    alone = value.where(result.by_strip["pair"].eq("3"), 0.0)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        table = block_outliers(replace(result, by_strip=strips.assign(value=alone)), "cushion",
                               "cushion", "standard")  # fmt: skip
    assert "3" not in set(table["pair"]) and np.isfinite(table["studentised"]).all()
    assert len(table) == 5


def test_blocks_of_two_zones_are_compared_by_shares_of_what_was_found(drawn):
    result = one(drawn, "processing_loss")
    sums = result.data.groupby(["pair", "cushion", "zone"], observed=True)[
        ["loose_kernels", "area"]
    ].sum()  # fmt: skip
    density = (sums["loose_kernels"] / sums["area"]).unstack("zone")
    left = (density["total"] - density["header"]).unstack("cushion")
    found = density["total"].unstack("cushion").mean(axis=1)
    share = (left["cushion"] - left["standard"]) / found
    known = sm.OLS(share.to_numpy(), np.ones(6)).fit().outlier_test(method="bonf")
    ours = block_outliers(result, "cushion", "cushion", "standard").set_index("pair")
    assert ours.loc[share.index, "effect"].to_numpy() == pytest.approx(share.to_numpy())
    assert ours.loc[share.index, "p"].to_numpy() == pytest.approx(known[:, 2])


def test_sound_pairs_seldom_stand_apart():
    # Three responses that share no draws, twenty trials each, every one tested at 5 %: more alarms
    # than this have a probability of 0.001.
    names = ["processing_loss", "broken_corn", "yield"]
    alarms = []
    for seed in range(1, 21):
        trial = simulate_trial(CUSHION_PAIRS.config, TRUTH, seed=seed, blocks=6, effort=EFFORT)
        for result in analyse(trial, responses=names).responses.values():
            table = block_outliers(result, "cushion", "cushion", "standard")
            alarms.append(len(table) and table["p"].min() < 0.05)
    assert len(alarms) == 60
    assert sum(alarms) <= stats.binom.ppf(0.999, 60, 0.05)


@pytest.mark.parametrize("name", GAUSSIAN)
def test_gaussian_responses_have_no_dispersion_or_zeros(drawn, name):
    found = check_model(one(drawn, name), seed=2, n=40)
    names = set(found.checks["check"])
    assert "residuals" in names and not names & {"dispersion", "zeros"}
    assert "kernel" not in found.verdict and "count" not in found.verdict
    assert len(found.residuals) == len(one(drawn, name).data)


def test_skewed_amounts_are_seen_on_the_wrong_scale():
    # Yields that vary by a factor of ten are nothing like normal.
    rng = np.random.default_rng(4)
    trial = simulate_trial(CUSHION_PAIRS.config, TRUTH, seed=3, blocks=20, effort=EFFORT)
    strips = trial.tables["strips"]
    strips["yield"] *= np.exp(rng.normal(0, 1.5, len(strips))) / 20
    bad = Trial.from_tables(trial.config, {**trial.tables, "strips": strips})
    found = check_model(one(bad, "yield"), seed=2, n=100)
    p = found.checks.set_index("check")["p_adjusted"]
    assert p["residuals"] < 0.05
    assert "Residuals are shaped differently from the model's" in found.verdict


@pytest.mark.parametrize(
    "name", ["processing_loss", "broken_corn", "yield", "residue_score", "demo processing_loss"]
)
def test_leaving_a_pair_out_is_a_trial_without_it(drawn, name):
    # In the demo trial frames vary differently in the two zones: the refits keep that, too.
    trial = load_trial(frozen_dir("cushion_pairs")) if name.startswith("demo") else drawn
    name = name.removeprefix("demo ")
    table = leave_out(one(trial, name), "pair", 0.95)
    gone = trial.strips.loc[trial.strips["pair"] != "4", "strip"]
    tables = dict(trial.tables)
    less = {k: t[t["strip"].isin(gone)] if "strip" in t else t for k, t in tables.items()}
    known = one(Trial.from_tables(trial.config, less), name).contrasts.iloc[0]
    ours = table.set_index("pair").loc["4"]
    for column in ("ratio", "difference", "difference_high", "df", "p"):
        assert ours[column] == pytest.approx(known[column], rel=1e-4, nan_ok=True), column
    assert (table["cooks_distance"] > 0).all() and (table["reason"] == "").all()


def test_differences_are_drawn_where_there_is_no_ratio(drawn):
    found = check_model(one(drawn, "yield"), seed=2, n=20)
    figure = influence(found)
    ax = figure.axes[0]
    drawn_at = [m.get_xdata()[0] for m in ax.lines if m.get_gid() == "without"]
    assert drawn_at == pytest.approx(found.influence["difference"].tolist())
    (full,) = (m for m in ax.lines if m.get_gid() == "full")
    assert full.get_xdata()[0] == pytest.approx(found.full["difference"].item())
    (none,) = (m for m in ax.lines if m.get_gid() == "none")
    assert none.get_xdata()[0] == 0.0
    assert ax.get_xscale() == "linear" and "kg/ha, difference from" in ax.get_xlabel()
    value, low, high = (
        found.full[f"difference{end}"].item() for end in ("", "_low", "_high")
    )
    said = number(value, decimals((high - low) / 2))
    assert f"the difference is {said} (" in figure.alt_text
    assert residual_quantiles(found).alt_text.startswith("Yield")


def test_two_zones_and_several_fields_leave_fields_out(analysed):
    result = analysed("gap_fields").responses["processing_loss"]
    table = leave_out(result, "field", 0.95)
    assert isinstance(table, pd.DataFrame) and (table["reason"] == "").all()
    assert table["field"].nunique() == 8 and table["p"].notna().all()
    assert table.groupby("level", observed=True)["difference"].nunique().eq(8).all()
