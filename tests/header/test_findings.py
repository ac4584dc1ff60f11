"""A header with planted faults is told completely, at every speed, and nothing else is."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from trialkit.header import HeaderLimits, HeaderReport, RowUnit, check_header
from trialkit.header.advice import ADVICE, GRADES
from trialkit.header.limits import SOURCES
from trialkit.header.plates import STATIONS
from trialkit.pages import demo_dir
from trialkit.pages import header as header_page
from trialkit.pages.elements import Table
from trialkit.pages.header_tables import fix_table
from trialkit.pages.parts.header import settings_table
from trialkit.responses import schema
from trialkit.words import said, spoken

INCH, MPH = 25.4, 1.609344
# A 20-in roll pulling at 90 mm and 1,000 1/min, 28 in of stalk: 4.712 m/s x 20 / 28 = 7.53 mph new.
MEASURED = RowUnit(roll_length=20 * INCH, roll_diameter=90.0, pulled_length=28 * INCH)
SPEEDS = (3.0, 4.0, 5.0, 6.5, 8.0)


@cache
def demo() -> tk.Trial:
    return tk.load_trial(demo_dir())


def header(rows: int = 12, **changed: dict[int, Any]) -> tk.Trial:
    """Sound rows at 1-1/4 and 1-3/8 in, in inches, with ``column={row: value}`` changed."""
    inches = {
        "gap_front": 1.25, "gap_rear": 1.375, "plate_left_front": 0.625, "plate_right_front": 0.625,
        "plate_left_rear": 0.6875, "plate_right_rear": 0.6875, "set_front": 1.25,
        "set_rear": 1.375, "roll_left_wear_length": 1.0, "roll_right_wear_length": 1.0,
        **dict.fromkeys(STATIONS, 5.25), "roll_clearance": 0.08, "plate_edge_wear": 0.05,
        "chain_slack": 0.5,
    }  # fmt: skip
    table = schema.tidy(pd.DataFrame({
        "header": "1", "row": [str(i) for i in range(1, rows + 1)],
        **{name: value * INCH for name, value in inches.items()},
        "chain_stretch": 1.0, "flaps": "sound",
    }), "header_check")  # fmt: skip
    for column, values in changed.items():
        for row, value in values.items():
            plain = column in ("flaps", "chain_stretch")
            table.loc[row - 1, column] = value if plain else value * INCH
    trial = demo()
    config = replace(trial.config.header, rows=rows, width=rows * 0.762)
    strips = trial.strips.assign(roll_rpm=1000.0)
    return replace(trial, header_check=table, strips=strips,
                   config=replace(trial.config, header=config))  # fmt: skip


def gaps(front: float, rear: float) -> dict[str, dict[int, float]]:
    """All rows at these gaps, in inches, both plates alike from the row's centre."""
    out = {}
    for end, gap in (("front", front), ("rear", rear)):
        for column, value in (("gap", gap), ("plate_left", gap / 2), ("plate_right", gap / 2)):
            out[f"{column}_{end}"] = dict.fromkeys(range(1, 13), value)
    return out


def faulty() -> tk.Trial:
    """All gaps 1/4 in wide, and ten faults of single rows."""
    wide = gaps(1.5, 1.625)
    for column, value in gaps(1.69, 1.44).items():
        wide[column][2] = value[2]
    wide["gap_rear"][4], wide["plate_right_rear"][4] = 1.875, 1.0625
    return header(
        **wide, clearance_1={5: 4.75}, clearance_2={5: 4.5}, clearance_3={5: 4.375},
        roll_left_wear_length={11: 12.0}, roll_right_wear_length={8: 4.5, 11: 11.5},
        chain_slack={3: 1.5}, chain_stretch={6: 3.6}, flaps={7: "torn"},
        roll_clearance={9: 0.2}, plate_edge_wear={10: 0.2},
    )  # fmt: skip


