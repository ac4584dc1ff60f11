"""Comparisons integrated over the spread of their error.

Held against the same integral done with whole matrices on a fine grid, against the mixture the
matched t stands for, and against limits where the answer is known.
"""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate as quad
from scipy import optimize, special, stats

from trialkit.errors import ModelError
from trialkit.mixed import fit_mixed, integrated
from trialkit.mixed.hypotheses import term_rows
from trialkit.mixed.integrated import Integrated, integrate, inverse_trigamma


def grid(**levels) -> pd.DataFrame:
    return pd.DataFrame(itertools.product(*levels.values()), columns=list(levels))


def drawn(frame: pd.DataFrame, seed: int, family: str, mean: float, **sds: float) -> pd.DataFrame:
    """Responses ``y``: normal effects of the units named (joined by "_"), then the family's own."""
    rng = np.random.default_rng(seed)
    eta = np.zeros(len(frame))
    for keys, sd in sds.items():
        code = frame.groupby(keys.split("_")).ngroup().to_numpy()
        eta = eta + sd * rng.normal(size=code.max() + 1)[code]
    if family == "gaussian":
        return frame.assign(y=mean + eta + rng.normal(size=len(frame)))
    return frame.assign(y=rng.poisson(mean * np.exp(eta)).astype(float), row=range(len(frame)))


def fitted(frame: pd.DataFrame, family: str, nested=("pair", "setup"), fixed="setup", **more):
    nested = [*nested, *([] if family == "gaussian" else ["row"])]
    return fit_mixed(frame, "y", fixed, nested, family=family, **more)


def pairs(seed: int, family="gaussian", n=5, setups="ab", rows=4, mean=8.0, pair=0.3, strip=0.2):
    frame = grid(pair=range(n), setup=list(setups), rep=range(rows))
    return drawn(frame, seed, family, mean, pair=pair, pair_setup=strip)


def unbalanced(frame: pd.DataFrame) -> pd.DataFrame:
    """One strip lost, and rows of two others."""
    lost = (frame["pair"] == 1) & (frame["setup"] == "b")
    lost |= (frame["pair"] == 2) & (frame["rep"] > 0) & (frame["setup"] == "a")
    return frame[~(lost | ((frame["pair"] == 3) & (frame["rep"] == 1)))].reset_index(drop=True)


def last_row(fit, factor: str = "setup") -> np.ndarray:
    return term_rows(fit.fixed_part, factor)[-1:]


# ---------------------------------------------------------------- the same with whole matrices
def dense(frame: pd.DataFrame, fit, scale: float, row: np.ndarray) -> tuple[float, float, float]:
    """Estimate, se, df of a contrast: V inverted whole, trapezoid over the strips' sd.

    The residual variance given the sd is scaled inverse chi-square; the moments of its logarithm
    are integrated numerically.
    """
    sd = fit.variances.set_index("level")["sd"] / fit.dispersion
    wide = 3.0 * max(1.0, sd["pair"], sd["setup"])
    x = np.column_stack([np.ones(len(frame)), pd.get_dummies(frame["setup"]).iloc[:, 1:]])
    x = x.astype(float)
    y = frame["y"].to_numpy()
    z = [pd.get_dummies(frame.groupby(k).ngroup()).to_numpy(float)
         for k in (["pair"], ["pair", "setup"])]  # fmt: skip
    d = len(y) - x.shape[1]
    near = max(0.25, sd["setup"])
    s = near * np.sinh(np.linspace(0.0, np.arcsinh(400.0), 500))
    log_p, m, v = np.empty((3, len(s)))
    for j, own in enumerate(s):
        cov = np.eye(len(y)) + wide**2 * z[0] @ z[0].T + own**2 * z[1] @ z[1].T
        inverse = np.linalg.inv(cov)
        info = x.T @ inverse @ x
        beta = np.linalg.solve(info, x.T @ inverse @ y)
        rss = (y - x @ beta) @ inverse @ (y - x @ beta)
        log_p[j] = -0.5 * (np.linalg.slogdet(cov)[1] + np.linalg.slogdet(info)[1])
        log_p[j] += -0.5 * d * np.log(rss) + -0.5 * np.log1p((own / scale) ** 2)
        m[j] = row @ beta
        v[j] = row @ np.linalg.solve(info, row) * rss / d
    p = np.exp(log_p - log_p.max())
    step = np.gradient(s)
    step[[0, -1]] /= 2
    p *= step
    p /= p.sum()
    law = stats.chi2(d)
    own = [quad.quad(lambda q, k=k: law.pdf(q) * np.log(d / q) ** k, 0, np.inf)[0] for k in (1, 2)]
    mean = p @ np.log(v) + own[0]
    spread = p @ (np.log(v) - p @ np.log(v)) ** 2 + own[1] - own[0] ** 2
    half = optimize.brentq(lambda h: special.polygamma(1, h) - spread, 0.05, 1e5)
    se2 = np.exp(mean - np.log(half) + special.digamma(half)) + p @ (m - p @ m) ** 2
    return p @ m, np.sqrt(se2), 2 * half


