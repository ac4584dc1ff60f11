"""What must hold for any data: classical tests, invariances, and readable failure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy import stats
from scipy.special import gammaln

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed


def balanced(seed: int, blocks: int = 6, repeats: int = 3) -> pd.DataFrame:
    """Split plot with every variance well inside: blocks, main plots (a), subplots (b)."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        [(k, a, b, r) for k in range(blocks) for a in "xyz" for b in "pq" for r in range(repeats)],
        columns=["block", "a", "b", "repeat"],
    )
    main = frame["block"].astype(str) + frame["a"]
    effects = {m: rng.normal(0, 1.5) for m in main.unique()}
    frame["y"] = (
        rng.normal(0, 3, blocks)[frame["block"]]
        + main.map(effects)
        + 0.8 * (frame["a"] == "z")
        + 0.6 * (frame["b"] == "q")
        + rng.normal(0, 1, len(frame))
    )
    return frame


def sums_of_squares(frame: pd.DataFrame) -> dict[str, float]:
    """Classical split-plot partition of a balanced layout."""
    grand = frame["y"].mean()

    def between(*by: str) -> float:
        means = frame.groupby(list(by))["y"].agg(["mean", "size"])
        return float((means["size"] * (means["mean"] - grand) ** 2).sum())

    ss = {"block": between("block"), "a": between("a"), "b": between("b")}
    ss["main error"] = between("block", "a") - ss["block"] - ss["a"]
    ss["ab"] = between("a", "b") - ss["a"] - ss["b"]
    ss["total"] = float(((frame["y"] - grand) ** 2).sum())
    return ss


def test_balanced_split_plot_is_the_classical_anova() -> None:
    """Error strata of a split plot: Cochran & Cox 1957, Experimental Designs, section 7.1."""
    frame = balanced(5)
    ss = sums_of_squares(frame)
    error = ss["total"] - ss["block"] - ss["a"] - ss["main error"] - ss["b"] - ss["ab"]
    df_error = len(frame) - 1 - 5 - 2 - 10 - 1 - 2
    expected = {
        "a": (ss["a"] / 2, 2, ss["main error"] / 10, 10),
        "b": (ss["b"], 1, error / df_error, df_error),
        "a:b": (ss["ab"] / 2, 2, error / df_error, df_error),
    }
    fit = fit_mixed(frame, "y", "a * b", nested=["block", "a"])
    for method in ("kenward-roger", "satterthwaite"):
        tests = fit.term_tests(method)
        # Satterthwaite's slopes are finite differences.
        precision = 1e-7 if method == "kenward-roger" else 1e-4
        for term, (ms, q, ms_error, df) in expected.items():
            row = tests.loc[term]
            assert row["num_df"] == q
            assert row["den_df"] == pytest.approx(df, rel=precision)
            assert row["F"] == pytest.approx(ms / ms_error, rel=1e-6)
            assert row["p"] == pytest.approx(stats.f.sf(ms / ms_error, q, df), rel=1e-5)


def test_balanced_pairs_are_the_paired_t_test() -> None:
    rng = np.random.default_rng(7)
    pairs = rng.normal(0, 2, 8)
    frame = pd.DataFrame({"pair": np.repeat(np.arange(8), 2), "setup": ["a", "b"] * 8})
    frame["y"] = pairs[frame["pair"]] + 0.5 * (frame["setup"] == "b") + rng.normal(0, 0.7, 16)
    wide = frame.pivot(index="pair", columns="setup", values="y")
    t = stats.ttest_rel(wide["b"], wide["a"])
    low, high = t.confidence_interval(0.95)
    row = fit_mixed(frame, "y", "setup", nested=["pair"]).contrasts("setup", reference="a").loc[0]
    assert row["df"] == pytest.approx(7, rel=1e-8)
    assert (row["statistic"], row["p"]) == pytest.approx((t.statistic, t.pvalue), rel=1e-6)
    assert (row["low"], row["high"]) == pytest.approx((low, high), rel=1e-6)


def test_poisson_laplace_is_close_to_brute_force_quadrature() -> None:
    """Counts of ordinary size: Laplace within 0.02 of the likelihood integrated numerically."""
    rng = np.random.default_rng(11)
    units = np.repeat(np.arange(12), 8)
    y = rng.poisson(np.exp(1.5 + rng.normal(0, 0.4, 12)[units]))
    fit = fit_mixed(
        pd.DataFrame({"u": units, "y": y}), "y", nested=["u"], family="poisson", method="ml"
    )
    nodes, weights = hermegauss(200)
    eta = fit.fixed_effects.iloc[0] + fit.variances["sd"].iloc[0] * nodes
    total = 0.0
    for unit in range(12):
        own = y[units == unit][:, None]
        log_f = (own * eta - np.exp(eta) - gammaln(own + 1)).sum(axis=0)
        total += np.log(np.exp(log_f) @ weights / np.sqrt(2 * np.pi))
    assert fit.loglik == pytest.approx(total, abs=0.02)


