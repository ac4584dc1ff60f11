"""Error strata of setup factors: degrees of freedom of textbook designs, and the classical test."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from frozen_trials import CUSHION, CUSHION_PAIRS, GAP
from scipy import stats
from statsmodels.stats.anova import AnovaRM, anova_lm

from trialkit.analysis import analyse, responses
from trialkit.analysis.strata import stratum
from trialkit.errors import ModelError
from trialkit.intake.config import ModelConfig
from trialkit.mixed import fit_mixed
from trialkit.mixed.integrated import Integrated
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.trial import Trial


def strips(main_strip: bool = False, **units) -> pd.DataFrame:
    """Strips of every combination; main strips are those of ``main`` in each block."""
    table = pd.DataFrame(itertools.product(*units.values()), columns=list(units))
    table["strip"] = [f"S{i}" for i in range(len(table))]
    for name in ("field", "pair"):
        table[name] = table[name].astype(str) if name in table else "1"
    table["main_strip"] = table["pair"] + table["main"] if main_strip else None
    return table


def df_of(table: pd.DataFrame, nested: list[str], slopes=(), crossed=(), covariates=()):
    names = [c for c in ("main", "sub", "setup") if c in table]
    return {n: stratum(n, names, table, nested, slopes, crossed, covariates).df for n in names}


SPLIT = strips(True, pair=range(5), main="abc", sub="uv")
FIELDS = strips(field=range(4), pair=range(3), setup="abc")
BLOCKS = ["pair", "strip"]
LAYERS = ["pair", "main_strip", "strip"]
BOTH = [("main", "sub")]

# Degrees of freedom for error as in Cochran & Cox 1957, Experimental Designs: paired and block
# designs 4.2 (b - 1)(k - 1), one less a missing plot 4.25; complete randomisation 4.1; factorial in
# blocks chapter 5; split plots 7.1, (b - 1)(a - 1) and a (b - 1)(k - 1), with (a - 1)(k - 1) more
# where the interaction is left out; the same experiment in several places, chapter 14.
TEXTBOOK = {
    "6 pairs": (strips(pair=range(6), setup="ab"), BLOCKS, {}, {"setup": 5}),
    "6 pairs, a strip lost": (strips(pair=range(6), setup="ab")[1:], BLOCKS, {}, {"setup": 4}),
    "5 blocks of 4": (strips(pair=range(5), setup="abcd"), BLOCKS, {}, {"setup": 12}),
    "5 blocks of 4, 2 lost": (
        strips(pair=range(5), setup="abcd").drop([1, 7]), BLOCKS, {}, {"setup": 10}),
    "12 strips, no pairs": (
        strips(pair=range(4), setup="abc").assign(pair="1"), ["strip"], {}, {"setup": 9}),
    "2 by 3 in 4 blocks": (
        strips(pair=range(4), main="ab", sub="uvw"), BLOCKS, {"crossed": BOTH},
        {"main": 15, "sub": 15}),
    "split strips": (SPLIT, LAYERS, {"crossed": BOTH}, {"main": 8, "sub": 12}),
    "split strips, no interaction": (SPLIT, LAYERS, {}, {"main": 8, "sub": 14}),
    "split strips, a strip lost": (
        SPLIT.drop(4), LAYERS, {"crossed": BOTH}, {"main": 8, "sub": 11}),
    "split strips, a main strip lost": (
        SPLIT.drop([4, 5]), LAYERS, {"crossed": BOTH}, {"main": 7, "sub": 11}),
    "split strips, a main strip not named": (
        SPLIT.assign(main_strip=SPLIT["main_strip"].where(SPLIT.index != 3)), BLOCKS,
        {"crossed": BOTH}, {"main": 20, "sub": 20}),
    "split strips in 2 fields": (
        strips(True, field=range(2), pair=range(3), main="ab", sub="uv"), ["field", *LAYERS],
        {"crossed": BOTH}, {"main": 5, "sub": 10}),
    "4 fields, effects alike": (FIELDS, ["field", *BLOCKS], {}, {"setup": 22}),
    "4 fields, effects of their own": (
        FIELDS, ["field", *BLOCKS], {"slopes": ("setup",)}, {"setup": 6}),
    "4 fields, one without the last setup": (
        FIELDS[~(FIELDS["field"].eq("0") & FIELDS["setup"].eq("c"))], ["field", *BLOCKS],
        {"slopes": ("setup",)}, {"setup": 5}),
    "8 blocks, each under one setup": (
        strips(pair=range(8), row=range(2)).assign(setup=lambda t: t["pair"].astype(int) % 2),
        BLOCKS, {}, {"setup": 6}),
    "the same in 2 fields": (
        strips(field=range(2), pair=range(4), row=range(2)).assign(
            setup=lambda t: t["pair"].astype(int) % 2),
        ["field", *BLOCKS], {}, {"setup": 5}),
    "6 pairs and a covariate": (
        strips(pair=range(6), setup="ab").assign(speed=lambda t: np.sin(np.arange(12.0))), BLOCKS,
        {"covariates": ("speed",)}, {"setup": 4}),
}  # fmt: skip


@pytest.mark.parametrize("design", TEXTBOOK)
def test_degrees_of_freedom_of_textbook_designs(design):
    table, nested, parts, want = TEXTBOOK[design]
    assert df_of(table.reset_index(drop=True), nested, **parts) == want


# ---------------------------------------------------------------- whole trials
TRUTH = Truth(
    preharvest=4.0, header=15.0, header_ratios={"cushion": {"cushion": 0.7}},
    sd={"field": 0.3, "setup_by_field": 0.2, "pair": 0.3, "main_strip": 0.25, "strip": 0.25,
        "frame": 0.3},
    preharvest_sd={"strip": 0.15, "frame": 0.3},
    damage_sd={"pair": 0.2, "strip": 0.3, "sample": 0.1}, residue_sd={"pair": 0.2, "strip": 0.3},
)  # fmt: skip
EFFORT = Effort(total_frames=4, residue_samples=2)
RESPONSES = ("header_loss", "kernel_damage", "residue_mass", "yield")


def without(trial: Trial, lost: list[str]) -> Trial:
    """The trial with some strips not measured."""
    tables = {n: t[~t["strip"].isin(lost)] if "strip" in t else t
              for n, t in trial.tables.items()}  # fmt: skip
    return Trial.from_tables(trial.config, tables)


@cache
def analysed(kind: str, seed: int = 5):
    config, blocks, fields, lost = CUSHION_PAIRS.config, 5, ("1",), []
    asked = RESPONSES if kind in ("pairs", "lost strip") else ("header_loss",)
    truth = TRUTH
    if kind == "blocks of 3":
        config, truth = replace(config, setups=(GAP,)), replace(TRUTH, header_ratios={})
    if kind.startswith("split"):
        config = replace(config, setups=(CUSHION, GAP))
    if kind.startswith("fields"):
        fields, blocks = ("A", "B", "C", "D"), 3
        adjust = ("moisture",) if "moisture" in kind else ()
        config = replace(config, model=ModelConfig(adjust_for=adjust))
    trial = simulate_trial(config, truth, seed=seed, blocks=blocks, fields=fields, effort=EFFORT)
    if "lost" in kind:
        lost = [trial.strips["strip"].iloc[3]]
        trial = without(trial, lost)
    result = analyse(trial, responses=list(asked))
    assert not result.skipped
    return trial, result.responses


def summed(trial: Trial, table: str, y: str, size: str) -> pd.DataFrame:
    rows = getattr(trial, table)
    rows = rows[rows["zone"].eq("header")] if "zone" in rows else rows
    sums = rows.groupby("strip")[[y, size]].sum().set_axis(["y", "size"], axis=1)
    return trial.strips.merge(sums.astype(float), on="strip")


def values(trial: Trial, name: str) -> pd.DataFrame:
    """Strips with one ``value`` each, worked out from the tables alone."""
    if name == "yield":
        return trial.strips.assign(value=trial.strips["yield"])
    if name == "residue_mass":
        rows = trial.residue.assign(
            value=np.log(trial.residue["residue_mass"] / trial.residue["sample_mass"])
        )
        return trial.strips.merge(rows.groupby("strip")["value"].mean(), on="strip")
    if name == "kernel_damage":
        table = summed(trial, "grain", "kernels_damaged", "kernels_examined")
        return table.assign(value=np.log((table.y + 0.5) / (table["size"] - table.y + 0.5)))
    table = summed(trial, "frames", "loose_kernels", "area")
    return table.assign(value=np.log((table.y + 0.5) / table["size"]))


def told(kind: str, name: str = "header_loss", factor: str = "cushion") -> pd.Series:
    contrasts = analysed(kind)[1][name].contrasts
    return contrasts[contrasts["factor"].eq(factor)].iloc[0]


def sum_to_zero(levels: pd.Series) -> np.ndarray:
    """Two columns of three levels, in order of the alphabet, that sum to zero."""
    return np.vstack([np.eye(2), -np.ones(2)])[pd.Categorical(levels).codes]


@pytest.mark.parametrize("name", RESPONSES)
def test_pairs_have_the_paired_t(name):
    trial, answers = analysed("pairs")
    assert answers[name].design.covariates == ()
    own = values(trial, name).pivot(index="pair", columns="cushion", values="value")
    row = told("pairs", name)
    assert row["p_classical"] == pytest.approx(
        stats.ttest_rel(own["cushion"], own["standard"]).pvalue, rel=1e-9)  # fmt: skip
    assert row["df_classical"] == 4
    of = {"kernel_damage": "the logits of ", "yield": ""}.get(name, "the logarithms of ")
    assert row["classical"] == f"paired t-test of {of}5 pairs"


@pytest.mark.parametrize("name", RESPONSES)
def test_a_lost_strip_leaves_least_squares_within_pairs(name):
    trial, _ = analysed("lost strip")
    fit = smf.ols("value ~ cushion + pair", values(trial, name)).fit()
    row = told("lost strip", name)
    assert row["p_classical"] == pytest.approx(fit.pvalues["cushion[T.standard]"], rel=1e-8)
    assert row["df_classical"] == fit.df_resid == 3


def test_one_value_a_strip_has_the_same_test_in_the_model():
    """Balanced Gaussian pairs that differ: the model's own p is that of the paired t."""
    found = analysed("pairs", seed=3)[1]["yield"]
    assert (found.variances["variance"] > 0).all()
    row = found.contrasts.iloc[0]
    assert (row["p"], row["df"]) == pytest.approx((row["p_classical"], 4), rel=1e-6)


