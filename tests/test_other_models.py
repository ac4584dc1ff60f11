"""Other models of shares, values and losses by zone: each against outside software."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pingouin
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import integrate, optimize, stats

from trialkit.analysis import SPECIFICATIONS, analyse
from trialkit.analysis.questions.alternatives import Alternatives, alternatives
from trialkit.analysis.questions.apart import side
from trialkit.analysis.questions.other_models import other_models
from trialkit.analysis.questions.simpler import paired_t
from trialkit.errors import DesignError
from trialkit.trial import load_trial

DEMO = Path(__file__).parent.parent / "data_demo"
DEMOS = ("cushion_pairs", "gap_fields", "split_strips")
LOGS, GAMMA, SHARE = (
    "Gaussian on the logarithm of the share", "Gamma with log link", "Gaussian on the share itself",
)  # fmt: skip
VALUES, LOG, ANOVA = (
    "Gaussian on the values of strips", "Gaussian on the logarithm",
    "Analysis of variance with fixed blocks",
)  # fmt: skip
INTERVAL = ["difference", "difference_low", "difference_high"]


@pytest.fixture(scope="module")
def results(analysed):
    """Frozen trials, with the responses only today's demo trials have."""
    out = {}
    for demo in DEMOS:
        old = analysed(demo).responses
        new = [name for name in SPECIFICATIONS if name not in old]
        out[demo] = old | analyse(load_trial(DEMO / demo), responses=new).responses
    return out


@pytest.fixture(scope="module")
def found(results) -> dict[tuple[str, str], Alternatives]:
    return {
        (demo, name): alternatives(result)
        for demo, responses in results.items()
        for name, result in responses.items()
    }


def row(table: pd.DataFrame, model: str, level: str | None = None) -> pd.Series:
    table = table[table["model"] == model]
    return (table if level is None else table[table["level"] == level]).iloc[0]


def numbers(row: pd.Series, columns: list[str]) -> np.ndarray:
    return row[columns].to_numpy(dtype=float)


# ---------------------------------------------------------------- every response has an answer
@pytest.mark.parametrize("name", SPECIFICATIONS)
@pytest.mark.parametrize("demo", DEMOS)
def test_every_response_stands_beside_others(results, found, demo, name):
    result, other = results[demo][name], found[demo, name]
    table = other.table
    chosen = table[table["role"] == "chosen"].reset_index(drop=True)
    # There every model is adjusted within its factor, whatever family the response is held to.
    columns = [c for c in result.contrasts if c in chosen and c != "p_adjusted"]
    pd.testing.assert_frame_equal(chosen[columns], result.contrasts[columns])
    # What fails is the logarithm of strips on which no ear was found.
    failed = table[table["reason"] != ""]
    assert set(failed["model"]) <= (
        {"Log-Gaussian of strip densities", "Log-Gaussian of strip shares"}
        | ({"Binomial with strip effect only"} if name == "kernel_damage" else set())
    )
    assert (table.loc[table["reason"] == "", "p"].notna()).all()
    assert table[(table["role"] == "alternative") & table["p"].notna()]["model"].nunique() >= 3
    assert ("warning" in set(table["role"])) == (
        result.specification.family in ("poisson", "binomial")
    )
    assert table.loc[table["same_rows"], "aic"].notna().all()
    assert table.loc[~table["same_rows"], "aic"].isna().all()
    if not result.specification.ratios:
        assert table.loc[table["model"] != LOG, "ratio"].isna().all()
    assert "choice of model" in other.conclusion
    assert other.compared in other._repr_html_()


# ---------------------------------------------------------------- shares by mass
@pytest.fixture(scope="module")
def plain(results):
    """Shares whose block variance is estimated at zero by every family: models of one variance."""
    result = results["cushion_pairs"]["residue_mass"]
    assert result.variances["variance"].iloc[0] == 0.0
    share = (result.data["residue_mass"] / result.data["sample_mass"]).to_numpy()
    cushion = (result.data["cushion"] == "cushion").to_numpy()
    return result, share, cushion


def test_aic_of_shares_is_that_of_scipys_densities(plain, found):
    _, share, cushion = plain
    table = found["cushion_pairs", "residue_mass"].table
    log = np.log(share)

    def by_setup(y: np.ndarray) -> np.ndarray:
        return np.where(cushion, y[cushion].mean(), y[~cushion].mean())

    sd = np.sqrt(np.mean((log - by_setup(log)) ** 2))
    lognormal = stats.lognorm.logpdf(share, sd, scale=np.exp(by_setup(log))).sum()
    sd = np.sqrt(np.mean((share - by_setup(share)) ** 2))
    normal = stats.norm.logpdf(share, by_setup(share), sd).sum()
    mean = by_setup(share)  # that of maximum likelihood, whatever the shape

    def against(log_shape: float) -> float:
        shape = np.exp(log_shape)
        return -stats.gamma.logpdf(share, shape, scale=mean / shape).sum()

    gamma = -optimize.minimize_scalar(against, (2, 3)).fun
    # Two means, a spread, and the block variance that is estimated at zero.
    for model, loglik in ((LOGS, lognormal), (SHARE, normal), (GAMMA, gamma)):
        assert row(table, model)["aic"] == pytest.approx(8 - 2 * loglik, abs=1e-4)