def counts(seed: int = 3, rows: int = 8, effect: float = 0.4) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        [(p, s, f) for p in range(6) for s in "ab" for f in range(rows)],
        columns=["pair", "strip", "frame"],
    )
    strips = rng.normal(0, 0.2, 12)[frame["pair"] * 2 + (frame["strip"] == "b")]
    eta = 1.5 + effect * (frame["strip"] == "b") + rng.normal(0, 0.3, 6)[frame["pair"]] + strips
    frame["area"] = 0.9
    frame["y"] = rng.poisson(frame["area"] * np.exp(eta))
    frame["setup"] = frame["strip"].map({"a": "standard", "b": "cushion"})
    frame["row"] = np.arange(len(frame))
    return frame


def fit_counts(frame: pd.DataFrame, **more: str) -> MixedFit:
    return fit_mixed(
        frame, "y", "setup", nested=["pair", "strip"], family="poisson", exposure="area", **more
    )


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_order_and_labels_do_not_matter(method: str) -> None:
    frame = counts()
    base = fit_counts(frame, method=method)
    other = frame.sample(frac=1, random_state=1)
    other["pair"] = other["pair"].map(dict(enumerate(["north", "a2", "zz", "b", "c", "m"])))
    again = fit_counts(other, method=method)
    assert again.loglik == pytest.approx(base.loglik, abs=1e-8)
    pd.testing.assert_frame_equal(again.coefficients, base.coefficients, rtol=1e-5)
    np.testing.assert_allclose(
        pd.Series(again.predict(), other.index).sort_index(), base.predict(), rtol=1e-5
    )


def test_area_unit_only_moves_the_intercept() -> None:
    frame = counts()
    base = fit_counts(frame)
    feet = fit_counts(frame.assign(area=frame["area"] * 10.7639))
    shift = base.fixed_effects - feet.fixed_effects
    np.testing.assert_allclose(shift, [np.log(10.7639), 0], atol=1e-7)
    pd.testing.assert_frame_equal(base.variances, feet.variances, rtol=1e-6)


@pytest.mark.parametrize("scale", [0.01, 1000.0])
def test_response_unit_only_rescales(scale: float) -> None:
    """Also where a variance is zero: the second set has no block effect left."""
    flat = balanced(5)
    flat["y"] -= flat.groupby("block")["y"].transform("mean")
    for frame in (balanced(5), flat):
        base = fit_mixed(frame, "y", "a * b", nested=["block", "a"])
        unit = fit_mixed(frame.assign(y=frame["y"] * scale), "y", "a * b", nested=["block", "a"])
        pd.testing.assert_frame_equal(base.term_tests(), unit.term_tests(), rtol=1e-6)
        np.testing.assert_allclose(base.variances["sd"] * scale, unit.variances["sd"], rtol=1e-5)
        assert unit.singular == base.singular


def test_weights_are_repeats_for_the_estimates() -> None:
    """Rows of weight two estimate what the same rows written twice do, residual variance known."""
    frame = balanced(9)
    twice = fit_mixed(pd.concat([frame, frame]), "y", "a", method="ml")
    weighted = fit_mixed(frame.assign(w=2.0), "y", "a", weights="w", method="ml")
    pd.testing.assert_series_equal(twice.fixed_effects, weighted.fixed_effects, rtol=1e-9)


def test_zero_variance_is_a_result() -> None:
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"u": np.repeat(np.arange(10), 5), "y": np.tile(np.arange(5.0), 10)})
    frame["y"] += rng.normal(0, 1e-3, 50)
    fit = fit_mixed(frame, "y", nested=["u"])
    assert fit.singular and fit.variances["variance"].iloc[0] == 0.0
    assert "estimated at zero" in " ".join(fit.notes)
    assert np.isfinite(fit.coefficients.to_numpy()).all()


def test_refit_equals_a_fresh_fit() -> None:
    frame = counts()
    base = fit_counts(frame)
    for seed in range(5):
        y = base.simulate(1, seed)[:, 0]
        fresh = fit_counts(frame.assign(y=y))
        again = base.refit(y)
        assert again.loglik == pytest.approx(fresh.loglik, abs=1e-6)
        np.testing.assert_allclose(again.fixed_effects, fresh.fixed_effects, atol=1e-4)