def test_three_setups_have_the_contrasts_of_the_block_analysis():
    trial, answers = analysed("blocks of 3")
    reference = GAP.reference
    fit = smf.ols(f"value ~ C(gap, Treatment('{reference}')) + pair",
                  values(trial, "header_loss")).fit()  # fmt: skip
    rows = answers["header_loss"].contrasts.set_index("level")
    assert len(rows) == 2
    for level, row in rows.iterrows():
        want = fit.pvalues[f"C(gap, Treatment('{reference}'))[T.{level}]"]
        assert row["p_classical"] == pytest.approx(want, rel=1e-8)
        assert row["df_classical"] == fit.df_resid == 8


def test_split_strips_have_the_split_plot_analysis():
    trial, answers = analysed("split")
    own = values(trial, "header_loss").rename(columns={"gap": "sub", "cushion": "main"})
    assert answers["header_loss"].design.interactions == (("cushion", "gap"),)
    means = own.groupby(["pair", "main"], as_index=False)["value"].mean()
    anova = AnovaRM(means, "value", "pair", within=["main"]).fit().anova_table
    main = told("split")
    assert main["p_classical"] == pytest.approx(anova.loc["main", "Pr > F"], rel=1e-8)
    assert main["df_classical"] == 4
    assert main["classical"] == "analysis of variance of main strips within 5 blocks"
    own["unit"] = own["pair"] + own["main"]
    own["wide"] = np.where(own["main"].eq("cushion"), 1.0, -1.0)
    own[["x", "z"]] = sum_to_zero(own["sub"])
    within = smf.ols("value ~ unit + x + z + x:wide + z:wide", own).fit()
    table = anova_lm(within)
    assert table.loc["Residual", "df"] == 16
    rows = answers["header_loss"].contrasts.query("factor == 'gap'").set_index("level")
    assert (rows["df_classical"] == 16).all()
    # Balanced: levels differ by their means, on the residual mean square of 10 strips each.
    levels = own.groupby("sub")["value"].mean()
    for level, row in rows.iterrows():
        t = (levels[level] - levels[GAP.reference]) / np.sqrt(within.scale * 2 / 10)
        assert row["p_classical"] == pytest.approx(2 * stats.t.sf(abs(t), 16), rel=1e-8)
        assert row["classical"] == "analysis of variance of strips within 10 main strips"


