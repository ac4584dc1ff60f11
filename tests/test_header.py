"""Formulas of the header: published and worked values, and what must hold for any numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit import header as h
from trialkit.decide import extra_time
from trialkit.decide import field_capacity as capacity_of_decide
from trialkit.errors import TrialkitError
from trialkit.header.plates import PLATES
from trialkit.units import convert

INCH = 25.4
POSITIVE = st.floats(0.1, 50)
# Plants a second and row at 2, 3, 4, 5, 6 mph: plants/ac x ft x mph x (5,280 / 3,600) / 43,560,
# computed from the definitions of the acre and the mile and rounded to two places.
FEED = {
    (30, 28_000): (4.71, 7.07, 9.43, 11.78, 14.14),
    (30, 32_000): (5.39, 8.08, 10.77, 13.47, 16.16),
    (30, 36_000): (6.06, 9.09, 12.12, 15.15, 18.18),
    (20, 32_000): (3.59, 5.39, 7.18, 8.98, 10.77),
}


def in_us(width: float, plants: float, mph: float) -> float:
    return h.feed_rate(
        convert(plants, "plants/ac", "plants/ha"), width * 0.0254, convert(mph, "mph", "km/h")
    )


@pytest.mark.parametrize(("stand", "rates"), FEED.items())
def test_feed_rate_of_usual_stands(stand: tuple[int, int], rates: tuple[float, ...]) -> None:
    speeds = np.arange(2, 7)
    assert np.round(in_us(*stand, speeds), 2).tolist() == list(rates)
    assert in_us(*stand, speeds) == pytest.approx(
        stand[1] * stand[0] / 12 * speeds * (5280 / 3600) / 43_560, rel=1e-12
    )


def test_feed_rate_at_five_mph_is_what_a_maker_says() -> None:
    # "At 5 mph a head is pulling down 12 to 15 plants per second per row": a maker's words in an
    # article reprinted in 2018. For 30-in rows at 29,000 to 35,000 plants/ac.
    assert in_us(30, 29_000, 5) >= 12 and in_us(30, 35_000, 5) <= 15


def test_thirty_to_forty_a_second_is_no_single_row() -> None:
    """The trade's rule of thumb holds for two to three rows together at usual speeds."""
    low, high = h.arithmetic.RULE_OF_THUMB
    rate = in_us(30, 32_000, 5)
    assert [round(h.rows_fed(x, rate), 1) for x in (low, high)] == [2.2, 3.0]
    population = convert(32_000, "plants/ac", "plants/ha")
    alone = [convert(h.speed_fed(x, population, 0.762), "km/h", "mph") for x in (low, high)]
    assert [round(x, 1) for x in alone] == [11.1, 14.9]
    assert max(max(rates) for rates in FEED.values()) < low


def test_plant_spacing() -> None:
    # Inches between plants = 6,272,640 / (plants/ac x row width in inches): square inches an acre.
    spacing = h.plant_spacing(convert(32_000, "plants/ac", "plants/ha"), 0.762)
    assert spacing / INCH == pytest.approx(6_272_640 / (32_000 * 30), rel=1e-12)


def test_default_rolls_move_as_published() -> None:
    # Snapping rolls move about 12 ft/s: Penn State Extension, Guarding Against Corn Harvesting
    # Incidents, 2023. "About" is taken as 2 %.
    assert h.surface_speed(900, h.RowUnit().roll_diameter) == pytest.approx(12 * 0.3048, rel=0.02)


def test_pull_through_worked_by_hand() -> None:
    """100 mm at 900 1/min: pi x 0.1 m x 15/s = 4.7124 m/s. 0.9 m of stalk takes 0.19099 s, in which
    8 km/h = 2.2222 m/s covers 0.4244 m. 440 mm of roll serve up to 0.44 x 4.7124 / 0.9 = 2.3038
    m/s = 8.294 km/h; 60 mm of wear on 500 mm leave those 440."""
    pull = h.surface_speed(900, 100)
    assert pull == pytest.approx(4.7124, abs=5e-5)
    assert h.pull_through(8, 900, pull) == pytest.approx(424.4, abs=0.05)
    assert h.effective_length(500, 60) == 440
    assert h.top_speed(440, 900, pull) == pytest.approx(8.294, abs=5e-4)
    assert h.effective_length(500, 600) == 0
    # Chain at 2.5 m/s against 8 km/h.
    assert h.speed_ratio(2.5, 8) == pytest.approx(1.125)


