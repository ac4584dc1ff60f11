"""Rounding and printing of numbers."""

from __future__ import annotations

import math

import pytest

from trialkit.quantities import decimals, inches, inches_both, number, scales, span


# Particle Data Group's own examples (Review of Particle Physics, introduction, "Rounding"):
# 0.827 +- 0.119 -> 0.83 +- 0.12, and 0.827 +- 0.367 -> 0.8 +- 0.4; 950 to 999 counts as 1000.
@pytest.mark.parametrize(
    ("uncertainty", "places"),
    [(0.119, 2), (0.367, 1), (0.354, 2), (0.355, 1), (0.949, 1), (0.950, 1), (0.0961, 2),
     (1.2, 1), (3.6, 0), (12.0, 0), (36.0, -1), (960.0, -2), (119.0, -1)],
)  # fmt: skip
def test_decimals_follow_the_particle_data_group(uncertainty: float, places: int) -> None:
    assert decimals(uncertainty) == places


@pytest.mark.parametrize("uncertainty", [0.0, -1.0, math.nan, math.inf])
def test_decimals_without_an_uncertainty(uncertainty: float) -> None:
    assert decimals(uncertainty) == 1


def test_number_prints_thousands_true_minus_and_no_negative_zero() -> None:
    assert number(-1234.56, 1) == "−1,234.6"
    assert number(-0.04, 1) == "0.0"
    assert number(87.0, -1) == "90"
    assert number(math.nan, 1) == "not known"


@pytest.mark.parametrize(
    ("tie", "places", "printed"),
    [(3.95, 1, "4.0"), (3.55, 1, "3.6"), (-1.65, 1, "−1.6"), (0.185, 2, "0.18"), (2.5, 0, "2"),
     (1_062_500.0, -3, "1,062,000"), (1e300, 2, f"{10**300:,}.00")],
)  # fmt: skip
def test_a_half_rounds_to_even_whatever_its_last_bits(
    tie: float, places: int, printed: str
) -> None:
    beside = [tie * (1 + bits * 2.0**-52) for bits in (-4, -1, 0, 1, 4)]
    assert {number(value, places) for value in beside} == {printed}


def test_span_rounds_estimate_and_interval_alike() -> None:
    own, other = scales("kg/ha", "US")
    # 62.768 kg/ha are one bu/ac (56 lb a bushel, 43,560 ft2 an acre; computed).
    shown = span(62.768 * 1.38, 62.768 * 0.9, 62.768 * 1.86, own)
    assert (shown.value, shown.interval) == ("1.4", "0.9 to 1.9")
    shown = span(86.6, 56.5, 116.7, other)
    assert (shown.value, shown.interval) == ("87", "56 to 117")


def test_own_units_come_first() -> None:
    assert [s.unit for s in scales("kg/ha", "SI")] == ["kg/ha", "bu/ac"]
    assert [s.unit for s in scales("%", "US")] == ["%"]


def test_things_counted_on_an_area_are_told_per_acre_too() -> None:
    own, other = scales("ears/ha", "US")  # 0.40469 ha are an acre (43,560 ft2; computed)
    assert (own.unit, other.unit, other.factor) == ("ears/ac", "ears/ha", 1.0)
    assert own.factor == pytest.approx(0.40469, abs=5e-6)


@pytest.mark.parametrize(
    ("mm", "fraction", "both"),
    [(34.925, "1-3/8 in", "1-3/8 in (1.375)"), (1.5875, "1/16 in", "1/16 in (0.0625)"),
     (127.0, "5 in", "5 in"), (0.0, "0 in", "0 in"), (-4.7625, "−3/16 in", "−3/16 in (−0.1875)"),
     (-0.5, "0 in", "0 in (−0.02)"), (36.5, "1-7/16 in", "1-7/16 in (1.44)"),
     (34.5, "1-3/8 in", "1-3/8 in (1.36)"), (math.nan, "not known", "not known")],
)  # fmt: skip
def test_inches_as_on_a_tape(mm: float, fraction: str, both: str) -> None:
    # Computed: 25.4 mm an inch, exactly.
    assert inches(mm) == fraction
    assert inches_both(mm) == both


def test_inches_in_other_steps() -> None:
    assert [inches(25.4 * 1.34, step) for step in (4, 8, 16, 32)] == [
        "1-1/4 in", "1-3/8 in", "1-5/16 in", "1-11/32 in"]  # fmt: skip