@pytest.mark.parametrize("lost", [False, True], ids=["balanced", "unbalanced"])
@pytest.mark.parametrize("setups, strip", [("ab", 0.0), ("ab", 1.0), ("abc", 0.5), ("ab", 6.0)])
def test_gaussian_pairs_equal_the_integral_with_whole_matrices(lost, setups, strip):
    frame = pairs(3, setups=setups, strip=strip, pair=1.0)
    frame = unbalanced(frame) if lost else frame
    fit = fitted(frame, "gaussian")
    row = last_row(fit)
    got = [value[0] for value in integrate(fit, "setup", scale=0.8).compare(row)]
    want = dense(frame, fit, 0.8, row[0])
    np.testing.assert_allclose(got[1:], want[1:], rtol=2e-3)  # 24 nodes
    assert got[0] == pytest.approx(want[0], abs=1e-3 * want[1])


# ---------------------------------------------------------------- the t and its mixture
def exact_tail(found: Integrated, row: np.ndarray, half: float) -> float:
    """Probability that the mixture is further than ``half`` from its mean."""
    m = found.beta @ row
    v = np.sqrt(((row @ found.half) ** 2).sum(axis=1))
    law = stats.t(found.spare) if np.isfinite(found.spare) else stats.norm()
    centre = found.weight @ m
    above, below = law.sf((centre + half - m) / v), law.cdf((centre - half - m) / v)
    return float(found.weight @ (above + below))


