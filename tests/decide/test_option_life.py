"""An option that wears by the area: its life, its cost, and the areas on which it pays."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from trialkit.decide import Budget, balance, break_even, payback, sensitivity
from trialkit.decide.break_even import area_to_break_even
from trialkit.decide.cost import annual_cost, capital_recovery_factor, life_in_years, wear_per_area
from trialkit.errors import TrialError
from trialkit.intake import OptionCost
from trialkit.intake.config import read_toml
from trialkit.intake.write import toml_text

ACRE = 0.40468564224  # ha, exact
BU_AC = 25.40117272 / ACRE  # kg/ha
PER_T = 4.00 / 25.40117272 * 1000
# 6,000 at 8 %, worn out by 5,000 ac or in ten years; 1 bu/ac kept at 4.00 on 2,000 ac a year.
CHAIN = Budget(BU_AC, PER_T, 2000 * ACRE, 6000, 10, 0.08, life_area=5000 * ACRE)
RATE = math.log(1.08)


def by_hand(acres: np.ndarray, price=6000.0, years=10.0, last=5000.0) -> np.ndarray:
    """Capital recovery per acre, from its definition: price x i / (1 - (1 + i)^-n) over acres."""
    n = np.minimum(years, last / acres)
    return price * 0.08 / (1 - 1.08**-n) / acres


def test_five_thousand_acres_at_two_thousand_a_year_last_two_and_a_half_years():
    assert CHAIN.life == 2.5 and CHAIN.worn_out
    # 1.08^-2.5 = 0.824975 (computed): 0.08 / 0.175025 = 0.457077; x 6,000 = 2,742.46 a year,
    # 1.3712 an acre, where ten years would have come to 894.18 and 0.4471.
    assert CHAIN.annual_cost == pytest.approx(2742.46, abs=0.01)
    assert CHAIN.cost_per_ha * ACRE == pytest.approx(1.37123, abs=1e-5)
    assert replace(CHAIN, life_area=math.inf).annual_cost == pytest.approx(894.18, abs=0.005)
    assert CHAIN.life_in_words("US") == "2.5 years (5,000 ac)"
    # On 1,000 ac five whole years: five payments repay the price (present value).
    five = replace(CHAIN, area=1000 * ACRE).annual_cost
    assert sum(five / 1.08**year for year in range(1, 6)) == pytest.approx(6000)
    # At 500 ac both ends meet; below, years count, and the old figure stands.
    for acres in (500, 300):
        assert replace(CHAIN, area=acres * ACRE).annual_cost == pytest.approx(894.18, abs=0.005)
        assert replace(CHAIN, area=acres * ACRE).life_in_words("US") == "10 years"
    assert life_in_years(math.inf, 5000, np.array([1000, 2000])).tolist() == [5, 2.5]
    assert capital_recovery_factor(0.0, np.array([4.0, math.inf])).tolist() == [0.25, 0.0]


def test_repair_and_labour_come_per_acre_and_per_year():
    # 0.20 an acre of repair: 400 a year. Fitting (4 h at 25) goes with the price: 6,100 x 0.457077.
    more = replace(CHAIN, repair=0.20 / ACRE, change_cost=100.0)
    assert more.annual_cost == pytest.approx(6100 * 0.457077 + 400, abs=0.01)
    # Two changes a year are paid every year instead.
    twice = replace(more, changes=2.0)
    assert twice.annual_cost == pytest.approx(2742.46 + 400 + 200, abs=0.01)
    table = twice.table("US")
    assert table["per_year"].round(2).to_dict() == {
        "grain": 8000.0, "saving": 8000.0, "capital": -2742.46, "repair": -400.0,
        "changes": -200.0, "cost": -3342.46, "net": 4657.54,
    }  # fmt: skip
    assert (table["per_area"] * 2000).to_numpy() == pytest.approx(table["per_year"].to_numpy())
    # Money tied up in what it still brings: (P - S) CRF + S i.
    sold = replace(CHAIN, salvage=1000.0).annual_cost
    assert sold == pytest.approx(5000 * 0.457077 + 80, abs=0.01)


def test_cost_per_acre_falls_to_the_wear_and_no_further():
    acres = np.geomspace(1, 1e7, 4000)
    cost = np.asarray(replace(CHAIN, area=acres * ACRE).cost_per_ha) * ACRE
    assert cost == pytest.approx(by_hand(acres), rel=1e-6)
    wear = CHAIN.wear_per_ha * ACRE
    # 6,000 / 5,000 x 0.08 / ln 1.08 = 1.24738 (computed).
    assert wear == pytest.approx(1.24738, abs=1e-5)
    assert (np.diff(cost) < 0).all() and cost[-1] > wear
    assert cost[-1] == pytest.approx(wear, rel=1e-4)
    assert wear_per_area(6000, math.inf, 0.08) == 0 and wear_per_area(6000, 5000, 0) == 1.2


@pytest.mark.parametrize("saved", [0.30, 0.32, 0.4, 1.0, 3.0])
def test_break_even_area_is_where_a_fine_grid_turns(saved: float):
    value = 4.00 * saved
    found = area_to_break_even(replace(CHAIN, saved=saved * BU_AC)) / ACRE
    acres = np.geomspace(1, 1e8, 400_001)
    pays = by_hand(acres) < value
    if value <= 1.24738:
        assert math.isinf(found) and not pays.any()
    else:
        first = int(np.argmax(pays))
        assert pays[first:].all() and not pays[:first].any()
        # To one step of the grid, 46 parts in a million.
        assert found == pytest.approx(acres[first], rel=5e-5)
        # The other way round: at that area just this saving is needed.
        at = replace(CHAIN, area=found * ACRE, saved=saved * BU_AC)
        assert at.needed == pytest.approx(saved * BU_AC, rel=1e-9)


def test_break_even_area_with_every_part_of_the_cost():
    """Costs drawn at random: left at 0.999 of the area below zero, at 1.001 of it above."""
    rng = np.random.default_rng(3)
    found_some = 0
    for _ in range(300):
        one = Budget(
            saved=0, price=150, area=100, option_price=rng.uniform(0, 9000),
            years=rng.choice([math.inf, rng.uniform(1, 15)]), interest=rng.choice([0.0, 0.07]),
            salvage=0, running_cost=rng.choice([0.0, 120.0]), life_area=rng.uniform(200, 4000),
            repair=rng.uniform(0, 1), change_cost=rng.uniform(0, 200),
            changes=rng.choice([0.0, 2.0]),
        )  # fmt: skip
        one = replace(one, saved=(one.wear_per_ha + rng.uniform(-0.5, 3)) * 1000 / 150)
        area = area_to_break_even(one)
        tried = replace(one, area=np.geomspace(1e-3, 1e9, 500)).net_per_ha
        if math.isinf(area):
            assert (np.asarray(tried) < 1e-9).all()
        elif area > 0:
            found_some += 1
            assert replace(one, area=area * 0.999).net_per_ha < 0
            assert replace(one, area=area * 1.001).net_per_ha > 0
        else:
            assert (np.asarray(tried) > -1e-9).all()
    assert found_some > 150


def test_more_acres_may_cost_more_where_wear_exceeds_the_saving():
    """A saving of 1.21 an acre lies between the slope where area begins to end the life, (y / 2
    sinh(y / 2))^2 of the wear with y = 10 ln 1.08, and the wear: the year's balance peaks."""
    y = 10 * RATE
    slope = 1.24738 * (y / 2 / math.sinh(y / 2)) ** 2
    assert slope < 1.21 < 1.24738
    thin = replace(CHAIN, saved=1.21 / 4.00 * BU_AC)
    net = [replace(thin, area=a * ACRE).net_per_year for a in (100, 500, 800, 5000, 50_000)]
    assert net[0] < net[1] < net[2] > net[3] > net[4] and max(net) < 0
    assert math.isinf(area_to_break_even(thin))
    told = break_even(thin, "area", (30.0, 90.0), 0.95, system="US").sentence
    assert "none at the estimate, where wear and repair alone cost USD 1.25 per ac, more" in told
    low = break_even(CHAIN, "area", (10.0, 90.0), 0.95, system="US").sentence
    assert "reaches down to what wear and repair alone cost, USD 1.25 per ac" in low
    never = break_even(replace(CHAIN, saved=5.0), "area", (1.0, 9.0), 0.95, system="US").sentence
    assert never.endswith("for any area to cover the cost: wear and repair alone cost USD 1.25 "
                          "per ac.")  # fmt: skip