def test_gamma_is_that_of_statsmodels(plain, found):
    _, share, cushion = plain
    family = sm.families.Gamma(sm.families.links.Log())
    known = sm.GLM(share, sm.add_constant(cushion.astype(float)), family=family).fit()
    ours = row(found["cushion_pairs", "residue_mass"].table, GAMMA)
    assert ours["ratio"] == pytest.approx(np.exp(known.params[1]), rel=1e-5)


def test_raw_shares_are_those_of_statsmodels(results, found):
    # Samples, strips and pairs; setup effects add, and the covariance of the means is REML's.
    data = results["cushion_pairs"]["broken_corn"].data
    data = data.assign(y=100 * data["sieve_mass"] / data["sample_mass"])
    known = smf.mixedlm(
        "y ~ cushion", data, groups="pair", vc_formula={"strip": "0 + C(strip)"}
    ).fit(reml=True)
    ours = row(found["cushion_pairs", "broken_corn"].table, SHARE)
    # Their optimiser stops earlier than ours.
    assert ours["difference"] == pytest.approx(known.params["cushion[T.cushion]"], rel=1e-4)
    assert ours["ratio"] == pytest.approx(
        1 + known.params["cushion[T.cushion]"] / known.params["Intercept"], rel=1e-4
    )


# ---------------------------------------------------------------- values
@pytest.mark.filterwarnings("ignore:The MLE may be on the boundary")
def test_aic_of_values_and_their_logarithms_compare(results, found):
    result = results["cushion_pairs"]["yield"]
    table = found["cushion_pairs", "yield"].table
    data = result.data.assign(log=np.log(result.data["value"]))
    for model, y, shift in ((VALUES, "value", 0.0), (LOG, "log", 2 * data["log"].sum())):
        known = smf.mixedlm(f"{y} ~ cushion", data, groups="pair").fit(reml=False)
        # Two means, two variances.
        wanted = 8 - 2 * known.llf + shift
        assert row(table, model)["aic"] == pytest.approx(wanted, abs=2e-3)
    logs = row(table, LOG)
    wide = data.pivot(index="pair", columns="cushion", values="log")
    test = stats.ttest_rel(wide["cushion"], wide["standard"])
    assert logs["p"] == pytest.approx(test.pvalue, rel=1e-5)  # balanced, variances inside
    assert logs["ratio"] == pytest.approx(
        np.exp((wide["cushion"] - wide["standard"]).mean()), rel=1e-6
    )


@pytest.mark.parametrize("name", ["yield", "moisture", "test_weight", "residue_score"])
def test_fixed_blocks_are_least_squares_with_block_dummies(results, found, name):
    result = results["gap_fields"][name]
    data = result.data.assign(block=result.data["field"] + result.data["pair"].astype(str))
    covariates = "".join(f" + {c}" for c in result.design.covariates)
    known = smf.ols(f"value ~ gap + C(block){covariates}", data).fit()
    for level in ("narrow", "wide"):
        ours = row(found["gap_fields", name].table, ANOVA, level)
        term = f"gap[T.{level}]"
        assert ours["df"] == pytest.approx(known.df_resid)
        assert ours["p"] == pytest.approx(known.pvalues[term], rel=1e-6)
        wanted = [known.params[term], *known.conf_int().loc[term]]
        assert numbers(ours, INTERVAL) == pytest.approx(wanted, rel=1e-6)


def test_fixed_blocks_judge_main_strips_by_main_strips(results, found):
    # Balanced: the classical split-plot test is the paired t of main-strip means.
    data = results["split_strips"]["yield"].data
    wide = data.groupby(["pair", "cushion"], observed=True)["value"].mean().unstack()
    test = stats.ttest_rel(wide["cushion"], wide["standard"])
    ours = row(found["split_strips", "yield"].table, ANOVA, "cushion")
    assert ours["df"] == pytest.approx(4)
    assert ours["p"] == pytest.approx(test.pvalue, rel=1e-5)
    # Where main strips are estimated not to differ they are still what there is to judge by.
    assert row(found["split_strips", "moisture"].table, ANOVA, "cushion")["df"] == pytest.approx(4)


