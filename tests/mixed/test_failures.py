"""What a user reads when a model cannot be fitted, or not as asked."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed


def trial() -> pd.DataFrame:
    """Six pairs of two strips, five frames a strip: a count, a share of eight, an amount."""
    rng = np.random.default_rng(4)
    frame = pd.DataFrame(
        [(p, s, k) for p in range(6) for s in "ab" for k in range(5)],
        columns=["pair", "strip", "frame"],
    )
    n, pair = len(frame), frame["pair"]
    effect = rng.normal(0, 0.3, 6)[pair]
    return frame.assign(
        setup=frame["strip"].map({"a": "standard", "b": "cushion"}),
        speed=np.where(frame["frame"] > 2, "fast", "slow"),
        gap=rng.normal(30, 2, n),
        area=0.9,
        plants=8,
        kernels=rng.poisson(np.exp(1 + effect)) + 1,
        damaged=rng.binomial(6, 0.4, n) + 1,
        mass=5 + effect + rng.normal(0, 1, n),
    )


COUNT = {"response": "kernels", "nested": ["pair", "strip"], "family": "poisson"}
SHARE = {"response": "damaged", "nested": ["pair"], "family": "binomial", "trials": "plants"}
AMOUNT = {"response": "mass", "nested": ["pair", "strip"]}
FRAME = trial()
CUSHION, FAST = FRAME["setup"] == "cushion", FRAME["speed"] == "fast"
LAST = FRAME.index == 59


def with_column(**columns: Any) -> pd.DataFrame:
    return FRAME.assign(**columns)


# Name: data, arguments, and the words that must stand in the sentence, in this order.
FAILURES: dict[str, tuple[pd.DataFrame, dict[str, Any], str]] = {
    # Separation
    "cell without counts": (
        with_column(kernels=FRAME["kernels"].where(~CUSHION, 0)), COUNT,
        "every 'kernels' is zero under setup = cushion.*no finite estimate.*pool",
    ),
    "cell of the interaction without counts": (
        with_column(kernels=FRAME["kernels"].where(~(CUSHION & FAST), 0)),
        COUNT | {"fixed": "setup * speed"},
        "zero under setup:speed = .*cushion.*fast",
    ),
    "cell without successes": (
        with_column(damaged=FRAME["damaged"].where(~CUSHION, 0)), SHARE,
        "every 'damaged' is zero under setup = cushion",
    ),
    "cell of successes only": (
        with_column(damaged=FRAME["damaged"].where(CUSHION, 8)), SHARE,
        "every 'damaged' is as large as its trials under setup = standard.*no finite estimate",
    ),
    "same for beta-binomial": (
        with_column(damaged=FRAME["damaged"].where(CUSHION, 8)),
        SHARE | {"family": "beta_binomial"},
        "as large as its trials under setup = standard",
    ),
    "nothing counted at all": (with_column(kernels=0), COUNT, "every value of 'kernels' is zero"),
    "units all or nothing": (
        with_column(hit=FRAME["pair"] % 2),
        {"response": "hit", "nested": ["pair"], "family": "binomial"},
        "'hit' did not converge.*Things to try: .*extreme values.*fewer fixed terms",
    ),
    # Values
    "text for a response": (FRAME, AMOUNT | {"response": "strip"}, "'strip' is not numeric"),
    "dates for a response": (
        with_column(mass=pd.Timestamp("2026-10-01")), AMOUNT, "'mass' is not numeric"
    ),
    "infinite response": (
        with_column(mass=FRAME["mass"].where(~LAST, np.inf)), AMOUNT, "'mass' holds infinite values"
    ),
    "infinite covariate": (
        with_column(gap=FRAME["gap"].where(~LAST, -np.inf)), AMOUNT | {"fixed": "gap"},
        "'gap' holds infinite values.*leave out those rows",
    ),
    "no value of a covariate": (
        with_column(gap=np.nan), AMOUNT | {"fixed": "gap"}, "no complete row"
    ),
    "negative count": (
        with_column(kernels=FRAME["kernels"].where(~LAST, -1)), COUNT, "whole numbers from zero up"
    ),
    "amount of zero": (
        with_column(mass=FRAME["mass"].where(~LAST, 0.0)),
        {"response": "mass", "nested": ["pair"], "family": "gamma"}, "'mass' must be above zero",
    ),
    "more successes than trials": (
        with_column(damaged=FRAME["damaged"].where(~LAST, 9)), SHARE,
        "'damaged' exceeds its trials in 1 rows",
    ),
    "zero exposure": (
        with_column(area=FRAME["area"].where(~LAST, 0.0)), COUNT | {"exposure": "area"},
        "exposure must be above zero",
    ),
    "no trials": (
        with_column(plants=FRAME["plants"].where(~LAST, 0)), SHARE, "trials must be above zero"
    ),
    "constant response": (with_column(mass=5.0), AMOUNT, "reproduces the response exactly"),
    "response explained by itself": (
        FRAME, AMOUNT | {"fixed": "mass"}, "reproduces the response exactly"
    ),
    # The frame
    "empty frame": (FRAME.head(0), AMOUNT, "no complete row"),
    "frame without columns": (pd.DataFrame(), AMOUNT, r"\['mass', .*not in the data; it has \[\]"),
    "absent response": (FRAME, AMOUNT | {"response": "yield"}, r"\['yield'\].*it has .*'mass'"),
    "absent covariate": (FRAME, AMOUNT | {"fixed": "setap"}, r"\['setap'\] are not in the data"),
    "absent level": (FRAME, AMOUNT | {"nested": ["field"]}, r"\['field'\] are not in the data"),
    "absent exposure": (FRAME, COUNT | {"exposure": "Area"}, r"\['Area'\] are not in the data"),
    "absent slope": (FRAME, AMOUNT | {"slopes": {"pair": ["height"]}}, r"\['height'\] are not in"),
    # The design
    "factor of one level": (with_column(setup="cushion"), AMOUNT, "'setup' has the single level"),
    "as many terms as rows": (
        FRAME.head(5), AMOUNT | {"fixed": "C(frame)", "nested": []}, "5 rows cannot estimate 5"
    ),
    "more terms than rows": (
        FRAME.groupby("pair").head(1), AMOUNT | {"fixed": "C(pair) * gap", "nested": []},
        "6 rows cannot estimate 6",
    ),
    "no column to estimate": (FRAME, AMOUNT | {"fixed": "0"}, "no column .* can be estimated"),
    "two names of the same units": (
        with_column(block=FRAME["pair"] + 10), AMOUNT | {"nested": ["pair", "block"]},
        "'pair' and 'block' have the same 6 units; keep one",
    ),
    "a unit for every row": (
        with_column(plot=range(60)), AMOUNT | {"nested": ["pair", "plot"]},
        "every unit of 'plot' has one row.*residual; leave it out",
    ),
    "slopes of an unknown level": (
        FRAME, AMOUNT | {"slopes": {"field": ["gap"]}}, r"slopes name the levels \['field'\]"
    ),
    "unknown covariance": (
        FRAME, AMOUNT | {"slopes": {"pair": ["gap"]}, "covariance": {"pair": "ar1"}},
        "'ar1' is not known; choose one of .*unstructured",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", FAILURES)
def test_failure_says_what_and_where(case: str) -> None:
    frame, arguments, words = FAILURES[case]
    with warnings.catch_warnings():
        # The sentence is all a user gets to see.
        warnings.simplefilter("error")
        with pytest.raises(ModelError, match=words) as caught:
            fit_mixed(frame, **({"fixed": "setup"} | arguments))
    assert str(caught.value).endswith(".")


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
    for extra, told in gone.items():
        fit = fit_mixed(frame, "mass", f"setup + gap + {extra}", nested=["pair"])
        notes = " ".join(fit.notes)
        assert "aliased with earlier columns and dropped" in notes and told in notes
        pd.testing.assert_frame_equal(fit.coefficients, plain.coefficients, rtol=1e-6)
        # A term that is gone altogether is not tested.
        assert list(fit.term_tests().index) == ["setup", "gap"]


def test_interaction_with_a_cell_never_tried_keeps_the_rest() -> None:
    fit = fit_mixed(FRAME[~(CUSHION & FAST)], "mass", "setup * speed", nested=["pair"])
    assert "dropped: setup[T.standard]:speed[T.slow]" in " ".join(fit.notes)
    assert list(fit.term_tests().index) == ["setup", "speed"] and complete(fit)


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


def test_level_of_one_unit_is_left_out_and_told() -> None:
    frame = with_column(field="home")
    fit = fit_mixed(frame, "mass", "setup", nested=["field", "pair"])
    assert "'field' has a single unit" in " ".join(fit.notes)
    without = fit_mixed(frame, "mass", "setup", nested=["pair"])
    pd.testing.assert_frame_equal(fit.coefficients, without.coefficients)
    alone = fit_mixed(frame, "kernels", "setup", nested=["field"], family="poisson")
    assert "'field' has a single unit" in " ".join(alone.notes)
    assert alone.variances.empty and complete(alone)


def test_missing_values_are_counted() -> None:
    frame = with_column(kernels=FRAME["kernels"].astype("Int64").where(FRAME["frame"] > 0))
    fit = fit_mixed(frame, "kernels", "setup", nested=["pair", "strip"], family="poisson")
    assert "12 of 60 rows have missing values and were left out" in " ".join(fit.notes)
    assert fit.n_rows == 48


def test_slope_that_varies_between_units_only_is_fitted_not_broken() -> None:
    """A covariate of the unit, not of its rows: nothing tells its slope from the intercept well."""
    frame = with_column(stand=FRAME["pair"] * 1.0)
    fit = fit_mixed(frame, "mass", "setup", nested=["pair"], slopes={"pair": ["stand"]})
    assert complete(fit) and np.isfinite(fit.loglik)


def test_counts_all_alike_have_variances_of_zero() -> None:
    """Without more spread than chance a count needs no unit: a result, and told."""
    fit = fit_mixed(with_column(kernels=5), "kernels", "setup", nested=["pair"], family="poisson")
    assert "'pair' is estimated at zero" in " ".join(fit.notes)
    assert fit.singular and complete(fit)
    assert fit.fixed_effects["Intercept"] == pytest.approx(np.log(5), abs=1e-6)