CASES = {
    "four pairs": (lambda seed: fitted(pairs(seed, "poisson", n=4, rows=8), "poisson"), "setup"),
    "few counts": (
        lambda seed: fitted(pairs(seed, "poisson", n=6, mean=1.5, strip=0.5), "poisson"), "setup"),
    "unbalanced": (
        lambda seed: fitted(unbalanced(pairs(seed, "poisson", n=6)), "poisson"), "setup"),
    "one frame a strip": (
        lambda seed: fitted(pairs(seed, "poisson", n=7, rows=1), "poisson", ["pair"]), "row"),
    "gaussian": (lambda seed: fitted(pairs(seed, n=4), "gaussian"), "setup"),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_matched_t_has_tails_and_width_of_the_mixture(case):
    make, level = CASES[case]
    for seed in range(3):
        fit = make(seed)
        found = integrate(fit, level, scale=2.0 if case == "gaussian" else 0.4)
        row = last_row(fit)
        _, se, df = (value[0] for value in found.compare(row))
        half = se * stats.t.ppf(0.975, df)
        assert exact_tail(found, row[0], half) == pytest.approx(0.05, abs=0.004)
        own = optimize.brentq(lambda h, f=found, r=row[0]: exact_tail(f, r, h) - 0.05, 1e-3, 99)
        assert half == pytest.approx(own, rel=0.02)


# ---------------------------------------------------------------- limits
def test_without_spread_it_is_the_least_squares_fit_within_pairs():
    frame = unbalanced(pairs(8, n=6, pair=0.5, strip=0.0))
    fit = fitted(frame, "gaussian")
    row = last_row(fit)
    estimate, se, df = (v[0] for v in integrate(fit, "setup", scale=1e-5).compare(row))
    sd = fit.variances.set_index("level")["sd"] / fit.dispersion
    wide = 3.0 * max(1.0, sd.max())
    z = pd.get_dummies(frame["pair"]).to_numpy(float)
    root = np.linalg.cholesky(np.linalg.inv(np.eye(len(z)) + wide**2 * z @ z.T)).T
    x = np.column_stack([np.ones(len(z)), frame["setup"] == "b"]).astype(float)
    beta, rss, *_ = np.linalg.lstsq(root @ x, root @ frame["y"], rcond=None)
    v = np.linalg.inv((root @ x).T @ (root @ x)) * rss[0] / (len(z) - 2)
    assert df == pytest.approx(len(z) - 2, rel=1e-5)
    np.testing.assert_allclose([estimate, se], [beta[1], np.sqrt(v[1, 1])], rtol=1e-5)


def test_poisson_without_spread_is_the_fit_without_the_level():
    frame = grid(strip=range(10), rep=range(6))
    frame["setup"] = np.where(frame["strip"] % 2, "b", "a")
    for seed in itertools.count():  # until the strips' variance is estimated zero
        frame = drawn(frame, seed, "poisson", 12.0, strip_rep=0.3)
        fit = fitted(frame, "poisson", ["strip"])
        if fit.variances.set_index("level")["sd"]["strip"] == 0.0:
            break
    bare = fitted(frame, "poisson", [])
    row = last_row(fit)
    estimate, se, df = (v[0] for v in integrate(fit, "strip", scale=1e-5).compare(row))
    half = row @ bare.model.to_original @ np.linalg.inv(bare.found.point.root)
    assert estimate == pytest.approx(bare.fixed_effects.iloc[1], abs=1e-5)
    assert se == pytest.approx(np.linalg.norm(half), rel=1e-4)
    assert df > 1e5


@pytest.fixture(scope="module")
def three() -> tuple[Integrated, np.ndarray]:
    fit = fitted(unbalanced(pairs(2, "poisson", setups="abc", strip=0.3)), "poisson")
    return integrate(fit, "setup"), term_rows(fit.fixed_part, "setup")


def test_one_contrast_has_the_square_of_its_t(three):
    found, rows = three
    estimate, se, df = found.compare(rows)
    for j in range(len(rows)):
        f, den = found.f_test(rows[[j]])
        assert (f, den) == pytest.approx((estimate[j] ** 2 / se[j] ** 2, df[j]), rel=1e-10)
        assert found.f_test(rows[[j]], np.array([0.7]))[0] == pytest.approx(0.49 / se[j] ** 2)


@given(st.lists(st.floats(-3, 3), min_size=4, max_size=4))
def test_f_does_not_hang_on_the_contrasts_that_span_it(three, mix):
    found, rows = three
    turn = np.reshape(mix, (2, 2))
    if abs(np.linalg.det(turn)) < 0.05:
        turn = turn + 4 * np.eye(2)
    effect = np.array([0.3, -0.4])
    assert found.f_test(turn @ rows) == pytest.approx(found.f_test(rows), rel=1e-7)
    assert found.f_test(turn @ rows, turn @ effect) == pytest.approx(
        found.f_test(rows, effect), rel=1e-7)  # fmt: skip


def test_balanced_setups_have_the_covariance_of_the_design():
    fit = fitted(pairs(11, setups="abcd", strip=1.0), "gaussian")
    found = integrate(fit, "setup")
    against = np.hstack([-np.ones((3, 1)), np.eye(3)])  # every setup less the first
    first = np.eye(4)[1:]  # treatment coding: later coefficients are these differences
    cov, df = found.covariance(first)
    np.testing.assert_allclose(cov, cov[0, 0] / 2 * against @ against.T, rtol=1e-9)
    _, se, each = found.compare(first)
    np.testing.assert_allclose(np.sqrt(np.diag(cov)), se, rtol=1e-9)
    np.testing.assert_allclose(each, df, rtol=1e-9)


@given(st.floats(-6.5, 5))
def test_inverse_of_trigamma(exponent):
    x = 10.0**exponent
    assert special.polygamma(1, inverse_trigamma(np.array(x))) == pytest.approx(x, rel=1e-8)


def test_inverse_of_trigamma_of_nothing_is_many_degrees_of_freedom():
    y = inverse_trigamma(np.array([0.0, 1e-12, np.pi**2 / 6]))
    assert (y[:2] > 1e6).all()
    assert y[2] == pytest.approx(1.0)  # trigamma(1), Abramowitz & Stegun 6.4.2


# ---------------------------------------------------------------- what is asked wrongly
def test_what_cannot_be_integrated_is_said():
    frame = pairs(1)
    fit = fitted(frame, "gaussian")
    with pytest.raises(ModelError, match=r'needs method="reml"'):
        integrate(fitted(frame, "gaussian", method="ml"), "setup")
    with pytest.raises(ModelError, match=r"'strip' is no level of this model; it has .*setup"):
        integrate(fit, "strip")
    with pytest.raises(ModelError, match="no effect of 'setup' varies between the units of 'pair'"):
        integrate(fit, "pair", "setup")


# ---------------------------------------------------------------- the fit stays as it was
@pytest.mark.parametrize("family", ["gaussian", "poisson"])
def test_the_fit_is_left_as_it_was(family):
    frame = pairs(4, family, strip=0.4)
    fit, fresh = fitted(frame, family), fitted(frame, family)
    point, problem = fit.found.point, fit.found.problem
    theta, beta = point.theta.copy(), point.beta.copy()
    args = (theta,) if family == "gaussian" else (theta, beta)
    before = problem.point(*args)
    integrate(fit, "setup")
    after = problem.point(*args)
    np.testing.assert_array_equal(point.theta, theta)
    np.testing.assert_array_equal(point.beta, beta)
    assert after.value == pytest.approx(before.value, rel=1e-12)
    np.testing.assert_allclose(after.beta, before.beta, rtol=1e-9)
    np.testing.assert_allclose(after.grad, before.grad, atol=1e-7)
    if family == "poisson":
        assert problem.tolerance == fresh.found.problem.tolerance
    y = frame["y"].to_numpy()[::-1].copy()
    pd.testing.assert_frame_equal(fit.refit(y).coefficients, fresh.refit(y).coefficients)
    again, first = integrate(fit, "setup"), integrate(fresh, "setup")
    np.testing.assert_allclose(again.weight, first.weight, rtol=1e-6, atol=1e-12)


# ---------------------------------------------------------------- nodes
NODES = {
    "small": ("poisson", dict(strip=0.2), 0.4),
    "zero": ("poisson", dict(strip=0.0), 0.4),
    "large": ("poisson", dict(strip=1.5, mean=20.0), 0.4),
    "gaussian, zero": ("gaussian", dict(strip=0.0), 2.0),
    "gaussian, large": ("gaussian", dict(strip=30.0), 2.0),
    "gaussian, three pairs": ("gaussian", dict(strip=2.0, n=3), 2.0),
}


@pytest.mark.parametrize("case", NODES)
def test_24_nodes_are_enough(case, monkeypatch):
    family, more, scale = NODES[case]
    for seed in itertools.count(6):
        fit = fitted(pairs(seed, family, **more), family)
        if (fit.variances.set_index("level")["sd"]["setup"] == 0.0) == ("zero" in case):
            break
    row = last_row(fit)
    few = np.concatenate(integrate(fit, "setup", scale=scale).compare(row))
    nodes, weights = np.polynomial.legendre.leggauss(200)
    monkeypatch.setattr(integrated, "U", (nodes + 1) / 2)
    monkeypatch.setattr(integrated, "W", weights / 2)
    many = np.concatenate(integrate(fit, "setup", scale=scale).compare(row))
    assert few[0] == pytest.approx(many[0], abs=1e-3 * many[1])
    np.testing.assert_allclose(few[1:], many[1:], rtol=1e-3)


# ---------------------------------------------------------------- every stratum
FIELDS = grid(field=range(5), pair=range(3), setup=list("ab"), rep=range(3))
SPLIT = grid(block=range(5), main=list("ab"), setup=list("uv"), rep=range(3))


@pytest.mark.parametrize("stratum", ["setup by field", "main strips", "strips in main strips"])
def test_under_a_flat_prior_each_stratum_has_its_own_classical_answer(stratum):
    """Balanced, Gaussian, blocks >> spread >> residual: the posterior is known in closed form.

    Flat in the sd, the variance of n differences is scaled inverse chi-square with n - 2 degrees of
    freedom and the classical sum of squares (Gelman et al. 2014, Bayesian Data Analysis, 5.7).
    """
    if stratum == "setup by field":
        frame = drawn(FIELDS, 9, "gaussian", 0.0, field=150.0, field_setup=30.0)
        slope = {"slopes": {"field": ["setup"]}, "covariance": {"field": "exchangeable"}}
        fit = fitted(frame, "gaussian", ["field", "pair", "setup"], **slope)
        at, factor, unit = ("field", "setup"), "setup", ["field"]
    else:
        main = stratum == "main strips"
        own = {"block_main": 30.0} if main else {"block_main": 150.0, "block_main_setup": 30.0}
        frame = drawn(SPLIT, 9, "gaussian", 0.0, block=150.0, **own)
        nested = ["block", "main", "setup"]
        fit = fitted(frame, "gaussian", nested, "main + setup")
        factor = "main" if main else "setup"
        at, unit = (factor, None), ["block"] if main else ["block", "main"]
    found = integrate(fit, *at, scale=1e5)
    estimate, se, df = (v[0] for v in found.compare(last_row(fit, factor)))
    means = frame.groupby([*unit, factor])["y"].mean().unstack()
    gaps = (means.iloc[:, 1] - means.iloc[:, 0]).to_numpy()
    n = len(gaps)
    assert estimate == pytest.approx(gaps.mean(), abs=1e-6)
    assert df == pytest.approx(n - 2, rel=0.02)
    assert se == pytest.approx(gaps.std(ddof=2) / np.sqrt(n), rel=0.02)


def test_the_spread_of_effects_is_what_it_gives_a_row():
    """A factor of two levels and its column of -1 and 1 are one model, under one prior."""
    frame = drawn(FIELDS, 3, "gaussian", 0.0, field=1.0, field_setup=0.5, field_pair_setup=0.5)
    frame["x"] = np.where(frame["setup"] == "b", 1.0, -1.0)
    kinds = {"setup": "exchangeable", "x": "independent"}
    factor, column = (
        integrate(
            fitted(frame, "gaussian", ["field", "pair", "setup"], name, slopes={"field": [name]},
                   covariance={"field": kind}), "field", name, scale=0.5)
        for name, kind in kinds.items()
    )  # fmt: skip
    one, two = factor.compare(np.array([[0.0, 1.0]])), column.compare(np.array([[0.0, 2.0]]))
    np.testing.assert_allclose(np.ravel(one), np.ravel(two), rtol=1e-5)
    np.testing.assert_allclose(factor.sd, column.sd, rtol=1e-5)