def test_a_strip_lost_from_split_strips():
    trial, answers = analysed("split, lost")
    own = values(trial, "header_loss")
    own["unit"] = own["pair"] + own["main_strip"]
    reference = f"C(gap, Treatment('{GAP.reference}'))"
    # What is left of main strips when the gap's effect within them is taken off.
    within = smf.ols(f"value ~ {reference} + unit", own).fit()
    gap = within.params[within.params.index.str.startswith("C(gap")]
    effect = own["gap"].map(lambda g: gap.get(f"{reference}[T.{g}]", 0.0)).astype(float)
    units = own.assign(value=own["value"] - effect)
    units = units.groupby(["pair", "unit", "cushion"], as_index=False)["value"].mean()
    fit = smf.ols("value ~ cushion + pair", units).fit()
    row = told("split, lost")
    assert row["p_classical"] == pytest.approx(fit.pvalues["cushion[T.standard]"], rel=1e-8)
    assert row["df_classical"] == fit.df_resid == 4
    # Strips: the mean over both chains of each gap's effect within main strips.
    own["wide"] = np.where(own["cushion"].eq("cushion"), 1.0, -1.0)
    own[["x", "z"]] = sum_to_zero(own["gap"])
    found = smf.ols("value ~ unit + x + z + x:wide + z:wide", own).fit()
    rows = answers["header_loss"].contrasts.query("factor == 'gap'").set_index("level")
    levels = pd.Series(sorted(own["gap"].unique()))
    coded = dict(zip(levels, sum_to_zero(levels), strict=True))
    for level, row in rows.iterrows():
        hypothesis = pd.Series(0.0, index=found.params.index)
        hypothesis[["x", "z"]] = coded[level] - coded[GAP.reference]
        assert row["p_classical"] == pytest.approx(
            float(found.t_test(hypothesis.to_numpy()).pvalue), rel=1e-6)  # fmt: skip
        assert row["df_classical"] == found.df_resid == 15


