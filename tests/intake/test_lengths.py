"""Lengths as people write them, older header checks, and gaps that read like half a gap."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sound_trial import Make

from trialkit.intake import read_trial
from trialkit.intake.halves import half_gaps, half_questions
from trialkit.intake.numbers import read_quantity
from trialkit.quantities import inches
from trialkit.responses import schema
from trialkit.trial import load_trial

INCH = 25.4


@given(st.integers(-64, 3000), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_every_printed_fraction_is_read_back(parts: int, step: int) -> None:
    text = inches(parts / step * INCH, step)
    for written in (text, text.removesuffix(" in"), text.replace(" in", '"'),
                    text.replace("-", " "), text.replace(" in", " inches")):  # fmt: skip
        assert read_quantity(written, "in", "point")[0] == pytest.approx(parts / step, abs=1e-12)
    assert read_quantity(text, "mm", "point")[0] == pytest.approx(parts / step * INCH, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "inch", "mm"),
    [
        ("1 1/4", 1.25, None), ("1-3/8", 1.375, None), ("1¼", 1.25, None), ("1-⅜", 1.375, None),
        ("½", 0.5, None), ("1\u20442", 0.5, None), ("1 3/8 in", 1.375, 34.925),
        ('1-1/4"', 1.25, 31.75), ("1 1/4”", 1.25, 31.75), ("1-3/8 in.", 1.375, 34.925),
        ("¾ in", 0.75, 19.05), ("1.375", 1.375, 1.375), ("35 mm", 35 / INCH, 35.0),
        ("3.5 cm", 35 / INCH, 35.0), ("1'", 12.0, 304.8),
        # No tape has thirds; 11/4 is more likely 1 1/4; a spreadsheet makes a date of 1-3/8.
        ("1/3", None, None), ("11/4", None, None), ("1/0", None, None), ("2008-01-03", None, None),
        ("8-Mar", None, None), ("1 1/4 lb", None, None), ("35 lb", None, None),
        ("1--1/4", None, None), ("=1+1/4", None, None), ("1 1/4 x", None, None),
    ],
)  # fmt: skip
def test_a_length_as_written(text: str, inch: float | None, mm: float | None) -> None:
    for unit, value in (("in", inch), ("mm", mm)):
        number, _ = read_quantity(text, unit, "point")
        assert number == pytest.approx(value) if value is not None else isinstance(number, str)


def test_a_unit_in_a_cell(trial_folder: Make) -> None:
    """Units of the column are read, others converted with one note; speed and moisture too."""
    strips = (
        "strip,field,pair,cushion,gap_front (in),speed_set,moisture\n"
        "S1,North,1,standard,1 1/4,3.5 mph,18 %\n"
        'S2,North,1,cushion,"1-3/8""",5 km/h,18%\n'
        "S3,North,2,cushion,35 mm,4,18\n"
        "S4,North,2,standard,33 mm,4,18\n"
        "S5,North,2,standard,8-Mar,4,18\n"
    )
    intake = read_trial(trial_folder(strips=strips))
    kept = intake.tables["strips"]
    assert kept["gap_front"].tolist() == pytest.approx([31.75, 34.925, 35, 33, np.nan], nan_ok=True)
    assert kept["speed_set"].tolist()[:2] == pytest.approx([3.5 * 1.609344, 5.0])
    note = intake.read.set_index("table")["notes"]["strips"]
    assert note.count("cells of gap_front written in mm were converted to in") == 1
    assert "cells of speed_set written in km/h were converted to mph" in note
    (fault,) = intake.refused.query("file == 'strips.csv'").itertuples()
    assert fault.line == 6 and "a spreadsheet makes one of 1-3/8" in fault.expected
    assert fault.lost == "cell"
    assert note.count("units written into cells") == note.count("fractions such as 1 1/4") == 1


def test_decimal_commas_beside_units(trial_folder: Make) -> None:
    checked = "header;row;gap_front (mm);gap_rear (mm)\nA;1;31,5 mm;3,5 cm\nA;2;32,5;35,5\n"
    intake = read_trial(trial_folder(header_check=checked))
    kept = intake.tables["header_check"]
    assert kept["gap_front"].tolist() == [31.5, 32.5]
    assert kept["gap_rear"].tolist() == pytest.approx([35.0, 35.5])


OLD = (
    "header,row,gap_front_left (in),gap_front_right (in),gap_rear_left,gap_rear_right,"
    "roll_wear_length (in),colour\n"
    "A,1,1 1/4,1-1/4,1-3/8,1-3/8,2,red\nA,2,1.25,1.5,1.375,,,red\nA,3,1.2,1.3,x,1.3,3,red\n"
)


