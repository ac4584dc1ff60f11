"""Each kind of mess by itself: what is refused, on which line, and what is kept."""

from __future__ import annotations

import unicodedata

import numpy as np
import pytest
from sound_trial import FRAMES, SETTINGS, STRIPS, Make

from trialkit.errors import TrialError
from trialkit.intake import Intake, read_trial

HEAD = "frame,strip,zone,area,loose_kernels,note\n"
GOOD = "1,S1,header,10,24,\n"


def faults(intake: Intake, file: str = "frames.csv") -> list[tuple[int, str, str]]:
    """(line, column, value) of what was refused in a file."""
    refused = intake.refused[intake.refused["file"] == file]
    return list(refused[["line", "column", "value"]].itertuples(index=False, name=None))


def counts(intake: Intake, table: str = "frames") -> tuple[int, int, int]:
    """rows_in, rows_kept, rows_refused."""
    row = intake.read[intake.read["table"] == table].iloc[0]
    return row["rows_in"], row["rows_kept"], row["rows_refused"]


@pytest.mark.parametrize(
    ("row", "column", "value", "expected"),
    [
        ("2,S1,header,10,-3,", "loose_kernels", "-3", "whole number"),
        ("2,S1,header,10,2.5,", "loose_kernels", "2.5", "whole number"),
        ("2,S1,header,10,NA,", "loose_kernels", "NA", "whole number"),
        ("2,S1,header,,24,", "area", "", "not be empty"),
        ("2,S1,header,,,", "area", "", "not be empty"),
        ("2,S1,header,10,many,", "loose_kernels", "many", "whole number"),
        ("2,S1,header,10,=1+1,", "loose_kernels", "=1+1", "not a formula"),
        ("2,S1,header,10,#DIV/0!,", "loose_kernels", "#DIV/0!", "whole number"),
        ("2,S1,header,10,inf,", "loose_kernels", "inf", "whole number"),
        ("2,S1,header,-10,3,", "area", "-10", "ft2"),
        ("2,S1,header,0,3,", "area", "0", "from 0.108 to 1,076 ft2"),
        ("2,S1,behind,10,3,", "zone", "behind", "'preharvest', 'header', 'total'"),
        ("2,S9,header,10,3,", "strip", "S9", "listed in strips.csv"),
        ("=A1,S1,header,10,3,", "frame", "=A1", "not a formula"),
        (f"{'f' * 101},S1,header,10,3,", "frame", "f" * 101, "at most 100"),
        ("2,S1,header,10,3,,,9", "", "2,S1,header,10,3,,,9", "6 cells"),
        ('2,S1,header,10,3,"open', "", '2,S1,header,10,3,"open', "quotation marks"),
        ('2,S1,header,10,3,"a"b', "", '2,S1,header,10,3,"a"b', "quotation marks"),
        ("2,S1,hea\0der,10,3,", "zone", "hea\ufffdder", "readable"),
        # 929 kernels in 0.0929 m2 are 10,000 per m2: the limit holds for what is above it.
        ("2,S1,header,1,930,", "loose_kernels", "930", "10,000 kernels per m2"),
        ("2,S1,header,10,1000000,", "loose_kernels", "1000000", "10,000 kernels per m2"),
    ],
)  # fmt: skip
def test_bad_row_is_refused_alone(
    trial_folder: Make, row: str, column: str, value: str, expected: str
) -> None:
    intake = read_trial(trial_folder(frames=f"{HEAD}{GOOD}\n{row}\n3,S2,header,10,4,\n"))
    assert faults(intake) == [(4, column, value)]
    assert expected in intake.refused["expected"].iloc[0]
    assert counts(intake) == (3, 2, 1)
    assert intake.tables["frames"]["frame"].tolist() == ["1", "3"]


def test_largest_density_that_is_kept(trial_folder: Make) -> None:
    intake = read_trial(trial_folder(frames=f"{HEAD}2,S1,header,1,929,\n"))
    assert counts(intake) == (1, 1, 0)


