"""The published recovery table, the truth of the trials behind it, and a few of its rounds."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).parent))
import independent
import recover

from trialkit.mixed import fit_mixed

# A rate or bias may lie this far outside its range by chance: 99.9 %, over all rows looked at.
CHANCE = 1e-3
OWN = list(independent.DESIGNS)
# Shown to be wider than they need be, averaged over all designs: the prior of the error's spread is
# as wide as strips that differ by 0.3 to 0.4 require, and strips here differ by less.
CAUTIOUS = (0.05, 0.15)


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return pd.read_csv(recover.RESULT)


def _outside(rows: pd.DataFrame, low: float, high: float = 1.0) -> pd.DataFrame:
    """Rows whose coverage lies outside the range by more than the simulation's own error."""
    n, k = rows["rounds"], (rows["coverage"] * rows["rounds"]).round()
    chance = CHANCE / 2 / len(rows)
    return rows[(stats.binom.cdf(k, n, low) < chance) | (stats.binom.sf(k - 1, n, high) < chance)]


def _over_spreads(rows: pd.DataFrame) -> pd.DataFrame:
    """Coverage averaged over the spreads, weighted by rounds."""
    rows = rows.assign(inside=rows["coverage"] * rows["rounds"])
    keys = ["design", "response", "quantity", "factor", "level"]
    found = rows.groupby(keys, sort=False)[["inside", "rounds"]].sum().reset_index()
    return found.assign(coverage=found["inside"] / found["rounds"])


def test_every_design_has_its_rounds(table: pd.DataFrame) -> None:
    assert list(table["design"].unique()) == list(recover.DESIGNS)
    for name, own in table.groupby("design"):
        assert set(own["response"]) == set(recover.responses_of(name))
        assert set(own["spread"]) == set(recover.spreads_of(name))
        tried = own[["rounds", "without_estimate", "failed"]].sum(axis=1)
        assert (tried == (200 if name in OWN else 100)).all()
    assert (table["failed"] <= 0.01 * table["rounds"]).all()
    # Only a ratio may be left open: where a mean's interval reaches zero.
    assert (table.loc[table["quantity"] != "ratio", "without_estimate"] == 0).all()


def test_savings_are_not_biased(table: pd.DataFrame) -> None:
    """Differences and ratios: less than 2 % of the truth, beyond the simulation's own error."""
    own = table[table["quantity"] != "mean"]
    limit = 2.0 + stats.norm.isf(CHANCE / 2 / len(own)) * own["bias_error"]
    outside = own[own["bias_percent"].abs() > limit]
    assert outside.empty, outside.to_string()


@pytest.mark.parametrize(("response", "most"), [("header_loss", 2.0), ("kernel_damage", 4.0)])
def test_means_lie_a_little_high(table: pd.DataFrame, response: str, most: float) -> None:
    own = table[table["design"].isin(OWN) & (table["response"] == response)]
    own = own[own["quantity"] == "mean"]
    # Levels and factors of one trial share it: their mean's error is taken as large as one's.
    each = own.groupby(["design", "spread"])[["bias_percent", "bias_error"]].mean()
    error = np.sqrt((each["bias_error"] ** 2).sum()) / len(each)
    assert -3 * error < each["bias_percent"].mean() < most + 3 * error, each.to_string()


def test_where_means_lie_high_it_is_the_joint_mode() -> None:
    """Restricted fits take fixed effects where frames' own effects are at their mode.

    The mean then lies high by half of what is unknown of a frame's effect, here 0.04 / 2 at a
    variance of 0.08 and 12 kernels: 1 / (1 / 0.08 + 12). Maximum likelihood has no such bias.
    """
    rng, away = np.random.default_rng(1), {"reml": [], "ml": []}
    for _ in range(6):
        effect = rng.normal(0.0, np.sqrt(0.08), 600)
        rows = pd.DataFrame({"row": range(600), "y": rng.poisson(12.0 * np.exp(effect))})
        rows["row"] = rows["row"].astype(str)
        for method, own in away.items():
            fit = fit_mixed(rows, "y", "1", "row", family="poisson", method=method)
            mean = fit.coefficients["estimate"].iloc[0] + fit.variances["variance"].sum() / 2
            own.append(mean - np.log(rows["y"].mean()))
    assert np.mean(away["reml"]) == pytest.approx(0.02, abs=0.005)
    assert np.mean(away["ml"]) == pytest.approx(0.0, abs=0.005)