def test_break_even_price_and_bars_count_the_life(analysed):
    saved = (40.0, 90.0)
    price = break_even(CHAIN, "price", saved, 0.95)
    assert replace(CHAIN, price=price.value).net_per_year == pytest.approx(0, abs=1e-8)
    bars = sensitivity(CHAIN, {"life_area": (2500 * ACRE, 10_000 * ACRE)}, system="US").table
    assert bars.loc["life_area", "net_low"] == pytest.approx(8000 - annual_cost(6000, 1.25, 0.08))
    assert bars.loc["life_area", "net_high"] == pytest.approx(8000 - annual_cost(6000, 5, 0.08))
    found = analysed("cushion_pairs")
    option = OptionCost("cushion", "cushion", 6000.0, 10.0, 0.08, CHAIN.area, 5000 * ACRE)
    config = replace(found.trial.config, option=option, price_per_t=PER_T)
    worn = payback(replace(found, trial=replace(found.trial, config=config)))
    assert (worn.draws["years"] < 2.5).mean() == worn.probability
    assert "it is taken to last 2.5 years (5,000 ac)" in worn.sentences[2]
    # A life known to a range only: the mean of the draws' balance is that of the mean cost.
    some = payback(replace(found, trial=replace(found.trial, config=config)),
                   life_area=(4000 * ACRE, 6000 * ACRE))  # fmt: skip
    lives = np.linspace(2.0, 3.0, 20_001)
    mean = float(np.mean(annual_cost(6000, lives, 0.08)))
    shift = (worn.draws["net_per_year"] - some.draws["net_per_year"]).mean()
    assert shift == pytest.approx(mean - CHAIN.annual_cost, abs=0.5)


