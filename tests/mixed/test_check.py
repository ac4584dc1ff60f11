"""Checks by simulation: they find what is wrong, stay quiet when nothing is, and match theory."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed.residual_shape import residual_shape


def trial(seed: int, mean: float, family: str = "poisson") -> MixedFit:
    """Six pairs of two strips with six frames, fitted as Poisson whatever the family is."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame([(p, s) for p in range(6) for s in "ab" for _ in range(6)])
    frame.columns = pd.Index(["pair", "strip"])
    unit = frame["pair"] * 2 + (frame["strip"] == "b")
    mu = mean * np.exp(rng.normal(0, 0.3, 6)[frame["pair"]] + rng.normal(0, 0.25, 12)[unit])
    if family == "negative_binomial":
        mu = mu * rng.gamma(2, 1 / 2, len(mu))
    frame["y"] = rng.poisson(mu)
    if family == "inflated":
        frame["y"] *= rng.uniform(size=len(mu)) > 0.2
    frame["setup"] = frame["strip"]
    return fit_mixed(frame, "y", "setup", nested=["pair", "strip"], family="poisson")


def test_dispersion_check_finds_overdispersion() -> None:
    """Negative binomial of size 2 and mean 6: the variance is four times the Poisson one."""
    for seed in range(4):
        found = trial(seed, 6.0, "negative_binomial").dispersion_check(100, seed=1)
        assert found.p == pytest.approx(2 / 101)
        assert found.ratio > 1.8
        assert found.ratio == found.observed / found.expected
        assert "doubtful" in found.verdict


def test_zero_check_finds_extra_zeros() -> None:
    """A fifth of the frames emptied at a mean of 6, where Poisson zeros are rare."""
    for seed in range(4):
        found = trial(seed, 6.0, "inflated").zero_check(100, seed=1)
        assert found.p == pytest.approx(2 / 101)
        assert found.observed > 2 * found.expected


def test_checks_are_quiet_under_the_model() -> None:
    """p is uniform: of 30 at most 5 lie below .05 (more has probability 0.3 %)."""
    p = []
    for seed in range(30):
        fit = trial(100 + seed, 2.0)
        p.append((fit.dispersion_check(59, seed).p, fit.zero_check(59, seed).p))
    below = (np.array(p) <= 0.05).sum(axis=0)
    assert (below <= 5).all()
    # Nor are they all large: the dispersion p is below a half about half of the time
    # (7 to 23 of 30 has probability 99.9 %).
    assert 7 <= (np.array(p)[:, 0] <= 0.5).sum() <= 23


def test_expected_zeros_of_a_plain_poisson_sample() -> None:
    """Without units or covariates the fitted mean is the sample mean: zeros n exp(-mean).

    The expectation given the mean is n (1 - 1/n)^total, a multinomial split of the total.
    """
    frame = pd.DataFrame({"y": np.random.default_rng(2).poisson(1.5, 200)})
    fit = fit_mixed(frame, "y", family="poisson")
    found = fit.zero_check(600, seed=3)
    total = frame["y"].sum()
    assert found.observed == (frame["y"] == 0).sum()
    # Variance of the number of empty cells, leading term: n exp(-m) (1 - (1 + m) exp(-m)).
    m = total / 200
    error = np.sqrt(200 * np.exp(-m) * (1 - (1 + m) * np.exp(-m)) / 600)
    assert found.expected == pytest.approx(200 * (1 - 1 / 200) ** total, abs=4 * error)
    # Pearson chi-square of a multinomial split has expectation n - 1 exactly (conditional on the
    # total), and variance 2 (n - 1) (1 - 1/total).
    spread = fit.dispersion_check(600, seed=3)
    assert spread.expected == pytest.approx(199, abs=4 * np.sqrt(2 * 199 / 600))
    assert spread.observed == pytest.approx(((frame["y"] - m) ** 2).sum() / m)


def test_same_seed_same_check() -> None:
    fit = trial(1, 3.0)
    one, two = fit.dispersion_check(50, seed=4), fit.dispersion_check(50, seed=4)
    np.testing.assert_array_equal(one.draws, two.draws)
    assert one.verdict in one._repr_html_()