def test_intervals_cover(table: pd.DataFrame) -> None:
    """Comparisons: 94 to 98.5 % over the spreads of a design; all figures: 93.5 % at each."""
    contrasts = table[table["design"].isin(OWN) & (table["quantity"] != "mean")]
    outside = _outside(_over_spreads(contrasts), 0.94, 0.985)
    assert outside.empty, outside.to_string()
    low = _outside(table, 0.935)
    assert low.empty, low.to_string()
    # All designs together: figures of one trial share it, so the error is that of as many trials.
    trials = contrasts.groupby("design")["rounds"].max().sum()
    for spread, rate in contrasts.groupby("spread")["coverage"].mean().items():
        error = np.sqrt(rate * (1 - rate) / trials)
        assert rate > 0.94 and (rate - 2 * error > 0.98) == (spread in CAUTIOUS), (spread, rate)


@pytest.mark.parametrize("law", ["lognormal", "gamma", "laplace"])
def test_factors_are_what_they_say(law: str) -> None:
    drawn = independent.factor(law, 0.3, 200_000, np.random.default_rng(1))
    assert abs(drawn.mean() - 1) < 4 * drawn.std() / np.sqrt(len(drawn))
    # Standard error of a standard deviation: at most 1.2 / sqrt(n) of it, at a kurtosis of 6.
    assert np.log(drawn).std() == pytest.approx(0.3, rel=4 * 1.2 / np.sqrt(len(drawn)))


def test_truth_is_the_mean_of_what_is_drawn() -> None:
    """Plain means of densities and shares over 150 trials, beside the truth stated for them."""
    design, found = independent.DESIGNS["5 split blocks"], []
    rng = np.random.default_rng(3)
    for _ in range(150):
        drawn = independent.draw(design, 0.3, rng)
        strips = drawn["strips"].set_index("strip")
        frames = drawn["frames"]
        density = frames["loose_kernels"] / (frames["area (ft2)"] * 0.3048**2)
        ahead = frames["zone"] == "preharvest"
        loss = density[~ahead].groupby(frames["strip"]).mean() - density[ahead].mean()
        share = drawn["grain"]["kernels_damaged"] / drawn["grain"]["kernels_examined"]
        own = {"header_loss": 3.0 * loss, "kernel_damage": 100 * share}
        own["kernel_damage"] = own["kernel_damage"].groupby(drawn["grain"]["strip"]).mean()
        cells = strips[["cushion", "gap"]].join(pd.DataFrame(own)).dropna()
        found.append(cells.groupby(["cushion", "gap"]).mean())
    means = pd.concat(found)
    for name, response in (("cushion", "header_loss"), ("gap", "kernel_damage")):
        for row in independent.truths(design)[response].query("factor == @name").itertuples():
            one = means[response].xs(row.level, level=name).groupby(level=0)
            # One value a trial: the mean over the levels of the other factor.
            trial = np.mean([own.to_numpy() for _, own in one], axis=0)
            error = trial.std(ddof=1) / np.sqrt(len(trial))
            assert abs(trial.mean() - row.mean) < 4 * error, (name, row.level)


def test_a_round_is_the_same_whatever_its_batch() -> None:
    one = recover.simulate("4 pairs", 1, seed=5)
    pd.testing.assert_frame_equal(one, recover.simulate("4 pairs", 1, seed=5, jobs=2))
    assert set(one["spread"]) == set(recover.SPREADS)
    ratio = one.query("response == 'header_loss' and quantity == 'ratio'")["true"]
    np.testing.assert_allclose(ratio, 0.6)
    other = recover.simulate("6 pairs, other responses", 1, seed=5)
    assert set(other["response"]) == set(recover.OTHERS) and (other["reason"] == "").all()
