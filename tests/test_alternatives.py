"""Other models of the same data: each against outside software, and words that follow the rows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from frozen_trials import CUSHION_PAIRS, GAP, frozen_dir
from scipy import stats
from statsmodels.stats.multitest import multipletests

from trialkit.analysis.estimates import holm
from trialkit.analysis.questions.alternatives import alternatives
from trialkit.analysis.questions.refits import strip_values
from trialkit.analysis.questions.simpler import blocks, fieller, paired_t, sign_flip
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.trial import Trial, load_trial

FRAMES_ONLY = Effort(
    header_frames=6, total_frames=0, ear_area=0, grain_samples=0, residue_samples=0, stalks=0
)
NEGATIVE, PLAIN = "Negative binomial, no frame effect", "Poisson without overdispersion"
LOG, PAIRED, FLIPS = (
    "Log-Gaussian of strip densities", "Paired t of strip means", "Sign-flip test of strip means",
)  # fmt: skip


def one_response(trial: Trial, name: str):
    return analyse_response(SPECIFICATIONS[name], trial, trial.losses(), 0.95)


@pytest.fixture(scope="module")
def pairs(analysed):
    return analysed("cushion_pairs").responses


@pytest.fixture(scope="module")
def split(analysed):
    return analysed("split_strips").responses


def simulated(seed: int, blocks: int = 6, effort: Effort = FRAMES_ONLY, **changes):
    truth = replace(CUSHION_PAIRS.truth, **changes)
    trial = simulate_trial(CUSHION_PAIRS.config, truth, seed=seed, blocks=blocks, effort=effort)
    return one_response(trial, "header_loss")


def row(table: pd.DataFrame, model: str) -> pd.Series:
    return table[table["model"] == model].iloc[0]


@pytest.mark.parametrize("response", ["header_loss", "kernel_damage"])
def test_chosen_rows_are_the_analysis(split, response):
    result = split[response]
    table = alternatives(result).table
    chosen = table[table["role"] == "chosen"].reset_index(drop=True)
    # There every model is adjusted within its factor, whatever family the response is held to.
    columns = [c for c in result.contrasts if c in chosen and c != "p_adjusted"]
    pd.testing.assert_frame_equal(chosen[columns], result.contrasts[columns])
    assert (table["reason"] == "").all()
    assert len(table) == 6 * len(result.contrasts)
    same = table[table["same_rows"]]
    assert set(same["role"]) == {"chosen", "alternative", "warning"}
    assert table.loc[~table["same_rows"], "aic"].isna().all()


def test_plain_binomial_is_that_of_statsmodels(pairs):
    # The pair variance is estimated at zero there, so the model is a plain GLM with one
    # parameter more; statsmodels 0.15.
    result = pairs["kernel_damage"]
    ours = row(alternatives(result).table, "Binomial without overdispersion")
    data = result.data
    x = sm.add_constant((data["cushion"] == "cushion").to_numpy(dtype=float))
    k = data["kernels_damaged"].to_numpy()
    known = sm.GLM(
        np.c_[k, data["kernels_examined"] - k], x, family=sm.families.Binomial()
    ).fit()  # fmt: skip
    assert ours["aic"] == pytest.approx(known.aic + 2, abs=1e-4)
    assert ours["p"] == pytest.approx(known.pvalues[1], rel=1e-3)
    assert np.isinf(ours["df"])


def test_log_gaussian_of_balanced_pairs_is_the_paired_t_of_logs():
    # One great frame a strip: the pair variance lies inside its range.
    truth = Truth(preharvest=10.0, header=400.0, header_ratios={"cushion": {"cushion": 0.9}},
                  sd={"pair": 0.2, "strip": 0.15}, preharvest_sd={"strip": 0.1})  # fmt: skip
    effort = replace(FRAMES_ONLY, header_frames=1, preharvest_frames=1, frame_area=50.0)
    trial = simulate_trial(CUSHION_PAIRS.config, truth, seed=4, blocks=6, effort=effort)
    result = replace(one_response(trial, "header_loss"), offset=None)
    ours = row(alternatives(result).table, LOG)
    logs = result.data.assign(y=np.log(result.data["loose_kernels"] / result.data["area"]))
    wide = logs.pivot(index="pair", columns="cushion", values="y")
    known = stats.ttest_rel(wide["cushion"], wide["standard"])
    ends = known.confidence_interval(0.95)
    assert ours["df"] == pytest.approx(5)
    assert ours["p"] == pytest.approx(known.pvalue, rel=1e-5)
    wanted = np.exp([(wide["cushion"] - wide["standard"]).mean(), ends.low, ends.high])
    assert ours[["ratio", "ratio_low", "ratio_high"]].to_numpy(dtype=float) == pytest.approx(
        wanted, 1e-5
    )


def test_paired_t_and_sign_flips_are_those_of_scipy(pairs):
    result = pairs["header_loss"]
    table = alternatives(result).table
    both = blocks(result, "cushion", "cushion", "standard")
    b, a = both["b"].to_numpy(), both["a"].to_numpy()
    known = stats.ttest_rel(b, a)
    ours = row(table, PAIRED)
    assert ours["p"] == pytest.approx(known.pvalue)
    ends = known.confidence_interval(0.95)
    assert ours[["difference_low", "difference_high"]].to_numpy(dtype=float) == pytest.approx(
        [*ends]
    )
    flips = stats.permutation_test(
        (b - a,), lambda d: d.mean(), permutation_type="samples", n_resamples=np.inf
    )
    assert row(table, FLIPS)["p"] == pytest.approx(flips.pvalue)


def test_fieller_ends_are_where_the_paired_t_just_rejects(pairs):
    both = blocks(pairs["header_loss"], "cushion", "cushion", "standard")
    b, a = both["b"].to_numpy(), both["a"].to_numpy()
    answer = paired_t(b, a, 0.95)
    for end in ("ratio_low", "ratio_high"):
        assert stats.ttest_1samp(b - answer[end] * a, 0.0).pvalue == pytest.approx(0.05)
    assert answer["ratio_low"] < b.mean() / a.mean() < answer["ratio_high"]
    # A reference whose mean may be zero leaves the ratio open.
    assert np.isnan(fieller(b, np.array([1.0, -1, 2, -2, 3, -1]), 2.57)).all()


@pytest.mark.parametrize("name", ["difference", "ratio"])
def test_sign_flip_interval_inverts_the_test(name):
    rng = np.random.default_rng(5)
    a = rng.uniform(30, 60, 8)
    b = 0.9 * a + rng.normal(0, 6, 8)
    answer = sign_flip(b, a, 0.95)
    assert 2 / 2**8 < answer["p"] < 1

    def p(value: float) -> float:
        d = b - a - value if name == "difference" else b - value * a
        return stats.permutation_test(
            (d,), lambda x: x.mean(), permutation_type="samples", n_resamples=np.inf
        ).pvalue

    low, high = answer[f"{name}_low"], answer[f"{name}_high"]
    step = 1e-3 * (high - low)
    assert min(p(low + step), p(high - step)) > 0.05
    assert max(p(low - step), p(high + step)) <= 0.05


def test_too_few_pairs_leave_the_sign_flip_out_of_the_conclusion():
    found = alternatives(simulated(3, blocks=4))
    flips = row(found.table, FLIPS)
    assert np.isnan(flips["difference_low"])
    assert "no p-value below 0.125" in flips["remark"]
    assert "sign-flip test has too few pairs" in found.conclusion


def test_too_few_pairs_once_adjusted_for_the_number_of_setups():
    # Six blocks give p of 2 / 2^6 = 0.031, by Holm for two comparisons 0.062: never below 0.05.
    truth = replace(
        CUSHION_PAIRS.truth, header_ratios={"gap": {"narrow": 0.4, "wide": 2.2}}, damage_odds={},
        ear_ratios={}, residue_ratios={},
    )  # fmt: skip
    config = replace(CUSHION_PAIRS.config, setups=(GAP,), option=None)
    trial = simulate_trial(config, truth, seed=1, blocks=6, effort=FRAMES_ONLY)
    result = one_response(trial, "header_loss")
    found = alternatives(result)
    flips = found.table[found.table["model"] == FLIPS]
    assert flips["p"].tolist() == pytest.approx([1 / 32, 1 / 32])
    assert flips["remark"].str.contains("no p-value below 0.0625 adjusted").all()
    assert (found.table.loc[found.table["role"] == "alternative", "p"] < 0.05).all()
    assert found.conclusion.count("does not hang on the choice of model") == 2
    assert "not so" not in found.conclusion
    at_90 = alternatives(result, 0.9).table
    assert not at_90["remark"].str.contains("no p-value").any()


def test_many_pairs_flip_signs_at_random():
    rng = np.random.default_rng(2)
    a, b = rng.uniform(30, 60, (2, 24))
    answer = sign_flip(b, a, 0.95)
    assert answer["p"] == pytest.approx(stats.ttest_rel(b, a).pvalue, abs=0.03)
    assert np.isnan(answer["ratio_low"]) and "random sign patterns" in answer["remark"]


def test_overdispersed_counts_move_the_plain_row_and_even_ones_do_not():
    spread = simulated(1, sd={"pair": 0.2, "strip": 0.3, "frame": 0.8})
    found = alternatives(spread)
    chosen, plain = (row(found.table, m) for m in ("Poisson with frame effect", PLAIN))
    width = [r["ratio_high"] / r["ratio_low"] for r in (chosen, plain)]
    assert np.log(width[1]) < 0.5 * np.log(width[0])
    assert plain["aic"] > chosen["aic"] + 100
    assert "these counts do not bear out" in found.conclusion
    assert row(found.table, NEGATIVE)["aic"] < plain["aic"] - 100
    even = alternatives(simulated(1, sd={"pair": 0.2, "strip": 0.0, "frame": 0.0}))
    chosen, plain = (row(even.table, m) for m in ("Poisson with frame effect", PLAIN))
    # Two variances at zero cost two units each.
    assert plain["aic"] == pytest.approx(chosen["aic"] - 4, abs=4)
    assert "do not bear out" not in even.conclusion


def test_conclusion_follows_the_rows(pairs):
    found = alternatives(pairs["header_loss"])
    others = found.table[found.table["role"] == "alternative"].set_index("model")
    assert (others["p"] < 0.05).drop(FLIPS).all() and others["p"][FLIPS] > 0.05
    assert "hangs on the choice of model" in found.conclusion
    assert "this one does not: sign-flip test of strip means" in found.conclusion
    wide = alternatives(pairs["header_loss"], level=0.9)
    assert "does not hang on the choice" in wide.conclusion


def test_what_fails_says_why_and_the_rest_stands():
    trial = load_trial(frozen_dir("cushion_pairs"))
    frames = trial.tables["frames"]
    strip = frames["strip"].iloc[0]
    empty = frames["strip"].eq(strip) & frames["zone"].eq("header")
    frames = frames.assign(loose_kernels=frames["loose_kernels"].mask(empty, 0))
    tables = {**trial.tables, "frames": frames}
    bare = Trial.from_tables(trial.config, tables)
    found = alternatives(one_response(bare, "header_loss"))
    failed = found.table[found.table["reason"] != ""]
    assert list(failed["model"]) == [LOG]
    assert str(strip) in failed["reason"].iloc[0]
    assert "1 could not be fitted." in found.conclusion
    assert found.table["p"].notna().sum() == len(found.table) - 1


def test_logit_t_matches_scipy_and_text_is_escaped(pairs):
    result = replace(pairs["kernel_damage"], title="<i>damage</i>")
    found = alternatives(result)
    logit = strip_values(result)
    strips = result.by_strip.assign(y=result.by_strip["strip"].map(logit))
    wide = strips.pivot(index="pair", columns="cushion", values="y")
    known = stats.ttest_rel(wide["cushion"], wide["standard"])
    assert row(found.table, "Paired t of logit shares")["p"] == pytest.approx(known.pvalue)
    text = found._repr_html_()
    assert "<i>" not in text and "&lt;i&gt;damage" in text
    with pytest.raises(ValueError, match="level"):
        alternatives(result, level=1.0)


def test_holm_is_that_of_statsmodels():
    p = np.array([0.04, 0.001, 0.2, 0.03, 0.9])
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    assert holm(p[:1]) == pytest.approx(p[:1])
