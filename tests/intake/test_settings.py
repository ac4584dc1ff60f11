"""trial.toml: every fault in one message, quantities in SI."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sound_trial import SETTINGS

from trialkit.errors import TrialError
from trialkit.intake.config import read_toml
from trialkit.intake.write import toml_text

WHOLE = """\
title = "Chain trial"
season = 2026
units = "{units}"
growers_agreed = true
notes = "two machines"
date_order = "day-first"
[header]
rows = 8
width = 20
discharge_width = 5
[[setup]]
name = "cushion"
label = "Gathering chain"
levels = ["standard", "cushion"]
labels = ["standard chain", "cushioned chain"]
reference = "standard"
hard_to_change = true
[[setup]]
name = "speed"
levels = [3, 5]
[grain]
thousand_kernel_mass = 320
base_moisture = 15
[prices]
currency = "EUR"
grain = 4.0
[option]
factor = "cushion"
level = "cushion"
cost = 6000
life_years = 10
interest = 0.08
area_per_year = 500
"""


def test_us_quantities_become_si() -> None:
    config = read_toml(WHOLE.format(units="US"))
    # 20 ft = 6.096 m; 4.00 per bushel = 157.47 per tonne (39.368 bu/t); 500 ac = 202.343 ha.
    assert config.header.width == pytest.approx(6.096, rel=1e-12)
    assert config.header.discharge_width == pytest.approx(1.524, rel=1e-12)
    assert config.price_per_t == pytest.approx(157.47, abs=5e-3)
    assert config.option is not None
    assert config.option.area_per_year == pytest.approx(202.343, abs=5e-4)
    assert config.setups[1].levels == ("3", "5")
    assert config.setups[1].reference == "3"
    assert config.setups[1].label == "speed"
    assert config.setups[1].level_labels == ("3 mph", "5 mph")
    own = '[3, 5]\nlabels = ["3", "as fast as it goes"]'
    own = WHOLE.format(units="US").replace("[3, 5]", own)
    named = read_toml(own).setups[1]
    assert named.level_labels == ("3 mph", "as fast as it goes")  # words stay, a bare number not


@pytest.mark.parametrize(
    ("name", "levels", "units", "told"),
    [
        ("cushion", '["yes", "no"]', "US", ("with cushion", "without cushion")),
        ("chopper", '["Off", "On"]', "US", ("without chopper", "with chopper")),
        ("ear_savers", "[1, 0]", "SI", ("with ear savers", "without ear savers")),
        ("speed", "[3.5, 5.5]", "US", ("3.5 mph", "5.5 mph")),
        ("ground_speed", '["5,5", "9"]', "SI", ("5,5 km/h", "9 km/h")),
        ("gap", '[1.25, "1-1/2", "1 3/8"]', "US",
         ("1-1/4 in gap", "1-1/2 in gap", "1-3/8 in gap")),
        ("gap", "[30, 36]", "SI", ("30 mm gap", "36 mm gap")),
        # Thirty inches are no gap: the number is told without a unit that it cannot have.
        ("gap", "[30, 36]", "US", ("gap 30", "gap 36")),
        ("chopper_rpm", "[900, 1050]", "US", ("900 rpm", "1050 rpm")),
        ("fan", '["low", "off"]', "US", ("low", "without fan")),
        ("slip", '[5, 10]\nunit = "%"', "US", ("5 % slip", "10 % slip")),
        ("plates", '["1.25 in", "worn"]', "US", ("1-1/4 in plates", "worn")),
        ("cushion", '["a", "b"]\nlabels = ["No", "Yes"]', "US",
         ("without cushion", "with cushion")),
    ],
)  # fmt: skip
def test_levels_are_told_with_their_factor(
    name: str, levels: str, units: str, told: tuple[str, ...]
) -> None:
    text = WHOLE.format(units=units).replace('name = "cushion"', 'name = "chain"')
    text = text.replace('name = "speed"', f'name = "{name}"')
    text = text.replace("levels = [3, 5]", f"levels = {levels}")
    config = read_toml(text.split("[option]")[0])
    assert config.setups[1].level_labels == told
    assert read_toml(toml_text(config)).setups[1] == config.setups[1]


def test_si_quantities_stay() -> None:
    config = read_toml(WHOLE.format(units="si"))
    assert (config.units, config.header.width, config.price_per_t) == ("SI", 20.0, 4.0)
    assert config.option is not None
    assert config.option.area_per_year == 500.0


@pytest.mark.parametrize("units", ["US", "SI"])
def test_written_settings_read_back(units: str) -> None:
    config = read_toml(WHOLE.format(units=units))
    again = read_toml(toml_text(config))
    assert again.setups == config.setups
    assert toml_text(again) == toml_text(config)
    assert again.price_per_t == pytest.approx(config.price_per_t, rel=1e-9)


def test_what_may_be_left_out() -> None:
    config = read_toml(SETTINGS)
    assert (config.thousand_kernel_mass, config.base_moisture) == (335.0, 15.5)
    assert config.price_per_t is None
    assert config.option is None
    assert config.header.discharge_width == config.header.width


def test_a_kernel_mass_nobody_gave_never_becomes_a_stated_one() -> None:
    config = read_toml(SETTINGS)
    written = toml_text(config)
    assert not config.kernel_mass_stated and "\n# thousand_kernel_mass = 335 " in written
    assert read_toml(written) == config
    # One that is stated stays stated, though it be the usual one.
    own = read_toml(f"{SETTINGS}\n[grain]\nthousand_kernel_mass = 335\n")
    assert own.kernel_mass_stated and read_toml(toml_text(own)) == own
    assert replace(config, thousand_kernel_mass=300.0).kernel_mass_stated
    assert "none was given" in config._repr_html_() and "none was" not in own._repr_html_()


@pytest.mark.parametrize(
    ("written", "asked"),
    [
        ("", None),
        ("[model]", None),
        ("[model]\nadjust_for = []", ()),
        ('[model]\nadjust_for = "none"', ()),
        ('[model]\nadjust_for = "moisture"', ("moisture",)),
        ('[model]\nadjust_for = ["gap", "Speed "]', ("speed", "gap")),
    ],
)
def test_what_is_adjusted_for_reads_and_writes(
    written: str, asked: tuple[str, ...] | None
) -> None:
    config = read_toml(f"{SETTINGS}\n{written}")
    assert config.model.adjust_for == asked
    assert read_toml(toml_text(config)).model == config.model


@pytest.mark.parametrize("given", ['["speed", "yield"]', '["speed", "speed"]', "true", '[""]'])
def test_what_cannot_be_adjusted_for_is_named(given: str) -> None:
    expected = r"model\.adjust_for is .*; expected a list of 'speed', 'moisture', 'gap'"
    with pytest.raises(TrialError, match=expected):
        read_toml(f"{SETTINGS}\n[model]\nadjust_for = {given}")


def test_every_fault_is_listed_with_its_key() -> None:
    text = """
    titel = "x"
    season = 26
    units = "imperial"
    growers_agreed = "yes"
    [header]
    rows = 8.5
    [[setup]]
    name = "yield"
    levels = ["a", "A"]
    [[setup]]
    name = "my gap"
    levels = "narrow"
    reference = "wide"
    labels = ["x"]
    [option]
    factor = "gap"
    """
    with pytest.raises(TrialError) as caught:
        read_toml(text)
    message = str(caught.value)
    for fault in (
        "title is missing", "titel is not a key here; perhaps 'title' is meant", "season is 26",
        "units is 'imperial'; expected one of 'US', 'SI'", "growers_agreed is 'yes'",
        "header.rows is 8.5", "header.width is missing", "setup 1: name is 'yield'",
        "setup 1: levels is ['a', 'A']", "setup 2: name is 'my gap'", "setup 2: levels is 'narrow'",
        "option.factor is 'gap'", "option.cost is missing",
    ):  # fmt: skip
        assert fault in message
    assert message.startswith(f"trial.toml has {message.count(chr(10))} faults")


def test_broken_toml_says_where() -> None:
    with pytest.raises(TrialError, match=r"at line 1.*quotation marks"):
        read_toml("title = Chain trial\n")


def test_margins_stated_before_the_trial_are_read_and_written_again() -> None:
    text = WHOLE.format(units="SI") + "[model.margins]\nresidue_mass = 1.25\nleaf_intake = 1.5\n"
    config = read_toml(text)
    assert dict(config.model.margins) == {"residue_mass": 1.25, "leaf_intake": 1.5}
    assert read_toml(toml_text(config)).model.margins == config.model.margins
    with pytest.raises(TrialError, match=r"model\.margins\.leaf_intak"):
        read_toml(text.replace("leaf_intake", "leaf_intak"))
