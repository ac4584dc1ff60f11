"""What is fitted all the same, and what a reader is told of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from test_failures import AMOUNT, CUSHION, FAST, FRAME, with_column

from trialkit.mixed import MixedFit, fit_mixed


def told(fit: MixedFit) -> str:
    return " ".join(fit.notes)


def complete(fit: MixedFit) -> bool:
    """Every coefficient has an estimate and a standard error."""
    return bool(np.isfinite(fit.coefficients[["estimate", "se"]].to_numpy()).all())


def test_dependent_columns_are_named_and_the_rest_is_fitted() -> None:
    frame = with_column(twice=2 * FRAME["gap"] + 1, make=FRAME["setup"].str.upper(), held=3.0)
    plain = fit_mixed(frame, "mass", "setup + gap", nested=["pair"])
    gone = {
        "twice": "twice", "held": "held", "make": "make[T.STANDARD]",
        "setup:make": "setup[standard]:make[T.STANDARD]",
    }  # fmt: skip
    for extra, column in gone.items():
        fit = fit_mixed(frame, "mass", f"setup + gap + {extra}", nested=["pair"])
        assert "aliased with earlier columns and dropped" in told(fit) and column in told(fit)
        pd.testing.assert_frame_equal(fit.coefficients, plain.coefficients, rtol=1e-6)
        # A term that is gone altogether is not tested, nor what it cannot be told from.
        tested = fit.term_tests()["tested"]
        alike = {"twice": ["gap"], "held": [], "make": ["setup"], "setup:make": ["setup"]}[extra]
        assert list(tested[tested == "nothing"].index) == [*alike, extra]


def test_interaction_with_a_cell_never_tried_keeps_the_rest() -> None:
    fit = fit_mixed(FRAME[~(CUSHION & FAST)], "mass", "setup * speed", nested=["pair"])
    assert "dropped: setup[T.standard]:speed[T.slow]" in told(fit)
    # Averages over both speeds, or both setups, would need the cell: contrasts have none either.
    assert fit.term_tests()["tested"].eq("nothing").all() and complete(fit)
    assert fit.contrasts("setup")["p"].isna().all()


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("family", ["gaussian", "poisson"])
def test_slopes_tied_to_intercepts_are_a_singular_fit(family: str, sign: float) -> None:
    """Every unit's line turns about one point: correlation one, no crash."""
    rng = np.random.default_rng(3)
    unit = np.repeat(np.arange(8), 10)
    x = np.tile(np.linspace(-0.9, 0.9, 10), 8)
    effect = (1 + sign * x) * rng.normal(0, 0.5, 8)[unit]
    y = rng.poisson(np.exp(2 + effect)) if family == "poisson" else effect + rng.normal(0, 0.2, 80)
    frame = pd.DataFrame({"unit": unit, "x": x, "y": y})
    fit = fit_mixed(frame, "y", "x", nested=["unit"], slopes={"unit": ["x"]}, family=family)
    assert fit.singular and complete(fit)
    assert fit.variances["corr_1"].iloc[1] == pytest.approx(sign, abs=1e-3)
    assert f"correlation of x with the intercept by 'unit' is estimated at {sign:+.0f}" in told(fit)
    # Whatever the unit of the covariate.
    small = fit_mixed(
        frame.assign(x=1e6 * x), "y", "x", nested=["unit"], slopes={"unit": "x"}, family=family
    )
    assert small.singular and small.notes == fit.notes


def test_level_of_one_unit_is_left_out_and_told() -> None:
    frame = with_column(field="home")
    fit = fit_mixed(frame, "mass", "setup", nested=["field", "pair"])
    assert "'field' has a single unit" in told(fit)
    without = fit_mixed(frame, "mass", "setup", nested=["pair"])
    pd.testing.assert_frame_equal(fit.coefficients, without.coefficients)
    sloped = fit_mixed(frame, "mass", "setup", nested=["field", "pair"], slopes={"field": ["gap"]})
    assert "'field' has a single unit: its variance and its slopes of gap" in told(sloped)
    alone = fit_mixed(frame, "kernels", "setup", nested=["field"], family="poisson")
    assert "'field' has a single unit" in told(alone)
    assert alone.variances.empty and complete(alone)


def test_missing_values_are_counted() -> None:
    frame = with_column(kernels=FRAME["kernels"].astype("Int64").where(FRAME["frame"] > 0))
    fit = fit_mixed(frame, "kernels", "setup", nested=["pair", "strip"], family="poisson")
    assert "12 of 60 rows have missing values and were left out" in told(fit)
    assert fit.n_rows == 48


