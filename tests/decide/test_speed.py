"""Loss against speed and the cheapest speed: closed forms, the engine's own numbers, simulation."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, special

from trialkit.analysis.questions.speed import speed_means
from trialkit.decide import LossCurve, best_speed, loss_curve
from trialkit.errors import DesignError

DEMO = Path(__file__).parents[2] / "data_demo"
MONEY = {"price_per_t": 150.0, "cost_per_hour": 60.0, "width": 6.0, "efficiency": 0.7}
# Time costs 10 x 60 / (6 x 0.7) = 142.857 / s per ha.
K = 600 / 4.2


@pytest.fixture(scope="module")
def analysis(analysed):
    return analysed("split_strips")


def test_least_cost_on_an_exponential_is_lambert_s():
    # p a e^(b s) + k/s is least where s^2 e^(b s) = k/(p a b), by Lambert's W:
    # s = (2/b) W((b/2) sqrt(k/(p a b))).
    a, b, p = 20.0, 0.25, 0.150
    speeds = np.array([3.0, 12.0])
    curve = LossCurve.through(speeds, a * np.exp(b * speeds), [0.0, 0.0])
    exact = float(2 / b * special.lambertw(b / 2 * np.sqrt(K / (p * a * b))).real)
    found = best_speed(curve, **MONEY, within=0.5)
    assert found.best == pytest.approx(exact, abs=2e-4)
    assert (found.best_low, found.best_high) == pytest.approx((found.best, found.best))
    assert curve.loss(7.0) == pytest.approx(a * np.exp(b * 7.0))

    def over(s):
        return p * a * np.exp(b * s) + K / s - (p * a * np.exp(b * exact) + K / exact) - 0.5

    ends = (optimize.brentq(over, 3, exact), optimize.brentq(over, exact, 12))
    assert (found.flat_low, found.flat_high) == pytest.approx(ends, abs=2e-3)
    table = found.table
    assert table["total"].to_numpy() == pytest.approx(table["loss_cost"] + table["time_cost"])
    near = table["speed"].between(found.flat_low, found.flat_high)
    assert (table.loc[near, "near_best"] == 1).all() and (table.loc[~near, "near_best"] == 0).all()


def test_least_cost_on_a_quadratic_is_a_cube_root():
    # p c s^2 + k/s is least at s = (k / (2 p c))^(1/3): with c = 0.8 kg/ha per (km/h)^2.
    speeds = np.array([3.0, 6.0, 9.0, 14.0])
    curve = LossCurve.through(speeds, 5 + 0.8 * speeds**2, np.full(4, 1.0), form="quadratic")
    found = best_speed(curve, **MONEY, within=1.0)
    assert found.best == pytest.approx((K / (2 * 0.150 * 0.8)) ** (1 / 3), abs=2e-3)
    assert curve.misfit == pytest.approx(0, abs=1e-12) and curve.misfit_df == 1


def test_uncertainty_of_the_best_speed_is_the_delta_method_s():
    # On the cubic's solution s = (k/(2 p c))^(1/3), a relative error of c is three times that of s.
    speeds = np.array([3.0, 6.0, 9.0, 14.0])
    loss = 5 + 0.8 * speeds**2
    exact = LossCurve.through(speeds, loss, np.full(4, 1e-3), form="quadratic")
    # Only c = b2 uncertain, 1 % of it: s - centre form, so shift b0, b1 with it.
    centre = exact.centre
    direction = np.array([centre**2, 2 * centre, 1.0])
    curve = replace(exact, covariance=np.outer(direction, direction) * 0.008**2, df=np.inf)
    found = best_speed(curve, **MONEY, within=1.0, n=20_000)
    half = (found.best_high - found.best_low) / 2
    assert half == pytest.approx(1.959964 * 0.01 / 3 * found.best, rel=0.03)


def test_weighted_fit_agrees_with_scipy():
    speeds = np.array([4.0, 6.0, 8.0, 10.0])
    loss, se = np.array([55.0, 75.0, 100.0, 190.0]), np.array([5.0, 4.0, 12.0, 20.0])
    curve = LossCurve.through(speeds, loss, se, form="quadratic")
    wanted, covariance = optimize.curve_fit(
        lambda s, a, b, c: a + b * (s - 7) + c * (s - 7) ** 2, speeds, loss, sigma=se,
        absolute_sigma=True,
    )  # fmt: skip
    assert curve.coefficients == pytest.approx(wanted, rel=1e-5)
    assert curve.covariance == pytest.approx(covariance, rel=1e-4)
    assert curve.misfit == pytest.approx(np.sum(((loss - curve.loss(speeds)) / se) ** 2))


def test_speed_as_a_factor_gives_the_analysis_own_means(analysis):
    result = analysis.responses["header_loss"]
    found = speed_means(result, "speed")
    means = result.means[result.means["factor"] == "speed"]
    mass = np.exp(found.log_mean)
    assert mass - found.offset == pytest.approx(means["estimate"].to_numpy())
    # Their standard errors hold the preharvest loss too, which moves no optimum.
    se = mass * np.sqrt(np.diag(found.covariance))
    assert np.hypot(se, np.sqrt(result.offset.variance)) == pytest.approx(
        means["se"].to_numpy(), rel=1e-4
    )
    # The strips' own speeds, or the user's.
    strips = analysis.trial.strips
    assert found.speed == pytest.approx(
        strips.groupby("speed")["speed_measured"].mean().sort_values()
    )
    assert speed_means(result, "speed", {"slow": 5.6, "fast": 8.9}).speed.tolist() == [5.6, 8.9]
    curve = loss_curve(analysis, "speed")
    assert curve.loss(found.speed) == pytest.approx(means["estimate"].to_numpy())
    with pytest.raises(DesignError, match="three or more"):
        loss_curve(analysis, "speed", form="quadratic")
    with pytest.raises(DesignError, match="not a setup factor"):
        loss_curve(analysis, "pace")
    with pytest.raises(DesignError, match="fast has none"):
        loss_curve(analysis, "speed", {"slow": 5.6})
    with pytest.raises(DesignError, match="No model has measured ground speed"):
        loss_curve(analysis)


def test_speed_as_a_covariate_has_the_model_s_slope(analysed):
    analysis = analysed("gap_fields")
    result = analysis.responses["header_loss"]
    curve = loss_curve(analysis)
    second = result.at_same
    row = second.fit.coefficients.loc["speed_centred"]
    assert curve.coefficients[1] == pytest.approx(row["estimate"])
    assert np.sqrt(curve.covariance[1, 1]) == pytest.approx(row["se"], rel=1e-6)
    assert curve.df <= row["df"] + 1e-6
    # At the mean speed: the mean of the gaps' means.
    at = result.design.strips["speed_measured"].mean()
    assert curve.loss(at) == pytest.approx(second.means["estimate"].mean(), rel=1e-3)


def test_an_optimum_at_the_end_says_so(analysis):
    curve = loss_curve(analysis, "speed")
    found = best_speed(curve, **{**MONEY, "cost_per_hour": 400.0}, within=2.0, system="US")
    assert found.best == curve.high and found.at_high_end > 0.95
    words = " ".join(found.sentences)
    assert "going faster cost less" in words and "do not drive faster" in words
    assert "mph" in words and "not a guarantee" in words
    free = best_speed(curve, **{**MONEY, "cost_per_hour": 0.0}, within=2.0)
    assert free.best == curve.low and "going slower cost less" in free.sentences[0]
    assert free.flat_low == curve.low < free.flat_high
    with pytest.raises(ValueError, match="within the speeds"):
        best_speed(curve, **MONEY, within=1.0, limits=(2.0, 9.0))


def test_interval_of_the_best_speed_covers_it():
    # 400 trials of four speeds, true curve 20 e^(0.25 s), known standard errors of 6 %: a 90 %
    # interval must hold the true optimum in 90 % of them, within 3.3 binomial se (5 points).
    a, b, p = 20.0, 0.25, 0.150
    truth = float(2 / b * special.lambertw(b / 2 * np.sqrt(K / (p * a * b))).real)
    speeds = np.array([3.0, 5.0, 8.0, 12.0])
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        loss = a * np.exp(b * speeds + rng.normal(0, 0.06, 4))
        found = best_speed(
            LossCurve.through(speeds, loss, 0.06 * loss), **MONEY, within=1.0, level=0.9, n=400
        )
        held += found.best_low <= truth <= found.best_high
    assert held / 400 == pytest.approx(0.9, abs=0.05)


def test_a_poor_fit_is_named():
    curve = LossCurve.through([4, 6, 8, 10], [50, 120, 60, 150], [3, 3, 3, 3])
    assert "do not lie well on the exponential" in " ".join(
        best_speed(curve, **MONEY, within=1.0).sentences
    )
    with pytest.raises(ValueError, match="above zero"):
        LossCurve.through([4, 6], [-5, 10], [1, 1])
    with pytest.raises(ValueError, match="needs 3 different speeds"):
        LossCurve.through([4, 6], [5, 10], [1, 1], form="quadratic")
