"""Adaptive quadrature against integrals on a dense grid, and against R's lme4.

``tests/reference/quadrature.json`` holds lme4's fits; ``make_quadrature.R`` beside it made them:

    python tests/reference/cases.py DATA
    Rscript tests/reference/make_quadrature.R DATA tests/reference/quadrature.json
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import minimize
from scipy.special import expit

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed.hermite import Criterion
from trialkit.mixed.quadrature import Quadrature

REFERENCE = Path(__file__).parents[1] / "reference"
sys.path.insert(0, str(REFERENCE))
from cases import CASES  # noqa: E402

FAMILIES = ("poisson", "negative_binomial", "gamma", "binomial", "beta_binomial")
DISPERSED = ("negative_binomial", "gamma", "beta_binomial")
SD = 0.8
SHAPE = 4.0
# A trapezoid sum over a smooth function that vanishes at both ends converges exponentially.
GRID = np.linspace(-10.0, 10.0, 1001)


def draw(family: str, eta: NDArray, trials: NDArray, rng: np.random.Generator) -> NDArray:
    mean, p = np.exp(eta), expit(eta)
    if family == "poisson":
        return rng.poisson(mean)
    if family == "negative_binomial":
        return rng.negative_binomial(SHAPE, SHAPE / (SHAPE + mean))
    if family == "gamma":
        return rng.gamma(SHAPE, mean / SHAPE)
    if family == "binomial":
        return rng.binomial(trials, p)
    return rng.binomial(trials, rng.beta(SHAPE * p, SHAPE * (1 - p)))


def log_density(family: str, y: NDArray, eta: NDArray, trials: NDArray, shape: float) -> NDArray:
    """SciPy's densities, in the table of trialkit.mixed.families."""
    mean, p = np.exp(eta), expit(eta)
    if family == "poisson":
        return stats.poisson.logpmf(y, mean)
    if family == "negative_binomial":
        return stats.nbinom.logpmf(y, shape, shape / (shape + mean))
    if family == "gamma":
        return stats.gamma.logpdf(y, shape, scale=mean / shape)
    if family == "binomial":
        return stats.binom.logpmf(y, trials, p)
    return stats.betabinom.logpmf(y, trials, shape * p, shape * (1 - p))


def counted(family: str, units: int = 20) -> pd.DataFrame:
    """Two to five rows a unit, rows in no order, area and weight uneven."""
    rng = np.random.default_rng(31)
    unit = np.repeat(np.arange(units), rng.integers(2, 6, units))
    frame = pd.DataFrame({"unit": unit})
    frame["setup"] = np.where(rng.random(len(unit)) < 0.5, "wide", "usual")
    frame["speed"] = rng.normal(7, 1, len(unit))
    frame["area"] = rng.uniform(0.5, 1.5, len(unit)) if family in FAMILIES[:3] else 1.0
    frame["trials"] = rng.integers(3, 12, len(unit)) if family in FAMILIES[3:] else 1
    frame["weight"] = rng.uniform(0.5, 2.0, len(unit))
    effect = rng.normal(0, SD, units)[unit]
    eta = 0.2 + 0.5 * (frame["setup"] == "wide") + 0.1 * (frame["speed"] - 7) + effect
    frame["y"] = draw(family, eta + np.log(frame["area"]), frame["trials"].to_numpy(), rng)
    return frame.sample(frac=1, random_state=2).reset_index(drop=True)


def brute_force(
    frame: pd.DataFrame, family: str, beta: NDArray, sd: float, shape: float, weight: NDArray
) -> float:
    x = np.column_stack([np.ones(len(frame)), frame["setup"] == "wide", frame["speed"]])
    eta = (np.log(frame["area"].to_numpy()) + x.astype(float) @ beta)[:, None] + sd * GRID
    y, trials = frame["y"].to_numpy()[:, None], frame["trials"].to_numpy()[:, None]
    rows = weight[:, None] * log_density(family, y, eta, trials, shape)
    total = 0.0
    for unit in frame["unit"].unique():
        log_f = rows[frame["unit"] == unit].sum(axis=0) + stats.norm.logpdf(GRID)
        top = log_f.max()
        total += top + np.log(np.exp(log_f - top).sum() * (GRID[1] - GRID[0]))
    return total


