"""Many trials: truth recovered, own fields told from the rest, nothing dropped in silence."""

from __future__ import annotations

import csv
import json
import re
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from frozen_trials import CUSHION, CUSHION_PAIRS, GAP
from scipy import stats
from statsmodels.stats.multitest import multipletests
from typer.testing import CliRunner

import trialkit as tk
from trialkit import plots
from trialkit.cli import app
from trialkit.display import decimals, number
from trialkit.errors import DesignError, ModelError, TrialError
from trialkit.facts import Grade
from trialkit.intake import SetupFactor, write_trial
from trialkit.many import amounts
from trialkit.many.matching import match_setups, normalised
from trialkit.many.trial_rows import TrialRows
from trialkit.mixed import fit_mixed
from trialkit.pages import demo_dir
from trialkit.pages.compared import (
    as_json,
    explained_words,
    for_terminal,
    grower_table,
    in_part,
    sentences,
)
from trialkit.pages.compared_letters import ComparedLetters
from trialkit.pages.seasons.letters import SeasonsLetters
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.units import kg_ha_to_bu_ac
from trialkit.words import matching as words
from trialkit.words.comparisons import limited

TRUTH = Truth(
    preharvest=0.01, header=60.0, header_ratios={"cushion": {"cushion": 0.7}},
    sd={"field": 0.2, "setup_by_field": 0.05, "pair": 0.1, "strip": 0.08, "frame": 0.2},
    preharvest_sd={}, speed_sd=0.3, moisture_sd=0.1,
)  # fmt: skip
EFFORT = Effort(header_frames=3, preharvest_frames=1, total_frames=0, ear_area=0, grain_samples=0,
                residue_samples=0, stalks=0)  # fmt: skip


def write(folder: Path, seed: int, ratio: float = 0.7, setup: SetupFactor = CUSHION, **how) -> Path:
    """A simulated trial of two fields with three pairs each."""
    other = setup.levels[0] if setup.reference != setup.levels[0] else setup.levels[1]
    truth = replace(TRUTH, header_ratios={setup.name: {other: ratio}}, **how.get("truth", {}))
    config = replace(CUSHION_PAIRS.config, setups=(replace(setup, hard_to_change=False),),
                     title=f"Trial {seed}", option=None)  # fmt: skip
    fields = pd.DataFrame(
        {"field": ["North", "South"], "grower": how.get("grower", f"Grower {seed % 4}"),
         "hybrid": [f"H{seed % 5}", f"H{(seed + 1) % 5}"]}
    )  # fmt: skip
    trial = simulate_trial(config, truth, seed=seed, blocks=3, fields=fields, effort=EFFORT)
    write_trial(folder, config, trial.tables)
    return folder