def test_older_header_checks_are_read_with_a_note(trial_folder: Make) -> None:
    intake = read_trial(trial_folder(header_check=OLD))
    kept = intake.tables["header_check"]
    assert kept["gap_front"].tolist() == pytest.approx([1.25 * INCH, 1.375 * INCH, 1.25 * INCH])
    # Of the gap that could not be read on one side the other reading stands.
    assert kept["gap_rear"].tolist() == pytest.approx([1.375 * INCH, 1.375 * INCH, 1.3 * INCH])
    for side in ("left", "right"):
        wear = kept[f"roll_{side}_wear_length"]
        assert wear[0] == pytest.approx(2 * INCH) and np.isnan(wear[1])
    (fault,) = intake.refused.itertuples()
    assert (fault.line, fault.column, fault.value) == (4, "gap_rear_left", "x")
    assert fault.lost == "cell"
    note = intake.read.set_index("table")["notes"]["header_check"]
    assert note.count("a gap has two edges at one station") == 1
    assert "their mean as gap_front and gap_rear" in note
    assert "roll_left_wear_length and roll_right_wear_length" in note
    assert "columns kept aside: colour" in note
    assert "gap_front_right differ by more than 3/16 in (4.8 mm) in row 2: measure" in note


def test_todays_column_stands_before_older_ones(trial_folder: Make) -> None:
    checked = "header,row,gap_front,gap_front_left,gap_front_right\nA,1,1.5,1,1.1\nA,2,,1,1.1\n"
    kept = read_trial(trial_folder(header_check=checked)).tables["header_check"]
    assert kept["gap_front"].tolist() == pytest.approx([1.5 * INCH, 1.05 * INCH])
    bad = read_trial(trial_folder(header_check="header,row,gap_front_left (lb)\nA,1,1\n"))
    assert "a unit of length" in bad.refused["expected"].iloc[0]


def _checked(**columns: list[float]) -> pd.DataFrame:
    rows = len(next(iter(columns.values())))
    data = {name: INCH * np.asarray(values, float) for name, values in columns.items()}
    return schema.tidy(
        pd.DataFrame({"header": "A", "row": [str(k + 1) for k in range(rows)], **data}),
        "header_check",
    )


def test_a_reading_near_half_of_a_gap_is_asked_about() -> None:
    # Against the other rows, of which most are whole.
    found = half_gaps(_checked(gap_front=[1.25, 0.63, 1.2, 1.3], gap_rear=[1.4, 1.4, 1.35, 0.7]))
    assert list(zip(found["row"], found["column"], found["against"], strict=True)) == [
        ("2", "gap_front", "rows"), ("4", "gap_rear", "rows")]  # fmt: skip
    (front, rear) = half_questions(found, "US")
    assert front.startswith(
        "the front gap of row 2 reads 5/8 in (0.63), about half of the 1-1/4 in"
    )
    assert "from the centre to one edge?" in front and "1-3/8 in" in rear
    # Most rows half: they are told from the one that is whole.
    found = half_gaps(_checked(gap_front=[0.62, 0.63, 1.25, 0.65]))
    assert found["row"].tolist() == ["1", "2", "4"]
    assert "rows 1, 2 and 4 read 15.7 mm to 16.5 mm" in half_questions(found, "SI")[0]
    # What was set comes first, and serves where all rows are half.
    set_at = _checked(gap_front=[0.6, 0.65], set_front=[1.25, 1.25])
    assert half_gaps(set_at)["against"].tolist() == ["set", "set"]
    # Nothing set, all half of a usual gap.
    assert half_gaps(_checked(gap_front=[0.6, 0.65]))["against"].tolist() == ["usual", "usual"]


def test_gaps_that_are_off_are_not_asked_about() -> None:
    assert half_gaps(_checked(gap_front=[1.0, 1.25, 1.63], gap_rear=[np.nan] * 3)).empty
    assert half_gaps(_checked(gap_front=[1.44, 0.9], set_front=[1.25, 1.25])).empty
    assert half_gaps(schema.empty("header_check")).empty


def test_the_read_asks(trial_folder: Make) -> None:
    checked = "header,row,gap_front (mm)\nA,1,32\nA,2,16\nA,3,31\n"
    read = read_trial(trial_folder(header_check=checked)).read.set_index("table")
    assert "the front gap of row 2 reads 5/8 in (0.63)" in read["notes"]["header_check"]


MEASURED = "field,diameter\n" + "North,1 3/4\n" * 30


@pytest.mark.parametrize("table", ["stalks", "ear_butts"])
@pytest.mark.parametrize("strips", [None, "strip,field,pair,cushion\n"])
def test_measured_in_a_field_before_there_are_strips(
    trial_folder: Make, table: str, strips: str | None
) -> None:
    """An empty strips.csv, as a new trial has, refused all of them."""
    folder = trial_folder(strips=strips, frames=None, **{table: MEASURED})
    trial = load_trial(folder, harvested=False)
    assert trial.refused.empty
    assert getattr(trial, table)["diameter"].tolist() == pytest.approx([1.75 * INCH] * 30)


@pytest.mark.parametrize("table", ["stalks", "ear_butts"])
def test_measured_in_a_field_with_strips(trial_folder: Make, table: str) -> None:
    folder: Path = trial_folder(
        fields="field\nSouth\n", **{table: "field,diameter\nnorth,1\nsouth,1\nEast,1\n"}
    )
    intake = read_trial(folder)
    assert intake.tables[table]["field"].tolist() == ["North", "South"]
    (fault,) = intake.refused.itertuples()
    assert fault.value == "East"
    assert fault.expected == "a field listed in strips.csv or fields.csv"
