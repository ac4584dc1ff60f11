"""Numbers, dates, encodings and separators: read when one reading is possible, else refused."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from sound_trial import FRAMES, SETTINGS, STRIPS, Make
from test_workbooks import SETTINGS_ROWS, workbook

from trialkit.intake import Intake, read_trial
from trialkit.intake.dates import read_dates
from trialkit.intake.numbers import decimal_mark, read_number
from trialkit.words import refusals
from trialkit.words.causes import in_common

HEAD = "frame;strip;zone;area (m2);loose_kernels\n"


@pytest.mark.parametrize(
    ("texts", "mark"),
    [
        (["12.5"], "point"),
        (["1,234.5"], "point"),
        (["1,234,567"], "point"),
        (["12,5"], "comma"),
        (["0,125"], "comma"),
        (["1.234,5"], "comma"),
        (["1234,567"], "comma"),
        (["12,5", "12.5"], "both"),
        (["1,234"], "unknown"),
        (["1.234", "12"], "unknown"),
    ],
)
def test_decimal_mark(texts: list[str], mark: str) -> None:
    assert decimal_mark(texts) == mark


@pytest.mark.parametrize(
    ("text", "mark", "number"),
    [
        ("1,234", "point", 1234.0),
        ("1,234.5", "point", 1234.5),
        ("12,34", "point", None),
        ("0,922", "point", None),  # no group of thousands begins with a nought
        ("1,234", "comma", 1.234),
        ("1.234,5", "comma", 1234.5),
        ("1.234", "comma", None),
        ("1,234", "unknown", None),
        ("1,5", "both", None),
        ("32 000", "unknown", 32000.0),
        ("32\u202f000,5", "comma", 32000.5),
        ("1'234.5", "point", 1234.5),
        ("32 00", "point", None),
        ("−5", "point", -5.0),
        ("1.5e3", "point", 1500.0),
        ("1_000", "point", None),
        ("0x10", "point", None),
        ("12 ft", "point", None),
        ("1.2.3", "point", None),
        ("@SUM(A1)", "point", None),
    ],
)
def test_number_text(text: str, mark: str, number: float | None) -> None:
    read = read_number(text, mark)  # type: ignore[arg-type]
    assert read == number if number is not None else isinstance(read, str)


def test_a_decimal_comma_where_the_point_is_the_mark() -> None:
    """The message says how it is written, and cells that lack only that are one cause."""
    assert read_number("6,5", "point") == "with a decimal point, as 6.5"
    assert read_number("1,2,4", "point") == ""
    assert in_common(refusals.decimal_point("6.5")) == in_common(refusals.decimal_point("-7.25"))


@pytest.mark.parametrize(
    ("areas", "kept"),
    [
        (["1,5", "0,75", "2"], [1.5, 0.75, 2.0]),  # decimal commas throughout
        (["1,5", "1,234", "2"], [1.5, 1.234, 2.0]),
        (["1,5", "1.234", "2"], [1.5, 2.0]),  # could be 1234 in a file with decimal commas
        (["1,5", "0.75", "2"], [0.75, 2.0]),  # both marks: the comma is refused
        (["1,234", "2", "3"], [2.0, 3.0]),  # nothing settles it
        (["0.75", "2,0,0", "3"], [0.75, 3.0]),
        (["12 %", "2", "3"], [2.0, 3.0]),
    ],
)
def test_decimal_commas_in_a_file(trial_folder: Make, areas: list[str], kept: list[float]) -> None:
    rows = "".join(f"{k};S1;header;{area};3\n" for k, area in enumerate(areas))
    intake = read_trial(trial_folder(frames=HEAD + rows))
    assert intake.tables["frames"]["area"].tolist() == kept
    assert len(intake.refused) == len(areas) - len(kept)


def test_thousands_separators(trial_folder: Make) -> None:
    fields = 'field,row_spacing,population\nNorth,30.5,"32,000"\nSouth,30,"31,500"\n'
    intake = read_trial(trial_folder(fields=fields))
    # 32,000 plants/ac x 2.47105 ac/ha
    assert intake.tables["fields"]["population"].iloc[0] == pytest.approx(79_073.7, abs=0.1)
    assert "thousands separators were taken out" in intake.read["notes"].iloc[0]
    # Where the file does not settle it: in US units a comma parts thousands, as is usual there.
    unsettled = read_trial(trial_folder(fields=fields.replace("30.5", "30")))
    assert unsettled.refused.empty
    assert unsettled.tables["fields"]["population"].equals(intake.tables["fields"]["population"])
    assert "thousands separators were taken out" in unsettled.read["notes"].iloc[0]


SI_ROWS = [[*row[:2], "SI"] if row[0] == "units" else row for row in SETTINGS_ROWS]
SI = SETTINGS.replace('"US"', '"SI"').replace("width = 20", "width = 6")


@pytest.mark.parametrize(
    ("column", "cell", "value", "note"),
    [
        ("population", "72,000", 72_000.0, "commas in population were read as thousands"),
        ("row_spacing", "0,762", 0.762, "decimal commas were read as such"),
        ("row_spacing", "1,016", 1.016, "commas in row_spacing were read as decimal marks"),
        ("row_spacing (cm)", "76,200", 0.762, "commas in row_spacing were read as decimal marks"),
        ("latitude", "4,125", 4.125, "commas in latitude were read as decimal marks"),
        ("latitude", "1,234 km", None, ""),
    ],
)  # fmt: skip
def test_a_comma_that_only_the_range_settles(
    tmp_path: Path, trial_folder: Make, column: str, cell: str, value: float | None, note: str
) -> None:
    """In SI units: 1,016 m between rows is 1.016, 72,000 plants/ha are no 72; in a file of text and
    as a text in a sheet, whatever number cells stand beside it there."""
    name = column.split(" ")[0]
    folder = trial_folder(SI, fields=f'field,{column}\nNorth,"{cell}"\n')
    sheet = [["field", column, "longitude"], ["North", cell, 1.234]]
    for path in (folder, workbook(tmp_path / "t.xlsx", SI_ROWS, fields=sheet)):
        intake = read_trial(path)
        (kept,) = intake.tables["fields"][name]
        assert (np.isnan(kept) if value is None else kept == pytest.approx(value))
        assert len(intake.refused) == (value is None)
        assert note in intake.read["notes"].iloc[0]


def test_texts_of_a_sheet_tell_their_mark_and_number_cells_none(tmp_path: Path) -> None:
    """A sure decimal comma settles the texts beside it; a number cell of 1.234 is 1.234."""
    head = ["strip", "zone", "area", "ears", "kernels_per_ear"]
    for other, areas in ((5, [None, 1.234, 5.0]), ("0,922", [1.204, 1.234, 0.922])):
        rows = [["S1", "header", cell, 2, 400] for cell in ("1,204", 1.234, other)]
        intake = read_trial(workbook(tmp_path / "t.xlsx", SI_ROWS, ears=[head, *rows]))
        kept = intake.tables["ears"]["area"].tolist()
        assert kept == pytest.approx([a for a in areas if a is not None])
        assert intake.refused["value"].tolist() == ["1,204"] * areas.count(None)
        (tmp_path / "t.xlsx").unlink()


def test_a_comma_that_nothing_settles_costs_its_cell(trial_folder: Make) -> None:
    """1,204 kernels an ear may be 1204 or 1.204: in SI units both can be; a file with 8,5 settles
    it. A strip yields 1,204 kg/ha in one reading only."""
    whole = "strip,zone,area,ears,kernels_per_ear\nS1,header,10,2,{}\nS2,header,10,2,{}\n"
    intake = read_trial(trial_folder(SI, ears=whole.format('"1,204"', "400")))
    (fault,) = intake.refused.itertuples()
    assert (fault.column, fault.value, fault.lost) == ("kernels_per_ear", "1,204", "cell")
    assert "thousands or as decimals" in fault.expected
    assert len(intake.tables["ears"]) == 2
    for other, value in (("402.5", 1204.0), ('"402,5"', 1.204)):
        settled = read_trial(trial_folder(SI, ears=whole.format('"1,204"', other)))
        assert settled.tables["ears"]["kernels_per_ear"][0] == value
    strips = STRIPS.replace("yield (bu/ac)", "yield (kg/ha)").replace(",210,", ',"1,204",')
    strips = strips.replace(",212,", ",8000,").replace(",208,", ",8000,").replace(",205,", ",8000,")
    for marked, left in ((strips, 1204.0), (strips.replace("18.7", '"18,7"'), np.nan)):
        read = read_trial(trial_folder(SI, strips=marked)).tables["strips"]["yield"]
        np.testing.assert_equal(read[0], left)
    counts = "frame,strip,zone,area,loose_kernels\n1,S1,header,10,\"1,204\"\n"
    counted = read_trial(trial_folder(SI, frames=counts))
    assert counted.tables["frames"]["loose_kernels"][0] == 1204


ISO = "2026-10-03"


@pytest.mark.parametrize(
    ("texts", "order", "expected"),
    [
        (["2026-10-03 14:30", "2026-10-03T14:30:05"], None, ["2026-10-03 14:30:00",
                                                             "2026-10-03 14:30:05"]),
        (["46298", "46298.5"], None, [ISO, "2026-10-03 12:00:00"]),  # Excel: 45658 is 2025-01-01
        (["3.10.2026", "3 Oct 2026", "October 3, 2026", "3-Oct-26"], None, [ISO] * 4),
        (["10/13/2026", "10/3/2026"], None, ["2026-10-13", ISO]),  # 13 settles the order
        (["13/10/2026", "3/10/2026"], None, ["2026-10-13", ISO]),
        (["10/3/2026"], None, [None]),
        (["10-13-2026", "10/3/26"], None, ["2026-10-13", ISO]),
        (["3/13/26 2:30pm", "10-3-2026"], None, ["2026-03-13 14:30:00", ISO]),
        (["10/3-2026", "2026/10/3", "10/3/126"], None, [None] * 3),
        (["10/10/2026"], None, ["2026-10-10"]),
        (["10/3/2026"], "month-first", [ISO]),
        (["10/3/2026"], "day-first", ["2026-03-10"]),
        (["10/3/2026 2:30 PM"], "month-first", ["2026-10-03 14:30:00"]),
        (["13/10/2026", "10/13/2026", "10/3/2026"], None, ["2026-10-13", "2026-10-13", None]),
        (["2026-13-01", "31.9.2026", "99/99/2026", "soon", "2026-10-03 25:00"], None, [None] * 5),
        (["2025-12-31", "2026-01-01", "2027-03-31", "2027-04-01", "1899-12-30", "4000"], None,
         [None, "2026-01-01", "2027-03-31", None, None, None]),
    ],
)  # fmt: skip
def test_dates(texts: list[str], order: str | None, expected: list[str | None]) -> None:
    read, _ = read_dates(texts, 2026, order)  # type: ignore[arg-type]
    wanted = [datetime.fromisoformat(e) if e else None for e in expected]
    assert [r if isinstance(r, datetime) else None for r in read] == wanted


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["10/6/2026"], ["2026-10-06"]),
        (["10/6/2026", "2026-10-07"], ["2026-10-06", "2026-10-07"]),
        (["6/10/2026", "13/10/2026"], ["2026-10-06", "2026-10-13"]),  # the column settles it
        (["13/10/2026", "10/13/2026", "10/3/2026"], ["2026-10-13", "2026-10-13", None]),
        (["10/10/2026"], ["2026-10-10"]),
    ],
)
def test_dates_where_month_first_is_usual(texts: list[str], expected: list[str | None]) -> None:
    read, notes = read_dates(texts, 2026, None, "month-first")
    wanted = [datetime.fromisoformat(e) if e else None for e in expected]
    assert [r if isinstance(r, datetime) else None for r in read] == wanted
    assumed = [note for note in notes if "such as 10/6/2026 were read month-first" in note]
    assert len(assumed) == ("10/6/2026" in texts)


def test_a_date_in_doubt_by_the_units_of_the_trial(trial_folder: Make) -> None:
    strips = STRIPS.replace("2026-10-03", "10/3/2026").replace("2026-10-04", "10/4/2026")
    us = read_trial(trial_folder(strips=strips))
    assert us.refused.empty and same(us, read_trial(trial_folder()))
    note = us.read["notes"].iloc[0]
    assert note.count("were read month-first") == 1
    assert 'date_order = "day-first" among the settings changes it' in note
    si = read_trial(trial_folder(SI, strips=strips))
    assert si.refused["lost"].tolist() == ["cell"] * 4 and len(si.tables["strips"]) == 4
    assert si.tables["strips"]["harvested_at"].isna().all()
    given = SETTINGS.replace("season", 'date_order = "day-first"\nseason')
    day_first = read_trial(trial_folder(given, strips=strips)).tables["strips"]["harvested_at"]
    assert day_first.dt.strftime("%m-%d").tolist() == ["03-10", "03-10", "04-10", "04-10"]


def same(intake: Intake, folder_content: Intake) -> bool:
    return all(frame.equals(folder_content.tables[name]) for name, frame in intake.tables.items())


NOTED = FRAMES.replace("24,", "24,Grüße ½ °")


@pytest.mark.parametrize(
    ("encoding", "note"),
    [
        ("utf-8-sig", ""),
        ("utf-16", "UTF-16"),
        ("utf-16-le", "UTF-16"),
        ("utf-16-be", "UTF-16"),
        ("utf-32", "UTF-32"),
        ("cp1252", "Windows-1252"),
    ],
)
def test_encodings(trial_folder: Make, encoding: str, note: str) -> None:
    plain = read_trial(trial_folder(frames=NOTED))
    intake = read_trial(trial_folder(frames=NOTED.encode(encoding)))
    assert same(intake, plain)
    assert note in intake.read["notes"].iloc[1]


@pytest.mark.parametrize(
    "damaged",
    [
        NOTED.replace(" ½", "").encode("mac-roman"),  # accents of another system
        NOTED.encode() + b"2,S1,header,10,5,caf\xe9\n",  # UTF-8 with one stray byte
        NOTED.encode().replace("½".encode(), b"\x81"),  # no character in Windows-1252
    ],
)
def test_undecodable_cells_are_refused_and_the_rest_kept(
    trial_folder: Make, damaged: bytes
) -> None:
    intake = read_trial(trial_folder(frames=damaged))
    row = intake.read.iloc[1]
    assert row["rows_in"] == row["rows_kept"]  # of a note nothing but the note is lost
    assert intake.refused["lost"].tolist() == ["cell"]
    assert intake.tables["frames"]["note"].isna().iloc[intake.refused["line"].iloc[0] - 2]
    assert "\ufffd" in intake.refused["value"].iloc[0]
    assert "save it as UTF-8" in row["notes"]


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_separators_and_line_ends(trial_folder: Make, delimiter: str, line_end: str) -> None:
    plain = read_trial(trial_folder())
    frames = FRAMES.replace(",", delimiter).replace("\n", line_end)
    intake = read_trial(trial_folder(frames=frames))
    assert same(intake, plain)


def test_separator_line_and_leading_blank_lines(trial_folder: Make) -> None:
    intake = read_trial(trial_folder(frames="\n" + FRAMES.replace("S4", "S5")))
    assert intake.refused["line"].tolist() == [6]
    intake = read_trial(
        trial_folder(frames="sep=;\n" + FRAMES.replace(",", ";").replace("S4", "S5"))
    )
    assert intake.refused["line"].tolist() == [6]


def test_settings_in_another_encoding(trial_folder: Make) -> None:
    folder = trial_folder(SETTINGS.replace("home", "größeren").encode("cp1252"), strips=STRIPS)
    assert read_trial(folder).config.title == "Chains at the größeren farm"


def test_dates_with_the_year_first_and_points() -> None:
    texts = ["2026.10.20.", "2026.10.20", "2026.10.20. 9:15", "2026. 10. 20. 14:30"]
    read, _ = read_dates(texts, 2026, None)
    day = datetime(2026, 10, 20)
    assert read == [day, day, day.replace(hour=9, minute=15), day.replace(hour=14, minute=30)]
    assert isinstance(read_dates(["2026.20.10."], 2026, None)[0][0], str)
