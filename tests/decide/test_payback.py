"""Extra time, payback, break-even and sensitivity: by hand and in closed form."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from trialkit.decide import (
    Budget,
    break_even,
    budget,
    extra_time,
    field_capacity,
    field_capacity_us,
    payback,
    sensitivity,
    years_to_payback,
)
from trialkit.decide.draws import spread, summary, t_vectors, uniforms
from trialkit.errors import DesignError
from trialkit.intake import OptionCost
from trialkit.words.money import amount, percent, whole_places

DEMO = Path(__file__).parents[2] / "data_demo"
ACRE = 0.40468564224  # ha, exact
# 1 bu/ac kept at 4.00 on 600 ac; the option 6,000 over 10 years at 8 %: 894.18 a year.
PLAIN = Budget(62.76779, 157.473044, 600 * ACRE, 6000, 10, 0.08)


@pytest.fixture(scope="module")
def analysis(analysed):
    """The demo's losses with the worked option, whatever the demo's own costs."""
    found = analysed("cushion_pairs")
    option = OptionCost("cushion", "cushion", 6000.0, 10.0, 0.08, PLAIN.area)
    config = replace(found.trial.config, option=option, price_per_t=PLAIN.price)
    return replace(found, trial=replace(found.trial, config=config))


def with_difference(analysis, value: float, half: float):
    result = analysis.responses["header_loss"]
    table = result.contrasts.assign(
        difference=value, difference_low=value - half, difference_high=value + half
    )
    responses = {**analysis.responses, "header_loss": replace(result, contrasts=table)}
    return replace(analysis, responses=responses)


def test_field_capacity_in_both_systems():
    # Iowa State University Extension PM 696 (A3-24): spreader 40 ft, 6 mph, 70 %: 20.4 A/h, and
    # 15 ft, 5 mph, 63 %: 5.7 A/h.
    assert field_capacity_us(6, 40, 0.70) == pytest.approx(20.4, abs=0.05)
    assert field_capacity_us(5, 15, 0.63) == pytest.approx(5.7, abs=0.05)
    # By hand: 5 mph x 20 ft x 0.7 / 8.25 = 8.4848; 8 km/h x 6 m x 0.7 / 10 = 3.36.
    assert field_capacity_us(5, 20, 0.7) == pytest.approx(70 / 8.25)
    assert field_capacity(8, 6, 0.7) == pytest.approx(3.36)
    # One machine in both systems: mph and ft are exact in km/h and m, so are acres in hectares.
    us = field_capacity_us(5, 20, 0.7)
    assert field_capacity(5 * 1.609344, 20 * 0.3048, 0.7) == pytest.approx(us * ACRE, rel=1e-12)
    for bad in ((0, 6, 0.7), (8, 6, 0.0), (8, 6, 70)):
        with pytest.raises(ValueError, match="above"):
            field_capacity(*bad)


def test_extra_time_by_hand():
    # 4 against 5 mph, 20 ft, 75 %: 8/1.1 = 7.2727 and 9.0909 ac/h; 0.1375 - 0.11 = 0.0275 h/ac;
    # at 200 + 30 an hour 6.325 an acre, a half that is told to the even cent; with 70 an hour of
    # timeliness 8.25.
    mph = 1.609344
    at = {"width": 20 * 0.3048, "efficiency": 0.75, "machine_per_hour": 200,
          "operator_per_hour": 30, "system": "US"}  # fmt: skip
    slower = extra_time(4 * mph, 5 * mph, **at)
    assert slower.hours_per_ha * ACRE == pytest.approx(0.0275, rel=1e-12)
    assert slower.cost_per_ha * ACRE == pytest.approx(6.325, rel=1e-12)
    late = extra_time(4 * mph, 5 * mph, timeliness_per_hour=70, **at)
    assert late.cost_per_ha * ACRE == pytest.approx(8.25, rel=1e-12)
    faster = extra_time(5 * mph, 4 * mph, **at)
    assert faster.cost_per_ha == pytest.approx(-slower.cost_per_ha)
    assert "7.3 ac an hour" in slower.sentences[0] and "USD 6.32 per ac more" in slower.sentences[0]
    assert "minutes per ac less, USD 6.32 per ac less" in faster.sentences[0]
    # 8 against 10 km/h, 6 m, efficiencies 0.75 and 0.70: 3.6 and 4.2 ha/h; 1/3.6 - 1/4.2 = 1/25.2.
    metric = extra_time(8, 10, width=6, efficiency=(0.75, 0.70), machine_per_hour=100,
                        operator_per_hour=26)  # fmt: skip
    assert metric.hours_per_ha == pytest.approx(0.0396825, rel=1e-5)
    assert metric.cost_per_ha == pytest.approx(5.0, rel=1e-12)


def test_years_to_payback_are_the_annuity_turned_round():
    # 6,000 at 8 % is repaid by 894.18 a year in ten years (capital recovery factor 0.14903).
    assert years_to_payback(6000, 0.08, 6000 * 0.149029489) == pytest.approx(10, rel=1e-6)
    assert years_to_payback(6000, 0.0, 1500) == 4
    # 480 is the interest alone: never repaid, nor by a loss.
    assert years_to_payback(6000, 0.08, np.array([480.0, 0.0, -5.0])).tolist() == [math.inf] * 3


def test_budget_adds_up_by_hand():
    assert PLAIN.annual_cost == pytest.approx(894.18, abs=0.005)
    assert PLAIN.net_per_year == pytest.approx(600 * 4.00 - 894.18, abs=0.01)
    more = replace(PLAIN, discount_avoided=3 / ACRE, time_cost=1 / ACRE, running_cost=100)
    assert more.net_per_year == pytest.approx(600 * (4 + 3 - 1) - 994.18, abs=0.01)
    assert more.net_per_ha * more.area == pytest.approx(more.net_per_year)


def test_budget_of_a_trial_and_what_it_lacks(analysis, analysed):
    found = budget(analysis, price=200.0)
    contrast = analysis.responses["header_loss"].contrasts.iloc[0]
    assert (found.saved, found.price, found.option_price) == (-contrast["difference"], 200, 6000)
    fields = analysed("gap_fields")
    with pytest.raises(DesignError, match=r"needs .*area, option_price, years, interest"):
        budget(fields)
    assert budget(fields, "gap", "wide", area=100, option_price=1, years=1, interest=0).saved < 0
    with pytest.raises(TypeError, match="acres"):
        budget(analysis, acres=600)


def test_probability_of_payback_is_the_t_tail(analysis):
    found = payback(analysis)
    row = analysis.responses["header_loss"].contrasts.iloc[0]
    b = found.budget
    enough = 1000 * b.annual_cost / b.area / b.price  # kg/ha that just pay
    # The printed interval's own half on the side of what just pays.
    side = "difference_high" if -enough > row["difference"] else "difference_low"
    se = abs(row[side] - row["difference"]) / stats.t.ppf(0.975, row["df"])
    exact = stats.t.sf((enough + row["difference"]) / se, row["df"])
    # One draw in each of 20,000 equal slices: the share is exact to a slice.
    assert found.probability == pytest.approx(exact, abs=1.01 / 20_000)
    # The draws' interval is the printed one, in money.
    saving = found.table.loc["saving_per_ha"]
    wanted = [-row[c] * b.price / 1000 for c in ("difference", "difference_high", "difference_low")]
    assert saving[["median", "low", "high"]].tolist() == pytest.approx(wanted, rel=2e-3)
    # It pays within its life exactly where the year's balance is above zero.
    assert (found.draws["years"] < b.years).mean() == found.probability


def test_probability_with_a_range_of_prices_is_the_integral(analysis):
    low, high = 100.0, 220.0
    found = payback(analysis, price=(low, high))
    d, b = found.found.distribution, found.budget
    price = np.linspace(low, high, 20_001)
    exact = stats.t.cdf((-1000 * b.annual_cost / b.area / price - d.value) / d.se, d.df).mean()
    # Variance of a Latin hypercube is below that of plain draws: 4 x sqrt(0.25 / 20,000) = 0.014.
    assert found.probability == pytest.approx(exact, abs=0.014)
    assert found.draws["price"].between(low, high).all()
    assert found.budget.price == pytest.approx(160, abs=0.01)


def test_ratio_carried_to_another_loss(analysis):
    found = payback(analysis, basis="ratio", loss=100.0)
    row = analysis.responses["header_loss"].contrasts.iloc[0]
    low, high = np.quantile(found.draws["saved"], [0.025, 0.975])
    wanted = [100 * (1 - row["ratio_high"]), 100 * (1 - row["ratio_low"])]
    assert [low, high] == pytest.approx(wanted, rel=2e-3)
    assert found.budget.saved == pytest.approx(100 * (1 - row["ratio"]))
    # Break-even area: cost over the value of the interval's ends.
    value = np.array(wanted) * found.budget.price / 1000
    assert [found.area.high, found.area.low] == pytest.approx(
        list(found.budget.annual_cost / value)
    )
    assert "logarithm of the ratio" in found.sentences[0]
    with pytest.raises(ValueError, match="needs the loss"):
        payback(analysis, basis="ratio")


def test_discount_draws_and_other_costs_enter(analysis):
    plain = payback(analysis)
    # What is certain per ha shifts every draw alike.
    more = payback(analysis, discount_avoided=3.0, time_cost=1.0, running_cost=50.0)
    shift = more.draws["net_per_year"] - plain.draws["net_per_year"]
    assert shift.to_numpy() == pytest.approx(2.0 * more.budget.area - 50.0)
    # Draws are used as they stand.
    given = np.random.default_rng(5).normal(2, 1, 20_000)
    drawn = payback(analysis, discount_avoided=given)
    assert (drawn.draws["saving_per_ha"] - plain.draws["saving_per_ha"]).to_numpy() == (
        pytest.approx(given)
    )


def test_break_even_area_and_price_by_hand():
    # 1 (0.5 to 2) bu/ac at 4.00 against 894.18: 223.5 ac (111.8 to 447.1); on 600 ac
    # 894.18 / 600 = 1.490 per bu (0.745 to 2.981).
    saved = (62.76779 / 2, 62.76779 * 2)
    area = break_even(PLAIN, "area", saved, 0.95, "USD", "US")
    assert area.in_system == pytest.approx((223.545, 111.772, 447.09), rel=1e-4)
    price = break_even(PLAIN, "price", saved, 0.95, "USD", "US")
    assert price.in_system == pytest.approx((1.4903, 0.74515, 2.9806), rel=1e-4)
    assert "USD 1.49 per bu (95 % interval 0.75 to 2.98)" in price.sentence
    assert "224 ac a year (95 % interval 112 to 447)" in area.sentence
    si = break_even(PLAIN, "price", saved, 0.95)
    assert si.value == pytest.approx(1.4903 * 39.3682, rel=1e-4) and "per t" in si.sentence


def test_break_even_is_open_where_the_difference_may_be_zero(analysis):
    found = payback(with_difference(analysis, -20.0, 30.0))
    assert math.isinf(found.area.high) and math.isinf(found.price.high)
    for result in (found.area, found.price):
        assert np.isfinite([result.value, result.low]).all()
        assert "no upper limit, because the interval of the saving includes zero" in result.sentence
    none = payback(with_difference(analysis, 5.0, 30.0))
    assert "none at the estimate" in none.area.sentence
    assert math.isinf(none.table.loc["years", "median"])
    assert "in any number of years" in none.sentences[2]
    never = payback(with_difference(analysis, 20.0, 5.0))
    assert "Break-even area: none." in never.area.sentence
    assert percent(never.probability) == "less than 1 %"
    covered = break_even(replace(PLAIN, discount_avoided=100.0), "price", (30, 90), 0.95)
    assert (covered.value, covered.low) == (0, 0) and "none needed" in covered.sentence


def test_an_option_that_loses_grain_may_pay_below_a_price():
    # 100 a ha of discount less 894.18 / 242.81 ha of cost, over 5 kg/ha lost.
    option = replace(PLAIN, saved=-5.0, discount_avoided=100.0)
    limit = 1000 * (100 - option.annual_cost / PLAIN.area) / 5
    assert replace(option, price=limit).net_per_year == pytest.approx(0, abs=1e-6)
    for interval in ((-10, -1), (-10, 5)):
        found = break_even(option, "price", interval, 0.95)
        assert found.covered and found.value == 0.0
        assert found.limit == pytest.approx(limit)
        assert f"it loses grain, and pays below USD {limit:,.2f} per t only" in found.sentence
    kept = break_even(replace(option, saved=5.0), "price", (-10, 20), 0.95, system="US")
    half = f"{limit / 2 / 1000 * 25.40117272:,.2f}"  # kg in a bushel of 56 lb
    assert "none needed at the estimate" in kept.sentence
    assert f"low end of the interval of the saving it loses grain, and pays below USD {half}" in (
        kept.sentence
    )


def test_a_price_repaid_late_is_set_beside_the_options_life(analysis):
    found = payback(analysis)
    assert found.table.loc["years", "high"] > found.budget.years == 10
    assert "; it is taken to last 10 years." in found.sentences[2]
    soon = payback(with_difference(analysis, -60.0, 10.0))
    assert soon.table.loc["years", "high"] < 10 and "taken to last" not in soon.sentences[2]


def test_stated_ranges_are_drawn_as_stated():
    p = uniforms(10_000, 3, seed=2)
    assert np.sort((p * 10_000).astype(int), axis=0)[:, 1].tolist() == list(range(10_000))
    assert spread((2, 4), p[:, 0]).mean() == pytest.approx(3, abs=1e-4)
    # Triangular: mean (a + b + c)/3, variance (a2 + b2 + c2 - ab - ac - bc)/18.
    drawn = spread((1, 2, 6), p[:, 1])
    assert (drawn.mean(), drawn.var()) == (
        pytest.approx(3, abs=1e-3),
        pytest.approx(21 / 18, rel=0.01),
    )
    values, counts = np.unique(spread((3, 4, 5, 9), p[:, 2]), return_counts=True)
    assert values.tolist() == [3, 4, 5, 9] and counts.tolist() == [2500] * 4
    for bad in ((4, 2), (1, 9, 6), (1, math.nan)):
        with pytest.raises(ValueError, match=r"rise|finite"):
            spread(bad, p[:, 0])
    assert summary(np.array([1.0, 2.0, math.inf]), 0.9) == (2.0, 1.0, math.inf)


def test_drawn_vectors_have_the_t_they_claim():
    v = np.array([[4.0, 1.0], [1.0, 1.0]])
    drawn = t_vectors(np.array([10.0, -3.0]), v, 8, 40_000, seed=4)
    # Covariance of a multivariate t is v df/(df - 2); quantiles are those of a scaled t.
    assert np.cov(drawn.T) == pytest.approx(v * 8 / 6, rel=0.05)
    step = (drawn[:, 0] - drawn[:, 1] - 13) / math.sqrt(4 + 1 - 2)
    assert np.quantile(step, [0.025, 0.9]) == pytest.approx(stats.t.ppf([0.025, 0.9], 8), abs=0.05)


def test_sensitivity_by_hand():
    result = sensitivity(
        PLAIN,
        {
            "interest": (0.08, 0.08),
            "area": (100 * ACRE, 700 * ACRE),
            "price": (78.736522, 157.473044),
        },
        system="US",
    )
    assert result.table.index.tolist() == ["area", "price", "interest"]
    area, price = result.table.loc["area"], result.table.loc["price"]
    # 4.00 an acre on 100 and 700 ac; 2.00 and 4.00 on 600 ac; less 894.18.
    assert (area["net_low"], area["net_high"]) == pytest.approx((-494.18, 1905.82), abs=0.02)
    assert (price["net_low"], price["net_high"]) == pytest.approx((305.82, 1505.82), abs=0.02)
    assert result.table["crosses"].tolist() == [True, False, False]
    assert (
        "Area a year moves the balance most: USD \N{MINUS SIGN}494 a year at 100 ac"
        in (result.sentences[0])
    )
    assert result.sentences[1].endswith("decides whether it pays: area a year.")
    with pytest.raises(ValueError, match="not part of a budget"):
        sensitivity(PLAIN, {"yield": (1, 2)})


def test_amounts_in_words():
    assert amount(-1234.5) == "\N{MINUS SIGN}1,234.50" and amount(-0.001) == "0.00"
    assert (percent(0.001), percent(0.9999), percent(0.5)) == (
        "less than 1 %", "more than 99 %", "50 %"
    )  # fmt: skip


def test_sums_keep_one_digit_more_than_their_interval_allows():
    """By the Particle Data Group's rule +-387 is told in hundreds, +-134 and +-1007 in tens and
    hundreds, +-4750 in thousands; here a place finer, never behind the point, and tens at most."""
    assert [whole_places(*each) for each in (
        (500.0, 323.0, 1097.0), (180.0, 46.0, 314.0), (517.0, 291.0, 2305.0), (1.9, 1.1, 2.7),
        (85.0, 31.0, math.inf), (math.inf, 31.0, math.inf), (-246.0, -7716.0, 1836.0),
    )] == [-1, 0, -1, 0, 0, 0, -1]  # fmt: skip