def arguments(family: str) -> dict[str, Any]:
    more = {"exposure": "area"} if family in FAMILIES[:3] else {"trials": "trials"}
    return {"response": "y", "fixed": "setup + speed", "nested": ["unit"], "family": family} | more


@cache
def fitted(family: str) -> MixedFit:
    return fit_mixed(counted(family), method="ml", **arguments(family))


def weighted(family: str, nodes: int) -> Criterion:
    """The criterion with prior weights on the rows."""
    fit = fitted(family)
    weight = fit.model.frame.assign(w=counted(family)["weight"])["w"].to_numpy()
    return Criterion(replace(fit.model, weight=weight[fit.model.chain.order]), fit.y, nodes)


def inside(family: str) -> NDArray:
    """Parameters in the engine's terms, away from the optimum."""
    shape = [np.log(2.5)] if family in DISPERSED else []
    return np.array([0.9, *shape, 0.6, 0.2, -0.1])


@pytest.mark.parametrize("family", FAMILIES)
def test_value_is_the_integral_on_a_dense_grid(family: str) -> None:
    criterion, at = weighted(family, 30), inside(family)
    beta = criterion.model.to_original @ at[-3:]
    frame = counted(family)
    dense = brute_force(frame, family, beta, 0.9, 2.5, frame["weight"].to_numpy())
    assert criterion.point(at)[0] == pytest.approx(dense, abs=1e-8)
    # A standard deviation is as good with the other sign.
    assert criterion.point(np.r_[-at[0], at[1:]])[0] == pytest.approx(dense, abs=1e-8)


