"""Crossed factors in everything a fit can be asked; estimates themselves are in the references."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed


@pytest.fixture(scope="module")
def trial() -> pd.DataFrame:
    """Six fields of three pairs; eight hybrids and five drivers cut across them."""
    rng = np.random.default_rng(11)
    frame = pd.DataFrame(
        [(f, p, s, k) for f in range(6) for p in range(3) for s in "ab" for k in range(6)],
        columns=["field", "pair", "strip", "frame"],
    )
    frame["setup"] = frame["strip"].map({"a": "standard", "b": "cushion"})
    frame["hybrid"] = rng.integers(0, 8, len(frame))
    frame["driver"] = rng.choice(list("vwxyz"), len(frame))
    eta = 1.5 + 0.4 * (frame["setup"] == "standard") + rng.normal(0, 0.3, 6)[frame["field"]]
    eta += rng.normal(0, 0.5, 8)[frame["hybrid"]]
    frame["count"] = rng.poisson(np.exp(eta))
    frame["value"] = eta + rng.normal(0, 0.4, len(frame))
    return frame


@pytest.fixture(scope="module")
def fit(trial: pd.DataFrame) -> MixedFit:
    return fit_mixed(
        trial, "value", "setup", nested=["field", "pair"], crossed=["hybrid", "driver"]
    )


def test_equals_a_factor_nested_on_its_own(trial: pd.DataFrame) -> None:
    """One crossed factor and nothing nested is one nested level."""
    how = {"response": "count", "fixed": "setup", "family": "poisson"}
    crossed = fit_mixed(trial, **how, crossed=["hybrid"])
    nested = fit_mixed(trial, **how, nested=["hybrid"])
    assert crossed.loglik == nested.loglik
    pd.testing.assert_frame_equal(crossed.coefficients, nested.coefficients)


def test_the_order_of_crossed_factors_does_not_matter(trial: pd.DataFrame) -> None:
    """Neither does which of them takes the place of the nested level."""
    how = {"response": "count", "fixed": "setup", "family": "poisson"}
    one = fit_mixed(trial, **how, crossed=["hybrid", "driver", "field"])
    other = fit_mixed(trial, **how, nested=["driver"], crossed=["field", "hybrid"])
    assert one.loglik == pytest.approx(other.loglik, abs=1e-8)
    np.testing.assert_allclose(one.coefficients, other.coefficients, rtol=1e-5)
    keyed = [f.variances.set_index("level")["variance"].sort_index() for f in (one, other)]
    np.testing.assert_allclose(*keyed, atol=1e-6)


def test_effects_are_best_linear_predictions(fit: MixedFit, trial: pd.DataFrame) -> None:
    """Against the dense formula ``G Z' V^-1 (y - X b)`` and its standard error (Henderson 1975)."""
    variance = fit.variances.set_index("level")["variance"]
    labels = {
        "field": trial["field"], "hybrid": trial["hybrid"], "driver": trial["driver"],
        "pair": trial["field"] * 3 + trial["pair"],
    }  # fmt: skip
    z = {name: pd.get_dummies(label).to_numpy(float) for name, label in labels.items()}
    v = fit.dispersion**2 * np.eye(len(trial))
    v += sum(variance[name] * z[name] @ z[name].T for name in z)
    x = np.column_stack([np.ones(len(trial)), trial["setup"] == "standard"])
    inverse = np.linalg.inv(v)
    information = np.linalg.inv(x.T @ inverse @ x)
    b = information @ x.T @ inverse @ trial["value"]
    np.testing.assert_allclose(fit.fixed_effects, b, rtol=1e-9)
    projection = inverse - inverse @ x @ information @ x.T @ inverse
    table = fit.unit_effects("hybrid")
    gz = variance["hybrid"] * z["hybrid"].T
    np.testing.assert_allclose(table["Intercept"], gz @ inverse @ (trial["value"] - x @ b))
    error = variance["hybrid"] - np.diag(gz @ projection @ gz.T)
    np.testing.assert_allclose(table["Intercept_se"], np.sqrt(error), rtol=1e-8)
    assert list(table["hybrid"]) == list(range(8))


def test_what_is_drawn_has_the_variances_of_the_model(fit: MixedFit) -> None:
    """Rows of one hybrid in different fields and with different drivers share its variance."""
    rows, n = fit.rows, 4000
    draws = fit.simulate(n, seed=2)
    shared = fit.variances.set_index("level")["variance"]["hybrid"]
    same = rows[rows["hybrid"] == 3].drop_duplicates(["field", "driver"])
    one = same.index[0]
    other = same.index[(same["field"] != same["field"][one]) &
                       (same["driver"] != same["driver"][one])][0]  # fmt: skip
    a, b = draws[one], draws[other]
    product = (a - a.mean()) * (b - b.mean())
    bound = stats.norm.ppf(1 - 5e-4) * product.std() / np.sqrt(n)
    assert abs(product.mean() - shared) < bound


def test_leaving_a_label_out_is_fitting_without_it(fit: MixedFit, trial: pd.DataFrame) -> None:
    found = fit.influence("hybrid")
    less = fit_mixed(
        trial[trial["hybrid"] != 5], "value", "setup", nested=["field", "pair"],
        crossed=["hybrid", "driver"],
    )  # fmt: skip
    at = found.units.index[found.units["hybrid"] == 5]
    np.testing.assert_allclose(found.coefficients.loc[at].iloc[0], less.fixed_effects, rtol=1e-5)
    np.testing.assert_allclose(
        found.variances.loc[at, "hybrid"],
        less.variances.set_index("level")["variance"]["hybrid"], rtol=1e-4,
    )  # fmt: skip


def test_variance_test_and_comparison_agree(fit: MixedFit, trial: pd.DataFrame) -> None:
    without = fit_mixed(trial, "value", "setup", nested=["field", "pair"], crossed=["driver"])
    test = fit.variance_test("hybrid")
    compared = without.compare(fit).loc["larger"]
    assert test["statistic"] == pytest.approx(compared["statistic"], abs=1e-6)
    assert test["p"] == pytest.approx(compared["p"], rel=1e-5)
    only = fit_mixed(trial, "value", "setup", crossed=["driver"])
    assert only.compare(without)["parameters"].tolist() == [4, 6]
    interval = fit.variance_intervals().set_index("level").loc["hybrid"]
    assert interval["low"] < interval["estimate"] < interval["high"]


def test_checks_and_resampling_know_labels(fit: MixedFit) -> None:
    draws = fit.bootstrap(6, seed=3).draws
    assert ("variance", "hybrid") in draws and ("variance", "driver") in draws
    assert "crossed with hybrid (8)" in repr(fit)
    means = fit.adjusted_means("setup")
    assert (means["low"] < means["estimate"]).all()
    with pytest.raises(ModelError, match="crossed"):
        fit.intraclass_correlation()


def test_too_many_labels_are_refused(trial: pd.DataFrame) -> None:
    frame = pd.concat([trial] * 40, ignore_index=True)
    frame["hybrid"] = np.arange(len(frame)) % 2000
    with pytest.raises(ModelError, match="do not fit in memory"):
        fit_mixed(frame, "value", "setup", nested=["field", "pair"], crossed=["hybrid"])