def test_ranks_are_a_row_of_scores_and_logs_are_not(results, found):
    for demo in DEMOS:
        table = found[demo, "residue_score"].table
        ranks = table[table["model"] == "Sign-flip test of ranks"].reset_index(drop=True)
        known = results[demo]["residue_score"].contrasts
        assert ranks["p"].to_numpy() == pytest.approx(known["p_rank"].to_numpy())
        assert LOG not in set(table["model"])


def test_values_not_above_zero_have_no_logarithm(results):
    result = results["cushion_pairs"]["test_weight"]
    data = result.data.copy()
    data.loc[data.index[0], "value"] = 0.0
    table = alternatives(replace(result, data=data)).table
    reason = row(table, LOG)["reason"]
    assert str(data["strip"].iloc[0]) in reason and "no logarithm" in reason


# ---------------------------------------------------------------- two zones
def test_processing_strips_are_total_less_header(results, found):
    result = results["cushion_pairs"]["processing_loss"]
    sums = result.data.groupby(["pair", "cushion", "zone"], observed=True)[
        ["loose_kernels", "area"]
    ].sum()
    density = (sums["loose_kernels"] / sums["area"]).unstack("zone")
    wide = (density["total"] - density["header"]).unstack("cushion")
    b, a = wide["cushion"], wide["standard"]
    test = stats.ttest_rel(b, a)
    table = found["cushion_pairs", "processing_loss"].table
    ours = row(table, "Paired t of strip differences")
    assert ours["p"] == pytest.approx(test.pvalue)
    wanted = np.array([(b - a).mean(), *test.confidence_interval()])
    assert numbers(ours, INTERVAL) == pytest.approx(result.scale * wanted)
    flips = stats.permutation_test(
        ((b - a).to_numpy(),), np.mean, permutation_type="samples", n_resamples=np.inf
    )
    assert row(table, "Sign-flip test of strip differences")["p"] == pytest.approx(flips.pvalue)


def test_negative_binomial_of_zones_is_read_zone_by_zone(results, found):
    result = results["cushion_pairs"]["processing_loss"]
    model = other_models(result)[1]
    fit = model.fit()
    assert fit.family.name == "negative_binomial"
    assert fit.model.chain.names == ("zone", "strip", "pair")
    mean = fit.adjusted_means(["cushion", "zone"]).set_index(["cushion", "zone"])["average"]
    loss = {c: mean[c, "total"] - mean[c, "header"] for c in ("cushion", "standard")}
    ours = row(found["cushion_pairs", "processing_loss"].table, model.name)
    wanted = result.scale * (loss["cushion"] - loss["standard"])
    assert ours["difference"] == pytest.approx(wanted, rel=1e-6)


# ---------------------------------------------------------------- the paired t
def test_paired_t_is_pingouins_with_its_effect_and_bayes_factor():
    rng = np.random.default_rng(3)
    a = rng.normal(12.0, 1.0, 7)
    b = a + rng.normal(0.004, 0.01, 7)  # ends that two decimals would spoil
    kept = dict(pingouin.options)
    ours = paired_t(b, a, 0.9)
    assert dict(pingouin.options) == kept
    known = stats.ttest_rel(b, a)
    assert ours["p"] == pytest.approx(known.pvalue) and ours["df"] == 6
    ends = known.confidence_interval(0.9)
    assert [ours["difference_low"], ours["difference_high"]] == pytest.approx([*ends])
    d = abs(b.mean() - a.mean()) / np.sqrt((b.var(ddof=1) + a.var(ddof=1)) / 2)
    assert f"Cohen's d {d:.2g};" in ours["remark"]
    # Rouder et al. 2009, equation 1, Cauchy scale r.
    n, t, r = 7, known.statistic, 0.707

    def inside(g: float) -> float:
        s = 1 + n * g * r**2
        return (
            s**-0.5 * (1 + t**2 / (s * (n - 1))) ** (-n / 2)
            * (2 * np.pi) ** -0.5 * g**-1.5 * np.exp(-1 / (2 * g))
        )  # fmt: skip

    bayes = integrate.quad(inside, 0, np.inf)[0] / (1 + t**2 / (n - 1)) ** (-n / 2)
    assert ours["remark"].endswith(f"Bayes factor for a difference {bayes:.2g}")


def test_pairs_that_differ_alike_leave_nothing_to_judge_by():
    a = np.array([10.1, 11.3, 12.7, 9.6])
    for b in (a, a + 0.3):
        with pytest.raises(DesignError, match="same amount"):
            paired_t(b, a, 0.95)


# ---------------------------------------------------------------- one rule, one rounding
@pytest.mark.parametrize(
    ("difference", "p", "wanted"),
    [(-2.0, 0.01, -1), (3.0, 0.049, 1), (3.0, 0.051, 0), (3.0, np.nan, 0), (np.nan, np.nan, 0)],
)
def test_told_apart(difference, p, wanted):
    assert side(pd.Series({"difference": difference, "p_adjusted": p}), 0.95) == wanted