@pytest.mark.parametrize("degrees", [0, 15, 30])
def test_inclination_of_the_rolls_does_not_matter(degrees: float) -> None:
    """The stalk followed in small steps: it stays upright over its root, its material moves down by
    w so that its velocity across the rolls is theirs, until the ear meets the roll."""
    a, v, u, ear, grip, dt = math.radians(degrees), 2.0, 4.0, 1.1, 0.3, 1e-6
    w = (u - v * math.sin(a)) / math.cos(a)
    steps = np.arange(1, 400_000)
    contact = grip + v * steps * dt * math.tan(a)
    arrived = steps[np.argmax(ear - w * steps * dt <= contact)] * dt
    along = v * arrived / math.cos(a)
    # A step moves the stalk by 2 micrometres along the roll.
    assert h.pull_through(v * 3.6, (ear - grip) * 1000, u) == pytest.approx(1000 * along, abs=0.01)


def test_field_capacity_is_one_function() -> None:
    # ASABE EP496: 5 mph x 20 ft x 0.70 / 8.25 = 8.48 ac/h, computed.
    assert h.field_capacity_us(5, 20, 0.7) == pytest.approx(8.4848, abs=5e-5)
    assert capacity_of_decide is h.field_capacity
    told = extra_time(5, 10, width=6, efficiency=0.7, machine_per_hour=0, operator_per_hour=0)
    assert told.capacity == h.field_capacity(5, 6, 0.7)


def test_guides_that_pinch_and_guides_that_do_not() -> None:
    # Common practice: warped guides read about 4-3/4, 4-1/2 and 4-3/8 in before they open to 5 and
    # 6; straight ones nowhere below 5 in.
    warped = INCH * np.array([4.75, 4.5, 4.375, 5, 6])
    straight = INCH * np.array([5, 5.25, 5, 6, 5.5])
    assert h.pinches(np.stack([warped, straight])).tolist() == [
        [True] * 3 + [False] * 2,
        [False] * 5,
    ]
    assert not h.pinches([np.nan] * 5).any()
    # 5 in as it comes back from a file in inches.
    assert not h.pinches(convert(convert(127.0, "mm", "in"), "in", "mm")).any()


def test_gap_target() -> None:
    # Iowa State University, Integrated Crop Management News, 2010: about 1-1/4 in, slightly wider
    # at the rear. 1-1/4 and 1-3/8 in; better 1/16 in over a stalk at its third node: Ohio State
    # University Extension, C.O.R.N. newsletter 2019-34. A cushion's 3/8 in (9.5 mm): common
    # practice.
    bare, padded = h.gap_target(), h.gap_target(cushion=True)
    assert (bare.front / INCH, bare.rear / INCH) == pytest.approx((1.25, 1.375))
    assert round(padded.front - bare.front, 1) == 9.5 == round(padded.rear - bare.rear, 1)
    # 90th percentile of 1, 2, ..., 11 by linear interpolation is 10.
    sample = INCH / 10 * np.arange(1, 12)
    target = h.gap_target([*sample, np.nan])
    assert target.by_stalks / INCH == pytest.approx(1 + 1 / 16) and not target.by_thick_stalks
    assert (target.stalks, target.stalk) == (11, pytest.approx(INCH))
    # Thin stalks are no reason to close below the published start; thick ones are one to open.
    assert (target.front, target.least) == pytest.approx((1.25 * INCH, target.by_stalks))
    thick = h.gap_target(sample + INCH / 2)
    assert thick.front / INCH == pytest.approx(1.5 + 1 / 16) and thick.by_thick_stalks
    # Without stalks the narrowest published start is 1 in: South Dakota State University, 2012.
    assert bare.least == pytest.approx(INCH)
    with pytest.raises(TrialkitError, match="above zero"):
        h.gap_target([20.0, 0.0])


@settings(deadline=None)
@given(st.lists(st.floats(5, 60), min_size=1, max_size=40), st.floats(0, 10))
def test_thicker_stalks_never_ask_for_a_narrower_gap(stalks: list[float], more: float) -> None:
    thicker = np.array(stalks)
    thicker[::2] += more
    assert h.gap_target(thicker).front >= h.gap_target(stalks).front - 1e-9
    shifted = h.gap_target(np.array(stalks) + more)
    assert shifted.by_stalks == pytest.approx(h.gap_target(stalks).by_stalks + more)


