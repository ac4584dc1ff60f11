"""Profile intervals, boundary tests, intraclass correlation and comparison of fits.

lme4's and glmmTMB's values stand in ``tests/reference/inference.json``, made with its versions by
``make_inference.R`` beside it. lme4 reads its intervals off a spline of the profile (good to about
1e-6 with the small steps used); those of glmmTMB are roots of the exact profile.
"""

from __future__ import annotations

import json
import sys
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed

REFERENCE = Path(__file__).parents[1] / "reference"
sys.path.insert(0, str(REFERENCE))
from cases import CASES  # noqa: E402

with open(REFERENCE / "inference.json") as stream:
    INFERENCE: dict[str, Any] = json.load(stream)

LME4 = 1e-5  # relative, or of the parameter's upper bound
ROOT = 1e-5


@cache
def fitted(name: str, method: str = "reml", family: str | None = None) -> MixedFit:
    case = CASES[name]
    model = case.model | ({"family": family} if family else {})
    return fit_mixed(case.frame(), method=method, **model)


@pytest.mark.parametrize("name", ["dyestuff", "dyestuff2", "pastes", "sleepstudy"])
def test_lme4_profile(name: str) -> None:
    # lme4 numbers the parameters from the finest level: sds, with correlations before later sds.
    order = {
        "dyestuff": [".sig01", ".sigma"], "dyestuff2": [".sig01", ".sigma"],
        "pastes": [".sig02", ".sig01", ".sigma"],
        "sleepstudy": [".sig01", ".sig03", ".sig02", ".sigma"],
    }[name]  # fmt: skip
    table = fitted(name, "ml").variance_intervals()
    for (_, row), key in zip(table.iterrows(), order, strict=True):
        for ours, expected in zip(
            (row["low"], row["high"]), INFERENCE["lme4"][name][key], strict=True
        ):
            if name == "dyestuff2" and key == ".sigma":
                continue  # lme4 loses this one where the other variance is at zero
            assert abs(ours - expected) <= LME4 * max(abs(expected), row["high"]), (key, ours)


def transformed(key: str, value: float) -> float:
    """glmmTMB's parameter to a standard deviation, size or correlation."""
    if key == "size":
        return float(np.exp(value))
    if key == "theta3":
        return float(value / np.sqrt(1 + value**2))
    return float(np.exp(value / 2 if key == "betad1" else value))


@pytest.mark.parametrize("profile", list(INFERENCE["profiles"]))
def test_exact_profile_roots(profile: str) -> None:
    name, method = profile.rsplit("_", 1)
    family = None
    if name.endswith("_negative_binomial"):
        name, family = name.removesuffix("_negative_binomial"), "negative_binomial"
    fit = fitted(name, method, family)
    assert abs(fit.loglik - INFERENCE["profiles"][profile]["logLik"]) < 1e-5
    ends = INFERENCE["profiles"][profile]["interval"]
    keys = [k for k in ends if k != "betad1"] + [k for k in ends if k == "betad1"]
    table = fit.variance_intervals()
    assert len(table) == len(keys)
    for (_, row), key in zip(table.iterrows(), keys, strict=True):
        kind = "size" if row["quantity"] == "size" else key
        expected = np.array([transformed(kind, v) for v in ends[key]])
        assert np.abs(row[["low", "high"]].to_numpy(float) / expected - 1).max() < ROOT, (key, row)


def test_units_of_the_response_do_not_matter() -> None:
    case = CASES["pastes"]
    frame = case.frame()
    table = fitted("pastes").variance_intervals()
    scaled = fit_mixed(frame.assign(strength=frame["strength"] * 1000), **case.model)
    ends = ["estimate", "low", "high"]
    assert np.allclose(scaled.variance_intervals()[ends], 1000 * table[ends], rtol=1e-6)


def test_order_of_random_columns_does_not_matter() -> None:
    """Three correlated columns: every row of Lambda, and every pair, gets its turn."""
    rng = np.random.default_rng(5)
    unit = np.repeat(np.arange(18), 9)
    a, b, noise = rng.normal(size=(3, len(unit)))
    covariance = np.array([[1.0, 0.4, -0.3], [0.4, 0.8, 0.3], [-0.3, 0.3, 0.5]])
    effects = rng.normal(size=(18, 3)) @ np.linalg.cholesky(covariance).T
    y = 1 + a + (effects[unit] * np.column_stack([np.ones(len(unit)), a, b])).sum(axis=1) + noise
    frame = pd.DataFrame({"y": y, "a": a, "b": b, "unit": unit.astype(str)})
    tables = []
    for order in (["a", "b"], ["b", "a"]):
        fit = fit_mixed(frame, "y", "a + b", nested=["unit"], slopes={"unit": order})
        table = fit.variance_intervals()
        table["term"] = [", ".join(sorted(t.split(", "))) for t in table["term"]]
        tables.append(table.set_index(["quantity", "term"]).sort_index())
    ends = ["estimate", "low", "high"]
    assert np.allclose(tables[0][ends], tables[1][ends], rtol=1e-5, atol=1e-5)