MAKER = "(no published figure: the operator's manual comes first)"
# Every row's fault in words, whatever the speed; the rolls' verdict on top of it.
PLANTED = {
    "Row 2": ("front gap 3/16 in (0.19) wider than the median of the rows",
              "rear gap 3/16 in (0.19) narrower than the median of the rows",
              "rear 1/4 in (0.25) narrower than the front"),
    "Row 3": (f"chain moves 1-1/2 in (1.5) by hand, over 1 in {MAKER}",),
    "Row 4": ("at the rear the right plate lies 1/4 in (0.25) farther from the row's centre",),
    "Row 5": ("guides pinched at the front, second and middle stations, down to 4-3/8 in",),
    "Row 6": (f"chain 3.6 % longer than new, over 3 % {MAKER}",),
    "Row 7": ("ear-saver flaps torn",),
    "Row 8": ("rolls worn back 4-1/2 in from the front",
              "right roll worn 3-1/2 in farther back than the left"),
    "Row 9": (f"rolls or knives 3/16 in (0.2) apart, over 1/8 in {MAKER}",),
    "Row 10": (f"plates' edges worn back 3/16 in (0.2), over 1/8 in {MAKER}",),
    "Row 11": ("rolls worn back 12 in from the front",),
}  # fmt: skip


def told(report: HeaderReport) -> dict[str, str]:
    return {item.label: "; ".join(said(item.found)) for item in report.items}


@pytest.mark.parametrize("mph", SPEEDS)
@pytest.mark.parametrize("unit", [None, MEASURED])
def test_planted_faults_are_told_at_every_speed(mph: float, unit: RowUnit | None) -> None:
    report = check_header(faulty(), speed=mph * MPH, unit=unit)
    first = report.items[0]
    assert (first.label, first.grade, first.whole) == ("All rows", "repair", True)
    assert said(first.found) == [
        "the gap reads 1-1/2 in at the front and 1-5/8 in at the rear (median row); 1/4 in wider "
        "than the 1-1/4 in and 1-3/8 in it was set to; wider than any published start, 1-1/4 in at "
        "the front",
    ]
    rows = [item for item in report.items if not item.whole]
    assert {item.label for item in rows} == set(PLANTED)
    words = {item.label: "; ".join(said(item.found)) for item in rows}
    for label, parts in PLANTED.items():
        assert all(part in words[label] for part in parts), (label, words[label])
    # 12 in of 20; where no one measured the roll, of the 24 to 16 in it may have.
    assert ("50 to 75 % of" if unit is None else "60 % of") in words["Row 11"]
    # One line for what all rows share: besides the gap, at most that the speed is too high.
    whole = [item for item in report.items if item.whole]
    assert all(item.parts == ("speed",) for item in whole[1:]) and len(whole) <= 2
    assert [item.rank for item in report.items] == list(range(1, len(report.items) + 1))
    grades = [GRADES.index(item.grade) for item in report.items]
    assert grades == sorted(grades)
    # The list, the rows' verdicts and the terminal say the same.
    assert fix_table(report)["found"].tolist() == ["; ".join(said(i.found)) for i in report.items]
    for item in rows:
        assert "; ".join(said(item.found)) in report.verdicts[item.places[0]]