@pytest.mark.parametrize(
    ("row", "column", "expected"),
    [
        ("S5,North,3,felt,18,200,2026-10-04", "cushion", "one of 'standard', 'cushion'"),
        ("S5,North,3,,18,200,2026-10-04", "cushion", "not be empty"),
        ("S5,,3,cushion,18,200,2026-10-04", "field", "not be empty"),
    ],
)
def test_refused_strip_takes_its_frames_along(
    trial_folder: Make, row: str, column: str, expected: str
) -> None:
    folder = trial_folder(strips=f"{STRIPS}{row}\n", frames=f"{FRAMES}1,s5,header,10,3,\n")
    intake = read_trial(folder)
    assert [(line, name) for line, name, _ in faults(intake, "strips.csv")] == [(6, column)]
    assert expected in intake.refused["expected"].iloc[0]
    assert faults(intake) == [(6, "strip", "s5")]
    assert intake.refused["expected"].iloc[1] == "a strip whose own row was kept"
    assert intake.refused["because"].tolist() == ["", "strips.csv, line 6"]
    assert intake.refused["lost"].tolist() == ["row", "row"]
    assert counts(intake, "strips") == (5, 4, 1)


@pytest.mark.parametrize(
    ("row", "column", "expected"),
    [
        ("S5,North,3,cushion,18,200,2026-02-30", "harvested_at", "a date that exists"),
        ("S5,North,3,cushion,18,200,2025-10-04", "harvested_at", "2026-01-01 to 2027-03-31"),
        ("S5,North,3,cushion,180,200,2026-10-04", "moisture", "a number from 5 to 60 %"),
        ("S5,North,3,cushion,18,2000,2026-10-04", "yield", "bu/ac"),
        ("S5,North,3,cushion,18,=1+1,2026-10-04", "yield", "not a formula"),
    ],
)
def test_a_bad_cell_of_an_optional_column_is_lost_alone(
    trial_folder: Make, row: str, column: str, expected: str
) -> None:
    folder = trial_folder(strips=f"{STRIPS}{row}\n", frames=f"{FRAMES}1,s5,header,10,3,\n")
    intake = read_trial(folder)
    (fault,) = intake.refused.itertuples()
    assert (fault.line, fault.column, fault.lost, fault.because) == (6, column, "cell", "")
    assert expected in fault.expected
    assert counts(intake, "strips") == counts(intake) == (5, 5, 0)
    strip = intake.tables["strips"].iloc[4]
    missing = strip[["cushion", "moisture", "yield", "harvested_at"]].isna()
    assert missing[missing].index.tolist() == [column]


def test_all_faults_of_a_row_are_listed(trial_folder: Make) -> None:
    intake = read_trial(trial_folder(frames=f"{HEAD}{GOOD}2,S9,behind,x,1,\n"))
    assert [column for _, column, _ in faults(intake)] == ["zone", "area", "strip"]
    assert counts(intake) == (2, 1, 1)


def test_row_entered_twice_stays_once(trial_folder: Make) -> None:
    intake = read_trial(trial_folder(frames=f"{HEAD}{GOOD}1,s1,HEADER,10.0,24,\n"))
    assert faults(intake) == [(3, "frame", "1")]
    assert "repeats line 2" in intake.refused["expected"].iloc[0]
    assert counts(intake) == (2, 1, 1)


def test_two_readings_of_one_frame_are_both_refused(trial_folder: Make) -> None:
    intake = read_trial(trial_folder(frames=f"{HEAD}{GOOD}2,S1,header,10,5,\n1,S1,header,10,42,\n"))
    assert faults(intake) == [(2, "loose_kernels", "24"), (4, "loose_kernels", "42")]
    assert intake.refused["expected"].str.contains("lines 2 and 4 differ in loose_kernels").all()
    assert intake.tables["frames"]["loose_kernels"].tolist() == [5]


def test_a_fault_beside_it_does_not_settle_a_conflict(trial_folder: Make) -> None:
    intake = read_trial(
        trial_folder(frames=f"{HEAD}{GOOD}1,S1,header,10,-42,\n2,S1,header,10,5,\n")
    )
    assert {line for line, _, _ in faults(intake)} == {2, 3}


def test_setup_that_changes_inside_a_strip(trial_folder: Make) -> None:
    intake = read_trial(trial_folder(strips=f"{STRIPS}S1,North,1,cushion,18.5,210,2026-10-03\n"))
    assert faults(intake, "strips.csv") == [(2, "cushion", "standard"), (6, "cushion", "cushion")]
    assert faults(intake) == [(2, "strip", "S1")]


