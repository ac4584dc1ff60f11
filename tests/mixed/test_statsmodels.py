"""A second reference: statsmodels' MixedLM, run on the spot on open and simulated data."""

from __future__ import annotations

import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from trialkit.mixed import fit_mixed

sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
from cases import DATA

# MixedLM stops its BFGS at a gradient of 1e-5 or so: the value is flat there, the estimates of
# the variances are not.
LOGLIK = 1e-4
ESTIMATE = 1e-3  # of a standard error
VARIANCE = 2e-3  # relative


def statsmodels_fit(formula: str, frame: pd.DataFrame, reml: bool, **random: Any) -> Any:
    """The best of two optimisers, with their complaints kept off the test log."""
    best = None
    with warnings.catch_warnings(record=True):
        warnings.simplefilter("always")
        for optimiser in ("bfgs", "lbfgs"):
            model = smf.mixedlm(formula, frame, **random)
            fit = model.fit(reml=reml, method=optimiser, gtol=1e-8, maxiter=500)
            if best is None or fit.llf > best.llf:
                best = fit
    return best


def check_fixed(ours: Any, theirs: Any) -> None:
    table = ours.coefficients
    params, bse = theirs.fe_params, theirs.bse_fe
    np.testing.assert_allclose(
        table["estimate"].to_numpy(), params.to_numpy(), atol=ESTIMATE * float(bse.min())
    )


@pytest.mark.parametrize("method", ["ml", "reml"])
@pytest.mark.parametrize(
    ("data", "response", "fixed", "unit", "slope"),
    [
        ("sleepstudy", "Reaction", "Days", "Subject", None),
        ("sleepstudy", "Reaction", "Days", "Subject", "Days"),
        ("dietox", "Weight", "Cu + Time", "Pig", None),
        ("dietox", "Weight", "Cu + Time", "Pig", "Time"),
        ("ergo_stool", "effort", "Type", "Subject", None),
    ],
)
def test_one_level(
    data: str, response: str, fixed: str, unit: str, slope: str | None, method: str
) -> None:
    frame = DATA[data]()
    random = {"groups": frame[unit], "re_formula": "1" if slope is None else f"1 + {slope}"}
    theirs = statsmodels_fit(f"{response} ~ {fixed}", frame, method == "reml", **random)
    slopes = None if slope is None else {unit: [slope]}
    ours = fit_mixed(frame, response, fixed, nested=[unit], slopes=slopes, method=method)

    # Never worse, and no better than their stopping rule allows.
    assert -1e-8 < ours.loglik - theirs.llf < LOGLIK
    check_fixed(ours, theirs)
    covariance = np.asarray(theirs.cov_re)
    np.testing.assert_allclose(ours.variances["variance"], np.diag(covariance), rtol=VARIANCE)
    np.testing.assert_allclose(ours.dispersion**2, theirs.scale, rtol=VARIANCE)
    if slope is not None:
        sd = np.sqrt(np.diag(covariance))
        correlation = covariance[0, 1] / sd[0] / sd[1]
        assert abs(ours.variances["corr_1"].iloc[1] - correlation) < 10 * VARIANCE


def test_generalised_estimating_equations() -> None:
    """At our variances the equations with an exchangeable correlation have our coefficients.

    The data are unbalanced: three pigs were weighed eleven times, the others twelve.
    """
    frame = DATA["dietox"]()
    ours = fit_mixed(frame, "Weight", "Cu + Time", nested=["Pig"], method="ml")
    between, within = ours.variances["variance"].iloc[0], ours.dispersion**2
    correlation = sm.cov_struct.Exchangeable()
    correlation.dep_params = between / (between + within)
    model = smf.gee("Weight ~ Cu + Time", "Pig", frame, cov_struct=correlation)
    theirs = model.fit(first_dep_update=1000, maxiter=50, cov_type="naive")
    assert theirs.model.cov_struct.dep_params == correlation.dep_params
    table = ours.coefficients
    np.testing.assert_allclose(table["estimate"], theirs.params, rtol=1e-8)
    naive = theirs.bse * np.sqrt((between + within) / theirs.scale)
    np.testing.assert_allclose(table["se"], naive, rtol=1e-8)


