"""Parametric bootstrap: reproducible, right where theory is exact, and honest about failures."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed.bootstrap import null_fit
from trialkit.mixed.hypotheses import term_rows

# Monte Carlo: standard errors either side that a simulated figure may lie from the exact one.
SIGMAS = 4.0


def one_way(groups: int = 12, repeats: int = 5) -> pd.DataFrame:
    """Balanced groups, between variance far from zero."""
    rng = np.random.default_rng(3)
    g = np.repeat(np.arange(groups), repeats)
    y = 10 + rng.normal(0, 2, groups)[g] + rng.normal(0, 1, len(g))
    return pd.DataFrame({"g": g, "y": y})


def pairs(seed: int, n: int = 9) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame([(k, a, b) for k in range(n) for a in "xyz" for b in "pq"])
    frame.columns = pd.Index(["pair", "a", "b"])
    effect = rng.normal(0, 2, n)[frame["pair"]] + 0.4 * (frame["a"] == "z")
    return frame.assign(y=effect + rng.normal(0, 1, len(frame)))


@pytest.fixture(scope="module")
def counts() -> MixedFit:
    rng = np.random.default_rng(1)
    frame = pd.DataFrame([(p, s) for p in range(5) for s in "ab" for _ in range(3)])
    frame.columns = pd.Index(["pair", "setup"])
    mean = np.exp(1.5 + rng.normal(0, 0.4, 5)[frame["pair"]] - 0.3 * (frame["setup"] == "b"))
    frame["y"] = rng.poisson(mean)
    return fit_mixed(frame, "y", "setup", nested=["pair"], family="poisson")


def test_rounds_do_not_depend_on_jobs(counts: MixedFit) -> None:
    told: list[tuple[int, int]] = []
    one = counts.bootstrap(20, seed=5, progress=lambda done, n: told.append((done, n)))
    two = counts.bootstrap(20, seed=5, jobs=2)
    pd.testing.assert_frame_equal(one.draws, two.draws, check_exact=True)
    assert told[-1] == (20, 20) and [d for d, _ in told] == sorted({d for d, _ in told})
    assert not counts.bootstrap(20, seed=6).draws.equals(one.draws)
    tests = [counts.bootstrap_test("setup", 20, seed=5, jobs=j) for j in (1, 2)]
    pd.testing.assert_series_equal(tests[0].draws, tests[1].draws, check_exact=True)
    left_out = [counts.influence("pair", jobs=j).summary for j in (1, 2)]
    pd.testing.assert_frame_equal(left_out[0], left_out[1], check_exact=True)


def test_a_round_is_a_refit_of_its_own_draw(counts: MixedFit) -> None:
    boot = counts.bootstrap(3, seed=8, statistic=lambda fit: {"loglik": fit.loglik})
    seeds = np.random.SeedSequence(8).spawn(3)
    again = counts.refit(counts.simulate(1, np.random.default_rng(seeds[1]))[:, 0])
    assert boot.draws.loc[2, "fixed"].to_numpy() == pytest.approx(again.fixed_effects.to_numpy())
    assert boot.draws.loc[2, ("variance", "pair")] == again.variances["variance"][0]
    assert boot.draws.loc[2, ("statistic", "loglik")] == again.loglik
    assert boot.estimates[("statistic", "loglik")] == counts.loglik


def test_balanced_one_way_spread_is_the_exact_one() -> None:
    """Grand mean and ANOVA estimators: Searle, Casella & McCulloch 1992, chapter 3."""
    groups, repeats, n = 12, 5, 800
    fit = fit_mixed(one_way(groups, repeats), "y", nested=["g"])
    between, residual = fit.variances["variance"][0], fit.dispersion**2
    boot = fit.bootstrap(n, seed=11, statistic=lambda f: {"s2": f.dispersion**2})
    group_mean = between + residual / repeats
    df_within = groups * (repeats - 1)
    exact = {
        ("fixed", "Intercept"): group_mean / groups,
        ("statistic", "s2"): 2 * residual**2 / df_within,
        ("variance", "g"): 2 * group_mean**2 / (groups - 1)
        + 2 * residual**2 / (df_within * repeats**2),
    }
    summary = boot.summary
    for name, variance in exact.items():
        row = summary.loc[name]
        assert abs(row["se"] - np.sqrt(variance)) < SIGMAS * row["se_error"]
        assert abs(row["bias"]) < SIGMAS * np.sqrt(variance / n)
    # The grand mean is normal: its 95 % interval is the estimate -/+ 1.96 exact standard errors,
    # and a quantile at 2.5 % of n draws has Monte Carlo error sqrt(.025 .975 / n) / density.
    se = np.sqrt(group_mean / groups)
    error = SIGMAS * np.sqrt(0.025 * 0.975 / n) / 0.05845 * se
    ends = boot.intervals(0.95).loc[("fixed", "Intercept"), ["low", "high"]].to_numpy()
    centre = fit.fixed_effects.iloc[0]
    assert np.abs(ends - [centre - 1.959964 * se, centre + 1.959964 * se]).max() < error
    basic = boot.intervals(0.95, kind="basic").loc[("fixed", "Intercept")]
    assert basic["low"] == pytest.approx(2 * centre - ends[1])
    assert (boot.intervals(0.999, kind="basic").loc["variance", "low"] >= 0).all()


def test_test_agrees_with_the_exact_f_of_complete_blocks() -> None:
    fit = fit_mixed(pairs(4), "y", "a + b", nested=["pair"])
    for term in ("a", "b"):
        found = fit.bootstrap_test(term, 200, seed=2)
        exact = fit.term_tests().loc[term]
        assert found.statistic == pytest.approx(exact["F"])
        assert found.p_f == pytest.approx(exact["p"])
        assert abs(found.p - exact["p"]) < SIGMAS * np.sqrt(exact["p"] * (1 - exact["p"]) / 200)
        assert found.p == (1 + (found.draws >= found.statistic).sum()) / 201
    rows = np.array([[0.0, 0.0, 0.0, 1.0]])
    assert fit.bootstrap_test(rows, 30, seed=2).p == fit.bootstrap_test("b", 30, seed=2).p


@pytest.mark.parametrize("family", ["gaussian", "poisson"])
def test_null_model_is_the_fit_without_the_term(family: str) -> None:
    frame = pairs(6)
    if family == "poisson":
        frame["y"] = np.random.default_rng(1).poisson(np.exp(1 + frame["y"] / 4))
    fit = fit_mixed(frame, "y", "a * b", nested=["pair"], family=family, method="ml")
    null = null_fit(fit, term_rows(fit.fixed_part, "a:b"))
    without = fit_mixed(frame, "y", "a + b", nested=["pair"], family=family, method="ml")
    assert null.loglik == pytest.approx(without.loglik, abs=1e-7)
    # A hypothesis that is no dropped column: the levels y and z of a alike.
    null = null_fit(
        fit_mixed(frame, "y", "a", nested=["pair"], family=family, method="ml"),
        np.array([[0.0, 1.0, -1.0]]),
    )
    pooled = frame.assign(a=np.where(frame["a"] == "x", "x", "other"))
    without = fit_mixed(pooled, "y", "a", nested=["pair"], family=family, method="ml")
    assert null.loglik == pytest.approx(without.loglik, abs=1e-7)


def test_failed_rounds_are_counted_with_their_reason() -> None:
    """Three kernels in all under b: a round draws none with probability about exp(-3)."""
    frame = pd.DataFrame({"pair": np.tile(np.arange(4), 6), "setup": np.repeat(["a", "b"], 12)})
    frame["y"] = [5, 3, 8, 2, 6, 4, 9, 3, 4, 4, 6, 1, *[0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 1, 0]]
    fit = fit_mixed(frame, "y", "setup", nested=["pair"], family="poisson")
    boot = fit.bootstrap(200, seed=3)
    assert 1 <= len(boot.failures) <= 30
    assert len(boot.draws) + len(boot.failures) == 200
    assert set(boot.draws.index).isdisjoint(boot.failures["round"])
    drawn = [
        fit.simulate(1, np.random.default_rng(s))[frame["setup"] == "b"].sum()
        for s in np.random.SeedSequence(3).spawn(200)
    ]
    assert list(boot.failures["round"]) == [i for i, b in enumerate(drawn, start=1) if b == 0]
    assert boot.failures["reason"].str.contains("every 'y' is zero under setup = b").all()
    assert f"{len(boot.failures)} could not be fitted" in boot._repr_html_()

    def picky(again: MixedFit) -> float:
        if again.loglik < fit.loglik:
            raise ModelError("too low")
        return again.loglik

    picked = fit.bootstrap(60, seed=3, statistic=picky)
    assert (picked.failures["reason"] == "too low").sum() > 0
    assert len(picked.draws) + len(picked.failures) == 60
    assert (picked.draws[("statistic", "statistic")] >= fit.loglik).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda f: f.bootstrap(1), "at least 2"),
        (lambda f: f.bootstrap(5, jobs=0), "jobs"),
        (lambda f: f.bootstrap_test("speed", 5), "no term"),
        (lambda f: f.bootstrap_test(np.eye(2), 5), "leaves no fixed effect"),
        (lambda f: f.bootstrap_test(np.ones((1, 3)), 5), "2 finite columns"),
        (lambda f: f.bootstrap(5, seed=1).intervals(kind="bca"), "percentile"),
    ],
)
def test_wrong_arguments_are_named(counts: MixedFit, call: object, words: str) -> None:
    with pytest.raises(ModelError, match=words):
        call(counts)  # type: ignore[operator]
