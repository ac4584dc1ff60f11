"""`trialkit plan` and `trialkit new --from` as a user meets them."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import openpyxl
import pandas as pd
import pytest
from typer.testing import CliRunner, Result

import trialkit as tk
from trialkit import plan as tp
from trialkit.cli import app
from trialkit.intake import read_trial
from trialkit.simulate import Effort

SIMPLE = """
title = "Chains"
season = 2026
units = "US"
[header]
rows = 8
width = 20
[[setup]]
name = "cushion"
label = "Gathering chain"
levels = ["standard", "cushion"]
hard_to_change = true
[[field]]
name = "1"
length = 1320
[plan]
seed = 7
"""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "200"})


def written(folder: Path, *changes: tuple[str, str]) -> Path:
    """The plan as described, with some of its text replaced."""
    text = SIMPLE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def made(folder: Path, *more: str) -> Path:
    result = run("plan", folder, "--from", written(folder.parent), *more)
    assert result.exit_code == 0, result.output
    return folder


def test_a_plan_in_words_and_files(tmp_path: Path) -> None:
    folder = tmp_path / "chain"
    ground = "length = 1320\nrow_spacing = 30\nplanter_rows = 16\nheadland = 60\n"
    place = "corner = [41.5, -93.6]\nheading = 0\n"
    counted = "\n[count]\nheader_frames = 4\near_area = 0\n"
    changes = (("length = 1320\n", ground + place), ("seed = 7\n", "seed = 7" + counted))
    path = written(tmp_path, *changes)
    result = run("plan", folder, "--from", path)
    assert result.exit_code == 0, result.output
    record = tp.read_plan(folder)
    assert record is not None and record.seed == 7
    printed = " ".join(result.stdout.split())
    for line in record.words:
        assert line.split(".")[0] in printed
    assert re.search(r"Gathering chain +2 +strips +1 +5", result.stdout)
    hours = re.search(r"changing Gathering chain +(\d+) +120\.0 +([\d.]+)", result.stdout)
    assert hours and int(hours[1]) * 2 == float(hours[2])
    assert re.search(rf"in all +{record.hours:.1f}\b", result.stdout)
    setups = "".join(re.search(r"\n1 +([AB ]+)\n", result.stdout)[1].split())  # type: ignore[index]
    assert setups == "".join(record.strips["setup"])
    # What is written: sheets with the frames asked for, no ears, and both maps.
    assert record.effort == replace(Effort.usual("US"), header_frames=4, ear_area=0.0)
    trial = tk.load_trial(folder)
    assert trial.read.set_index("table").loc["frames", "rows_not_filled"] == 12 * (4 + 2 + 2)
    assert trial.read.set_index("table").loc["ears", "rows_in"] == 0
    picture = ElementTree.parse(folder / "pass_map.svg").getroot()
    assert "12 strips in 6 pairs" in picture.findtext("{http://www.w3.org/2000/svg}title", "")
    places = json.loads((folder / "pass_map.geojson").read_text(encoding="utf-8"))
    assert len(places["features"]) == len(record.passes)


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    """Not even the map alone."""
    path = written(tmp_path)
    folder = tmp_path / "trial"
    folder.mkdir()
    (folder / "pass_map.svg").write_text("mine")
    result = run("plan", folder, "--from", path)
    assert result.exit_code == 2 and "already holds pass_map.svg" in result.stderr
    assert [p.name for p in folder.iterdir()] == ["pass_map.svg"]
    assert (folder / "pass_map.svg").read_text() == "mine"


_FIELD, _PLAN = "length = 1320\n", "seed = 7\n"
REFUSED = {
    "narrow": [(_FIELD, _FIELD + "width = 250\nplanter_rows = 16\n")],
    "hours": [(_PLAN, _PLAN + "max_change_hours = 10\n")],
    "short": [(_FIELD, _FIELD + "headland = 530\n")],
    "planter": [("rows = 8\nwidth = 20", "rows = 12\nwidth = 30"),
                (_FIELD, _FIELD + "planter_rows = 8\nrows = 120\n")],
    "one block": [(_PLAN, _PLAN + "blocks = 1\n")],
    "layout": [('["standard", "cushion"]', '["a", "b", "c"]'),
               (_PLAN, _PLAN + 'layout = "pairs"\n')],
    "SI": [("US", "SI"), ("width = 20", "width = 6"), (_FIELD, _FIELD + "headland = 637.5\n")],
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_a_refused_plan_gives_the_lines_of_one_that_can(case: str, tmp_path: Path) -> None:
    """And with those lines in the file's section it is made."""
    path = written(tmp_path, *REFUSED[case])
    result = run("plan", tmp_path / "a", "--from", path)
    assert result.exit_code == 2 and "Traceback" not in result.output
    assert "The nearest plan that can be: " in result.stderr
    assert not (tmp_path / "a").exists()
    lines = result.stderr.partition("In the file's section [plan]:\n")[2]
    nearest = tomllib.loads(lines.partition("\n ")[0])
    assert nearest
    text = path.read_text(encoding="utf-8")
    for key, value in nearest.items():
        text = re.sub(rf"\n{key} = .*", "", text) + f"{key} = {json.dumps(value)}\n"
    path.write_text(text, encoding="utf-8")
    assert run("plan", tmp_path / "a", "--from", path).exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["x"], "the file that describes the plan"), ([], "Give the new folder"),
        (["x.xlsx", "--from", "plan.toml"], "trialkit new x.xlsx --from"),
        (["x", "--from", "nowhere.toml"], "nowhere.toml cannot be read"),
        (["x", "--from", "plan.toml", "--pairs", "0"], "plan.blocks is 0"),
        (["x", "--from", "plan.toml", "--layout", "rows"], "Invalid value"),
    ],
)  # fmt: skip
def test_what_has_no_meaning_is_told(
    arguments: list[str], words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    written(tmp_path)
    result = run("plan", *arguments)
    assert result.exit_code == 2 and words in result.stderr
    assert "Traceback" not in result.output
    assert [p.name for p in tmp_path.iterdir()] == ["plan.toml"]


def test_from_a_file(tmp_path: Path) -> None:
    """The example as printed; layout, pairs and seed go before what it says."""
    path = tmp_path / "plan.toml"
    path.write_text(run("plan", "--example").stdout, encoding="utf-8")
    asked = tp.read_description(path)
    one = run("plan", tmp_path / "one", "--from", path)
    assert one.exit_code == 0, one.output
    assert tp.read_plan(tmp_path / "one").strips.equals(  # type: ignore[union-attr]
        tp.read_plan(asked.plan().write(tmp_path / "two")).strips  # type: ignore[union-attr]
    )
    more = ["--pairs", "4", "--seed", "9", "--layout", "blocks"]
    assert run("plan", tmp_path / "three", "--from", path, *more).exit_code == 0
    record = tp.read_plan(tmp_path / "three")
    assert record is not None and record.effort == asked.effort
    assert (record.seed, record.arguments["blocks"], record.layout) == (9, 4, "blocks")


def test_without_sheets(tmp_path: Path) -> None:
    folder = made(tmp_path / "trial", "--no-sheets")
    assert len((folder / "frames.csv").read_text(encoding="utf-8").splitlines()) == 1
    assert tp.read_plan(folder).effort is None  # type: ignore[union-attr]


@pytest.mark.parametrize("units", ["US", "SI"])
def test_a_workbook_from_a_plan(units: str, tmp_path: Path) -> None:
    """The workbook reads as the planned folder does, settings included, and has its drop-downs."""
    metric = [("US", "SI"), ("width = 20", "width = 6"), ("length = 1320", "length = 400")]
    gap = '[[setup]]\nname = "gap"\nlevels = ["narrow", "usual", "wide"]\n[[field]]'
    changes = [*metric[: 3 * (units == "SI")], ("[[field]]", gap)]
    folder = tmp_path / "trial"
    named = written(tmp_path, *changes, ('name = "1"', 'name = "=North"'))
    asked = ("plan", folder, "--from", named, "--pairs", 3)
    assert run(*asked).exit_code == 2  # what a spreadsheet would run
    written(tmp_path, *changes, ('name = "1"', 'name = "North"'))
    assert run(*asked).exit_code == 0
    result = run("new", tmp_path / "book.xlsx", "--from", folder)
    assert result.exit_code == 0, result.output
    book, plain = read_trial(tmp_path / "book.xlsx"), read_trial(folder)
    assert book.config == plain.config
    assert book.refused.empty and plain.refused.empty
    for name in ("fields", "strips"):
        pd.testing.assert_frame_equal(book.tables[name], plain.tables[name], rtol=1e-9)
    counts = ["table", "rows_in", "rows_kept", "rows_not_filled"]
    pd.testing.assert_frame_equal(book.read[counts], plain.read[counts])
    sheet = openpyxl.load_workbook(tmp_path / "book.xlsx")["frames"]
    rules = {str(rule.sqref): rule.formula1 for rule in sheet.data_validations.dataValidation}
    assert rules["B2:B2000"] == "strips!$A$2:$A$2000"
    assert sheet["A2"].value == "P1" and sheet["B2"].value == "North-01"
    again = run("new", tmp_path / "book.xlsx", "--from", folder)
    assert again.exit_code == 2 and "already holds book.xlsx" in again.stderr


def test_a_folder_from_a_plan(tmp_path: Path) -> None:
    """Every file the plan wrote but its map; counts in the first folder are not taken along."""
    first = made(tmp_path / "first")
    before = {p.name: p.read_bytes() for p in first.iterdir() if p.name != "pass_map.svg"}
    frames = first / "frames.csv"
    frames.write_text(
        frames.read_text().replace("P1,1-01,preharvest,10,,", "P1,1-01,preharvest,10,4,")
    )
    assert frames.read_bytes() != before["frames.csv"]
    assert run("new", tmp_path / "second", "--from", first).exit_code == 0
    assert {p.name: p.read_bytes() for p in (tmp_path / "second").iterdir()} == before
    bare = made(tmp_path / "bare", "--no-sheets")
    assert run("new", tmp_path / "third", "--from", bare).exit_code == 0
    assert (tmp_path / "third" / "frames.csv").read_bytes() == before["frames.csv"]
    for source in (tmp_path, tmp_path / "nowhere"):
        result = run("new", tmp_path / "fourth", "--from", source)
        assert result.exit_code == 2 and "holds no plan.json" in result.stderr
    result = run("new", tmp_path / "fourth", "--from", first, "--units", "SI")
    assert result.exit_code == 2 and not (tmp_path / "fourth").exists()
