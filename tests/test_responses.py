"""Responses beyond header loss and damage: truth recovered, zeros and gaps put into words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS, frozen_dir
from scipy import stats

from trialkit import units
from trialkit.analysis import SPECIFICATIONS, analyse
from trialkit.analysis.specifications import STILL
from trialkit.errors import DesignError
from trialkit.pages import field_day
from trialkit.responses import ZONES, in_full, schema
from trialkit.simulate import Effort, Truth, simulate_trial, true_of
from trialkit.trial import Trial, load_trial

KG = 3.0  # kg/ha per kernel/m2 at 300 g per 1000
NEW = tuple(name for name in SPECIFICATIONS if name not in in_full())
CUSHIONED = {"cushion": {"cushion": 0.6}}
TRUTH = Truth(
    preharvest=4.0, header=15.0, header_ratios=CUSHIONED, processing=12.0,
    processing_ratios={"cushion": {"cushion": 0.5}},
    sd={"pair": 0.15, "strip": 0.1, "frame": 0.3},
    preharvest_sd={"strip": 0.15, "frame": 0.3},
    damage=0.06, damage_odds=CUSHIONED, damage_sd={"pair": 0.1, "strip": 0.1, "sample": 0.1},
    ears=0.2, ear_ratios=CUSHIONED, preharvest_ears=0.02, moisture=(20.0, 20.0),
    residue=0.02, residue_ratios=CUSHIONED, residue_sd={"pair": 0.2, "strip": 0.15},
    threshing_share=0.3,
    butt_damage=0.2, butt_odds=CUSHIONED, butt_sd={"pair": 0.2, "strip": 0.15, "sample": 0.1},
    leaf_intake=0.8, leaf_ratios=CUSHIONED, leaf_sd={"pair": 0.2, "strip": 0.15},
    strip_shifts={
        "yield": {"cushion": {"cushion": -300.0}},
        "moisture": {"cushion": {"cushion": 0.5}},
        "test_weight": {"cushion": {"cushion": 1.0}},
    },
)  # fmt: skip
EFFORT = Effort(
    total_frames=4, residue_samples=2, butt_samples=2, ears_examined=40, intake_samples=2
)


@pytest.fixture(scope="module")
def pairs() -> Trial:
    return load_trial(frozen_dir("cushion_pairs"))


@pytest.fixture(scope="module")
def drawn() -> Trial:
    return simulate_trial(CUSHION_PAIRS.config, TRUTH, seed=18, blocks=6, effort=EFFORT)


def changed(trial: Trial, **tables) -> Trial:
    new = {name: make(trial.tables[name]) for name, make in tables.items()}
    return Trial.from_tables(trial.config, {**trial.tables, **new})


def one(trial: Trial, name: str):
    return analyse(trial, responses=[name]).responses[name]


def reason(trial: Trial, name: str) -> str:
    return analyse(trial, responses=["header_loss", name]).skipped[name]


# ---------------------------------------------------------------- truth is recovered
def truths(trial: Trial) -> dict[str, dict[str, float]]:
    """What `TRUTH` says of every new response: mean under the standard chain, and comparison."""
    ear = units.to_standard_moisture(160.0, 20.25, 15.5)  # 160 g at about 20.25 % (0.5 for half)
    damage = true_of("kernel_damage", TRUTH, trial).set_index("level")["percent"]
    share = 100 * 0.02 * np.exp((0.2**2 + 0.15**2 + 0.25**2) / 2)
    butts = true_of("ear_butt_damage", TRUTH, trial).set_index("level")["percent"]
    rng = np.random.default_rng(1)

    def score(ratio: float) -> float:
        log = rng.normal(0.0, np.sqrt(0.2**2 + 0.15**2 + 0.25**2), 1_000_000)
        return float(np.round(ratio * np.exp(log) + rng.normal(0, 0.4, len(log))).clip(0, 5).mean())

    standard = {  # processing varies on the log scale with sd 0.3
        "dropped_ears": 0.2 * ear * 10,
        "preharvest_loss": KG * 4.0 * np.exp((0.15**2 + 0.3**2) / 2),
        "processing_loss": KG * 12.0 * np.exp(0.3**2 / 2),
        "broken_corn": 0.3 * damage["standard"],  # through the sieve: 0.3 of the damaged share
        "foreign_material": 0.35,  # uniform from 0.1 to 0.6 %
        "residue_mass": share,
        "leaf_intake": share * 0.8 / 0.02,  # the same spreads
        "ear_butt_damage": butts["standard"],
    }
    ratio = {"dropped_ears": 0.6, "preharvest_loss": 1.0, "processing_loss": 0.5,
             "broken_corn": damage["cushion"] / damage["standard"], "foreign_material": 1.0,
             "residue_mass": 0.6, "leaf_intake": 0.6,
             "ear_butt_damage": butts["cushion"] / butts["standard"]}  # fmt: skip
    out = {
        name: {"mean": mean, "ratio": ratio[name], "difference": mean * (ratio[name] - 1)}
        for name, mean in standard.items()
    }
    shift = {name: by["cushion"]["cushion"] for name, by in TRUTH.strip_shifts.items()}
    scores = score(1.0), score(0.6)
    out["residue_score"] = {"mean": scores[0], "difference": scores[1] - scores[0]}
    # Test weight falls with moisture, 0.35 a point, before the shift of the moisture.
    # The yield of the one field is drawn about 12,500 and is not told: only its difference is.
    means = {"yield": np.nan, "moisture": 20.0, "test_weight": 74.0 - 0.35 * 2.0}
    return out | {n: {"mean": means[n], "difference": shift[n]} for n in means}


@pytest.fixture(scope="module")
def rounds() -> dict[str, pd.DataFrame]:
    """Twelve trials of six pairs, every new response of each beside its truth."""
    rows: dict[str, list[dict[str, float]]] = {name: [] for name in NEW}
    known: dict[str, dict[str, float]] = {}
    for seed in range(1, 13):
        trial = simulate_trial(CUSHION_PAIRS.config, TRUTH, seed=seed, blocks=6, effort=EFFORT)
        known = known or truths(trial)
        result = analyse(trial, responses=NEW)
        assert not result.skipped
        for name, response in result.responses.items():
            contrast = response.contrasts.iloc[0]
            mean = response.means.set_index("level").loc["standard"]
            true = known[name]
            row = {
                "mean": mean["low"] < true["mean"] < mean["high"]
                if np.isfinite(true["mean"])
                else np.nan,
                "difference": contrast["difference_low"]
                < true["difference"]
                < contrast["difference_high"],
                "error": contrast["difference"] - true["difference"],
            }
            if np.isfinite(contrast["ratio"]):
                row["ratio"] = contrast["ratio_low"] < true["ratio"] < contrast["ratio_high"]
            rows[name].append(row)
    return {name: pd.DataFrame(r) for name, r in rows.items()}


@pytest.mark.slow  # tests/recovery takes whole trials to their truth, more of them
@pytest.mark.parametrize("name", NEW)
def test_intervals_hold_the_stated_truth(rounds, name):
    table = rounds[name]
    assert len(table) == 12
    for column in [c for c in ("mean", "difference", "ratio") if c in table]:
        held = table[column].dropna().astype(bool)
        # Fewer has a probability under 0.001 where the intervals keep their 95 %.
        assert held.sum() >= stats.binom.ppf(0.001, len(held), 0.95), column
    assert ("ratio" in table) == SPECIFICATIONS[name].ratios
    error = table["error"]
    assert abs(error.mean()) < 4 * error.std() / np.sqrt(len(error))


# ---------------------------------------------------------------- the numbers mean what they say
def paired(result, column: str, log: bool = False):
    data = result.data.groupby(["pair", "cushion"], observed=True)[column].mean().unstack()
    return stats.ttest_rel(data["cushion"], data["standard"]), (
        data["cushion"] - data["standard"]
    ).mean()


@pytest.mark.parametrize(
    ("folder", "name"),
    [("cushion_pairs", "yield"), ("cushion_pairs", "moisture"), ("drawn", "residue_mass"),
     ("cushion_pairs", "residue_score")],
)  # fmt: skip
def test_balanced_pairs_give_the_paired_t_test(pairs, drawn, folder, name):
    result = one(drawn if folder == "drawn" else pairs, name)
    assert (result.variances["variance"] > 0).all()  # where pairs differ the two are the same
    known, difference = paired(result, "value")
    row = result.contrasts.iloc[0]
    assert row["df"] == pytest.approx(5, rel=1e-3)
    assert row["statistic"] == pytest.approx(known.statistic, rel=1e-4)
    assert row["p"] == pytest.approx(known.pvalue, rel=1e-3)
    if name == "residue_mass":
        low, high = known.confidence_interval(0.95)
        found = [row["ratio"], row["ratio_low"], row["ratio_high"]]
        np.testing.assert_allclose(np.log(found), [difference, low, high], rtol=1e-3)
    else:
        low, high = known.confidence_interval(0.95)
        found = [row["difference"], row["difference_low"], row["difference_high"]]
        np.testing.assert_allclose(found, [difference, low, high], rtol=1e-3)
        assert np.isnan(row["ratio"]) and "for a ratio" not in " ".join(result.sentences)


def test_processing_loss_is_total_less_header_with_the_chance_of_both(drawn):
    result = one(drawn, "processing_loss")
    frames = drawn.frames.merge(drawn.strips[["strip", "cushion"]], on="strip")
    frames["loose_kernels"] += frames["kernels_on_cobs"].fillna(0)  # what is lost on cobs too
    sums = frames.groupby(["cushion", "zone"])[["loose_kernels", "area"]].sum()
    density = KG * sums["loose_kernels"] / sums["area"]
    means = result.means.set_index("level")
    for level in ("standard", "cushion"):
        plain = density[level, "total"] - density[level, "header"]
        assert means["estimate"][level] == pytest.approx(plain, abs=0.5 * means["se"][level])
        # Counting alone: variance of a density is its count over the square of its area.
        count = sum(sums["loose_kernels"][level, z] / sums["area"][level, z] ** 2
                    for z in ("header", "total"))  # fmt: skip
        assert means["se"][level] > KG * np.sqrt(count)
    # Frames have a variance in each zone: one of both, and what the header's have beside it.
    assert result.variances["level"].tolist() == ["pair", "strip", "zone", "frame", "frame"]
    assert "hardly told apart" not in " ".join(result.sentences)
    # What lies on half the header's width is half as much over all of it.
    header = replace(drawn.config.header, discharge_width=drawn.config.header.width / 2)
    half = one(Trial.from_tables(replace(drawn.config, header=header), drawn.tables),
               "processing_loss")  # fmt: skip
    np.testing.assert_allclose(half.means["estimate"], result.means["estimate"] / 2)
    assert "spread over the whole width" in " ".join(half.sentences)


def test_processing_loss_takes_every_strip_at_its_own_width(drawn):
    """Residue on a third of the width everywhere: by the settings, or strip by strip, is one."""
    wide = drawn.config.header.width
    result = one(drawn, "processing_loss")
    own = changed(drawn, strips=lambda t: t.assign(discharge_width=wide / 3))
    np.testing.assert_allclose(
        one(own, "processing_loss").means["estimate"], result.means["estimate"] / 3
    )
    # Of widths that differ, the mean of width over width: of 1 and 3, a half of what it was.
    mixed = changed(drawn, strips=lambda t: t.assign(
        discharge_width=np.where(np.arange(len(t)) % 2, wide, wide / 3)))  # fmt: skip
    half = one(mixed, "processing_loss")
    np.testing.assert_allclose(half.means["estimate"], result.means["estimate"] / 2)
    assert "read each strip's own value" in " ".join(half.sentences)


def test_residue_of_the_tank_and_from_behind_are_two_responses(drawn):
    tank, behind = one(drawn, "residue_mass"), one(drawn, "leaf_intake")
    assert len(tank.data) == len(behind.data) == 24
    assert "take no part" not in " ".join((*tank.sentences, *behind.sentences))
    rows = drawn.residue[drawn.residue["taken_at"].eq("behind")]
    per_cobs = rows["residue_mass"] / (rows["sample_mass"] - rows["residue_mass"])
    np.testing.assert_allclose(np.sort(behind.data["value"]), np.sort(np.log(per_cobs)))
    blank = changed(drawn, residue=lambda t: t.assign(
        taken_at=t["taken_at"].where(t["taken_at"].ne("tank"))))  # fmt: skip
    np.testing.assert_allclose(one(blank, "residue_mass").means["estimate"],
                               tank.means["estimate"])  # fmt: skip


def test_setups_and_zones_need_every_strip_in_both_zones(drawn):
    lost = drawn.strips["strip"].iloc[0]
    bare = changed(drawn, frames=lambda t: t[~(t["strip"].eq(lost) & t["zone"].eq("total"))])
    result = one(bare, "processing_loss")
    assert lost not in set(result.data["strip"])
    assert "1 of 12 strips has no measurement" in " ".join(result.sentences)


def test_ears_without_their_grain_are_reported_as_ears(drawn):
    bare = changed(drawn, ears=lambda t: t.assign(kernel_mass_per_ear=np.nan))
    ears, grain = one(bare, "dropped_ears"), one(drawn, "dropped_ears")
    assert (ears.unit, grain.unit) == ("ears/ha", "kg/ha")
    columns = ["ratio", "ratio_low", "ratio_high", "p"]
    np.testing.assert_allclose(ears.contrasts[columns], grain.contrasts[columns], rtol=1e-6)
    # 0.2 ears per m2 under the standard chain: 2,000 per ha.
    assert ears.means["low"][0] < 2000 < ears.means["high"][0]


def test_the_test_of_a_score_uses_its_order_alone(pairs):
    low = pairs.strips["cushion"].eq("cushion").to_numpy()
    by_strip = dict(zip(pairs.strips["strip"], np.where(low, 1.0, 3.0), strict=True))
    six = changed(pairs, residue=lambda t: t.assign(score=t["strip"].map(by_strip)
                                                    + np.arange(len(t)) % 4 / 4))  # fmt: skip
    row = one(six, "residue_score").contrasts.iloc[0]
    # All six pairs run one way: 2 of the 64 sign patterns are as extreme.
    assert row["p_rank"] == pytest.approx(2 / 64) and row["n_blocks"] == 6
    plain = one(pairs, "residue_score").contrasts.iloc[0]
    stretched = changed(pairs, residue=lambda t: t.assign(score=t["score"] ** 2 / 5))
    other = one(stretched, "residue_score").contrasts.iloc[0]
    assert other["p_rank"] == plain["p_rank"]
    assert other["p"] != pytest.approx(plain["p"], rel=1e-3)


# ---------------------------------------------------------------- what is not there, or nothing
def test_what_was_never_measured_is_absent_and_what_cannot_be_used_is_explained(pairs):
    none = changed(pairs, residue=lambda t: t.iloc[:0], ears=lambda t: t.iloc[:0])
    result = analyse(none)
    absent = {"residue_mass", "residue_score", "dropped_ears"}
    assert not absent & {*result.responses, *result.skipped}
    bare = changed(
        pairs,
        grain=lambda t: t.assign(sample_mass=np.nan),
        ears=lambda t: t[t["zone"].eq("preharvest")],
        frames=lambda t: t[~(t["zone"].eq("header") & t["strip"].ne("none"))],
        strips=lambda t: t.assign(test_weight=72.0),
    )
    skipped = analyse(bare).skipped
    assert "gives both its mass and that of its broken corn" in skipped["broken_corn"]
    assert "not on ground the header crossed" in skipped["dropped_ears"]
    assert "No strip has frames both behind the machine" in skipped["processing_loss"]
    assert "test_weight" in skipped and "yield" not in skipped


def test_a_layout_that_answers_nothing_says_what_is_left(pairs):
    standard = pairs.strips.loc[pairs.strips["cushion"].eq("standard"), "strip"]
    trial = changed(pairs, residue=lambda t: t[t["strip"].isin(standard)])
    for name in ("residue_mass", "residue_score"):
        sentence = reason(trial, name)
        assert "same setup (Gathering chain standard)" in sentence and sentence.endswith(STILL)
    single = changed(pairs, strips=lambda t: t[t["strip"].isin(standard)])
    with pytest.raises(DesignError) as error:
        analyse(single)
    assert str(error.value).count("same setup") == 1 and str(error.value).count(STILL) == 1


def none_under_cushion(trial: Trial, table: str, column: str, *, zone: str = "") -> Trial:
    cushioned = trial.strips.loc[trial.strips["cushion"].eq("cushion"), "strip"]

    def empty(rows: pd.DataFrame) -> pd.DataFrame:
        here = rows["strip"].isin(cushioned)
        if zone:
            here &= rows["zone"].eq(zone)
        return rows.assign(**{column: rows[column].where(~here, 0)})

    return changed(trial, **{table: empty})


def test_nothing_under_one_setup_is_said_with_what_it_bounds(drawn):
    ears = reason(none_under_cushion(drawn, "ears", "ears", zone="header"), "dropped_ears")
    assert "Under Gathering chain cushion there was no ear in 6 searches (242.8 m2)" in ears
    table = drawn.ears.merge(drawn.strips[["strip", "moisture", "cushion"]], on="strip")
    table = table[(table["ears"] > 0)
                  & ~(table["zone"].eq("header") & table["cushion"].eq("cushion"))]  # fmt: skip
    table = table[table["zone"].eq("header") | table["zone"].eq("preharvest")]
    dry = table["kernel_mass_per_ear"] * (100 - table["moisture"]) / 84.5
    mass = (dry * table["ears"]).sum() / table["ears"].sum()
    most = 10 * mass * -np.log(0.05) / (6 * 40.468564)
    assert f"below {float(f'{most:.2g}'):g} kg/ha" in ears and "if ears lie at random" in ears

    bare = none_under_cushion(drawn, "frames", "kernels_on_cobs", zone="total")
    total = reason(none_under_cushion(bare, "frames", "loose_kernels", zone="total"),
                   "processing_loss")  # fmt: skip
    assert "no kernel in 24 frames" in total and "of zone total" in total
    assert "compare the raw means" in total

    sieve = none_under_cushion(drawn, "grain", "sieve_mass")
    words = reason(sieve, "broken_corn")
    least = sieve.grain.loc[sieve.grain["sieve_mass"] > 0, "sieve_mass"].min()
    mass = sieve.grain.loc[sieve.grain["sieve_mass"].eq(0), "sample_mass"]
    assert f"less in each than the {least:g} g" in words
    assert f"below {100 * least * len(mass) / mass.sum():.2g} %" in words


def test_a_few_empty_samples_stand_as_half_the_least_and_many_are_refused(drawn):
    def emptied(count: int) -> Trial:
        rows = np.arange(len(drawn.grain)) < count
        return changed(
            drawn, grain=lambda t: t.assign(sieve_mass=t["sieve_mass"].where(~rows, 0.0))
        )

    result = one(emptied(1), "broken_corn")
    least = drawn.grain["sieve_mass"].iloc[1:].min()
    assert result.data["value"].min() == pytest.approx(
        np.log(least / 2 / drawn.grain["sample_mass"].iloc[0])
    )
    assert f"half of the least mass weighed, {least:g} g" in " ".join(result.sentences)
    assert "3 of 24 samples hold no broken corn" in reason(emptied(3), "broken_corn")


# ---------------------------------------------------------------- the table, and who reads it
@pytest.mark.parametrize("spec", SPECIFICATIONS.values(), ids=lambda spec: spec.name)
def test_an_entry_names_columns_and_zones_that_exist(spec):
    columns = schema.column_names(spec.table)
    assert spec.response in columns and (spec.size is None or spec.size in columns)
    assert set(spec.zones) <= set(ZONES) and set(spec.given_by) <= set(spec.zones)
    if len(spec.zones) == 2:
        assert sum(spec.zones.values()) == 0


@pytest.mark.parametrize("folder", ["cushion_pairs", "gap_fields", "split_strips"])
def test_the_field_day_page_tells_of_loss_and_damage_alone(folder):
    trial = load_trial(frozen_dir(folder))
    every, few = analyse(trial), analyse(trial, responses=in_full())
    given = [name for name, spec in SPECIFICATIONS.items() if spec.given(trial.tables)]
    assert [*every.responses] == given and len(given) >= 12 and [*few.responses] == [*in_full()]
    # Damage alone hangs on what else was analysed: all but header loss is held to one family.
    for piece in ("headline", "loss_by_setup", "measured"):
        wide, narrow = (getattr(field_day(a), piece)() for a in (every, few))
        assert wide._repr_html_() == narrow._repr_html_()
    damage = [a["kernel_damage"].contrasts for a in (every, few)]
    assert (damage[0]["p_adjusted"] >= damage[1]["p_adjusted"]).all()
    held = ["p_adjusted", "p_classical_adjusted", "primary"]
    pd.testing.assert_frame_equal(*(table.drop(columns=held) for table in damage))
    yields = analyse(trial, responses=["yield"])
    with pytest.raises(DesignError, match="No loss or damage"):
        field_day(yields)


def test_an_unknown_response_is_answered_with_those_there_are(pairs):
    with pytest.raises(ValueError, match=r"'ears'.*choose from header_loss.*dropped_ears"):
        analyse(pairs, responses=["ears"])