def test_slope_that_varies_between_units_only_is_fitted_not_broken() -> None:
    """A covariate of the unit, not of its rows: nothing tells its slope from the intercept well."""
    frame = with_column(stand=FRAME["pair"] * 1.0)
    fit = fit_mixed(frame, "mass", "setup", nested=["pair"], slopes={"pair": ["stand"]})
    assert complete(fit) and np.isfinite(fit.loglik)
    assert "'stand' is constant within every unit of 'pair'" in told(fit)
    factor = fit_mixed(FRAME, **AMOUNT, fixed="setup", slopes={"strip": ["setup"]})
    assert "'setup' is constant within every unit of 'strip'" in told(factor)
    within = fit_mixed(FRAME, **AMOUNT, fixed="setup", slopes={"pair": ["setup"]})
    assert "constant within" not in told(within)


def test_counts_all_alike_have_variances_of_zero() -> None:
    """Without more spread than chance a count needs no unit: a result, and told."""
    fit = fit_mixed(with_column(kernels=5), "kernels", "setup", nested=["pair"], family="poisson")
    assert "'pair' is estimated at zero" in told(fit)
    assert fit.singular and complete(fit)
    assert fit.fixed_effects["Intercept"] == pytest.approx(np.log(5), abs=1e-6)


@pytest.mark.parametrize("family", ["negative_binomial", "beta_binomial"])
def test_counts_of_no_more_than_chance_do_with_the_plain_family(family: str) -> None:
    plain = "poisson" if family == "negative_binomial" else "binomial"
    trials = None if plain == "poisson" else "plants"
    args = {"response": "k", "fixed": "setup", "nested": ["pair"], "trials": trials}
    alike = with_column(k=4)
    fit = fit_mixed(alike, family=family, **args)
    assert f"no more spread than that of {plain} counts was found" in told(fit)
    same = fit_mixed(alike, family=plain, **args)
    assert fit.loglik == pytest.approx(same.loglik, abs=1e-6)
    np.testing.assert_allclose(fit.coefficients["se"], same.coefficients["se"], rtol=1e-3)
    spread = fit_mixed(with_column(k=FRAME["frame"] % 2 * 7), family=family, **args)
    assert "no more spread" not in told(spread)


def test_units_nearly_all_or_nothing_are_told() -> None:
    unit = np.arange(60) // 5
    frame = pd.DataFrame({"unit": unit, "hit": (unit % 2) ^ (np.arange(60) == 0)})
    fit = fit_mixed(frame, "hit", nested=["unit"], family="binomial")
    assert "standard deviation by 'unit'" in told(fit) and "Take one row for each unit" in told(fit)


def test_crossed_factors_that_are_left_out_or_nested() -> None:
    frame = with_column(
        one="a", place=FRAME["pair"].astype(str) + FRAME["strip"],
        hybrid=FRAME["frame"].where(FRAME["frame"] > 0),
    )  # fmt: skip
    fit = fit_mixed(frame, "mass", "setup", nested=["pair"], crossed=["one"])
    assert "'one' has a single label: its variance cannot be estimated, left out" in told(fit)
    without = fit_mixed(frame, "mass", "setup", nested=["pair"])
    pd.testing.assert_frame_equal(fit.coefficients, without.coefficients)
    inside = fit_mixed(frame, "mass", "setup", nested=["pair"], crossed="place")
    assert "every label of 'place' lies in one unit of 'pair': it is nested there" in told(inside)
    nested = fit_mixed(frame, "mass", "setup", nested=["pair", "strip"])
    assert inside.loglik == pytest.approx(nested.loglik, abs=1e-8)
    some = fit_mixed(frame, "mass", "setup", nested=["pair"], crossed=["hybrid"])
    assert "12 of 60 rows have missing values" in told(some) and some.n_rows == 48
    cut = fit_mixed(FRAME, "mass", "setup", nested=["pair"], crossed=["frame"])
    assert "nested there" not in told(cut)


def test_one_name_or_none_will_do() -> None:
    lists = fit_mixed(FRAME, "mass", "setup", nested=["pair"], slopes={"pair": ["gap"]})
    names = fit_mixed(FRAME, "mass", "setup", nested="pair", slopes={"pair": "gap"})
    pd.testing.assert_frame_equal(names.coefficients, lists.coefficients)
    none = fit_mixed(FRAME, "mass", "setup", nested=None, crossed=None)
    assert none.variances.empty and complete(none)