@settings(deadline=None)
@given(POSITIVE, POSITIVE, POSITIVE, POSITIVE)
def test_speed_and_length_of_roll_answer_each_other(
    length: float, stalk: float, pull: float, factor: float
) -> None:
    top = h.top_speed(length, stalk, pull)
    assert h.pull_through(top, stalk, pull) == pytest.approx(length)
    # Only ratios of lengths matter; more wear never allows more speed.
    assert h.top_speed(length * factor, stalk * factor, pull) == pytest.approx(top)
    assert h.top_speed(h.effective_length(length, factor), stalk, pull) < top


@settings(deadline=None)
@given(st.floats(20e3, 150e3), st.floats(0.3, 1.2), st.floats(1, 20), st.floats(1.01, 3))
def test_feed_rate_grows_with_each_of_its_parts(
    plants: float, width: float, speed: float, more: float
) -> None:
    rate = h.feed_rate(plants, width, speed)
    for changed in ((plants * more, width, speed), (plants, width * more, speed),
                    (plants, width, speed * more)):  # fmt: skip
        assert h.feed_rate(*changed) == pytest.approx(rate * more)
    assert h.speed_fed(rate, plants, width) == pytest.approx(speed)
    # A row's plants a second times their spacing is the ground covered in it.
    assert rate * h.plant_spacing(plants, width) / 1000 * 3.6 == pytest.approx(speed)


READINGS = st.lists(st.tuples(*[st.floats(10, 25)] * 4), min_size=3, max_size=16)
SETS = {"set_front": np.nan, "set_rear": np.nan}


def read(plates: list[tuple[float, ...]]) -> pd.DataFrame:
    """Rows whose gaps are what the two plates' distances from the row's centre make."""
    table = pd.DataFrame(plates, columns=list(PLATES))
    for end in ("front", "rear"):
        table[f"gap_{end}"] = table[f"plate_left_{end}"] + table[f"plate_right_{end}"]
    names = [str(i) for i in range(len(table))]
    return table.assign(header="1", row=names, gap_middle=np.nan, **SETS)


@settings(deadline=None)
@given(READINGS)
def test_plates_seen_from_the_other_side(plates: list[tuple[float, ...]]) -> None:
    table = read(plates)
    gaps = h.plate_gaps(table)
    other = {"left": "right", "right": "left"}
    swap = {a: "_".join(other.get(part, part) for part in a.split("_")) for a in PLATES}
    turned = h.plate_gaps(table.rename(columns=swap))
    for end in ("front", "rear"):
        np.testing.assert_allclose(turned[f"aside_{end}"], -gaps[f"aside_{end}"])
    same = ["gap_front", "gap_rear", "gap", "taper", "own_gap", "crooked", "off"]
    pd.testing.assert_frame_equal(turned[same], gaps[same])
    # In inches with limits in inches the verdicts are the same.
    limits = h.HeaderLimits()
    small = replace(limits, crooked=1 / 8, own_gap=1 / 16, taper=1 / 8, taper_off=1 / 8)
    asked = gaps[["asked_front", "asked_rear"]].notna().any(axis=None)
    if asked:  # half of a usual gap is told in mm
        return
    inches = h.plate_gaps(table.assign(**table[[*PLATES, "gap_front", "gap_rear"]] / INCH), small)
    far = ["aside_front", "aside_rear", "own_front", "own_rear"]
    near = ((gaps[far].abs() % (INCH / 16)) < 1e-6).any(axis=1)
    near |= ((gaps["taper"] - limits.taper).abs() - limits.taper_off).abs() < 1e-6
    pd.testing.assert_frame_equal(inches.loc[~near, ["crooked", "off"]],
                                  gaps.loc[~near, ["crooked", "off"]])  # fmt: skip


