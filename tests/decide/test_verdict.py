"""The verdict of a trial as data: time, balance, and what follows, against sums done here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trialkit.analysis import TrialAnalysis
from trialkit.analysis.questions.fields import of_the_response
from trialkit.decide import Advice, balance, budget, payback, verdict
from trialkit.intake.config import read_toml
from trialkit.intake.write import toml_text

ACRE = 0.40468564224  # ha, exactly 43,560 square feet of 0.3048 m


def with_hour(analysis: TrialAnalysis, hour: float | None, **changes: object) -> TrialAnalysis:
    config = replace(analysis.trial.config, hour_cost=hour, **changes)
    return replace(analysis, trial=replace(analysis.trial, config=config))


def test_time_and_the_price_of_an_hour_by_hand(analysed) -> None:
    analysis = analysed("split_strips")
    own = verdict(analysis).of("speed", "fast")
    strips = analysis.trial.strips
    speed = strips.groupby("speed", observed=True)["speed_measured"].mean()
    # ac/h = mph x ft x efficiency / 8.25 (Hunt, Farm Power and Machinery Management).
    slow, fast = (speed[level] / 1.609344 * 20 * 0.7 / 8.25 for level in ("slow", "fast"))
    hours = 100 / fast - 100 / slow
    assert own.time is not None and own.balance is not None and own.balance.hour is not None
    assert own.time.hours_per_ha * ACRE * 100 == pytest.approx(hours, rel=1e-9)
    # USD 4 a bushel, 62.768 kg/ha a bu/ac (56 lb): worth of 100 acres' grain over their hours.
    lost = analysis["header_loss"].contrasts.set_index("level").loc["fast"]
    even = [lost[f"difference{end}"] / 62.768 * 4 * 100 / -hours for end in ("", "_low", "_high")]
    np.testing.assert_allclose(own.balance.hour, even, rtol=2e-5)
    # At that price nothing is left; dearer hours speak for the faster speed.
    at = verdict(analysis, hour_cost=own.balance.hour[0]).of("speed", "fast")
    assert at.balance is not None and at.balance.net[0] == pytest.approx(0.0, abs=1e-9)
    assert own.advice is Advice.CHOICE and not own.balance.time_priced


def test_a_speed_pays_by_the_hour_once_all_that_differs_has_a_price(analysed) -> None:
    analysis = analysed("split_strips")
    only = replace(analysis, responses={"header_loss": analysis["header_loss"]})
    found = {h: verdict(with_hour(only, h)).of("speed", "fast").advice for h in (None, 4, 16, 220)}
    assert found == {None: Advice.CHOICE, 4: Advice.COSTS, 16: Advice.CHOICE, 220: Advice.PAYS}
    assert verdict(with_hour(only, 220, price_per_t=None)).of("speed", "fast").advice is (
        Advice.CHOICE
    )
    # With more broken corn, which has no price, even a dear hour leaves the choice open.
    assert verdict(with_hour(analysis, 220)).of("speed", "fast").advice is Advice.CHOICE


def test_balance_of_an_option_is_the_budget_everywhere(analysed) -> None:
    analysis = analysed("cushion_pairs")
    own = verdict(analysis).first
    worth, given = balance(analysis), budget(analysis)
    assert own.bought and own.balance is not None and worth is not None
    assert own.balance.net[0] == pytest.approx(given.net_per_ha, rel=1e-12)
    assert own.balance.grain == worth.grain
    # 20,000 draws in a Latin hypercube beside the exact distribution.
    assert own.balance.chance == pytest.approx(payback(analysis).probability, abs=2e-3)
    table = verdict(analysis).table.iloc[0]
    assert table["advice"] == own.advice.value == "open: you choose"
    assert table["net_per_ha"] == own.balance.net[0]


def test_price_of_an_hour_is_read_and_written() -> None:
    text = (
        'title = "T"\nseason = 2026\nunits = "US"\n[header]\nrows = 8\nwidth = 20\n'
        "[prices]\ngrain = 4\nhour = 220\n"
    )
    config = read_toml(text)
    assert config.hour_cost == 220 and read_toml(toml_text(config)) == config
    assert read_toml(text.replace("hour = 220\n", "")).hour_cost is None


def test_field_by_field_ratios_are_those_of_the_headline(analysed) -> None:
    result = analysed("gap_fields")["header_loss"]
    gross = result.field_effects("gap")
    net = of_the_response(gross, result)
    told = result.contrasts.set_index("level")
    for row, own in zip(gross.pooled.itertuples(), net.pooled.itertuples(), strict=True):
        assert np.exp(own.estimate) == pytest.approx(told.loc[row.level, "ratio"], rel=1e-12)
        # The same mean ratio, what lay there before taken off by hand: 1 + (r - 1)(m + o)/m.
        mean = result.means.set_index("level").loc["usual", "estimate"]
        by_hand = 1 + np.expm1(row.estimate) * (mean + result.offset.value) / mean
        assert by_hand == pytest.approx(told.loc[row.level, "ratio"], rel=0.01)
    assert (np.sign(net.fields["shrunken"]) == np.sign(gross.fields["shrunken"])).all()
    # Per cent of a field are its kg/ha over the reference's mean of all fields.
    measured = result.by_field.set_index(["level", "field"])
    for row in net.fields.itertuples():
        share = measured.loc[(row.level, row.field), "difference"] / mean
        assert np.expm1(row.raw) == pytest.approx(share, rel=1e-12)
