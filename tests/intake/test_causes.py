"""Refusals by cause, and the list of what to correct, held against counting by hand."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from sound_trial import FRAMES, STRIPS, Make
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.errors import FileExistsRefusal, TrialError
from trialkit.intake import read_trial
from trialkit.intake.causes import group, sheet_of, table
from trialkit.pages.corrections import corrections, write_corrections
from trialkit.words import causes as words
from trialkit.words import refusals

COLUMNS = ["file", "line", "column", "value", "expected", "lost", "because"]


def refused(*rows: tuple[str, int, str, str, str, str, str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=COLUMNS)


def strips_with_frames(strips: int = 3, frames: int = 12) -> pd.DataFrame:
    """Strips at fault, each in its own way, and the frames that fall with them."""
    rows = [("strips.csv", 2 + k, f"c{k}", "x", "a number", "row", "") for k in range(strips)]
    for k in range(strips):
        because = f"strips.csv, line {2 + k}"
        rows += [("frames.csv", 2 + frames * k + i, "strip", f"S{k}", "a strip whose row was kept",
                  "row", because) for i in range(frames * (k + 1) // strips)]  # fmt: skip
    return refused(*rows)


def test_three_faults_are_three_causes_whatever_hangs_on_them() -> None:
    found = group(strips_with_frames(3, 144))
    assert len(found.cells) == 3 + 48 + 96 + 144
    assert [(c.where, c.hanging) for c in found.causes] == [
        ("strips.csv, line 4", (("frames.csv", 144),)),
        ("strips.csv, line 3", (("frames.csv", 96),)),
        ("strips.csv, line 2", (("frames.csv", 48),)),
    ]
    assert found.cost == (3, 291, 288, 0)
    assert found.causes[0].sentence == (
        "strips.csv, line 4, c2: 'x'; expected: a number; lost: 1 row; 144 more rows hang on it "
        "(144 of frames)"
    )


def test_what_hangs_on_what_hangs_is_counted_at_the_root() -> None:
    """A row that is at fault itself does not hang; one that hangs on two is counted with each."""
    own, follows = "a number", "one that was kept"
    rows = refused(
        ("fields.csv", 2, "area", "x", own, "row", ""),
        ("strips.csv", 5, "field", "N", follows, "row", "fields.csv, line 2"),
        ("strips.csv", 6, "field", "N", follows, "row", "fields.csv, line 2"),
        ("strips.csv", 6, "moisture", "wet", own, "row", ""),
        ("frames.csv", 9, "strip", "S5", follows, "row", "strips.csv, line 5"),
        ("frames.csv", 10, "strip", "S6", follows, "row", "strips.csv, line 6"),
        ("frames.csv", 11, "strip", "S6", follows, "row", "strips.csv, line 6"),
        ("frames.csv", 11, "area", "?", own, "row", ""),
        ("strips.csv", 8, "yield", "1,2,3", own, "cell", ""),
    )
    found = group(rows)
    told = {(c.file, c.column): (c.rows, c.cells, dict(c.hanging)) for c in found.causes}
    assert told == {
        ("fields.csv", "area"): (1, 0, {"strips.csv": 1, "frames.csv": 2}),
        ("strips.csv", "moisture"): (1, 0, {"frames.csv": 1}),
        ("frames.csv", "area"): (1, 0, {}),
        ("strips.csv", "yield"): (0, 1, {}),
    }
    assert (found.rows, found.hanging) == (6, 3)
    assert found.causes[0].file == "fields.csv" and found.causes[-1].lost == (
        "1 cell, the row stays"
    )
    assert (found.cells["cause"] >= 1).all()


@pytest.mark.parametrize("seed", range(20))
def test_any_tangle_is_followed_as_by_hand(seed: int) -> None:
    """Every refusal has a cause, though rows hang in rings or on rows that are nowhere."""
    draw = random.Random(seed)
    rows = []
    for _ in range(draw.randint(1, 60)):
        file, line = draw.choice("abc"), draw.randint(2, 9)
        because = f"{draw.choice('abc')}, line {draw.randint(2, 9)}" if draw.random() < 0.6 else ""
        lost = "cell" if draw.random() < 0.2 else "row"
        rows.append((file, line, draw.choice("xy"), "v", draw.choice("mn"), lost, because))
    frame = refused(*rows)
    found = group(frame)

    lost_rows = {(r.file, r.line) for r in frame.itertuples() if r.lost == "row"}
    above: dict[str, set[str]] = {}
    for r in frame.itertuples():
        if r.lost == "row":
            above.setdefault(f"{r.file}, line {r.line}", set()).add(r.because)

    def roots(name: str, seen: frozenset[str] = frozenset()) -> set[str]:
        if name in seen or name not in above:
            return set()
        mine = {name} if any(b not in above for b in above[name]) else set()
        return mine.union(*(roots(b, seen | {name}) for b in above[name]))

    hangs = [bool(r.because) and r.lost == "row" and bool(roots(r.because))
             for r in frame.itertuples()]  # fmt: skip
    assert found.cells["at_fault"].tolist() == [not h for h in hangs]
    faults = frame[~np.asarray(hangs)]
    at_fault = {(r.file, r.line) for r in faults.itertuples() if r.lost == "row"}
    assert found.hanging == len(lost_rows - at_fault)
    assert found.rows == len(lost_rows)
    assert found.cells["cause"].between(1, len(found.causes)).all()
    for cause in found.causes:
        mine = faults[(faults[["file", "column", "expected"]]
                       == [cause.file, cause.column, cause.expected]).all(axis=1)]  # fmt: skip
        names = {f"{r.file}, line {r.line}" for r in mine.itertuples() if r.lost == "row"}
        hang = {(r.file, r.line) for r, h in zip(frame.itertuples(), hangs, strict=True)
                if h and (r.file, r.line) not in at_fault and roots(r.because) & names}  # fmt: skip
        assert cause.cost == len(names) + len(hang)
    costs = [cause.cost for cause in found.causes]
    assert costs == sorted(costs, reverse=True)


def test_a_table_pasted_twice_is_one_cause() -> None:
    """What was expected names another line in each row; the cause names none."""
    rows = [("strips.csv", 20 + k, "strip", f"S{k}", refusals.row_once(2 + k), "row", "")
            for k in range(12)]  # fmt: skip
    (cause,) = group(refused(*rows)).causes
    assert cause.expected == "this row once; it repeats another line"
    assert cause.where == "strips.csv, lines 20, 21, 22 and 9 more"
    assert words.in_common(refusals.one_row_for(["strip"], [4, 7], "moisture")) == (
        "a name of its own for every strip: this one stands twice, and several lines differ in "
        "moisture"
    )


def test_a_stray_row_is_one_cause_and_a_row_of_bad_cells_is_not(trial_folder: Make) -> None:
    """A row below the data that is none of them; a strip of which much cannot be read is told cell
    by cell, and so are three columns at fault in every row."""
    head, *rows = STRIPS.splitlines()
    bad = ["S5,North,3,cushion,wet,lots,someday", "S6,North,,cushoin,wet,lots,2026-10-04"]
    strips = "\n".join([head, *rows, *bad, "see map,,,,18,,", ",North,3,oak,18,,"]) + "\n"
    frames = FRAMES + ",,,12,34,\n5,S9,nowhere,0,ten,\n"
    intake = read_trial(trial_folder(strips=strips, frames=frames))
    told = intake.refused.groupby(["file", "line"])["column"].agg(list).to_dict()
    assert told == {
        ("strips.csv", 6): ["moisture", "yield", "harvested_at"],
        ("strips.csv", 7): ["pair", "cushion", "moisture", "yield"],
        ("strips.csv", 8): [""], ("strips.csv", 9): [""],
        ("frames.csv", 6): [""], ("frames.csv", 7): [""],
    }  # fmt: skip
    (stray,) = intake.refused[intake.refused["line"] == 8].itertuples()
    assert stray.value == "see map, 18" and "(3 of its cells cannot be read, the first: field" in (
        stray.expected)  # fmt: skip
    assert stray.expected.endswith("correct it, or delete it if it is no strip")
    lines = corrections(intake.refused, intake.addresses)
    assert (lines["column"] == "(row)").sum() == 4
    table = intake.read.set_index("table").loc["strips"]
    assert (table["rows_in"], table["rows_kept"], table["rows_refused"]) == (8, 5, 3)
    columns = ["zone", "area", "loose_kernels"]
    every = "frame,strip,zone,area,loose_kernels\n" + "".join(f"{k},S1,a,b,c\n" for k in range(9))
    refused = read_trial(trial_folder(frames=every)).refused
    assert [c.column for c in group(refused).causes] == columns


def test_a_strip_that_is_not_listed_is_one_cause_in_all_files(trial_folder: Make) -> None:
    """Its name is wrong once, in strips; with many such names it is one thing that is wrong."""
    ears = "strip,zone,area,ears\nS1,header,400,1\nS2,header,400,0\ns3,header,400,0\n"
    intake = read_trial(trial_folder(strips=STRIPS.replace("S3", "S-3"), ears=ears))
    (cause,) = group(intake.refused).causes
    assert cause.where == "frames.csv, line 4; ears.csv, line 4"
    assert cause.lost == "2 rows (1 of frames, 1 of ears)"
    expected = refusals.listed_one("strip", ["strips.csv"])
    every = [(file, 2 + k, "strip", f"S{k}", expected, "row", "") for k in range(36)
             for file in ("frames.csv", "ears.csv")]  # fmt: skip
    (cause,) = group(refused(*every)).causes
    assert cause.rows == 72 and cause.stood == "'S0', 'S1', 'S2' and 33 more"
    assert len(group(refused(*every[:10])).causes) == 5


def test_a_header_row_at_fault_is_told_once(trial_folder: Make) -> None:
    folder = trial_folder(frames="\n" + FRAMES.replace("area", "area (kg)", 1))
    intake = read_trial(folder)
    (cause,) = group(intake.refused).causes
    assert cause.where == "frames.csv, header row" and cause.rows == 4
    assert "header row, area; expected: a unit among" in cause.sentence
    (line,) = corrections(intake.refused, intake.addresses).to_dict("records")
    assert (line["row"], line["cell"], line["lost"]) == (2, "D2", "4 rows")
    for told in (refusals.column_needed("area (ft2)"), refusals.column_needed("area", "aera"),
                 refusals.one_column("area"), refusals.length_in_header(None)):  # fmt: skip
        assert words.of_header(told), told
    assert not words.of_header(refusals.value_needed())


def test_addresses_are_those_of_a_spreadsheet(trial_folder: Make) -> None:
    """Python's csv reader parts a file into rows as a spreadsheet does; line breaks within cells
    make a row of several lines."""
    import csv

    strips = STRIPS.replace("strip,field", "note,strip,field").replace("\nS", "\n,S")
    strips = strips.replace("\n,S2", '\n"two\nlines\nmore",S2').replace("208", "high")
    strips = strips.replace(",19.0,", ",wet,")
    folder = trial_folder(strips="\n\n" + strips)
    intake = read_trial(folder)
    listed = corrections(intake.refused, intake.addresses)
    rows = list(csv.reader((folder / "strips.csv").read_text().splitlines(keepends=True)))
    listed = listed[listed["file or sheet"] == "strips.csv"]
    for line in listed.itertuples():
        letter, row = line.cell[0], int(line.cell[1:])
        assert row == line.row
        assert rows[row - 1][ord(letter) - ord("A")] == line[5]
    assert listed["cell"].tolist()[:2] == ["G6", "F7"]


def workbook(folder: Path, left: int = 0, **cells: object) -> Path:
    """The sound trial as a workbook from a column on, with some cells of strips changed."""
    book = openpyxl.Workbook()
    book.active.title = "trial"
    for row in (("key", "value"), ("title", "Chains"), ("season", 2026), ("units", "US"),
                ("header.rows", 8), ("header.width", 20),
                ("setup.cushion.levels", "standard", "cushion")):  # fmt: skip
        book["trial"].append(row)
    for name, text in (("strips", STRIPS), ("frames", FRAMES)):
        sheet = book.create_sheet(name)
        for line in text.splitlines():
            sheet.append([None] * left + [float(c) if c.replace(".", "").isdigit() else c or None
                          for c in line.split(",")])  # fmt: skip
    for address, value in cells.items():
        book["strips"][address] = value
        book["strips"][address].data_type = "s" if isinstance(value, str) else "n"
    book.save(folder / "A person's trial.xlsx")
    return folder / "A person's trial.xlsx"


def test_the_list_opens_in_a_spreadsheet(tmp_path: Path) -> None:
    source = workbook(tmp_path, D3="=1+1", D4="+cushoin", B5=None)
    out = tmp_path / "lists" / "correct.xlsx"
    out.parent.mkdir()
    told = write_corrections(read_trial(source), out, source)
    sheet = openpyxl.load_workbook(out)[words.SHEET]
    head, *rows = list(sheet.iter_rows())
    assert [cell.value for cell in head] == list(words.LIST)
    assert f"{len(rows)} lines: {out}" in told
    own = {row[2].value: row for row in rows if row[0].value == "sheet strips"}
    assert {"D3", "D4", "B5"} <= set(own)
    assert own["D3"][4].value == "=1+1" and own["D3"][4].data_type == "s"
    assert own["D4"][4].value == "+cushoin"
    assert own["B5"][4].value is None and own["B5"][8].value is None
    for address, row in own.items():
        link = row[2].hyperlink
        assert link.location == f"'strips'!{address}"
        assert link.target == "../A%20person%27s%20trial.xlsx"
    assert not any(c.data_type == "f" for row in sheet.iter_rows() for c in row)


def test_a_table_that_begins_further_right_has_its_own_addresses(tmp_path: Path) -> None:
    intake = read_trial(workbook(tmp_path, left=2, F3="cushoin"))
    assert "F3" in set(corrections(intake.refused, intake.addresses)["cell"])


def test_the_list_as_csv_is_safe_and_never_overwrites(tmp_path: Path) -> None:
    source = workbook(tmp_path, D3="=HYPERLINK(1)", D4="+cushoin")
    out = tmp_path / "correct.CSV"
    write_corrections(read_trial(source), out, source)
    text = out.read_text("utf-8-sig")
    assert ",'=HYPERLINK(1)," in text and ",'+cushoin," in text
    assert pd.read_csv(out, encoding="utf-8-sig")["correct value"].isna().all()
    before = out.read_bytes()
    run = CliRunner().invoke(app, ["check", str(source), "--out", str(out)])
    assert run.exit_code == 2 and "there already" in run.stderr and out.read_bytes() == before
    with pytest.raises(FileExistsRefusal):
        write_corrections(read_trial(source), out, source)
    for wrong, why in ((tmp_path, "is a folder"), (tmp_path / "list.txt", "xlsx or .csv")):
        with pytest.raises(TrialError, match=why):
            write_corrections(read_trial(source), wrong, source)


def test_a_trial_that_cannot_be_used_gives_its_list_all_the_same(trial_folder: Make) -> None:
    folder = trial_folder(strips=STRIPS.replace("standard", "felt").replace("cushion\n", "foam\n")
                          .replace(",cushion,1", ",foam,1"))  # fmt: skip
    out = folder / "list.csv"
    run = CliRunner().invoke(app, ["check", str(folder), "--out", str(out)], env={"COLUMNS": "99"})
    assert run.exit_code == 2
    assert "it holds no strip that could be kept" in run.stderr
    assert "Traceback" not in run.output
    listed = pd.read_csv(out, encoding="utf-8-sig")
    assert [c for c in listed["cell"] if c.startswith("D")] == ["D2", "D3:D4", "D5"]


def test_nothing_to_correct_writes_nothing(trial_folder: Make) -> None:
    folder = trial_folder()
    run = CliRunner().invoke(app, ["check", str(folder), "--out", str(folder / "l.xlsx")])
    assert run.exit_code == 0 and words.no_list() in run.stdout
    assert not (folder / "l.xlsx").exists()
    assert table(group(read_trial(folder).refused).causes).empty


def test_a_workbook_is_told_by_its_sheet() -> None:
    assert sheet_of("A, sheet x.xlsm, sheet frames") == "sheet frames"
    assert sheet_of("frames.csv") == "frames.csv"
