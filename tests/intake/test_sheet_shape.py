"""What people leave in a sheet beside its rows of data, in a workbook and in CSV of the same cells.

Each case says what must be kept, what is refused and what the notes must name. What a sound table
holds is in `sound_trial`; the rest is common practice in spreadsheets.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from sound_trial import FRAMES, SETTINGS, STRIPS
from test_mess import check_balance
from test_workbooks import _typed, workbook

from trialkit.intake import Intake, read_trial
from trialkit.intake.heads import read_files

HEAD, *DATA = [[_typed(v) for v in row] for row in csv.reader(io.StringIO(STRIPS))]
_ = None
SUMMARY = [["Setup", "Mean", "n", "sd"], ["control", 18.7, 2, 0.2], ["changed", 18.8, 2, 0.1]]
HEAD_2 = [["strip", "zone", "area"], ["S1", "header", 10], ["S2", "header", 10]]


def read(path: Path, how: str, strips: list[list[Any]]) -> Intake:
    """The sound trial with these rows of strips."""
    if how == "workbook":
        return read_trial(workbook(path / "t.xlsx", strips=strips))
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(
        [v.date().isoformat() if isinstance(v, dt.datetime) else v for v in row] for row in strips
    )
    for name, content in (("strips.csv", text.getvalue()), ("frames.csv", FRAMES)):
        (path / name).write_text(content)
    (path / "trial.toml").write_text(SETTINGS)
    return read_trial(path)


CASES: dict[str, tuple[list[list[Any]], int, str]] = {
    # rows; rows refused; what a note or the refusal names ("row" stands for line in CSV)
    "titles": ([["Strip trial, north field"], ["Crew", "J B"], [], HEAD, *DATA], 0,
               'the header row is row 4; above it stands "Strip trial, north field" and "Crew'),
    "header far down": ([["x"]] * 20 + [HEAD, *DATA], 0, "the header row is row 21"),
    "words of sums": ([HEAD, *DATA, ["Total", _, _, _, _, 835], ["Average", _, _, _, 18.78]], 0,
                      'rows 6 to 7 ("Total" and "Average")'),
    "sums of fields": ([HEAD, *DATA[:2], ["North total", _, _, _, _, 422], *DATA[2:]], 0,
                       'row 4 ("North total")'),
    "a sum without a word": ([HEAD, *DATA, [], [_, _, _, _, _, 835]], 0, "row 7: a sum or mean"),
    "a mean without a word": ([HEAD, *DATA, [_, _, _, _, 18.8]], 0, "row 6: a sum or mean"),
    "a formula of a sum": ([HEAD, *DATA, [_, _, _, _, _, "=SUM(F2:F5)"]], 0, "row 6: a sum"),
    "a number of nothing": ([HEAD, *DATA, [_, _, _, _, _, 999]], 1, "must not be empty"),
    "a mean with names": ([HEAD, *DATA, ["Average", "North", 1, "standard", 18.8]], 0, "row 6"),
    "a strip named max": ([HEAD, *DATA, ["max", "North", 3, "standard", 18.8]], 0, ""),
    "notes below": ([HEAD, *DATA, [], ["Harvested by two crews"], [_, "wet at the end"]], 0,
                    'rows 7 to 8 below the table: "Harvested by two crews" and "wet at the end"'),
    "a note at once": ([HEAD, *DATA, ["Note:", "wet at the end"]], 0, "row 6 below the table"),
    "a strip begun": ([HEAD, *DATA, ["S5"]], 1, "must not be empty"),
    "a strip begun below": ([HEAD, *DATA, [], ["S5", "North"]], 1, "must not be empty"),
    "blank rows": ([HEAD, [], *DATA[:2], [], [], *DATA[2:], [], []], 0, ""),
    "header again": ([HEAD, *DATA[:2], HEAD, *DATA[2:]], 0, "row 4: the header row once more"),
    "the same below": ([HEAD, *DATA, [], HEAD, *DATA], 1, "its rows 8 to 11 are not read"),
    "another below": ([HEAD, *DATA, [], *HEAD_2], 1, "its rows 8 to 9 are not read"),
    "a summary below": ([HEAD, *DATA, [], ["Means"], [], *SUMMARY], 1,
                        "its rows 10 to 11 are not read"),
    "the same beside": ([[*r, _, *r] for r in [HEAD, *DATA]], 1, "begins here beside the first"),
    "one beside at once": ([[*r, *r[:3]] for r in [HEAD, *DATA]], 1, "beside the first (strip, "),
    "a longer one beside": ([[*r, _, *r] for r in [HEAD, *DATA]] + [[_] * 8 + ["S9", "North"]], 1,
                            "begins here beside the first"),
    "a list beside": ([[*r, _, k] for r, k in zip([HEAD, *DATA], "Wabcd", strict=True)]
                      + [[_] * 8 + ["more"]], 0, "row 6: nothing in the table"),
    "a gap": ([[*r[:4], _, *r[4:]] for r in [HEAD, *DATA]], 0, ""),
}  # fmt: skip


@pytest.mark.parametrize("how", ["workbook", "csv"])
@pytest.mark.parametrize("case", CASES)
def test_beside_the_rows_of_data(tmp_path: Path, case: str, how: str) -> None:
    rows, refused, says = CASES[case]
    intake = read(tmp_path, how, rows)
    check_balance(intake)
    counts = intake.read.set_index("table").loc["strips"]
    more = case == "a strip named max"
    assert counts["rows_kept"] == 4 + more
    assert counts["rows_refused"] == refused == intake.refused["line"].nunique()
    assert intake.tables["strips"]["strip"].tolist()[:4] == ["S1", "S2", "S3", "S4"]
    assert len(intake.tables["frames"]) == 4  # no row is refused on another's account
    told = counts["notes"] + " ".join(intake.refused["expected"])
    if how == "csv":
        says = re.sub(r"\brow(s?) (?=\d)", r"line\1 ", says)
    assert says in told
    if not says:
        assert counts["notes"] in ("", "pairs with one strip: 3 of North")


def test_merged_cells(tmp_path: Path) -> None:
    path = workbook(tmp_path / "t.xlsx")
    book = openpyxl.load_workbook(path)
    strips, frames = book["strips"], book["frames"]
    for merged in ("B2:B5", "C2:C3", "C4:C5", "E2:E3", "G2:G3"):
        strips.merge_cells(merged)
    frames["B3"] = "S1"
    frames["A3"] = 2
    frames.merge_cells("B2:B3")
    book.save(path)
    intake = read_trial(path)
    check_balance(intake)
    assert intake.refused.empty
    table = intake.tables["strips"]
    assert table["field"].tolist() == ["North"] * 4
    assert table["pair"].tolist() == ["1", "1", "2", "2"]
    assert table["moisture"].isna().tolist() == [False, True, False, False]
    assert intake.tables["frames"]["strip"].tolist() == ["S1", "S1", "S3", "S4"]
    notes = intake.read.set_index("table").loc["strips", "notes"]
    assert "cells B2:B5 are merged; only the first holds the field: it was filled down" in notes
    assert "are each merged; only the first holds the pair" in notes
    assert "cells E2:E3 are merged; only the first holds the moisture, and it is not" in notes


def test_a_merged_name_of_the_row_is_not_repeated(tmp_path: Path) -> None:
    path = workbook(tmp_path / "t.xlsx")
    book = openpyxl.load_workbook(path)
    book["strips"].merge_cells("A2:A3")
    book.save(path)
    intake = read_trial(path)
    check_balance(intake)
    assert intake.refused["line"][0] == 3
    assert intake.tables["strips"]["strip"].tolist() == ["S1", "S3", "S4"]
    assert "cells A2:A3 are merged" in intake.read.loc[0, "notes"]


def test_rows_and_columns_not_shown_are_read_and_named(tmp_path: Path) -> None:
    path = workbook(tmp_path / "t.xlsx")
    book = openpyxl.load_workbook(path)
    sheet = book["strips"]
    sheet.auto_filter.ref = "A1:G5"
    sheet.auto_filter.add_filter_column(0, ["S1", "S4"])
    for row in (3, 4):
        sheet.row_dimensions[row].hidden = True
    sheet.column_dimensions["F"].hidden = True
    book["frames"].sheet_state = "hidden"
    book.save(path)
    intake = read_trial(path)
    assert (intake.refused.empty, len(intake.tables["strips"])) == (True, 4)
    strips, frames = intake.read["notes"]
    assert "rows 3 to 4 are hidden in the spreadsheet by a filter and read like any other" in strips
    assert "column yield (bu/ac) is hidden" in strips
    assert "the sheet is hidden" in frames


def test_names_that_became_numbers_or_dates(tmp_path: Path) -> None:
    rows = [HEAD, *([k, *row[1:]] for k, row in enumerate(DATA[:3], start=1))]
    rows.append([dt.datetime(2026, 1, 2), *DATA[3][1:]])
    frames = FRAMES.replace("S4", "1-2").replace("S", "")
    intake = read_trial(workbook(tmp_path / "t.xlsx", strips=rows, frames=frames))
    assert intake.tables["strips"]["strip"].tolist() == ["1", "2", "3", "1-2"]
    assert 'row 5: strip is a date ("2026-01-02")' in intake.read.loc[0, "notes"]
    assert intake.refused.empty
    decimals = [HEAD, *([f"{k}.0", *row[1:]] for k, row in enumerate(DATA, start=1))]
    (tmp_path / "c").mkdir()
    intake = read(tmp_path / "c", "csv", decimals)
    assert intake.tables["strips"]["strip"].tolist() == ["1", "2", "3", "4"]
    assert "names in strip written as numbers with a decimal" in intake.read.loc[0, "notes"]


def test_a_quotation_mark_in_a_title_swallows_no_header(tmp_path: Path) -> None:
    text = '20" rows; home farm\n\n' + STRIPS
    (tmp_path / "strips.csv").write_text(text)
    (tmp_path / "trial.toml").write_text(SETTINGS)
    intake = read_trial(tmp_path)
    assert (len(intake.tables["strips"]), intake.refused.empty) == (4, True)
    assert 'the header row is line 3; above it stands "20" rows; home farm"' in (
        intake.read.loc[0, "notes"])  # fmt: skip


def test_sums_of_a_header_check(tmp_path: Path) -> None:
    """Beside the name of the header too, the words name no row of it."""
    rows = [["header", "row", "gap_front (in)"], ["H", 1, 1.25], ["H", 2, 1.26],
            ["H", "Average", 1.255], ["H", "Max", 1.26], [_, "Mean", 1.255]]  # fmt: skip
    intake = read_trial(workbook(tmp_path / "t.xlsx", header_check=rows))
    assert intake.tables["header_check"]["row"].tolist() == ["1", "2"]
    assert intake.refused.empty
    assert 'rows 4 to 6 ("Average", "Max" and "Mean")' in intake.read["notes"].iloc[-1]


def test_titles_above_the_settings(tmp_path: Path) -> None:
    from test_workbooks import SETTINGS_ROWS

    rows = [["Settings of the trial"], [], *SETTINGS_ROWS]
    assert read_trial(workbook(tmp_path / "t.xlsx", rows)).config.season == 2026


@pytest.mark.parametrize("how", ["workbook", "csv"])
def test_heads_written_otherwise(tmp_path: Path, how: str) -> None:
    """Words in any order, a unit among them, names of the trade; two heads of one meaning, a head
    in no unit of its column and what is no column are kept aside, and told."""
    heads = {"front gap, mm": 31.75, "Speed (km/h) actual": 8, "TW": 56, "set speed kg": 5,
             "gap at rear": 1.5, "rear, gap": 1.4, "gap rear!": None, "wind": "no"}  # fmt: skip
    rows = [[*HEAD[:-1], "Harvest Date", *heads], *([*row, *heads.values()] for row in DATA)]
    intake = read(tmp_path, how, rows)
    strips = intake.tables["strips"]
    assert len(strips) == 4 and intake.refused.empty
    assert strips["gap_front"].tolist() == pytest.approx([31.75] * 4)
    assert strips["speed_measured"].tolist() == pytest.approx([8.0] * 4)
    assert strips["harvested_at"].notna().all() and strips["test_weight"].notna().all()
    assert strips["speed_set"].isna().all()
    assert list(intake.extra["strips"]) == ["set speed kg", "gap at rear", "rear, gap", "wind"]
    (told,) = read_files(intake.read, intake.extra, intake.tables)
    assert "column 'front gap, mm' is read as gap_front (mm)" in told.notes
    assert "column 'Harvest Date' is read as harvested_at" in told.notes
    assert not any("kept aside" in note for note in told.notes)
    assert told.aside.startswith("Not read: columns set speed kg, gap at rear, rear, gap, wind of ")
    assert "'gap at rear' may be meant for gap_rear" in told.aside


@pytest.mark.parametrize("how", ["workbook", "csv"])
def test_a_row_of_units_below_the_heads(tmp_path: Path, how: str) -> None:
    """Left out where they are the trial's; else refused once, and what is below is read in them."""
    heads, blank = [*HEAD, "gap_front", "speed_set"], [None] * len(HEAD)
    data = [[*row, 1.25, 4] for row in DATA]
    unit = [*blank, "(in)", "MPH"]
    unit[HEAD.index("moisture")] = "%"
    intake = read(tmp_path, how, [heads, unit, *data])
    assert len(intake.tables["strips"]) == 4 and intake.refused.empty
    row = intake.read.set_index("table").loc["strips"]
    assert row["rows_in"] == 4 and " 2 holds the units of the columns (%, in, mph)" in row["notes"]
    intake = read(tmp_path, how, [heads, [*blank, "cm", "km/h"], *data])
    (fault,) = intake.refused.itertuples()
    assert (fault.line, fault.column, fault.value) == (2, "", "cm, km/h")
    assert "into the heads, gap_front (cm), speed_set (km/h), and delete" in fault.expected
    assert intake.tables["strips"]["speed_set"].tolist() == pytest.approx([4.0] * 4)
    assert intake.tables["strips"]["gap_front"].tolist() == pytest.approx([12.5] * 4)
    check_balance(intake)
    for other in ([*blank, "in", 4], ["S9", *blank[1:], "in", "mph"], [*blank, "in", "fast"]):
        notes = read(tmp_path, how, [heads, other, *data]).read["notes"]
        assert "holds the units" not in notes.sum()
