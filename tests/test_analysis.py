"""From trial to estimates: models follow the design, recover the truth, say what they cannot."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION, CUSHION_PAIRS, SCENARIOS, frozen_dir
from scipy import stats

from trialkit.analysis import SPECIFICATIONS, analyse, estimates, responses
from trialkit.analysis.responses import analyse_response
from trialkit.errors import DesignError, ModelError
from trialkit.intake import SetupFactor
from trialkit.mixed import fit_mixed
from trialkit.mixed.inference import inference_by
from trialkit.simulate import Effort, Truth, simulate_trial, true_of
from trialkit.trial import Trial, load_trial

KG = 3.0  # kg/ha per kernel/m2 at 300 g per 1000
FRAMES_ONLY = Effort(
    header_frames=6, total_frames=0, ear_area=0, grain_samples=0, residue_samples=0, stalks=0
)


@pytest.fixture(scope="module")
def demos(analysed):
    return {s.folder: analysed(s.folder) for s in SCENARIOS}


@pytest.fixture(scope="module")
def pairs():
    return load_trial(frozen_dir("cushion_pairs"))


def changed(trial: Trial, **tables) -> Trial:
    """The trial with some tables replaced, each by a frame or a function of the old one."""
    new = {
        name: make(trial.tables[name]) if callable(make) else make
        for name, make in tables.items()
    }
    return Trial.from_tables(trial.config, {**trial.tables, **new})


def header(trial: Trial, level: float = 0.95):
    return analyse_response(SPECIFICATIONS["header_loss"], trial, trial.losses(), level)


def both(trial: Trial, **options):
    """Header loss and kernel damage alone."""
    return analyse(trial, responses=["header_loss", "kernel_damage"], **options)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (ZeroDivisionError("float division\nby zero"), "ZeroDivisionError: float division by zero"),
        (KeyError("gap"), "KeyError: 'gap'"),
        (MemoryError(), "MemoryError: no more is known"),
    ],
)
def test_an_unforeseen_error_costs_one_response_only(pairs, monkeypatch, fault, words):
    def broken(spec, *rest):
        if spec.name == "kernel_damage":
            raise fault
        return analyse_response(spec, *rest)

    whole = both(pairs)
    monkeypatch.setattr("trialkit.analysis.analyse_response", broken)
    part = both(pairs)
    assert list(part.responses) == ["header_loss"] and list(part.skipped) == ["kernel_damage"]
    told = part.skipped["kernel_damage"]
    assert told.startswith(f"{SPECIFICATIONS['kernel_damage'].title}: ") and f"({words})" in told
    pd.testing.assert_frame_equal(
        part.responses["header_loss"].contrasts, whole.responses["header_loss"].contrasts
    )
    with pytest.raises(DesignError, match=words.split(":")[0]):
        analyse(pairs, responses=["kernel_damage"])


# ---------------------------------------------------------------- truth is recovered
@pytest.mark.parametrize("folder", [s.folder for s in SCENARIOS])
def test_shipped_demos_hold_their_truth_inside_the_intervals(demos, folder):
    # Shows that the demos are consistent; the simulations below measure how often that happens.
    record = json.loads((frozen_dir(folder) / "truth.json").read_text(encoding="utf-8"))
    for response, column in (("header_loss", "kg_ha"), ("kernel_damage", "percent")):
        result = demos[folder].responses[response]
        truth = pd.DataFrame(record[response]).set_index(["factor", "level"])
        means = result.means.set_index(["factor", "level"])
        assert len(means) == len(truth)
        for key, row in means.iterrows():
            assert row["low"] < truth.loc[key, column] < row["high"]
        for row in result.contrasts.itertuples():
            true = truth.loc[(row.factor, row.level)]
            assert row.ratio_low < true["ratio"] < row.ratio_high
            assert row.difference_low < true["difference"] < row.difference_high


def binomial_range(n: int, p: float) -> tuple[float, float]:
    """Counts that a correct procedure leaves with probability under 0.001 on either side."""
    return stats.binom.ppf(0.001, n, p), stats.binom.ppf(0.999, n, p)


@pytest.mark.parametrize("ratio", [pytest.param(0.6, marks=pytest.mark.slow), 1.0])
def test_forty_small_paired_trials_from_counts_to_intervals(ratio):
    # Four pairs, six frames: as small as trials get. Forty rounds find a coverage of 0.70 nearly
    # always and one of 0.80 about half the time; nearer than that they cannot tell.
    truth = replace(CUSHION_PAIRS.truth, header_ratios={"cushion": {"cushion": ratio}})
    rounds, covered, rejected = 40, {"ratio": 0, "difference": 0, "mean": 0}, 0
    log_error, mean_error = [], []
    for seed in range(1, rounds + 1):
        trial = simulate_trial(CUSHION_PAIRS.config, truth, seed=seed, blocks=4, effort=FRAMES_ONLY)
        result = header(trial)
        true = true_of("header_loss", truth, trial).set_index("level").loc["cushion"]
        row = result.contrasts.iloc[0]
        mean = result.means.set_index("level").loc["cushion"]
        covered["ratio"] += row["ratio_low"] < true["ratio"] < row["ratio_high"]
        covered["difference"] += row["difference_low"] < true["difference"] < row["difference_high"]
        covered["mean"] += mean["low"] < true["kg_ha"] < mean["high"]
        rejected += row["p"] < 0.05
        log_error.append(np.log(row["ratio"] / true["ratio"]))
        mean_error.append(mean["estimate"] / true["kg_ha"] - 1)
    least, _ = binomial_range(rounds, 0.95)
    assert min(covered.values()) >= least, covered
    if ratio == 1.0:
        assert rejected <= binomial_range(rounds, 0.05)[1]
    for error in (log_error, mean_error):
        assert abs(np.mean(error)) < 4 * np.std(error, ddof=1) / np.sqrt(rounds)


# ---------------------------------------------------------------- the numbers mean what they say
def heavy_trial(blocks: int = 6, seed: int = 4) -> Trial:
    """Thousands of kernels in one great frame a strip: counting error next to nothing."""
    truth = Truth(
        preharvest=10.0,
        header=400.0,
        header_ratios={"cushion": {"cushion": 0.9}},
        sd={"pair": 0.2, "strip": 0.15},
        preharvest_sd={"strip": 0.1},
    )
    effort = replace(FRAMES_ONLY, header_frames=1, preharvest_frames=1, frame_area=50.0)
    return simulate_trial(CUSHION_PAIRS.config, truth, seed=seed, blocks=blocks, effort=effort)


def test_balanced_pairs_give_the_paired_t_test():
    trial = heavy_trial()
    result = header(trial)
    row = result.contrasts.iloc[0]
    strips = result.data.assign(log=np.log(result.data["loose_kernels"] / result.data["area"]))
    wide = strips.pivot(index="pair", columns="cushion", values="log")
    known = stats.ttest_rel(wide["cushion"], wide["standard"])
    # Half a count is added to thousands.
    assert row["p_classical"] == pytest.approx(known.pvalue, rel=1e-3)
    assert row["df_classical"] == 5
    assert row["classical"] == "paired t-test of the logarithms of 6 pairs"
    # The prior of the spread tells little beside six pairs of counts without an error of their own.
    assert known.pvalue / 1.5 < row["p"] < 1.5 * known.pvalue


def test_means_are_the_header_zone_average_less_the_preharvest_average():
    result = header(heavy_trial(blocks=12))
    by_level = result.by_strip.groupby("cushion")["value"].mean()
    means = result.means.set_index("level")
    # Twelve strips at 15-20 % variation: the model's average and the plain one nearly agree.
    assert means["estimate"]["standard"] == pytest.approx(by_level["standard"], rel=0.03)
    assert means["estimate"]["cushion"] == pytest.approx(by_level["cushion"], rel=0.03)
    row = result.contrasts.iloc[0]
    assert row["difference"] == pytest.approx(
        means["estimate"]["cushion"] - means["estimate"]["standard"]
    )
    assert row["ratio"] == pytest.approx(
        means["estimate"]["cushion"] / means["estimate"]["standard"]
    )
    assert row["difference_bu_ac"] == pytest.approx(row["difference"] / 62.768, rel=1e-4)


def test_a_level_of_ninety_per_cent_gives_narrower_intervals(pairs):
    wide, narrow = header(pairs), header(pairs, 0.90)
    for column in ("ratio", "difference"):
        a, b = wide.contrasts.iloc[0], narrow.contrasts.iloc[0]
        assert a[column] == b[column]
        assert a[f"{column}_low"] < b[f"{column}_low"] < b[column]
        assert b[column] < b[f"{column}_high"] < a[f"{column}_high"]
    assert (
        narrow.means["high"] - narrow.means["low"] < wide.means["high"] - wide.means["low"]
    ).all()


def test_the_other_reference_turns_the_comparison_round(pairs):
    turned = replace(pairs.config, setups=(replace(CUSHION, reference="cushion"),))
    one = header(pairs).contrasts.iloc[0]
    two = header(Trial.from_tables(turned, pairs.tables)).contrasts.iloc[0]
    assert two["ratio"] == pytest.approx(1 / one["ratio"], rel=1e-4)
    assert two["ratio_low"] == pytest.approx(1 / one["ratio_high"], rel=1e-3)
    assert two["difference"] == pytest.approx(-one["difference"], rel=1e-4)
    assert two["p"] == pytest.approx(one["p"], rel=1e-3)


def test_row_order_and_kernel_mass_do_not_change_the_comparison(pairs):
    def shuffle(table):
        return table.sample(frac=1, random_state=1).reset_index(drop=True)

    one = header(pairs)
    two = header(changed(pairs, frames=shuffle, strips=shuffle))
    heavier = replace(pairs.config, thousand_kernel_mass=360.0)
    three = header(Trial.from_tables(heavier, pairs.tables))
    columns = ["ratio", "ratio_low", "ratio_high", "df", "p"]
    for other in (two, three):
        np.testing.assert_allclose(other.contrasts[columns], one.contrasts[columns], rtol=1e-3)
    np.testing.assert_allclose(three.means["estimate"], 1.2 * one.means["estimate"], rtol=1e-6)


@pytest.mark.parametrize("seed", [3, 4, 6, 7])
def test_samples_are_never_counted_as_replicates(seed):
    # Draws in which every variance is estimated at zero: the model alone would put df at infinity.
    truth = replace(
        CUSHION_PAIRS.truth, damage_odds={}, damage_sd={"pair": 0.2, "strip": 0.25, "sample": 0.05}
    )
    effort = replace(FRAMES_ONLY, header_frames=1, preharvest_frames=1, grain_samples=2)
    trial = simulate_trial(CUSHION_PAIRS.config, truth, seed=seed, blocks=4, effort=effort)
    result = both(trial).responses["kernel_damage"]
    row = result.contrasts.iloc[0]
    assert result.means["df"].max() <= 7  # eight strips
    # Sixteen samples without any effect of pairs, strips or their own.
    naive = inference_by(result.fit, "kenward-roger-nonzero")
    assert np.isinf(naive.df(np.array([[0.0, 1.0]]))) and row["df"] < 8
    se = np.log(row["ratio_high"] / row["ratio_low"]) / 2
    assert se > 1.2 * 1.96 * np.sqrt(naive.adjusted[1, 1])
    assert row["df_classical"] == 3
    assert row["p"] == pytest.approx(2 * stats.t.sf(abs(row["statistic"]), row["df"]))
    assert row["ratio_low"] < row["ratio"] < row["ratio_high"]


# ---------------------------------------------------------------- the design picks the model
def test_models_follow_the_designs(demos):
    one = demos["cushion_pairs"].responses["header_loss"]
    assert one.formula == "cushion"
    assert one.variances["level"].tolist() == ["pair", "strip", "frame"]
    assert "6 pairs on one field" in one.model
    assert "speaks for this field" in " ".join(one.sentences)

    many = demos["gap_fields"].responses["header_loss"]
    assert many.formula == "gap + moisture_centred"
    assert many.design.measured_after == ("speed_centred",)
    levels = list(zip(many.variances["level"], many.variances["term"], strict=True))
    assert levels == [
        ("field", "Intercept"),
        ("field", "gap"),
        ("pair", "Intercept"),
        ("strip", "Intercept"),
        ("frame", "Intercept"),
    ]
    assert "Grain moisture was measured on every strip" in many.why
    assert "a second answer compares setups at its mean" in many.why
    assert "allowed to differ from field to field" in many.why
    assert many.by_field["field"].nunique() == 8 and len(many.by_field) == 16

    split = demos["split_strips"].responses["header_loss"]
    assert "cushion:gap" in split.formula and "speed_centred" not in split.formula
    assert "main_strip" in split.variances["level"].tolist()
    assert "Ground speed was set by the setups or went with them" in " ".join(split.sentences)
    # Cushion is judged between ten main strips in five blocks, gap and speed between 60 strips.
    # Five blocks of two main strips of six: main-strip error 4 df; subplot error, two-way
    # interactions fitted, 50 - (2 + 1) - (2 + 1 + 2) = 42 (Cochran & Cox 1957, section 7.1).
    df = split.contrasts.groupby("factor")["df_classical"].max()
    assert df[["cushion", "gap", "speed"]].tolist() == [4, 42, 42]
    # Counts: integrated over the spread of the stratum, which says a little more.
    df = split.contrasts.groupby("factor")["df"].max()
    assert 4 <= df["cushion"] < 5 and (df[["gap", "speed"]] > 42).all()
    # With interactions the averages on the two scales differ: the test is the difference's own.
    apart = (split.contrasts["difference_low"] > 0) | (split.contrasts["difference_high"] < 0)
    assert (apart == (split.contrasts["p"] < 0.05)).all()


def test_covariates_need_every_strip(demos):
    trial = load_trial(frozen_dir("gap_fields"))

    def forget(strips):
        columns = ["speed_measured", "moisture"]
        return strips.assign(**{c: strips[c].where(strips.index > 0) for c in columns})

    result = header(changed(trial, strips=forget))
    assert result.formula == "gap"
    assert result.design.measured_after == () and result.at_same is None
    notes = " ".join(result.sentences)
    assert "Ground speed was not recorded on 1 of 72 strips, so setups are not compared at" in notes
    assert "Grain moisture was not recorded on 1 of 72 strips, so setups are compared with" in notes


def test_two_fields_have_no_slopes_and_say_whom_they_speak_for():
    trial = load_trial(frozen_dir("gap_fields"))
    two = ["Mill Piece", "Pond Side"]
    strips = trial.strips[trial.strips["field"].isin(two)]
    frames = trial.frames[trial.frames["strip"].isin(strips["strip"])]
    result = header(changed(trial, strips=strips, frames=frames))
    assert "gap" not in result.variances["term"].tolist()
    assert "2 fields are too few" in " ".join(result.sentences)


def test_strips_without_measurements_are_counted(pairs):
    lost = pairs.strips["strip"].iloc[0]
    result = header(changed(pairs, frames=lambda t: t[t["strip"] != lost]))
    assert "1 of 12 strips has no measurement" in " ".join(result.sentences)
    assert len(result.by_strip) == 11


def test_without_preharvest_frames_the_difference_stands_and_the_ratio_is_explained(pairs):
    bare = header(changed(pairs, frames=lambda t: t[t["zone"] != "preharvest"]))
    full = header(pairs)
    assert "no preharvest frames" in " ".join(bare.sentences)
    np.testing.assert_allclose(
        bare.contrasts["difference"], full.contrasts["difference"], rtol=1e-9
    )
    assert full.contrasts["ratio"].item() < bare.contrasts["ratio"].item() < 1
    offset = bare.means["estimate"] - full.means["estimate"]
    assert offset.iloc[0] == pytest.approx(offset.iloc[1])
    frames = pairs.frames[pairs.frames["zone"] == "preharvest"]
    plain = frames["loose_kernels"].sum() / frames["area"].sum() * KG
    assert offset.iloc[0] == pytest.approx(plain, rel=0.05)


def test_a_loss_near_zero_carries_no_ratio(pairs):
    def as_much_before(frames):
        ahead = frames["zone"] == "preharvest"
        behind = frames.loc[frames["zone"] == "header", "loose_kernels"].mean()
        frames = frames.copy()
        frames.loc[ahead, "loose_kernels"] = round(behind)
        return frames

    result = header(changed(pairs, frames=as_much_before))
    row = result.contrasts.iloc[0]
    assert np.isnan([row["ratio"], row["ratio_low"], row["ratio_high"]]).all()
    assert np.isfinite([row["difference"], row["difference_low"], row["p"]]).all()
    assert (result.means["low"] < 0).any()  # never clipped
    assert "too near zero for a ratio" in " ".join(result.sentences)


# ---------------------------------------------------------------- what cannot be analysed
def keep_strips(trial: Trial, mask: pd.Series) -> Trial:
    strips = trial.strips[mask.to_numpy()]
    kept = {name: trial.tables[name] for name in ("frames", "ears", "grain", "residue")}
    return changed(
        trial,
        strips=strips,
        **{name: t[t["strip"].isin(strips["strip"])] for name, t in kept.items()},
    )


def test_one_setup(pairs):
    trial = keep_strips(pairs, pairs.strips["cushion"].eq("standard"))
    with pytest.raises(DesignError, match=r"same setup \(Gathering chain standard\).*nothing to"):
        analyse(trial)


def test_one_pair(pairs):
    trial = keep_strips(pairs, pairs.strips["pair"].eq("1"))
    with pytest.raises(DesignError, match=r"only one pair.*at least three"):
        analyse(trial)


def test_a_factor_that_changes_between_too_few_larger_strips():
    split = load_trial(frozen_dir("split_strips"))
    with pytest.raises(DesignError, match=r"Gathering chain changes only between main strips"):
        analyse(keep_strips(split, split.strips["pair"].eq("1")))
    # The same with whole blocks: cushion on two blocks, standard on two, nothing to judge it by.
    whole = {"1": "standard", "2": "cushion"}
    mask = split.strips["pair"].isin(whole) & split.strips["cushion"].eq("cushion")
    blocks = keep_strips(split, mask)
    blocks = changed(blocks, strips=lambda t: t.assign(cushion=t["pair"].map(whole)))
    with pytest.raises(DesignError, match=r"Gathering chain changes only between blocks"):
        analyse(blocks)


def test_no_setup_declared(pairs):
    strips = pairs.strips.drop(columns="cushion")
    trial = Trial.from_tables(
        replace(pairs.config, setups=(), option=None), {**pairs.tables, "strips": strips}
    )
    with pytest.raises(DesignError, match="declare no setup factor"):
        analyse(trial)


def test_setup_confounded_with_field(pairs):
    def by_field(strips):
        return strips.assign(field=strips["cushion"].map({"standard": "A", "cushion": "B"}))

    with pytest.raises(DesignError, match="Every field has one level of Gathering chain only"):
        analyse(changed(pairs, strips=by_field))


def test_factors_that_always_change_together(pairs):
    gap = SetupFactor("gap", ("usual", "wide"), "usual", label="Gap")
    strips = pairs.strips.assign(
        gap=pairs.strips["cushion"].map({"standard": "usual", "cushion": "wide"})
    )
    trial = Trial.from_tables(
        replace(pairs.config, setups=(CUSHION, gap)), {**pairs.tables, "strips": strips}
    )
    with pytest.raises(DesignError, match="Gathering chain and Gap always change together"):
        analyse(trial)


def zero(table: pd.DataFrame, column: str, mask) -> pd.DataFrame:
    return table.assign(**{column: table[column].where(~mask, 0)})


def test_no_kernel_anywhere_states_what_that_bounds(pairs):
    trial = changed(pairs, frames=lambda t: zero(t, "loose_kernels", t["zone"].notna()))
    result = analyse(trial)
    sentence = result.skipped["header_loss"]
    # 96 frames of 10 ft2: -ln(0.05) kernels over 89.2 m2, 3 kg/ha each.
    most = -np.log(0.05) / (96 * 0.9290304) * KG
    assert f"96 frames (89.2 m2), which puts the loss below {most:.1f} kg/ha" in sentence
    assert f"({most / 62.768:.4f} bu/ac)" in sentence  # small, but not zero
    assert "kernel_damage" in result.responses


def test_no_kernel_under_one_setup(pairs):
    standard = pairs.strips.loc[pairs.strips["cushion"].eq("standard"), "strip"]
    trial = changed(
        pairs,
        frames=lambda t: zero(t, "loose_kernels", ~t["strip"].isin(standard)),
        grain=lambda t: zero(t, "kernels_damaged", ~t["strip"].isin(standard)),
    )
    with pytest.raises(DesignError) as error:
        both(trial)
    text = str(error.value)
    assert "Under Gathering chain cushion there was no loose kernel in 48 frames" in text
    # 6 strips x 2 samples x 200 kernels: 3.0 / 2400.
    assert "no damaged kernel among 2,400 examined, which puts the share below 0.12 %" in text


def test_a_model_without_an_optimum_gives_way_to_a_simpler_one(monkeypatch):
    def stubborn(data, *, fixed, slopes, **rest):
        if ":" in fixed or slopes:
            raise ModelError("no optimum")
        return fit_mixed(data, fixed=fixed, slopes=slopes, **rest)

    monkeypatch.setattr(responses, "fit_mixed", stubborn)
    result = header(load_trial(frozen_dir("split_strips")))
    assert result.formula == "cushion + gap + speed"
    assert "could not be fitted to these counts" in " ".join(result.sentences)
    assert " by " not in result.model.split("fixed effects of")[1].split(";")[0]


def test_estimates_that_the_counts_do_not_hold_are_refused(pairs, monkeypatch):
    monkeypatch.setattr(estimates, "LARGEST_SE", 0.01)
    with pytest.raises(DesignError, match="Too little was counted"):
        both(pairs)


def test_missing_responses_are_skipped_with_a_reason(pairs):
    nothing = pairs.grain.iloc[:0]
    result = analyse(changed(pairs, grain=nothing))
    assert "No grain sample" in result.skipped["kernel_damage"]
    ahead = changed(pairs, frames=lambda t: t[t["zone"] == "preharvest"])
    result = analyse(ahead)
    assert "no frames from the header zone" in result.skipped["header_loss"]
    with pytest.raises(DesignError, match=r"header zone.*No grain sample"):
        both(changed(ahead, grain=nothing))


def test_a_million_kernels_in_one_frame_are_pointed_at_and_kept(pairs):
    def slip(frames):
        frames = frames.copy()
        row = frames.index[frames["zone"] == "header"][3]
        frames.loc[row, "loose_kernels"] = 1_000_000
        return frames

    result = analyse(changed(pairs, frames=slip))
    assert any("1,000,000 kernels" in text for text in result.warnings)
    assert len(result.responses["header_loss"].data) == 96
    assert np.isfinite(result.responses["header_loss"].contrasts["p"]).all()


def test_level_outside_zero_and_one(pairs):
    with pytest.raises(ValueError, match="between 0 and 1"):
        analyse(pairs, level=95)


def test_progress_is_told_and_text_is_escaped(pairs):
    said: list[str] = []
    nasty = replace(CUSHION, level_labels=("<b>standard</b>", "cushion"))
    trial = Trial.from_tables(replace(pairs.config, setups=(nasty,)), pairs.tables)
    page = both(trial, progress=said.append)._repr_html_()
    assert [s.split(":")[0] for s in said] == ["Header loss", "Kernel damage"]
    assert "<b>standard</b>" not in page and "&lt;b&gt;standard" in page