def test_effect_quantiles_of_a_balanced_one_way() -> None:
    """Standardised effects: group means about the grand mean over their exact sd."""
    rng = np.random.default_rng(6)
    groups, repeats = 10, 4
    frame = pd.DataFrame({"g": np.repeat(np.arange(groups), repeats)})
    frame["y"] = 5 + rng.normal(0, 1.5, groups)[frame["g"]] + rng.normal(0, 1, len(frame))
    fit = fit_mixed(frame, "y", nested=["g"])
    table = residual_shape(fit, 800, seed=1).effects
    means = frame.groupby("g")["y"].mean()
    variance = fit.variances["variance"][0] + fit.dispersion**2 / repeats
    exact = (means - means.mean()) / np.sqrt(variance * (1 - 1 / groups))
    np.testing.assert_allclose(table["standardised"], np.sort(exact), rtol=1e-6)
    assert list(table["unit"]) == [str(g) for g in exact.sort_values().index]
    assert table["theoretical"].to_numpy() == pytest.approx(-table["theoretical"][::-1].to_numpy())
    # The band against draws of centred normals, without any model; the outermost quantile of
    # 800 and 20,000 draws agree to about 0.1.
    z = np.random.default_rng(2).standard_normal((20_000, groups))
    z = np.sort((z - z.mean(axis=1, keepdims=True)) / np.sqrt(1 - 1 / groups), axis=1)
    low, high = np.quantile(z, [0.025, 0.975], axis=0)
    assert np.abs(table["low"] - low).max() < 0.2
    assert np.abs(table["high"] - high).max() < 0.2


def test_effect_quantiles_of_slopes_and_counts() -> None:
    table = residual_shape(trial(3, 6.0), 100, seed=1).effects.query("level == 'strip'")
    assert len(table) == 12
    assert (table["low"] < table["high"]).all()
    assert (np.diff(table["standardised"]) >= 0).all()


def test_what_has_no_check_says_so() -> None:
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"g": np.repeat(np.arange(6), 4), "y": rng.normal(0, 1, 24)})
    frame["y"] -= frame.groupby("g")["y"].transform("mean")
    fit = fit_mixed(frame, "y", nested=["g"])
    with pytest.raises(ModelError, match="estimated"):
        fit.dispersion_check()
    with pytest.raises(ModelError, match="no zeros"):
        fit.zero_check()
    assert residual_shape(fit, 20, seed=1).effects.empty  # the variance is estimated at zero
    with pytest.raises(ModelError, match="at least 20"):
        trial(1, 3.0).zero_check(5)


def test_a_fitted_dispersion_is_fitted_anew_in_every_simulation() -> None:
    """Held at its estimate it would make the check blind: the statistic is near n by fitting."""
    rng = np.random.default_rng(5)
    mean = np.exp(1.5 + rng.normal(0, 0.4, 8)[np.repeat(np.arange(8), 10)])
    frame = pd.DataFrame({"g": np.repeat(np.arange(8), 10)})
    frame["y"] = rng.poisson(mean * rng.gamma(2, 1 / 2, 80))
    fit = fit_mixed(frame, "y", nested=["g"], family="negative_binomial")
    found = fit.dispersion_check(60, seed=2)
    again = fit.refit(fit.simulate(1, np.random.default_rng(2))[:, 0])
    mu = again.predict()
    y = again.model.original_order(again.y)
    assert found.draws[0] == pytest.approx(((y - mu) ** 2 / (mu + mu**2 / again.dispersion)).sum())
    assert found.p > 0.05 and found.failures == 60 - len(found.draws)
    assert fit.zero_check(60, seed=2).p > 0.05


def test_rows_drawn_without_variation_have_nothing_to_show() -> None:
    """Hessian fly (Gotway & Stroup 1997): a draw of the plots' variance so large that a fitted
    share rounds to one, whose variance is zero."""
    counts = """
    7/8 8/10 5/12 6/19 8/11 9/9 9/13 6/8 8/15 7/9 7/12 8/11 2/9 2/8 7/14 1/9
    12/13 9/9 9/11 7/14 8/8 7/10 8/10 3/12 9/14 5/12 10/20 2/9 0/6 4/12 6/15 0/9
    8/8 12/16 11/15 11/15 7/12 9/16 7/7 3/13 5/13 7/9 1/8 8/12 0/7 0/9 0/7 1/15
    9/15 8/12 9/9 6/10 10/11 2/8 8/15 9/13 8/15 6/6 7/9 5/13 2/13 5/12 6/17 7/15
    """
    rows = [map(int, c.split("/")) for c in counts.split()]
    frame = pd.DataFrame(rows, columns=["y", "n"])
    frame["block"], frame["variety"] = (
        np.repeat(list("abcd"), 16),
        [f"{v:02}" for v in range(16)] * 4,
    )
    frame["plot"] = frame["variety"]
    fit = fit_mixed(
        frame, "y", "variety", ["block", "plot"], family="binomial", trials="n", method="ml"
    )
    found = fit.dispersion_check(seed=1)
    assert np.isfinite([found.observed, found.expected, found.p]).all()
