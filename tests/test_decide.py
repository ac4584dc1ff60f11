"""Value of the loss saved, cost of the option, break-even area: worked values and words."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from trialkit import units
from trialkit.decide import CAUTION, annual_cost, balance, break_even_area, capital_recovery_factor
from trialkit.intake import OptionCost
from trialkit.pages import field_day

DEMO = Path(__file__).parent.parent / "data_demo"


@pytest.fixture(scope="module")
def analysis(analysed):
    return with_config(analysed("cushion_pairs"), option=WORKED, price_per_t=4 / 25.40117272 * 1000)


def with_config(analysis, **changes):
    trial = analysis.trial
    return replace(analysis, trial=replace(trial, config=replace(trial.config, **changes)))


ACRE = 0.40468564224  # ha, exact
# The worked option: 6,000 over 10 years at 8 %, on 600 ac a year.
WORKED = OptionCost("cushion", "cushion", 6000.0, 10.0, 0.08, 600 * ACRE)


def with_difference(analysis, bu_ac: float, half: float = 0.2):
    """The analysis as if the saving had come out at a round figure."""
    result = analysis.responses["header_loss"]
    low, mid, high = (units.bu_ac_to_kg_ha(-x) for x in (bu_ac + half, bu_ac, bu_ac - half))
    table = result.contrasts.assign(difference=mid, difference_low=low, difference_high=high)
    return replace(analysis, responses={"header_loss": replace(result, contrasts=table)})


def test_capital_recovery_of_the_worked_option():
    # From the definition i(1+i)^n / ((1+i)^n - 1): 6,000 over 10 years at 8 %: 0.14903, 894/year.
    assert round(capital_recovery_factor(0.08, 10), 5) == 0.14903
    assert round(annual_cost(6000, 10, 0.08)) == 894
    assert capital_recovery_factor(0.0, 10) == pytest.approx(0.1)
    assert capital_recovery_factor(1e-9, 10) == pytest.approx(0.1, rel=1e-7)
    # (P - S) CRF + S i: salvage still ties up money, Iowa State, Ag Decision Maker A3-29.
    assert annual_cost(6000, 10, 0.08, salvage=1000) == pytest.approx(
        5000 * capital_recovery_factor(0.08, 10) + 80
    )
    # The payments repay the price: present value of ten of them is 6,000.
    cost = annual_cost(6000, 10, 0.08)
    assert sum(cost / 1.08**year for year in range(1, 11)) == pytest.approx(6000)
    with pytest.raises(ValueError, match="above zero"):
        capital_recovery_factor(0.08, 0)


def test_break_even_area_of_the_worked_option(analysis):
    # 1 bu/ac at 4.00 against 894 a year: 224 ac a year, from the definitions.
    assert round(break_even_area(annual_cost(6000, 10, 0.08), 4.0)) == 224
    result = balance(with_difference(analysis, 1.0))
    even, least, most = result.even_area.in_system
    assert round(even) == 224
    assert result.grain.times(ACRE) == pytest.approx((4.0, 3.2, 4.8))
    assert result.given.price * 25.40117272 / 1000 == pytest.approx(4.0)
    # Low and high ends of the area belong to the high and low ends of the value.
    assert (least, most) == pytest.approx((result.annual_cost / 4.8, result.annual_cost / 3.2))


def test_hectares_and_acres_agree(analysis):
    result = balance(analysis)
    assert result.even_area.in_system[0] == pytest.approx(result.even_area.value / ACRE)
    assert result.area == pytest.approx(600 * ACRE)
    assert -result.option * ACRE == pytest.approx(result.annual_cost / 600)
    saved = -analysis.responses["header_loss"].contrasts["difference"].item()
    assert result.grain.value == pytest.approx(saved / 25.40117272 * 4.0)
    assert result.grain.low < result.grain.value < result.grain.high
    assert result.net_per_year.value == pytest.approx(
        result.area * result.grain.value - result.annual_cost
    )
    assert result.confidence == 0.95


def test_words_state_the_interval_the_area_and_the_caution(analysis):
    result = balance(with_difference(analysis, 1.0))
    value, area, pays, caution = result.sentences
    assert value.startswith(
        "Cushioned chain against standard chain, at the header: loose grain worth USD 4.00"
    )
    assert "per ac (95 % interval of the saving 3.20 to 4.80)" in value
    assert "On 600 ac a year cushioned chain lasts 10 years and costs USD 894 a year" in area
    assert "from 224 ac a year (95 % interval 186 to 279 ac)" in pays
    # 894.18 / 600 = 1.49 an acre against 4.00.
    # 600 x 2.51 = 1,506 a year, told in tens (range 1,026 to 1,986); 1.49 / 4.00 = 0.37 bu/ac.
    assert "USD 1.49 per ac. That is USD 2.51 per ac, USD 1,510 a year, less than" in area
    assert "it pays where it saves more than 0.37 bu/ac" in area
    assert caution == CAUTION and "not a guarantee" in caution
    metric = with_config(with_difference(analysis, 1.0), units="SI")
    assert "saved per ha" in balance(metric).sentences[0]


def test_no_saving_never_pays(analysis):
    worse = balance(with_difference(analysis, -0.5, half=0.1))
    assert math.isinf(worse.even_area.value) and worse.grain.value < 0
    assert "USD 2.00 lost per ac (95 % interval of the loss 1.60 to 2.40)" in worse.sentences[0]
    assert "no saving to pay for it" in worse.sentences[2]
    unsure = balance(with_difference(analysis, 0.5, half=0.8))
    assert math.isinf(unsure.even_area.high) and "interval at least" in unsure.sentences[2]


def test_without_price_option_or_loss(analysis):
    assert balance(with_config(analysis, price_per_t=None)) is None
    assert balance(replace(analysis, responses={})) is None
    bare = balance(with_config(analysis, option=None))
    assert bare.annual_cost == 0 and bare.area is None
    assert len(bare.sentences) == 2 and bare.grain == balance(analysis).grain


def test_a_comparison_by_name(analysed):
    analysis = analysed("split_strips")
    assert balance(analysis).level == "cushion"
    wide = balance(analysis, "gap", "wide")
    assert (wide.factor, wide.level, wide.bought) == ("gap", "wide", False)
    assert wide.grain.value < 0  # the wide gap loses more
    with pytest.raises(ValueError, match="the analysis has cushion: cushion, gap: narrow"):
        balance(analysis, "gap", "shut")


def test_without_an_option_money_follows_the_headline(analysed):
    analysis = analysed("gap_fields")
    table = analysis.responses["header_loss"].contrasts
    assert table["level"].tolist() == ["narrow", "wide"]
    assert balance(analysis).level == table.loc[table["p_adjusted"].idxmin(), "level"] == "wide"
    first = field_day(analysis).context.findings("header_loss", "gap")[0]
    assert first.own.label.startswith("Wide")


def test_user_text_is_escaped(analysis):
    page = balance(with_config(analysis, currency="<i>USD</i>"))._repr_html_()
    assert "<i>" not in page and "&lt;i&gt;USD" in page