def as_workbook(folder: Path, path: Path) -> None:
    """The tables of a trial folder as sheets; settings as rows of key and value."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "trial"
    for row in (["key", "about", "value"], ["title", "", "From a workbook"], ["season", "", 2025],
                ["units", "", "US"], ["header.rows", "", 8], ["header.width", "", 20],
                ["setup.cushion.levels", "", "standard", "cushion"]):  # fmt: skip
        sheet.append(row)
    for name in ("fields", "strips", "frames"):
        table = book.create_sheet(name)
        for row in csv.reader((folder / f"{name}.csv").open(encoding="utf-8")):
            table.append([float(v) if v.replace(".", "", 1).isdigit() else v for v in row])
    book.save(path)


@pytest.fixture(scope="module")
def mixed(tmp_path_factory) -> Path:
    """Twelve trials that match, and one of each kind that does not."""
    root = tmp_path_factory.mktemp("trials")
    for seed in range(12):
        # The first grower's trials lose less by the cushion than the others'.
        write(root / f"t{seed:02d}", seed, 0.35 if seed % 4 == 0 else 0.7)
    spelt = replace(CUSHION, levels=("STANDARD", " Cushion"), reference="STANDARD")
    write(root / "season 2" / "spelt", 20, setup=replace(spelt, levels=("STANDARD", "Cushion")))
    as_workbook(write(root / "book", 21), root / "book.xlsx")
    shutil.rmtree(root / "book")
    write(root / "gap", 22, setup=GAP)
    write(root / "foam", 23, setup=replace(CUSHION, levels=("standard", "foam")))
    shutil.copytree(root / "t01", root / "t01 copy")
    broken = write(root / "broken", 24)
    (broken / "trial.toml").write_text("title = no quotation marks\n", encoding="utf-8")
    (write(root / "bare", 25) / "trial.toml").unlink()
    uncounted = write(root / "uncounted", 26)
    frames = pd.read_csv(uncounted / "frames.csv")
    frames[frames["zone"] == "preharvest"].to_csv(uncounted / "frames.csv", index=False)
    return root


@pytest.fixture(scope="module")
def result(mixed: Path) -> tuple[tk.TrialsCompared, list[str]]:
    told: list[str] = []
    return tk.compare(mixed, progress=told.append), told


def test_what_cannot_be_compared_is_listed_with_its_reason(result) -> None:
    comparison, told = result
    listed = comparison.skipped.set_index("trial")
    assert listed["kind"].to_dict() == {
        "bare": "unreadable", "broken": "unreadable", "t01 copy": "repeated", "foam": "setups",
        "gap": "setups", "uncounted": "no data",
    }  # fmt: skip
    reasons = listed["reason"]
    assert "not valid TOML" in reasons["broken"] and "trial.toml" in reasons["bare"]
    # Nothing of a gap is alike a chain: no advice to take one for the other.
    assert reasons["gap"] == "It varied gap; the comparison is by cushion."
    assert "cushion (foam, standard)" in reasons["foam"] and "foam=" not in reasons["foam"]
    assert "same files as t01" in reasons["t01 copy"]
    # Found = used + listed.
    assert len(comparison.trials) == 14 and told[19] == "Reading trial 20 of 20"
    assert {"season 2/spelt", "book.xlsx"} <= set(comparison.trials["trial"])
    assert not any("Grower" in text or "North" in text for text in told)


def test_one_tidy_table_of_strips(result, mixed) -> None:
    comparison, _ = result
    strips = comparison.strips
    assert len(strips) == 14 * 12 and not strips.duplicated(["trial", "strip"]).any()
    assert comparison.factors == {"cushion": ("standard", "cushion")}
    assert set(strips["cushion"]) == {"standard", "cushion"}
    trial = tk.load_trial(mixed / "t03")
    own = trial.losses().strips.query("source == 'header' and kind == 'kernels'").set_index("strip")
    rows = strips[strips["trial"] == "t03"].set_index("strip")
    pd.testing.assert_series_equal(rows["value"], own["kg_ha"].reindex(rows.index),
                                   check_names=False)  # fmt: skip
    place = comparison.side_by_side.set_index(["trial", "field"]).loc[("t03", "North")]
    wanted = rows[rows["field"] == "North"].groupby("cushion")["value"].mean()
    assert place[["standard", "cushion"]].to_numpy(float) == pytest.approx(
        wanted[["standard", "cushion"]].to_numpy()
    )
    assert comparison.trials["n_rows"].sum() == strips["n_rows"].sum() == 14 * 36
    # The workbook states no kernel mass, the others do: its losses by weight rest on the usual one.
    taken = [note for note in comparison.notes if "335 g was taken" in note]
    assert len(taken) == 1 and taken[0].startswith("book.xlsx: no thousand-kernel mass")


def test_every_trial_speaks_for_itself_by_its_own_pairs(result) -> None:
    comparison, _ = result
    alone = comparison.by_trial.set_index("trial")
    assert len(alone) == 14
    strips = comparison.strips
    strips = strips.assign(place=strips["field"].astype(str) + strips["pair"].astype(str))
    for name in ("t03", "season 2/spelt"):
        own = strips[strips["trial"] == name]
        per = (own["amount"] / own["size"]).groupby([own["place"], own["cushion"]]).sum().unstack()
        logs = np.log(per["cushion"] / per["standard"])
        test = stats.ttest_1samp(logs, 0.0)  # a paired t test of the logarithms, by scipy
        row = alone.loc[name]
        assert (row["raw"], row["p"]) == pytest.approx((logs.mean(), test.pvalue), rel=1e-9)
        apart = row["raw_low"] > 0 or row["raw_high"] < 0
        assert apart == (test.pvalue < 0.05) == (row["evidence"] in ("clear", "good"))
    less = int(((alone["raw"] < 0) & alone["evidence"].isin(["clear", "good"])).sum())
    said = sentences(comparison)[-1]
    assert f"By its own pairs alone, of 14 trials {less} less" in said
    assert "; about 1 in 20 has such evidence by chance alone" in said
    wider = sentences(replace(comparison, level=0.99))[-1]
    assert "; about 1 in 100 has such evidence by chance alone" in wider


def test_a_growers_own_fields_against_the_rest(result) -> None:
    comparison, _ = result
    rows = comparison.growers.set_index(["grower", "factor"])
    assert len(rows) == 8
    own = rows.loc[("Grower 0", "cushion")]
    # Three trials of six fields at 0.35, and one of two fields (seed 20) at 0.7.
    assert (own["n_fields"], own["n_other_fields"]) == (8, 20)
    true = (6 * np.log(0.35) + 2 * np.log(0.7)) / 8 - np.log(0.7)
    assert own["low"] < true < own["high"] < 0
    assert (rows.xs("cushion", level="factor").drop("Grower 0")["difference"] > 0).all()
    apart = int(((rows["low"] > 0) | (rows["high"] < 0)).sum())
    (note,) = (n for n in comparison.notes if n.startswith("Of 8 intervals of growers' own fields"))
    assert f", {apart} leave" in note and "about 1 in 20 does so by chance alone" in note
    # By hand from the predictions: means over own fields less means over the others'.
    fields = comparison.by_field
    mine = fields["grower"] == "Grower 0"
    gap = fields.loc[mine, "shrunken"].mean() - fields.loc[~mine, "shrunken"].mean()
    assert own["difference"] == pytest.approx(gap)
    ratios = fields.set_index(["trial", "field"])["shrunken"]
    assert (ratios[["t00", "t04", "t08"]] < ratios.drop(["t00", "t04", "t08"]).min()).all()


def test_the_view_names_nobody(result) -> None:
    view = result[0]._repr_html_()
    row = result[0].effects.iloc[0]
    low, high = np.exp(row[["low", "high"]].astype(float))  # ratios, not their logarithms
    ends = f" ({number(low, decimals((high - low) / 2))} to "
    assert f"<td>{number(np.exp(row['estimate']), decimals((high - low) / 2))}{ends}" in view
    assert "over 14 trials" in view and "28 fields" in view and "2 unreadable" in view
    assert not any(name in view for name in ("Grower", "North", "t03", "spelt"))


def test_the_next_trials_prior_is_no_effect_give_or_take_what_effects_came_to(result) -> None:
    comparison, _ = result
    row = comparison.effects.iloc[0]
    assert comparison.prior is not None and comparison.prior.ratio == 1.0
    # By hand: 19 times in 20 within 1.96 standard deviations; one level, so no mean over several.
    spread = np.hypot(row["sd_trial"], row["sd_field"])
    times = np.exp(1.96 * np.hypot(row["estimate"], spread))
    assert comparison.prior.times == pytest.approx(times, rel=5e-3)
    # Where every trial has one field all of the spread stands in that of fields: exp(0.670).
    single = comparison.effects.assign(estimate=0.1, sd_trial=0.0, sd_field=0.327)
    told = replace(comparison, effects=single).prior
    assert told is not None and told.times == pytest.approx(1.95, rel=5e-3)
    # Effects taken to be the same everywhere say nothing of how they differ.
    plain = comparison.variances[comparison.variances["term"].eq("Intercept")]
    assert replace(comparison, variances=plain).prior is None
    line = comparison.prior_words.rsplit("trial.toml: ", 1)[1]
    assert tomllib.loads(line)["prior"] == {"ratio": 1, "times": comparison.prior.times}
    assert replace(comparison, response="yield").prior_words == ""


@pytest.fixture(scope="module")
def damp(tmp_path_factory) -> tk.TrialsCompared:
    """Sixteen trials in which moisture decides how much the cushion saves."""
    root = tmp_path_factory.mktemp("damp")
    for seed in range(16):
        moisture = 16.0 + seed / 2
        ratio = float(np.exp(-0.4 + 0.08 * (moisture - 20.0)))
        how = {"moisture": (moisture, moisture), "moisture_ratio": 1.0}
        write(root / f"t{seed:02d}", 100 + seed, ratio, truth=how, grower=None)
    return tk.compare(root)


def test_truth_is_recovered_and_moisture_explains_the_spread(damp) -> None:
    row = damp.effects.iloc[0]
    mean = -0.4 + 0.08 * (16.0 + 7.5 / 2 - 20.0)
    assert row["low"] < mean < row["high"] and row["n_trials"] == 16
    # Between trials: 0.08 times the standard deviation of moisture, about 0.19; within a fifth by
    # simulation error of sixteen trials would be chance, so within a factor of two.
    between = 0.08 * np.std(16.0 + np.arange(16) / 2, ddof=1)
    assert between / 2 < np.hypot(row["sd_trial"], row["sd_field"]) < 2 * between
    assert row["predicted_low"] < row["low"] and row["high"] < row["predicted_high"]
    table = damp.explained.set_index(["variable", "part"])
    slope = table.loc[("moisture", "effect")]
    assert slope["slope_low"] < 0.08 < slope["slope_high"] and slope["slope_low"] > 0
    assert table.loc[("moisture", "effect"), "p"] < 1e-4
    assert table.loc[("moisture", "effect"), "reduction"] > 0.6
    assert table.loc[("speed_measured", "effect"), "p"] > 0.01
    adjusted = multipletests(table["p"].to_numpy(float), method="holm")[1]  # statsmodels
    np.testing.assert_allclose(table["p_adjusted"].to_numpy(float), adjusted)
    assert len(table) > 4 and (adjusted > table["p"]).any()
    assert all(f" among {len(table)} such tests (" in told for told in explained_words(damp))
    assert table.loc[("hybrid", "effect"), "test"] == "0.5 chi2(0) + 0.5 chi2(1)"
    assert damp.growers.empty and "name no grower" in " ".join(damp.notes)


def test_other_factors_stand_at_their_reference(tmp_path) -> None:
    for seed in range(2):
        write(tmp_path / f"t{seed}", seed)
    both = replace(CUSHION_PAIRS.config, setups=(replace(CUSHION, hard_to_change=False), GAP))
    trial = simulate_trial(both, TRUTH, seed=5, blocks=3, fields=["A", "B"], effort=EFFORT)
    write_trial(tmp_path / "both", both, trial.tables)
    compared = tk.compare(tmp_path, factors=["Cushion"])
    found = compared.trials.set_index("trial")
    assert found.loc["both", "n_strips"] == 12  # of 36: gap at its reference
    assert "24 strips at other levels of gap" in found.loc["both", "note"]
    assert in_part(compared) == [
        "both: 24 strips at other levels of gap than the reference left out."
    ]


def test_several_folders_are_one_source_and_processes_change_nothing(tmp_path) -> None:
    for seed in range(2):
        for farm in ("east", "west"):
            write(tmp_path / farm / "2025" / f"t{seed}", seed + 2 * (farm == "west"))
    fields = tmp_path / "west" / "2025" / "t1" / "fields.csv"
    table = pd.read_csv(fields).assign(latitude=41.5, longitude=-93.6)
    table.to_csv(fields, index=False)
    farms = [tmp_path / "east" / "2025", tmp_path / "west" / "2025", tmp_path / "west" / "2025"]
    alone, shared = (tk.compare(farms, jobs=jobs) for jobs in (1, 2))
    names = ["2025/t0", "2025/t1", "2025 (2)/t0", "2025 (2)/t1"]
    assert alone.trials["trial"].tolist() == names
    assert alone.skipped["reason"].tolist() == [f"The same files as {n}." for n in names[2:]]
    for name in alone.__dataclass_fields__:
        one, other = getattr(alone, name), getattr(shared, name)
        assert one.equals(other) if isinstance(one, pd.DataFrame) else one == other, name
    for table in (alone.strips, alone.by_field):
        placed = table.loc[table["trial"].eq(names[-1]), ["latitude", "longitude"]]
        assert (placed == [41.5, -93.6]).all(axis=None) and table["latitude"].isna().any()


def test_aliases_join_names(tmp_path) -> None:
    write(tmp_path / "a", 1)
    write(tmp_path / "b", 2)
    other = SetupFactor("chain", levels=("plain", "soft"), reference="plain")
    write(tmp_path / "c", 3, setup=other)
    assert tk.compare(tmp_path).skipped["trial"].tolist() == ["c"]
    names = {"chain": "cushion", "Plain": "standard", "soft": "cushion"}
    assert tk.compare(tmp_path, aliases=names).skipped.empty


def of_setups(name: str, *setups: SetupFactor) -> TrialRows:
    """A trial of one field in which every setup was run once."""
    ways = pd.MultiIndex.from_product([s.levels for s in setups]).to_frame(index=False)
    strips = {s.name: ways[k].to_numpy(dtype=object) for k, s in enumerate(setups)}
    strips |= {"strip": np.arange(len(ways)).astype(str), "field": np.full(len(ways), "North")}
    config = replace(CUSHION_PAIRS.config, setups=setups)
    return TrialRows(name, name, 2025, False, setups, config, name, 0, True, (), 1.0, "kg/ha",
                     strips, {})  # fmt: skip


CHAIN = SetupFactor("cushion", ("standard", "cushion"), "standard")
PLATES = SetupFactor("gap", ("narrow", "usual", "wide"), "usual")


def why_not(*more: TrialRows, factors: list[str] | None = None, **aliases: str) -> dict[str, str]:
    trials = [of_setups("a", CHAIN), of_setups("b", CHAIN), *more]
    known = {normalised(k.replace("_", " "), {}): v for k, v in aliases.items()}
    return dict(match_setups(trials, factors, known)[2])


def test_two_factors_are_taken_for_one_only_where_they_could_be() -> None:
    chain = SetupFactor("chain", ("standard", "cushion"), "standard")
    assert '--alias "chain=cushion"' in why_not(of_setups("c", chain))["c"]
    both = of_setups("d", CHAIN, chain)  # one trial has both: they are two things
    assert "--alias" not in why_not(of_setups("c", chain), both)["c"]
    assert "--alias" not in why_not(of_setups("c", PLATES))["c"]
    # Who takes them for one all the same is told that they are not.
    told = why_not(of_setups("c", PLATES), of_setups("d", CHAIN, PLATES), gap="cushion")
    assert "hardly one thing" in told["c"] and "has both" in told["d"]
    assert not any("so by" in reason for reason in told.values())


def test_advice_names_levels_of_one_factor_as_they_are_written() -> None:
    std = SetupFactor("cushion", ("std chain", "cushioned"), "std chain")
    told = why_not(of_setups("c", std), of_setups("d", PLATES))["c"]
    assert '--alias "cushioned=cushion" --alias "std chain=standard" (in' in told
    inches = SetupFactor("Gap", ("Narrow (1-1/8 in)", "Usual (1-1/4 in)"), "Usual (1-1/4 in)")
    gaps = [of_setups(name, inches) for name in "cde"]
    told = why_not(*gaps, of_setups("f", PLATES), factors=["gap"])["f"]
    assert '--alias "narrow=Narrow (1-1/8 in)" --alias "usual=Usual (1-1/4 in)" (in' in told


@pytest.mark.parametrize(
    ("name", "common"),
    [(" Wide_Gap ", "wide gap"), ("1,50", "1.5"), ("1.500", "1.5"), ("No-till", "no till")],
)
def test_names_are_brought_to_one_form(name, common) -> None:
    assert normalised(name, {}) == common


def test_of_references_named_equally_often_the_order_of_trials_decides_nothing(tmp_path) -> None:
    first = write(tmp_path / "a", 1)
    second = write(tmp_path / "b", 2, 1 / 0.7, setup=replace(CUSHION, reference="cushion"))
    one, other = (tk.compare(folders) for folders in ([first, second], [second, first]))
    assert one.factors == other.factors == {"cushion": ("cushion", "standard")}
    np.testing.assert_allclose(one.effects["estimate"], other.effects["estimate"], rtol=1e-4)


def test_too_little_to_compare(tmp_path) -> None:
    with pytest.raises(TrialError, match="is no folder"):
        tk.compare(tmp_path / "nowhere")
    with pytest.raises(TrialError, match="holds no trial"):
        tk.compare(tmp_path)
    write(tmp_path / "a", 1)
    with pytest.raises(DesignError, match="1 found, 1 can be used"):
        tk.compare(tmp_path)


def test_what_else_could_be_compared_is_told(mixed, result) -> None:
    assert result[0].varied == {"cushion": 15, "gap": 1}
    assert "Found: cushion in 15 trials, gap in 1. To compare by another: --factor gap" in (
        for_terminal(result[0])[-1]
    )
    with pytest.raises(DesignError) as raised:
        tk.compare(mixed, factors=["chain"], aliases={"Cushon": "cushion"})
    first, no, found, alias, *reasons = str(raised.value).splitlines()
    assert "of 20 found, 0 can be used" in first and no == "No trial varied chain."
    assert "by one set of factors" in found and "--factor cushion" in found
    assert "called 'Cushon'" in alias and "'cushion'" in alias
    # A line for each reason, with the trials it is of: the first dozen by name.
    assert all(line.startswith("- ") for line in reasons)
    assert "- gap: it varied gap; the comparison is by chain." in reasons
    by_cushion = next(line for line in reasons if "t00" in line)
    assert by_cushion.endswith("and 3 more, each: it varied cushion; the comparison is by chain.")
    told = words.too_few(99, 0, ["gap", "cushion"], {"gap": 3, "cushion": 9},
                         [(f"t{i}", f"reason {i}") for i in range(99)], {})  # fmt: skip
    assert "No trial that can be used varied gap and cushion together" in told
    assert told.splitlines()[-2:] == ["- t9: reason 9", "- and 89 trials more"]


# ---------------------------------------------------------------- other responses
OTHERS = replace(
    CUSHION_PAIRS.truth, residue_ratios={"cushion": {"cushion": 0.6}},
    strip_shifts={"yield": {"cushion": {"cushion": 400.0}}},
    residue_sd={"field": 0.2, "strip": 0.1},
)  # fmt: skip


@pytest.fixture(scope="module")
def others(tmp_path_factory) -> Path:
    """Ten trials of every kind of response."""
    root = tmp_path_factory.mktemp("others")
    effort = replace(EFFORT, preharvest_frames=2, grain_samples=3, residue_samples=3)
    config = replace(CUSHION_PAIRS.config, setups=(replace(CUSHION, hard_to_change=False),),
                     option=None)  # fmt: skip
    for seed in range(10):
        trial = simulate_trial(config, OTHERS, seed=200 + seed,
                               blocks=3, fields=["A", "B"], effort=effort)  # fmt: skip
        write_trial(root / f"t{seed}", replace(config, title=f"T{seed}"), trial.tables)
    return root


@pytest.mark.parametrize(
    ("response", "link", "unit", "truth"),
    [
        ("kernel_damage", "logit", "%", np.log(0.7)),
        ("residue_mass", "log", "%", np.log(0.6)),
        ("yield", "identity", "kg/ha", 400.0),
        ("preharvest_loss", "log", "kg/ha", 0.0),
    ],
)
def test_other_responses_by_the_same_path(others, response, link, unit, truth) -> None:
    found = tk.compare(others, response=response)
    row = found.effects.iloc[0]
    assert (found.link, found.unit, row["n_trials"], row["n_fields"]) == (link, unit, 10, 20)
    assert row["low"] < truth < row["high"]
    assert row["predicted_low"] < truth < row["predicted_high"]
    # The model's mean agrees with the strips' measured values, pair by pair.
    wide = found.strips.pivot_table(index=["trial", "field", "pair"], columns="cushion",
                                    values="value")  # fmt: skip
    raw = (wide["cushion"] - wide["standard"]).mean()
    if link != "identity":
        raw = np.log(wide["cushion"].mean() / wide["standard"].mean())
    assert row["estimate"] == pytest.approx(raw, abs=3 * row["se"])
    own = found.by_field.dropna(subset=["raw"])
    assert len(own) == 20 and own["shrunken"].std() < own["raw"].std()
    assert np.corrcoef(own["raw"], own["shrunken"])[0, 1] > 0


def test_words_and_json_tell_one_figure_and_say_on_which_scale(result, others) -> None:
    comparison = result[0]
    given = json.loads(as_json(comparison, ComparedLetters(comparison)))
    shown, told = given["differences"][0], sentences(comparison)[-1]
    # By hand: what lay there with the reference, field by field, times what it was less by.
    own = comparison.strips.query("cushion == 'standard'").groupby(["trial", "field"])
    ground, lost = own[["on_ground", "value"]].mean().mean()
    less = ground * np.expm1(comparison.effects["estimate"].iloc[0])
    assert shown["difference"] == pytest.approx(less)
    assert shown["ratio"] == pytest.approx(1 + less / lost)
    assert shown["on_ground"]["ratio"] == pytest.approx(1 + less / ground)
    bushels = shown["in_own_unit"]
    assert bushels["unit"] == "bu/ac"
    assert bushels["difference"] == pytest.approx(float(kg_ha_to_bu_ac(less)))
    found = re.search(
        r"standard: ([\d.]+) bu/ac less \(([\d.]+) to ([\d.]+)\), that is (\d+) % less "
        r"\(\d+ to \d+\) in header loss; (\d+) % less \(\d+ to \d+\) of all kernels on the ground",
        told,
    )
    assert found
    size, least, most, share, on_ground = map(float, found.groups())
    ends = (-bushels["difference"], -bushels["high"], -bushels["low"])
    assert (size, least, most) == pytest.approx(ends, abs=0.06)
    assert share == pytest.approx(100 * (1 - shown["ratio"]), abs=0.5)
    assert on_ground == pytest.approx(100 * (1 - shown["on_ground"]["ratio"]), abs=0.5)
    assert set(given["scales"]) - {"differences"} <= set(given)
    assert "logarithm of the ratio of all kernels on the ground" in given["scales"]["effects"]
    grain = tk.compare(others, response="yield")
    assert re.search(r"standard: [\d.]+ bu/ac higher", sentences(grain)[-1])
    assert "difference in yield, setup less reference, kg/ha" in (
        json.loads(as_json(grain, ComparedLetters(grain)))["scales"]["effects"]
    )


def test_what_trials_are_not_first_of_all_about_is_not_told_on_a_lean(result) -> None:
    lean = replace(result[0], effects=result[0].effects.assign(evidence="leaning"))
    assert "The counts lean this way" in sentences(lean)[-1]
    beside = replace(lean, response="kernel_damage", title="Damaged kernels", unit="%")
    assert "cannot tell the two apart" in sentences(beside)[-1]
    assert any("first of all about header loss" in line for line in sentences(beside))
    given = json.loads(as_json(beside, ComparedLetters(beside)))
    assert [row["evidence"] for row in given["effects"]] == ["open"]
    about = {name: replace(config, model=replace(config.model, primary="kernel_damage"))
             for name, config in beside.settings.items()}  # fmt: skip
    assert "The counts lean this way" in sentences(replace(beside, settings=about))[-1]


def test_ratios_say_what_they_are_of(result) -> None:
    result = result[0]
    # Counts of both losses hold what lay there before harvest; a share of kernels does not.
    assert ", those lost before harvest included," in result.words
    ears = replace(result, response="dropped_ears", title="Dropped ears")
    assert any("is a smaller share of all ears on the ground" in s for s in sentences(ears))
    assert any(") of all ears on the ground. Mean over" in s for s in sentences(ears))
    damage = replace(result, response="kernel_damage")
    assert not damage.of_all and not any("before harvest" in line for line in sentences(damage))


def test_responses_that_one_model_cannot_carry(others) -> None:
    with pytest.raises(DesignError, match="difference between zones"):
        tk.compare(others, response="processing_loss")
    with pytest.raises(DesignError, match="an order, not a quantity"):
        tk.compare(others, response="residue_score")
    with pytest.raises(DesignError, match="no response 'loss'; choose one of header_loss"):
        tk.compare(others, response="loss")
    with pytest.raises(DesignError, match="holds no data on dropped ears"):
        tk.compare(others, response="dropped_ears")


# ---------------------------------------------------------------- leaving the house
PRIVATE = ("Grower", "North", "South", "t00", "t03", "spelt", "book", "broken", "uncounted")


def test_columns_keep_their_names_whatever_fields_are_called() -> None:
    """A field of the demo trials is called High Eighty; a column is called high."""
    done = CliRunner().invoke(app, ["compare", str(demo_dir().parent)], env={"COLUMNS": "200"})
    assert done.exit_code == 0, done.output
    assert "2 trials, 9 fields" in done.stdout and "Grower D" in done.stdout
    assert "Left out: cushion_pairs: it varied cushion" in done.stderr


def test_the_command_prints_words_and_no_names(mixed, tmp_path) -> None:
    out = tmp_path / "tables"
    done = CliRunner().invoke(app, ["compare", str(mixed), "--out", str(out), "--alias",
                                    "cushon=cushion"], env={"COLUMNS": "200"})  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "14 trials, 28 fields" in done.stdout
    assert re.search(r"that is 4\d % less \(\d+ to \d+\) in header loss", done.stdout)
    # An alias that meets nothing is told, with what may have been meant.
    assert "called 'cushon'" in done.stderr and "Spelt much alike: 'cushion'" in done.stderr
    assert "A field of the next trial: from " in done.stdout and "Grower D" in done.stdout
    assert "Left out: broken: trial.toml is not valid TOML" in done.stderr
    texts = [done.stdout, *(p.read_text(encoding="utf-8") for p in sorted(out.iterdir()))]
    assert len(texts) == 12
    for name in PRIVATE:  # growers here are called "Grower 0" to "Grower 3"
        pattern = r"Grower \d" if name == "Grower" else rf"\b{name}\b"
        assert not any(re.search(pattern, text) for text in texts), name
    strips = pd.read_csv(out / "strips.csv")
    # Four growers, each with two fields over the years.
    assert len(strips) == 168 and strips["field"].nunique() == 8
    assert strips.groupby(["trial", "field", "pair", "strip"]).ngroups == 168
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    again = CliRunner().invoke(app, ["compare", str(mixed), "--out", str(out)])
    assert again.exit_code == 2 and "already holds" in again.stderr
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before


def test_a_growers_name_stands_only_where_all_trials_agreed(result) -> None:
    comparison = result[0]
    own = comparison.strips.drop_duplicates("trial").set_index("trial")["grower"]
    trials = comparison.trials["trial"]
    free = trials.map(own).eq("Grower 1") | trials.eq("t02")
    agreed = replace(comparison, trials=comparison.trials.assign(growers_agreed=free))
    letters = ComparedLetters(agreed)
    assert letters.growers["Grower 1"] == "Grower 1"
    assert letters.growers["Grower 2"] != "Grower 2"
    assert letters.trials["t01"] == "t01" and letters.fields["t01", "North"] == "North"
    assert letters.fields["t00", "North"].startswith("Field ")
    shown = letters.table(agreed.strips)
    assert set(shown.loc[shown["trial"] == "t02", "grower"]) == {letters.growers["Grower 2"]}
    # Many trials have a field of that name: no letter is the right one.
    assert letters.text("North of t00") == f"(withheld) of {letters.trials['t00']}"


def test_a_name_that_is_a_word_too_is_told_with_its_trials(result) -> None:
    comparison = result[0]
    strips = comparison.strips.replace({"field": {"North": "Standard"}})
    named = strips["trial"].isin(["t01", "t02"]) | strips["field"].ne("Standard")
    strips["field"] = strips["field"].where(named, "South")
    told = SeasonsLetters(replace(comparison, strips=strips)).remarks
    one = next(line for line in told if "'Standard'" in line)
    assert "'Standard' (in t01, t02) is also a word" in one and "it is not on the page" in one
    assert "in those trials' files" in one


def test_forest_of_many_trials(result) -> None:
    comparison = result[0]
    names = ComparedLetters(comparison).places
    figure = plots.field_forest(comparison, field_names=names)
    labels = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert labels[-2:] == ["Mean of fields", "Next field"] and len(labels) == 30
    assert all(text.startswith("Field ") for text in labels[:-2])
    assert not any(name in figure.alt_text for name in ("North", "South", "t00"))
    marks = [float(line.get_xdata()[0]) for line in figure.axes[0].lines
             if line.get_gid() == "shrunken"]  # fmt: skip
    assert marks == sorted(marks)
    assert marks == pytest.approx(np.exp(np.sort(comparison.by_field["shrunken"])))


# ---------------------------------------------------------------- few trials
@pytest.fixture(scope="module")
def two(tmp_path_factory) -> tk.TrialsCompared:
    """Two trials of one field each, of two growers."""
    root = tmp_path_factory.mktemp("two")
    for seed in range(2):
        folder = write(root / f"t{seed}", seed)
        for name in ("fields", "strips", "frames"):
            table = pd.read_csv(folder / f"{name}.csv")
            at = "field" if name != "frames" else "strip"
            table[table[at].str.startswith("North")].to_csv(folder / f"{name}.csv", index=False)
    return tk.compare(root)


def test_two_trials_say_no_more_than_they_know(two) -> None:
    # The effect varies between the two, however little they tell of it: growers' do not agree by
    # assumption, nothing is known to the last digit, and nothing is said of the next trial.
    assert set(two.growers["factor"]) == {"mean", "cushion"}
    for table in (two.growers, two.effects, two.by_field):
        assert (table["se"] > 1e-3).all()
        assert (table["high"] - table["low"] > 2 * table["se"]).all()
    row = two.effects.iloc[0]
    assert np.isneginf(row["predicted_low"]) and np.isnan(row["same_direction"])
    assert two.told()[["next_low", "next_high"]].isna().all(axis=None)
    assert "Too few trials to say what a field of the next trial shows: 2." in sentences(two)[-1]
    assert any(note.startswith("Two trials hardly tell") for note in two.notes)
    shown = grower_table(two, ComparedLetters(two)).iloc[:, -1]
    assert shown.map(lambda text: max(map(len, re.findall(r"[\d.]+", text)))).max() < 8


def test_effects_that_had_to_be_taken_alike_are_no_more_than_a_tendency(mixed, monkeypatch) -> None:
    def only_without_slopes(table, **how):
        if how["slopes"]:
            raise ModelError("No optimum.")
        return fit_mixed(table, **how)

    monkeypatch.setattr("trialkit.many.across.fit_mixed", only_without_slopes)
    found = tk.compare([mixed / f"t{i:02d}" for i in range(4)])
    (told,) = amounts.comparisons(found)
    assert told.p_adjusted < 0.01 and told.difference.apart and told.held_down
    assert told.grade is Grade.LEANING and found.effects["evidence"].tolist() == ["leaning"]
    assert "No optimum." in found.notes[0] and "a tendency at most" in found.notes[0]
    assert "effects to be the same everywhere" in limited(told)


def test_pairs_that_agree_to_the_last_digit_are_no_evidence(tmp_path) -> None:
    for seed in range(3):
        folder = write(tmp_path / f"t{seed}", seed)
        frames = pd.read_csv(folder / "frames.csv")
        if seed == 0:  # every strip of a setup the same count
            strips = pd.read_csv(folder / "strips.csv").set_index("strip")["cushion"]
            counts = frames["strip"].map(strips).map({"standard": 30, "cushion": 20})
            frames.loc[frames["zone"] == "header", "loose_kernels"] = counts
            frames.to_csv(folder / "frames.csv", index=False)
    alone = tk.compare(tmp_path).by_trial.set_index("trial").loc["t0"]
    assert alone["raw"] == pytest.approx(np.log(20 / 30)) and alone["n_pairs"] == 6
    assert alone[["raw_se", "raw_low", "raw_high", "p"]].isna().all()
    assert alone["evidence"] not in ("clear", "good")