def test_fields_have_the_t_of_their_own_differences():
    trial, answers = analysed("fields")
    assert answers["header_loss"].design.slope_factors == ("cushion",)
    means = values(trial, "header_loss").pivot_table(
        index="field", columns="cushion", values="value"
    )
    row = told("fields")
    want = stats.ttest_1samp(means["cushion"] - means["standard"], 0.0).pvalue
    assert row["p_classical"] == pytest.approx(want, rel=1e-9)
    assert row["df_classical"] == 3
    assert row["classical"] == "t-test of the effects in 4 fields"


def test_what_comparisons_are_adjusted_for_enters_the_classical_test():
    trial, answers = analysed("fields, moisture")
    assert answers["header_loss"].design.covariates == ("moisture_centred",)
    means = values(trial, "header_loss").pivot_table(
        index="field", columns="cushion", values=["value", "moisture"]
    )
    gaps = means.xs("cushion", axis=1, level=1) - means.xs("standard", axis=1, level=1)
    fit = smf.ols("value ~ moisture", gaps).fit()
    row = told("fields, moisture")
    assert row["p_classical"] == pytest.approx(fit.pvalues["Intercept"], rel=1e-8)
    assert row["df_classical"] == fit.df_resid == 2
    assert row["classical"] == "t-test of the effects in 4 fields adjusted for moisture"


# ---------------------------------------------------------------- what judges
def test_each_factor_is_integrated_over_its_own_stratum():
    for kind, want in (("pairs", 1), ("split", 2), ("fields", 1)):
        found = analysed(kind)[1]["header_loss"].judges
        assert all(isinstance(judge, Integrated) for judge in found.values())
        assert len({id(judge) for judge in found.values()}) == want
    assert analysed("pairs")[1]["yield"].judges == {"cushion": 4.0}


def test_a_model_made_simpler_is_judged_in_the_strata_that_are_left(monkeypatch):
    """Where no model with effects by field is found, strips judge, and all that is said says so."""

    def without_slopes(*args, slopes=None, **more):
        if slopes:
            raise ModelError("not found")
        return fit_mixed(*args, slopes=slopes, **more)

    before = analysed("fields")[1]["header_loss"].design.strata["cushion"]
    assert (before.units, before.df) == ("fields", 3)
    monkeypatch.setattr(responses, "fit_mixed", without_slopes)
    found = analyse(analysed("fields")[0], responses=["header_loss"])["header_loss"]
    own = found.design.strata["cushion"]
    assert (own.units, own.blocks, own.df) == ("strips", "blocks", 11)
    assert "(Gathering chain between strips; prior" in found.model
    row = found.contrasts.iloc[0]
    assert row["classical"] == "paired t-test of the logarithms of 12 pairs"
    assert row["df_classical"] == 11