def test_setup_that_changes_inside_a_main_strip(trial_folder: Make) -> None:
    settings = SETTINGS.replace("levels =", "hard_to_change = true\nlevels =")
    strips = (
        "strip,field,pair,main_strip,cushion\n"
        "A,F,1,x,standard\nB,F,1,x,cushion\nC,F,1,y,cushion\nD,F,1,y,cushion\nE,F,2,x,cushion\n"
    )
    intake = read_trial(trial_folder(settings, strips=strips))
    assert faults(intake, "strips.csv") == [(2, "cushion", "standard"), (3, "cushion", "cushion")]
    assert "lines 2, 3 differ" in intake.refused["expected"].iloc[0]


def test_pairs_that_compare_nothing_are_noted(trial_folder: Make) -> None:
    strips = (
        STRIPS
        + "S5,North,3,standard,18,200,\nS6,North,4,cushion,18,200,\nS7,North,4,cushion,18,200,\n"
    )
    notes = read_trial(trial_folder(strips=strips)).read["notes"].iloc[0]
    assert "pairs with one strip: 3 of North" in notes
    assert "pairs with one setup only: 4 of North" in notes


@pytest.mark.parametrize("table", ["grain", "residue"])
@pytest.mark.parametrize(
    ("header", "row", "column"),
    [
        ("sample_mass,{part}", "100,101", "{part}"),
        ("sample_mass,{part}", ",20", "sample_mass"),
        ("sample_mass,{part}", "100,", "{part}"),
        ("sample_mass,{part}", "-,-", None),
    ],
)
def test_part_and_whole(
    trial_folder: Make, table: str, header: str, row: str, column: str | None
) -> None:
    part = {"grain": "sieve_mass", "residue": "residue_mass"}[table]
    text = f"strip,sample,{header.format(part=part)}\nS1,1,100,5\nS1,2,{row}\n"
    intake = read_trial(trial_folder(**{table: text}))
    assert counts(intake, table) == (2, 1, 1)
    if column:
        assert faults(intake, f"{table}.csv")[0][1] == column.format(part=part)


@pytest.mark.parametrize("row", ["100,101", "100,", ",5", "0,0"])
def test_damaged_kernels_are_part_of_those_examined(trial_folder: Make, row: str) -> None:
    text = f"strip,sample,kernels_examined,kernels_damaged\nS1,1,100,5\nS1,2,{row}\n"
    intake = read_trial(trial_folder(grain=text))
    assert counts(intake, "grain") == (2, 1, 1)
    assert faults(intake, "grain.csv")[0][0] == 3


@pytest.mark.parametrize("row", ["30,31", "0,0", "30,"])
def test_damaged_ears_are_part_of_those_looked_at(trial_folder: Make, row: str) -> None:
    text = f"strip,sample,ears_examined,ears_damaged\nS1,1,30,5\nS1,2,{row}\n"
    intake = read_trial(trial_folder(ear_butt_damage=text))
    assert counts(intake, "ear_butt_damage") == (2, 1, 1)


def test_kernels_on_cobs_lie_behind_the_machine(trial_folder: Make) -> None:
    text = ("strip,zone,frame,area,loose_kernels,kernels_on_cobs\nS1,total,1,10,5,3\n"
            "S1,header,1,10,5,0\nS1,header,2,10,5,\nS1,header,3,10,5,2\n")  # fmt: skip
    intake = read_trial(trial_folder(frames=text))
    assert counts(intake, "frames") == (4, 3, 1)
    assert faults(intake, "frames.csv")[0][:2] == (5, "kernels_on_cobs")


def test_where_residue_was_taken(trial_folder: Make) -> None:
    text = ("strip,sample,taken_at,sample_mass,residue_mass,score\nS1,1,,2000,30,1\n"
            "S1,2,Behind,900,400,\nS1,3,behind,900,400,2\nS1,4,behind,,,\nS1,5,bin,900,40,\n"
            "S1,6,behind,900,,3\n")  # fmt: skip
    intake = read_trial(trial_folder(residue=text))
    kept = intake.tables["residue"]
    assert kept["sample"].tolist() == ["1", "2", "3"]
    assert {line for line, *_ in faults(intake, "residue.csv")} == {4, 6, 7}
    # A score behind the machine costs itself, not what was weighed.
    assert kept["residue_mass"].tolist() == [30, 400, 400] and kept["score"].notna().sum() == 1
    lost = intake.refused[intake.refused["line"].eq(4)]
    assert lost[["column", "lost"]].to_numpy().tolist() == [["score", "cell"]]