def test_worn_rolls_are_two_verdicts_and_no_order_on_assumed_sizes() -> None:
    """MEASURED pulls up to 7.53 mph new, and with 4.5 or 12 of 20 in gone 5.84 and 3.01 mph:
    7.53 x 15.5 / 20, x 8 / 20."""
    verdicts = {
        3.0: ("worn, still pulling at 3.0 mph", "worn, still pulling at 3.0 mph"),
        5.0: ("worn, still pulling at 5.0 mph", "worn out at 5.0 mph"),
        6.5: ("worn out at 6.5 mph", "worn out at 6.5 mph"),
        8.0: ("at 8.0 mph not even new rolls finish", "at 8.0 mph not even new rolls finish"),
    }
    for mph, (little, much) in verdicts.items():
        report = check_header(faulty(), speed=mph * MPH, unit=MEASURED)
        words = told(report)
        assert little in words["Row 8"] and much in words["Row 11"]
        assert "up to 5.8 mph, new rolls up to 7.5 mph, so 78 % of their speed" in words["Row 8"]
        assert "up to 3.0 mph, new rolls up to 7.5 mph, so 40 % of their speed" in words["Row 11"]
    report = check_header(faulty(), speed=5.0 * MPH, unit=MEASURED)
    do = {item.label: said(item.do) for item in report.items}
    assert do["Row 11"] == ["change the rolls, or drive slower than 3.0 mph"]
    assert "stay below 5.8 mph, and measure again before the next season" in do["Row 8"]
    for mph in SPEEDS:
        assumed = check_header(faulty(), speed=mph * MPH)
        for item in assumed.items:
            if {"rolls", "speed"} & set(item.parts) and item.label != "Row 9":
                assert item.grade == "ask"
                assert "measure these three, then ask again" in said(item.do)[0]
        assert "change the rolls" not in " ".join(d for i in assumed.items for d in said(i.do))
    # One size measured leaves two to ask for, and a narrower range.
    some = check_header(faulty(), speed=5.0 * MPH, unit=RowUnit(roll_length=20 * INCH))
    asked = said(next(item for item in some.items if item.label == "Row 11").do)[0]
    assert asked.startswith("measure these two, then ask again") and "--roll-length" not in asked
    low, high = some.new_speeds[1:]
    # 3 in at 1,000 1/min are 3.990 m/s, 4-1/2 in 5.985; over 36 and 24 in of stalk, on 20 in.
    expected = (3.990 * 20 / 36 * 2.23694, 5.985 * 20 / 24 * 2.23694)
    assert (low / MPH, high / MPH) == pytest.approx(expected, abs=0.01)


def test_a_fault_of_all_rows_is_one_line() -> None:
    warped = {f"clearance_{k}": dict.fromkeys(range(1, 13), v) for k, v in ((1, 4.75), (2, 4.5))}
    report = check_header(header(**warped))
    (only,) = report.items
    assert only.label == "All rows" and report.first.empty
    (found,) = said(only.found)
    assert "guides pinched at the front and second stations, down to 4-1/2 in" in found
    assert report.verdicts == ("in order but for what all rows have",) * 12
    for rows, label in (((3,), "All rows but 3"), ((3, 7), "All rows but 3 and 7")):
        sound = {"flaps": {i: "missing" for i in range(1, 13) if i not in rows}}
        assert [i.label for i in check_header(header(**sound)).items] == [label]
    half = {"flaps": {i: "missing" for i in range(1, 7)}}
    assert len(check_header(header(**half)).items) == 6
    few = check_header(header(flaps={2: "torn"} | {i: np.nan for i in (1, *range(5, 13))}))
    assert [item.label for item in few.items] == ["Row 2"]


def test_headline_list_and_exit_agree() -> None:
    """"Nothing to repair was found" never stands above something to do."""
    trial, sound = header(**gaps(1.53, 1.66)), header()
    page = header_page(trial)
    assert "Nothing to repair" not in page.headline().html and check_header(trial).items
    assert "what all rows have" in page.headline().html
    closed = header_page(sound)
    assert "Nothing to repair was found" in closed.headline().html
    assert not check_header(sound).items