def test_front_rear_and_taper_are_judged_each() -> None:
    """The means of these rows are all 1.315 in; only the mean was judged once."""
    inches = [(1.25, 1.38), (1.44, 1.19), (1.00, 1.63), (1.25, 1.38), (1.25, 1.38)]
    table = read([(f / 2, r / 2, f / 2, r / 2) for f, r in INCH * np.array(inches)])
    gaps = h.plate_gaps(table)
    assert gaps["gap"].tolist() == pytest.approx([1.315 * INCH] * 5)
    for column in ("off_front", "off_rear", "off_taper"):
        assert gaps[column].tolist() == [False, True, True, False, False]
    assert not gaps["crooked"].any()  # both plates lie alike from the row's centre
    swung = table.assign(plate_left_rear=table["plate_left_rear"] + 4.0)
    gaps = h.plate_gaps(swung.assign(gap_rear=swung["gap_rear"] + 4.0))
    assert gaps["crooked"].all() and gaps["aside_rear"].tolist() == pytest.approx([-4.0] * 5)


def test_half_of_a_gap_is_asked_about_and_judges_nothing() -> None:
    whole, half = (INCH * 0.625, INCH * 0.6875) * 2, (INCH * 0.3125, INCH * 0.6875) * 2
    gaps = h.plate_gaps(read([whole, half, whole, whole]))
    assert gaps["asked_front"].tolist() == pytest.approx([np.nan, 0.625 * INCH, np.nan, np.nan],
                                                         nan_ok=True)  # fmt: skip
    assert not gaps[["off", "crooked"]].any(axis=None) and np.isnan(gaps["gap_front"][1])
    # All rows stand 1/4 in wider than they were set to: half of what they read is asked about too.
    wide = read([(19.0, 20.6) * 2, (9.5, 20.6) * 2, (19.0, 20.6) * 2, (19.0, 20.6) * 2])
    assert h.plate_gaps(wide.assign(set_front=31.75))["asked_front"].notna().tolist() == [
        False, True, False, False
    ]  # fmt: skip
    # Two plates that do not add up to the gap: measured again, not crooked.
    odd = read([whole] * 4)
    odd.loc[2, "plate_left_front"] += 8.0
    gaps = h.plate_gaps(odd)
    assert gaps["unlike_front"].tolist() == pytest.approx([np.nan, np.nan, 8.0, np.nan],
                                                          nan_ok=True)  # fmt: skip
    assert not gaps["crooked"].any()


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(20, 60), min_size=2, max_size=16))
def test_every_repair_draws_the_rows_together(gap: list[int]) -> None:
    table = h.repairs(range(len(gap)), gap)
    if len(set(gap)) == 1:
        assert table.empty
        return
    assert (table["sd"] <= table["sd_before"] + 1e-9).all()
    assert table["share_removed"].iloc[-1] == pytest.approx(1)
    assert table["sd_before"].iloc[0] == pytest.approx(np.std(gap, ddof=1))
    assert table["own_gap"].abs().is_monotonic_decreasing
    moved = h.repairs(range(len(gap)), [7.0 - x for x in gap])
    assert moved["sd"].tolist() == pytest.approx(table["sd"].tolist())


def test_share_removed_is_that_of_a_mean_over_rows_taken_at_random() -> None:
    """All 64 ways to lay two frames behind eight rows, before and after the first repair."""
    gap = np.array([33, 33.5, 34, 32.5, 33, 39, 33, 34.5])
    table = h.repairs(list("abcdefgh"), gap)
    assert table["row"].iloc[0] == "f" and table["own_gap"].iloc[0] == pytest.approx(5.75)
    mended = np.where(gap == 39, np.median(gap), gap)
    before, after = (np.var([(x + y) / 2 for x, y in product(g, g)]) for g in (gap, mended))
    assert table["share_removed"].iloc[0] == pytest.approx(1 - after / before)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: h.HeaderLimits(stalk_percentile=0), "percentage above 0"),
        (lambda: h.HeaderLimits(guide_clearance=-1), "guide_clearance must be above zero"),
        (lambda: h.HeaderLimits(roll_worn=0), "roll_worn must be above zero"),
        (lambda: h.HeaderLimits(chain_slack=(9, 3)), "chain_slack is two numbers"),
        (lambda: h.HeaderLimits(shared=0.5), "shared is a share of the rows"),
        (lambda: h.RowUnit(grip=1.5), "grip is a share"),
        (lambda: h.RowUnit(roll_length=0), "roll_length must be above zero"),
        (lambda: h.RowUnit(chain_speed=0), "chain_speed must be above zero"),
    ],
)
def test_limits_that_cannot_be(make, says: str) -> None:
    with pytest.raises(TrialkitError, match=says):
        make()