def split_strips(seed: int) -> pd.DataFrame:
    """An unbalanced simulated trial: strips in pairs in fields, some readings lost."""
    rng = np.random.default_rng(seed)
    rows = [
        (f"f{field}", f"p{pair}", f"s{strip}", setup, rng.normal(18.0, 3.0))
        for field in range(5)
        for pair in range(4)
        for strip, setup in enumerate(("standard", "cushion"))
        for _ in range(6)
    ]
    frame = pd.DataFrame(rows, columns=["field", "pair", "strip", "setup", "moisture"])
    frame = frame.sample(frac=0.85, random_state=seed).reset_index(drop=True)
    value = 5.0 - 0.8 * (frame["setup"] == "cushion") + 0.05 * frame["moisture"]
    for levels, sd in (
        (["field"], 0.9),
        (["field", "pair"], 0.6),
        (["field", "pair", "strip"], 0.4),
    ):
        codes = frame.groupby(levels).ngroup()
        value = value + rng.normal(0.0, sd, codes.max() + 1)[codes]
    return frame.assign(value=value + rng.normal(0.0, 0.7, len(frame)))


@pytest.mark.parametrize("method", ["ml", "reml"])
def test_three_nested_levels(method: str) -> None:
    frame = split_strips(seed=11)
    frame["pair_in_field"] = frame["field"] + frame["pair"]
    frame["strip_in_pair"] = frame["pair_in_field"] + frame["strip"]
    theirs = statsmodels_fit(
        "value ~ setup + moisture",
        frame,
        method == "reml",
        groups=frame["field"],
        re_formula="1",
        vc_formula={"pair": "0 + C(pair_in_field)", "strip": "0 + C(strip_in_pair)"},
    )
    ours = fit_mixed(
        frame, "value", "setup + moisture", nested=["field", "pair", "strip"], method=method
    )
    assert -1e-8 < ours.loglik - theirs.llf < LOGLIK
    check_fixed(ours, theirs)
    variances = ours.variances.set_index("level")["variance"]
    np.testing.assert_allclose(variances["field"], theirs.cov_re.iloc[0, 0], rtol=VARIANCE)
    components = dict(zip(theirs.model.exog_vc.names, theirs.vcomp, strict=True))
    for level in ("pair", "strip"):
        np.testing.assert_allclose(variances[level], components[level], rtol=VARIANCE)
    np.testing.assert_allclose(ours.dispersion**2, theirs.scale, rtol=VARIANCE)


@pytest.mark.parametrize("method", ["ml", "reml"])
@pytest.mark.parametrize(
    ("data", "response", "fixed", "nested", "crossed"),
    [
        ("penicillin", "diameter", "1", ["plate"], ["sample"]),
        ("barley", "yield", "year", ["site", "year"], ["variety"]),
        ("assay", "logDens", "sample * dilut", ["Block", "sample"], ["column"]),
    ],
)
def test_crossed(
    data: str, response: str, fixed: str, nested: list[str], crossed: list[str], method: str
) -> None:
    """One group that holds all rows, and a variance component for every factor."""
    frame = DATA[data]()
    # A nested unit is told apart by the labels of its parents too.
    levels = {n: frame[nested[: i + 1]].agg("/".join, axis=1) for i, n in enumerate(nested)}
    levels |= {name: frame[name] for name in crossed}
    marked = frame.assign(response=frame[response], **{f"unit_{k}": v for k, v in levels.items()})
    theirs = statsmodels_fit(
        f"response ~ {fixed}",
        marked,
        method == "reml",
        groups=np.ones(len(frame)),
        re_formula="0",
        vc_formula={name: f"0 + C(unit_{name})" for name in levels},
    )
    ours = fit_mixed(frame, response, fixed, nested=nested, crossed=crossed, method=method)
    assert -1e-8 < ours.loglik - theirs.llf < LOGLIK
    check_fixed(ours, theirs)
    components = dict(zip(theirs.model.exog_vc.names, theirs.vcomp, strict=True))
    variances = ours.variances.set_index("level")["variance"]
    for name, expected in components.items():
        np.testing.assert_allclose(variances[name], expected, rtol=VARIANCE)
    np.testing.assert_allclose(ours.dispersion**2, theirs.scale, rtol=VARIANCE)