def test_ears_beyond_any_crop(trial_folder: Make) -> None:
    text = "strip,zone,area (m2),ears\nS1,header,1,50\nS1,header,1,51\n"
    assert faults(read_trial(trial_folder(ears=text)), "ears.csv") == [(3, "ears", "51")]


def test_stalks_of_an_unknown_field(trial_folder: Make) -> None:
    intake = read_trial(trial_folder(stalks="field,diameter\nnorth,0.9\nSouth,0.8\n"))
    assert faults(intake, "stalks.csv") == [(3, "field", "South")]
    assert intake.tables["stalks"]["field"].tolist() == ["North"]


def test_levels_and_labels_in_any_case(trial_folder: Make) -> None:
    frames = f"{HEAD}1, s1 ,HEADER,10,24,\n1,S2\u00a0,Pre-Harvest,10,11,\n"
    intake = read_trial(
        trial_folder(strips=STRIPS.replace("standard", " STANDARD "), frames=frames)
    )
    assert intake.refused.empty
    assert intake.tables["strips"]["cushion"].iloc[0] == "standard"
    assert intake.tables["frames"]["strip"].tolist() == ["S1", "S2"]
    assert intake.tables["frames"]["zone"].tolist() == ["header", "preharvest"]


@pytest.mark.parametrize("forms", ["NFC NFD NFC", "NFD NFC NFC", "NFC NFC NFD", "NFD NFD NFD"])
def test_accents_composed_or_not_are_the_same(trial_folder: Make, forms: str) -> None:
    """"ü" is one character (Unicode form C) or two (form D), by what wrote the file."""
    texts = [t.replace("S1", "Müller-1").replace("standard", "Größe é") for t in
             (SETTINGS, STRIPS, FRAMES)]  # fmt: skip
    settings, strips, frames = (unicodedata.normalize(form, text)  # type: ignore[arg-type]
                                for form, text in zip(forms.split(), texts, strict=True))
    intake = read_trial(trial_folder(settings, strips=strips, frames=frames))
    assert intake.refused.empty
    assert intake.tables["strips"]["strip"][0] == intake.tables["frames"]["strip"][0] == "Müller-1"
    assert intake.config.setups[0].levels[0] == intake.tables["strips"]["cushion"][0] == "Größe é"


def test_numeric_levels_match_by_value(trial_folder: Make) -> None:
    settings = SETTINGS.replace('["standard", "cushion"]', "[3, 5]")
    strips = STRIPS.replace("standard", "3.0").replace("cushion,1", "5,1")
    intake = read_trial(trial_folder(settings, strips=strips))
    assert sorted(intake.tables["strips"]["cushion"]) == ["3", "3", "5", "5"]


def test_markup_in_a_note_stays_text(trial_folder: Make) -> None:
    note = "<script>alert('x')</script>" + "<b>wet</b> " * 16
    assert len(note) > 200
    intake = read_trial(trial_folder(frames=f'{HEAD}1,S1,header,10,24,"{note}"\n'))
    assert intake.tables["frames"]["note"].iloc[0] == note.strip()


def test_columns_in_another_order_case_and_unit(trial_folder: Make) -> None:
    frames = "Note,Loose Kernels (n),AREA [m²],zone,Strip,frame,by\n,24,0.9290304,header,S1,1,ann\n"
    intake = read_trial(trial_folder(frames=frames))
    row = intake.tables["frames"].iloc[0]
    assert (row["loose_kernels"], row["area"], row["frame"]) == (24, 0.9290304, "1")
    assert np.isnan(row["note"])
    assert intake.extra["frames"].to_dict("list") == {"by": ["ann"]}
    assert "kept aside: by" in intake.read["notes"].iloc[1]