SETTINGS = """title = "A trial"
season = 2025
units = "{units}"
[header]
rows = 8
width = 6
[[setup]]
name = "chain"
levels = ["old", "new"]
[option]
factor = "chain"
level = "new"
cost = 6000
interest = 0.08
area_per_year = 2000
"""


def test_settings_take_a_life_in_area_repair_and_labour():
    text = SETTINGS.format(units="US")
    more = "life_area = 5000\nrepair_per_area = 0.2\nchange_hours = 4\nwage = 25\nsalvage = 500\n"
    option = read_toml(text + more).option
    assert option is not None and option.life_years == math.inf
    assert option.life_area == pytest.approx(5000 * ACRE)
    assert option.repair_per_ha == pytest.approx(0.2 / ACRE)
    assert (option.per_change, option.salvage, option.changes_per_year) == (100, 500, 0)
    metric = read_toml(SETTINGS.format(units="SI") + "life_area = 2000\nlife_years = 8\n").option
    assert metric is not None and (metric.life_area, metric.life_years) == (2000, 8)
    old = read_toml(text + "life_years = 10\n").option
    assert old is not None and (old.life_years, old.life_area, old.per_change) == (10, math.inf, 0)
    for lines in (more, "life_years = 10\n", "life_area = 9\nchange_cost = 40\n"
                  "changes_per_year = 2\n"):  # fmt: skip
        config = read_toml(text + lines)
        again = read_toml(toml_text(config))
        assert toml_text(again) == toml_text(config)
        assert again.option is not None and config.option is not None
        assert again.option.life_area == pytest.approx(config.option.life_area)
        assert again.option.per_change == config.option.per_change


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("", "option.life_years is missing; expected years (or life_area in ac, or both)"),
        ("life_area = 0\n", "option.life_area is 0; expected the area it lasts in ac"),
        ("life_years = 9\nsalvage = 7000\n", "option.salvage is 7000; expected what it brings"),
        ("life_years = 9\nwage = 20\n", "option.change_hours is missing"),
        ("life_years = 9\nchange_cost = 9\nwage = 2\nchange_hours = 1\n", "not both"),
        ("life_years = 9\nchanges_per_year = 2\n", "option.change_cost is missing"),
        ("life_years = 9\nlife_acres = 5000\n", "life_acres is not a key"),
    ],
)
def test_settings_that_cannot_be_meant_are_refused(lines: str, told: str):
    with pytest.raises(TrialError) as refused:
        read_toml(SETTINGS.format(units="US") + lines)
    assert told in str(refused.value)


def test_money_tells_the_same_balance_in_acres_and_hectares(analysed):
    """1 bu/ac at 4.00 on 2,000 ac a year; the saving pays from the area a fine grid finds."""
    found = analysed("cushion_pairs")
    result = found.responses["header_loss"]
    table = result.contrasts.assign(
        difference=-BU_AC, difference_low=-1.4 * BU_AC, difference_high=-0.3 * BU_AC
    )
    option = OptionCost("cushion", "cushion", 6000.0, 10.0, 0.08, CHAIN.area, 5000 * ACRE)
    config = replace(found.trial.config, option=option, price_per_t=PER_T, units="US")
    worth = balance(
        replace(
            found, trial=replace(found.trial, config=config),
            responses={**found.responses, "header_loss": replace(result, contrasts=table)},
        )
    )
    assert worth is not None and worth.bought
    # 894.18 / 4.00 while years end its life; at 1.20 an acre wear alone costs more.
    even, least, most = worth.even_area.in_system
    assert even == pytest.approx(223.545, rel=1e-4)
    assert worth.even_area.value == pytest.approx(223.545 * ACRE, rel=1e-4)
    assert least == pytest.approx(894.18 / 5.6, rel=1e-4) and most == math.inf
    thin = replace(worth, given=replace(worth.given, saved=1000 * 1.40 / ACRE / PER_T))
    acres = np.geomspace(1, 1e6, 200_001)
    assert thin.even_area.in_system[0] == pytest.approx(acres[by_hand(acres) < 1.40][0], rel=1e-4)
    _, costs, pays, _ = worth.sentences
    lasts = "On 2,000 ac a year cushioned chain lasts 2.5 years (5,000 ac) and costs USD 2,742"
    assert lasts in costs
    # 2,742.46 / 2,000 = 1.37 an acre; 4.00 - 1.37 = 2.63; 8,000 - 2,742 = 5,258, in tens.
    assert "USD 1.37 per ac. That is USD 2.63 per ac, USD 5,260 a year, less" in costs
    assert "wear and repair alone cost USD 1.25 per ac on any area" in pays
    assert worth.net_at(CHAIN.area)[0] == pytest.approx(8000 - 2742.46, abs=0.01)