def test_thin_stalks_never_order_a_gap_below_the_published_start() -> None:
    trial = header()
    thin = replace(trial, stalks=trial.stalks.assign(diameter=15.0))  # 0.59 in
    assert not check_header(thin).items and check_header(thin).target.front == 1.25 * INCH
    thick = replace(trial, stalks=trial.stalks.assign(diameter=35.0))  # 1.38 in
    (item,) = check_header(thick).items
    assert item.kinds == ("all narrow",)
    assert "20 stalks measured need, 1-7/16 in" in said(item.found)[0]
    assert "wider than any published start (1-1/4 in)" in " ".join(check_header(thick).sentences)
    # The room a cushion takes is common practice: a question, flagged, not an order.
    (item,) = check_header(trial, cushion=True).items
    assert (item.kinds, item.grade) == (("cushion",), "ask")
    (do,) = said(item.do)
    assert "toward 1-5/8 in at the front and 1-3/4 in at the rear, wider than any" in do
    # At the narrowest published start, without stalks, nothing is ordered either way.
    at = gaps(1.0, 1.125)
    bare = header(**at, set_front=at["gap_front"], set_rear=at["gap_rear"])
    assert not check_header(replace(bare, stalks=trial.stalks.head(0))).items


def test_plates_that_do_not_read_what_was_set() -> None:
    """Within the published starts, but 1/8 in off the indicator: one line, no gap to close."""
    (item,) = check_header(header(**gaps(1.125, 1.25))).items
    assert item.kinds == ("off setting",)
    assert "1/8 in narrower than the 1-1/4 in and 1-3/8 in it was set to" in said(item.found)[0]


def test_limits_are_arguments_and_every_one_shows_its_source() -> None:
    trial = faulty()
    loose = HeaderLimits(
        chain_slack=(0.0, 50.0), chain_stretch=5.0, roll_clearance=(0.0, 10.0), plate_edge=10.0,
        flute=4.0,
    )  # fmt: skip
    labels = {item.label for item in check_header(trial, limits=loose).items}
    assert not labels & {"Row 3", "Row 6", "Row 9", "Row 10"}
    fluted = trial.header_check.assign(roll_left_flute=6.0, roll_right_flute=[3.0] + [6.0] * 11)
    low = check_header(replace(trial, header_check=fluted), limits=loose)
    words = "flutes only 1/8 in (0.12) high at the front, under 0.157 in (given)"
    assert words in told(low)["Row 1"]
    shown: Table = settings_table(low)
    assert len(shown.rows) == len(SOURCES) - 1  # no speed of the chain was given
    assert all(len(row) == 3 and all(row) for row in shown.rows)
    assert sum(row[2] == "given" for row in shown.rows) == 5
    chain = str(settings_table(check_header(trial, unit=RowUnit(chain_speed=2.32461))))
    assert "5.2 mph" in chain and "2.32" not in chain


def test_a_chain_to_be_changed_is_not_tightened_first() -> None:
    (item,) = check_header(header(chain_slack={3: 1.5}, chain_stretch={3: 3.6})).items
    assert len(item.found) == 2
    assert said(item.do) == ["change the chain, and look at its sprockets"]


def test_a_fault_of_all_rows_is_told_once_with_its_range() -> None:
    """Whatever is to be measured again: the least and the most of the rows, not each of them."""
    wide = {i: 0.85 + 0.01 * i for i in range(1, 13)}
    (item,) = check_header(header(plate_right_rear=wide)).items
    # 0.6875 in on the left and 0.86 to 0.97 on the right are 0.1725 to 0.2825 over 1.375 in, that
    # is 2.76 and 4.52 sixteenths.
    assert said(item.found) == [
        "at the rear the two plates' distances from the row's centre make 3/16 to 5/16 in more "
        "than the gap"
    ]


def test_every_kind_has_its_advice_and_order() -> None:
    """Whatever the report, each kind's advice can be said with what is put into it."""
    assert {advice.grade for advice in ADVICE.values()} == set(GRADES)
    gap = {"front": 31.75, "rear": 34.9, "system": "US"}
    given: dict[str, dict[str, Any]] = {
        "": {}, "gap": gap, "start": gap | {"start": 31.75},
        "speed": {"speed": 8.0, "system": "US"}, "sizes": {"lacks": "", "sizes": ("roll_length",)},
    }  # fmt: skip
    for advice in ADVICE.values():
        do = spoken("header_advice", advice.do)(**given[advice.needs])
        why = spoken("header_advice", advice.why)()
        assert do and why and "university" not in (do + why).lower()