@pytest.mark.parametrize(
    ("header", "column", "says"),
    [
        ("frame,strip,zone,aera,loose_kernels,note", "area", "perhaps 'aera' is meant"),
        ("frame,strip,zone,area (furlong),loose_kernels,note", "area", "ft2"),
        ("frame,strip,zone,area (in),loose_kernels,note", "area", "ft2"),
        ("frame,strip,zone,area,loose_kernels,Area (m2)", "area", "several"),
    ],
)
def test_header_row_that_cannot_be_used(
    trial_folder: Make, header: str, column: str, says: str
) -> None:
    rows = GOOD.replace(",\n", ",5\n") * 2
    intake = read_trial(trial_folder(frames=f"{header}\n{rows}"))
    assert [(line, name) for line, name, _ in faults(intake)] == [(2, column), (3, column)]
    assert counts(intake) == (2, 0, 2)
    assert intake.refused["expected"].str.contains(says, regex=False).all()
    assert intake.tables["frames"].dtypes.equals(read_trial(trial_folder()).tables["frames"].dtypes)


@pytest.mark.parametrize(
    "content",
    [
        "",
        "\n\n",
        HEAD,
        HEAD.strip(),
        HEAD + "\n,,,,,\n  \n",
        HEAD + "\x1c,\u2028,\ufeff,\u00a0,,\n",
    ],
)
def test_file_without_rows(trial_folder: Make, content: str) -> None:
    intake = read_trial(trial_folder(frames=content))
    assert counts(intake) == (0, 0, 0)
    assert intake.refused.empty


def test_missing_optional_columns_are_missing_values(trial_folder: Make) -> None:
    intake = read_trial(trial_folder(strips="strip,field,pair,cushion\nS1,F,1,standard\n"))
    assert intake.tables["strips"][["moisture", "speed_measured"]].isna().all(axis=None)
    assert intake.tables["strips"]["harvested_at"].isna().all()


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("grains.csv", "rename it to grain.csv"),
        ("Grain", "rename it to grain.csv"),
        ("grain.txt", "rename it to grain.csv"),
        ("grain.csv.txt", "rename it to grain.csv"),  # where endings are not shown
        ("grain.ods", "save it as grain.csv"),
        ("grain.XLSM", "save it as grain.csv"),
        ("grain.numbers", "save it as grain.csv"),
        ("grain.xlsx", "save it as grain.csv"),
        ("frame.csv", ""),  # that table is there
        ("frames.csv.bak", ""),
    ],
)
def test_file_of_no_table_is_named(trial_folder: Make, name: str, meant: str) -> None:
    folder = trial_folder()
    (folder / name).write_text("x\n")
    (folder / "ears").mkdir()
    (folder / "grain.pdf.d").mkdir()
    *_, last, row = read_trial(folder).read.itertuples()
    assert (last.file, row.file, row.rows_in) == ("frames.csv", name, 0)
    told = "not read: no table has this name"
    assert row.notes == (f"{told}; {meant} if it is that table" if meant else told)


def test_two_files_of_one_name_are_refused(trial_folder: Make) -> None:
    """One of them would be used in silence."""
    folder = trial_folder()
    for name, what in (("Frames.CSV", "the table frames"), ("Trial.TOML", "the settings")):
        (folder / name).write_bytes((folder / name.lower()).read_bytes())
        if not (folder / name).samefile(folder / name.lower()):  # where capitals tell files apart
            with pytest.raises(TrialError, match=rf"{name}, {name.lower()}: .*one file for {what}"):
                read_trial(folder)
            (folder / name).unlink()


def test_fields_of_rows_put_aside_are_not_asked_for(trial_folder: Make) -> None:
    """A sum below the strips and a refused strip name no field that fields.csv should have."""
    strips = (
        "strip,field,pair,cushion\n1,North,1,standard\n2,North,1,cushion\n3,South,2,standard\n"
        "4,Nowhere,2,chain of gold\nmean of all,Everywhere,,\n"
    )
    read = read_trial(trial_folder(strips=strips, fields="field,grower\nNorth,Ann\n")).read
    notes = read.set_index("table")["notes"]["strips"]
    told = notes.split("without a row in fields.csv: ")[1]
    assert told.startswith("South") and "Nowhere" not in told and "Everywhere" not in told