def test_simulated_responses_have_the_fitted_moments() -> None:
    fit = fit_counts(counts())
    draws = fit.simulate(4000, seed=1)
    spread = fit.variances["variance"].sum()
    mean = fit.predict(include_units=False) * np.exp(spread / 2)
    np.testing.assert_array_equal(draws, fit.simulate(4000, seed=1))
    # Rows of one strip share effects; over 4,000 draws the mean of a row has this error.
    error = np.sqrt((mean + mean**2 * np.expm1(spread)) / 4000)
    assert np.abs((draws.mean(axis=1) - mean) / error).max() < 4.5


def test_quantile_residuals_are_standard_normal_under_the_model() -> None:
    frame = counts(rows=60)
    residuals = fit_counts(frame).quantile_residuals(seed=4)
    assert stats.kstest(residuals, "norm").pvalue > 0.01
    # Twice the variance of the Poisson law must show.
    wild = frame.assign(y=np.random.default_rng(1).negative_binomial(4, 4 / (4 + frame["y"] + 1)))
    assert np.var(fit_counts(wild).quantile_residuals(seed=4)) > 1.3


def rejections(rounds: int, level: float) -> int:
    """Null trials, six pairs of eight frames, strip variance: how often p < level."""
    frame = counts(effect=0.0)
    truth = fit_counts(frame)
    rng = np.random.default_rng(12)
    hits = 0
    for _ in range(rounds):
        pairs, strips = rng.normal(0, 0.3, 6), rng.normal(0, 0.3, 12)
        eta = 1.5 + pairs[frame["pair"]] + strips[2 * frame["pair"] + (frame["strip"] == "b")]
        y = rng.poisson(np.exp(eta)).astype(float)
        hits += truth.refit(y).coefficients["p"].iloc[1] < level
    return hits


def test_small_count_trials_keep_their_level() -> None:
    """The z test of the maximum-likelihood fit rejected 13 % of the same 300 true nulls at 5 %."""
    rounds = 300
    low, high = stats.binom.ppf([0.005, 0.995], rounds, 0.05)
    assert low <= rejections(rounds, 0.05) <= high


BAD: dict[str, tuple[dict[str, object], str]] = {
    "unknown family": ({"family": "tweedie"}, "choose one of"),
    "unknown method": ({"method": "mcmc"}, "choose 'reml' or 'ml'"),
    "absent column": ({"fixed": "nosuch"}, "not in the data"),
    "bad formula": ({"fixed": "setup +* 2"}, "could not be read"),
    "one level": ({"fixed": "constant"}, "single level"),
    "negative count": ({"response": "negative"}, "whole numbers"),
    "fractional count": ({"response": "fraction"}, "whole numbers"),
    "infinite covariate": ({"fixed": "infinite"}, "infinite"),
    "zero area": ({"exposure": "nothing"}, "above zero"),
    "all zero": ({"response": "nothing"}, "zero"),
    "all-zero setup": ({"response": "separated"}, "no finite estimate"),
    "same units twice": ({"nested": ["pair", "copy", "strip"]}, "same"),
    "slopes elsewhere": ({"slopes": {"field": ["setup"]}}, "slopes name"),
    "text response": ({"response": "strip"}, "not numeric"),
    "too few rows": ({"fixed": "C(row)"}, "cannot estimate"),
}


@pytest.mark.parametrize("case", BAD)
def test_failure_is_a_sentence(case: str) -> None:
    frame = counts()
    frame = frame.assign(
        constant="x", negative=-1, fraction=frame["y"] + 0.5, infinite=np.inf, nothing=0,
        separated=frame["y"].where(frame["strip"] == "a", 0), copy=frame["pair"],
    )  # fmt: skip
    arguments: dict[str, object] = {
        "response": "y", "fixed": "setup", "nested": ["pair", "strip"], "family": "poisson",
    }  # fmt: skip
    change, sentence = BAD[case]
    with pytest.raises(ModelError, match=sentence):
        fit_mixed(frame, **(arguments | change))  # type: ignore[arg-type]


def test_aliased_terms_and_missing_rows_are_told() -> None:
    frame = balanced(5)
    frame["same"] = np.where(frame["b"] == "q", 1.0, 0.0)
    frame.loc[[3, 10], "y"] = np.nan
    fit = fit_mixed(frame, "y", "b + same", nested=["block", "a"])
    told = " ".join(fit.notes)
    assert "2 of 108 rows have missing values" in told
    assert "aliased" in told and "same" in told
    assert fit.n_rows == 106


def test_average_over_units_is_the_mean_of_the_distribution() -> None:
    fit = fit_counts(counts())
    means = fit.adjusted_means("setup")
    spread = fit.variances["variance"].sum()
    draws = np.exp(np.random.default_rng(1).normal(0, np.sqrt(spread), 400_000))
    expected: NDArray = means["response"].to_numpy() * draws.mean()
    np.testing.assert_allclose(means["average"], expected, rtol=4 * draws.std() / 600)