@pytest.mark.parametrize("nodes", [1, 2, 9])
@pytest.mark.parametrize("family", FAMILIES)
def test_gradient_is_the_slope_of_the_value(family: str, nodes: int) -> None:
    """Also of sums with few nodes, whose value depends on where the nodes lie."""
    criterion, at, h = weighted(family, nodes), inside(family), 1e-5
    steps = h * np.eye(len(at))
    numeric = [(criterion.point(at + s)[0] - criterion.point(at - s)[0]) / (2 * h) for s in steps]
    # Values near 100 known to 1e-14 of themselves, over steps of 1e-5.
    np.testing.assert_allclose(criterion.point(at)[1], numeric, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("family", FAMILIES)
def test_one_node_is_the_laplace_approximation(family: str) -> None:
    fit = fitted(family)
    one = fit.quadrature(1)
    assert one.loglik == pytest.approx(fit.loglik, abs=1e-8)
    assert one.comparison["in_se"].abs().max() < 1e-3
    point = fit.found.point
    there = Criterion(fit.model, fit.y, 1).point(np.r_[point.theta, point.beta])
    assert there[0] == pytest.approx(point.value, abs=1e-8)


@pytest.mark.parametrize("family", FAMILIES)
def test_fit_is_the_maximum_of_the_grid_likelihood(family: str) -> None:
    """Estimates in the user's terms, their standard errors from that likelihood's curvature."""
    frame, found = counted(family), fitted(family).quadrature(25)
    assert found.converged and abs(found.node_error) < 1e-7 and not found.notes
    at = np.r_[found.coefficients["estimate"], found.variances["sd"]]
    se = np.r_[found.coefficients["se"], found.variances["se_sd"]]
    if family in DISPERSED:
        at = np.r_[at, found.dispersion]
        se = np.r_[se, found.comparison.loc["dispersion", "se"].iloc[0]]
    ones = np.ones(len(frame))

    def value(parameters: NDArray) -> float:
        shape = parameters[4] if family in DISPERSED else np.nan
        shape = 1 / shape if family == "gamma" else shape
        return brute_force(frame, family, parameters[:3], parameters[3], shape, ones)

    assert found.loglik == pytest.approx(value(at), abs=1e-7)
    # Differences of the grid's values, in units of the standard errors.
    h, n = 0.02, len(at)
    move = h * np.diag(se)
    slope = [(value(at + m) - value(at - m)) / (2 * h) for m in move]
    assert np.abs(slope).max() < 1e-3
    curvature = [
        [(value(at + a + b) - value(at + a - b) - value(at - a + b) + value(at - a - b))
         / (4 * h * h) for a in move] for b in move
    ]  # fmt: skip
    scaled_se = np.sqrt(np.diag(np.linalg.inv(-np.array(curvature))))
    # The differences carry an error of the fourth derivative times h squared.
    np.testing.assert_allclose(scaled_se, np.ones(n), rtol=2e-3)


with open(REFERENCE / "quadrature.json") as stream:
    REFERENCES: dict[str, Any] = json.load(stream)["cases"]
FITS = [(name, k) for name, case in REFERENCES.items() for k in range(len(case["fits"]))]


@pytest.mark.parametrize(("name", "k"), FITS)
def test_fit_is_that_of_lme4(name: str, k: int) -> None:
    expected = REFERENCES[name]["fits"][k]
    case = CASES[name]
    found = fit_mixed(case.frame(), **case.model).quadrature(expected["nodes"])
    assert found.converged
    assert found.loglik == pytest.approx(expected["loglik"], abs=1e-6)
    table = found.coefficients
    table.index = [t.replace("[T.", "").replace("]", "") for t in table.index]
    table = table.rename(index={"Intercept": "(Intercept)"})
    assert sorted(table.index) == sorted(expected["estimate"])
    se = pd.Series(expected["se"])[table.index]
    off = (table["estimate"] - pd.Series(expected["estimate"])[table.index]) / se
    # lme4 stops where the likelihood is flat, and differentiates it numerically twice.
    assert off.abs().max() < 1e-3
    np.testing.assert_allclose(table["se"], se, rtol=2e-3)
    assert found.variances["sd"].iloc[0] == pytest.approx(expected["sd"], rel=1e-3)


@cache
def damaged() -> tuple[pd.DataFrame, MixedFit, Quadrature]:
    """Plants damaged or not, three a strip: as far from Laplace's home ground as may be."""
    rng = np.random.default_rng(8)
    strip = np.repeat(np.arange(150), 3)
    frame = pd.DataFrame({"strip": strip, "setup": np.where(strip % 2, "wide", "usual")})
    eta = -0.5 + 1.0 * (frame["setup"] == "wide") + rng.normal(0, 2.0, 150)[strip]
    frame["damaged"] = rng.random(450) < expit(eta)
    fit = fit_mixed(frame, "damaged", "setup", nested=["strip"], family="binomial", method="ml")
    return frame, fit, fit.quadrature(25)


def test_binary_rows_in_small_units_need_it() -> None:
    frame, fit, found = damaged()
    wide = (frame["setup"] == "wide").to_numpy()[::3]
    hits = frame["damaged"].to_numpy().reshape(150, 3).sum(axis=1)
    density = stats.norm.pdf(GRID) * (GRID[1] - GRID[0])

    def lost(p: NDArray) -> float:
        eta = p[0] + p[1] * wide[:, None] + p[2] * GRID
        # All three rows of a unit share their linear predictor.
        log_f = hits[:, None] * eta - 3 * np.logaddexp(0, eta)
        return -float(np.log(np.exp(log_f) @ density).sum())

    dense = minimize(lost, [0.0, 0.0, 1.0], method="BFGS", options={"gtol": 1e-6})
    assert found.loglik == pytest.approx(-dense.fun, abs=1e-5)
    own = [*found.coefficients["estimate"], found.variances["sd"].iloc[0]]
    np.testing.assert_allclose(own, dense.x, atol=1e-3)
    laplace = np.r_[fit.fixed_effects, fit.variances["sd"]]
    assert -lost(laplace) < found.loglik - 0.2
    assert laplace[2] < 0.9 * dense.x[2]


def test_restricted_fits_and_repeats_come_to_the_same() -> None:
    frame = counted("poisson")
    found = fitted("poisson").quadrature()
    other = fit_mixed(frame, method="reml", **arguments("poisson")).quadrature()
    pd.testing.assert_frame_equal(found.comparison, other.comparison, rtol=1e-4, atol=1e-4)
    # A row of weight two is the row written twice.
    fit, at = fitted("poisson"), inside("poisson")
    twice = fit_mixed(pd.concat([frame, frame]), method="ml", **arguments("poisson"))
    weight = np.full(len(frame), 2.0)
    heavy = Criterion(replace(fit.model, weight=weight), fit.y, 9).point(at)
    double = Criterion(twice.model, twice.y, 9).point(at)
    assert heavy[0] == pytest.approx(double[0], abs=1e-9)
    np.testing.assert_allclose(heavy[1], double[1], atol=1e-9)


def test_zero_variance_is_a_result() -> None:
    """Counts more alike between units than chance has it: then the fit is one without units."""
    frame = pd.DataFrame({"unit": np.repeat(np.arange(8), 5), "y": np.tile([1, 2, 3, 4, 6], 8)})
    found = fit_mixed(frame, "y", nested=["unit"], family="poisson").quadrature()
    assert found.variances["sd"].iloc[0] == 0.0 and found.converged
    assert "estimated at zero" in " ".join(found.notes)
    assert found.loglik == pytest.approx(stats.poisson(3.2).logpmf(frame["y"]).sum(), abs=1e-9)
    row = found.coefficients.loc["Intercept"]
    assert row["estimate"] == pytest.approx(np.log(3.2), abs=1e-7)
    assert row["se"] == pytest.approx(1 / np.sqrt(frame["y"].sum()), rel=1e-6)


def test_counts_without_extra_variance_leave_the_rest_of_the_fit_sound() -> None:
    """The size then runs off to infinity and the fit is the Poisson one."""
    rng = np.random.default_rng(5)
    frame = pd.DataFrame({"unit": np.repeat(np.arange(15), 6)})
    frame["y"] = stats.binom(60, 0.1).ppf(rng.random(90)) + rng.poisson(4, 15)[frame["unit"]]
    found = fit_mixed(frame, "y", nested=["unit"], family="negative_binomial").quadrature()
    plain = fit_mixed(frame, "y", nested=["unit"], family="poisson").quadrature()
    assert found.converged and found.dispersion > 1e3
    assert found.loglik == pytest.approx(plain.loglik, abs=1e-3)
    np.testing.assert_allclose(found.coefficients["se"], plain.coefficients["se"], rtol=1e-2)


REFUSED: dict[str, tuple[dict[str, Any], int, str]] = {
    "no level": ({"nested": []}, 15, "one nested level.*none"),
    "two levels": ({"nested": ["half", "unit"]}, 15, "levels 'half', 'unit'"),
    "slopes": ({"slopes": {"unit": ["speed"]}}, 15, "2 random columns of 'unit'"),
    "gaussian": ({"family": "gaussian", "exposure": None}, 15, "exact"),
    "no nodes": ({}, 0, "between 1 and 100"),
    "half a node": ({}, 2.5, "whole number"),  # type: ignore[dict-item]
}


@pytest.mark.parametrize("case", REFUSED)
def test_refusal_is_a_sentence(case: str) -> None:
    change, nodes, sentence = REFUSED[case]
    frame = counted("poisson").assign(half=lambda f: f["unit"] % 2)
    fit = fit_mixed(frame, **(arguments("poisson") | change))
    with pytest.raises(ModelError, match=sentence):
        fit.quadrature(nodes)


def test_too_few_nodes_are_told() -> None:
    found = damaged()[1].quadrature(2)
    assert abs(found.node_error) > 1e-3 and "2 are too few" in repr(found)


def test_views_carry_the_numbers_and_escape_labels() -> None:
    frame = counted("poisson").rename(columns={"unit": "<b>unit</b>"})
    fit = fit_mixed(frame, **(arguments("poisson") | {"nested": ["<b>unit</b>"]}))
    found = fit.quadrature()
    html = found._repr_html_()
    assert "<b>unit" not in html and "&lt;b&gt;unit" in html
    for view, digits in ((html, 3), (repr(found), 5)):
        assert f"{found.loglik:.3f}" in view and "15 nodes" in view
        assert f"{found.variances['sd'].iloc[0]:.{digits}f}" in view