def test_a_wider_level_gives_a_wider_interval() -> None:
    fit = fitted("pastes")
    narrow, wide = fit.variance_intervals(0.8), fit.variance_intervals(0.99)
    assert (wide["low"] <= narrow["low"]).all() and (wide["high"] > narrow["high"]).all()
    assert wide["low"].iloc[0] == 0.0


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_zero_variance_test_is_the_refit_without_it(method: str) -> None:
    case = CASES["pastes"]
    fit = fitted("pastes", method)
    for level, rest in (("batch", None), ("cask", ["batch"])):
        found = fit.variance_test(level)
        # Without the batches every cask has a label of its own.
        frame = case.frame().assign(sample=lambda d: d["batch"] + d["cask"])
        smaller = fit_mixed(frame, "strength", nested=rest or ["sample"], method=method)
        statistic = 2 * (fit.loglik - smaller.loglik)
        assert abs(found["statistic"] - statistic) < 1e-7
        assert np.isclose(found["p"], 0.5 * stats.chi2.sf(statistic, 1), rtol=1e-6)


def test_test_of_a_slope() -> None:
    """Two parameters vanish with a correlated slope (Stram & Lee 1994, case 3)."""
    fit = fitted("sleepstudy")
    found = fit.variance_test("Subject", "Days")
    statistic = 2 * (fit.loglik - fitted("sleepstudy_intercept").loglik)
    assert abs(found["statistic"] - statistic) < 1e-6
    expected = 0.5 * stats.chi2.sf(statistic, 1) + 0.5 * stats.chi2.sf(statistic, 2)
    assert np.isclose(found["p"], expected)
    compared = fit.compare(fitted("sleepstudy_intercept")).loc["larger"]
    assert np.isclose(compared["p"], expected) and compared["df"] == 2
    with pytest.raises(ModelError, match="several random terms"):
        fit.variance_test("Subject")
    with pytest.raises(ModelError, match="no level of this fit"):
        fit.variance_test("Days")


def test_variance_estimated_at_zero() -> None:
    fit = fitted("dyestuff2")
    assert fit.variance_test("Batch")["p"] == 1.0
    icc = fit.intraclass_correlation().iloc[0]
    assert icc["estimate"] == 0.0 and icc["low"] == 0.0 and 0 < icc["high"] < 1


def test_count_fits() -> None:
    fit = fitted("epilepsy_visits", "ml")
    statistic = 2 * (fit.loglik - fitted("epilepsy", "ml").loglik)
    assert abs(fit.variance_test("row")["statistic"] - statistic) < 1e-6
    wider = fitted("epilepsy", "ml", "negative_binomial").compare(fitted("epilepsy", "ml"))
    assert wider.loc["larger", "null"] == "0.5 chi2(0) + 0.5 chi2(1)"


def test_intraclass_correlation_is_the_anova_estimator() -> None:
    """Balanced one-way layout: (MSB - MSW) / (MSB + (n - 1) MSW)."""
    frame = CASES["dyestuff"].frame()
    groups = frame.groupby("Batch")["Yield"]
    n, k = groups.size().iloc[0], groups.ngroups
    between = n * groups.mean().var(ddof=1)
    within = groups.var(ddof=1).mean()
    icc = fitted("dyestuff").intraclass_correlation().iloc[0]
    assert np.isclose(icc["estimate"], (between - within) / (between + (n - 1) * within), rtol=1e-6)
    # The exact F interval (Searle, Casella & McCulloch 1992, section 3.6d) is wider with 6 batches.
    ratio = between / within / stats.f.ppf([0.975, 0.025], k - 1, k * (n - 1))
    low, high = (ratio - 1) / (ratio + n - 1)
    assert abs(icc["low"] - low) < 0.1 and abs(icc["high"] - high) < 0.1
    two = fitted("pastes").intraclass_correlation().set_index("level")["estimate"]
    v = fitted("pastes").variances.set_index("level")["variance"]
    total = v.sum() + fitted("pastes").dispersion ** 2
    assert np.allclose([two["batch"], two["cask"]], [v["batch"] / total, v.sum() / total])
    with pytest.raises(ModelError, match="without slopes"):
        fitted("sleepstudy").intraclass_correlation()
    with pytest.raises(ModelError, match="gaussian"):
        fitted("epilepsy").intraclass_correlation()


def test_comparison_of_fixed_parts() -> None:
    case = CASES["oats"]
    model = case.model | {"method": "ml"}
    smaller = fit_mixed(case.frame(), **(model | {"fixed": "Variety + nitrogen"}))
    table = smaller.compare(fitted("oats", "ml"))
    row = table.loc["larger"]
    assert row["df"] == 6 and row["null"] == "chi2(6)"
    assert np.isclose(row["statistic"], 2 * (fitted("oats", "ml").loglik - smaller.loglik))
    assert np.isclose(row["p"], stats.chi2.sf(row["statistic"], 6))
    pd.testing.assert_frame_equal(table, fitted("oats", "ml").compare(smaller))


def test_refused_comparisons() -> None:
    case = CASES["oats"]
    frame = case.frame()
    reml = fitted("oats")
    fewer = fit_mixed(frame, **(case.model | {"fixed": "Variety"}))
    with pytest.raises(ModelError, match="restricted likelihoods"):
        reml.compare(fewer)
    with pytest.raises(ModelError, match="one fit is by REML"):
        reml.compare(fitted("oats", "ml"))
    with pytest.raises(ModelError, match="differ in rows"):
        reml.compare(fit_mixed(frame.iloc[1:], **case.model))
    with pytest.raises(ModelError, match="not nested"):
        fewer.compare(fit_mixed(frame, **(case.model | {"fixed": "nitrogen"})))
    with pytest.raises(ModelError, match="nothing to test"):
        reml.compare(reml)
