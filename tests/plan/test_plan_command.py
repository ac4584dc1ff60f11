"""`trialkit plan` and `trialkit new --from` as a user meets them."""

from __future__ import annotations

import json
import re
import shlex
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

SIMPLE = ["--compare", "cushion", "--field-length", "1320", "--seed", "7"]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "200"})


def made(folder: Path, *more: str) -> Path:
    result = run("plan", folder, *SIMPLE, *more)
    assert result.exit_code == 0, result.output
    return folder


def test_a_plan_in_words_and_files(tmp_path: Path) -> None:
    folder = tmp_path / "chain"
    result = run(
        "plan", folder, *SIMPLE, "--header-rows", 8, "--row-spacing", 30, "--planter-rows", 16,
        "--headland", 60, "--header-frames", 4, "--ear-area", 0, "--corner", "41.5,-93.6",
    )  # fmt: skip
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
    (tmp_path / "pass_map.svg").write_text("mine")
    result = run("plan", tmp_path, *SIMPLE)
    assert result.exit_code == 2 and "already holds pass_map.svg" in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["pass_map.svg"]
    assert (tmp_path / "pass_map.svg").read_text() == "mine"


REFUSED = {
    "narrow": ["--field-width", "250", "--planter-rows", "16"],
    "hours": ["--max-change-hours", "10"],
    "short": ["--headland", "530"],
    "planter": ["--header-rows", "12", "--planter-rows", "8", "--field-rows", "120"],
    "one block": ["--blocks", "1"],
    "layout": ["--compare", "gap", "--layout", "pairs"],
    "SI": ["--units", "SI", "--headland", "637.5"],
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_refused_plan_gives_the_options_of_one_that_can(case: str, tmp_path: Path) -> None:
    """And with those options it is made."""
    result = run("plan", tmp_path / "a", *SIMPLE, *REFUSED[case])
    assert result.exit_code == 2 and "Traceback" not in result.output
    assert "The nearest plan that can be: " in result.stderr
    assert not (tmp_path / "a").exists()
    options = re.search(r"As options: (.*)", result.stderr)
    assert options
    asked = [*SIMPLE, *REFUSED[case], *shlex.split(options[1])]
    assert run("plan", tmp_path / "a", *asked).exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["x"], "Give --compare and --field-length"), ([], "Give the new folder"),
        (["x.xlsx", *SIMPLE], "trialkit new x.xlsx --from"),
        (["x", "--from", "nowhere.toml"], "nowhere.toml cannot be read"),
        (["x", "--from", "a.toml", "--compare", "gap"], "--compare cannot stand beside --from"),
        (["x", *SIMPLE, "--corner", "north"], "latitude and longitude"),
        (["x", *SIMPLE, "--corner", "91,0"], "field 1: corner"),
        (["x", *SIMPLE, "--row-spacing", "wide"], "field 1: row_spacing is 'wide'"),
        (["x", *SIMPLE, "--min-length", "1 ha"], "plan.min_length is '1 ha'"),
        (["x", *SIMPLE, "--blocks", "0"], "plan.blocks is 0"),
        (["x", *SIMPLE, "--compare", "gap=usual,usual"], "setup 2: levels"),
    ],
)  # fmt: skip
def test_what_has_no_meaning_is_told(
    arguments: list[str], words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("plan", *arguments)
    assert result.exit_code == 2 and words in result.stderr
    assert "Traceback" not in result.output and not list(tmp_path.iterdir())


def test_from_a_file(tmp_path: Path) -> None:
    """The example as printed; options for layout and counting go before what it says."""
    path = tmp_path / "plan.toml"
    path.write_text(run("plan", "--example").stdout, encoding="utf-8")
    asked = tp.read_description(path)
    one = run("plan", tmp_path / "one", "--from", path)
    assert one.exit_code == 0, one.output
    assert tp.read_plan(tmp_path / "one").strips.equals(  # type: ignore[union-attr]
        tp.read_plan(asked.plan().write(tmp_path / "two")).strips  # type: ignore[union-attr]
    )
    more = ["--blocks", "4", "--seed", "9", "--grain-samples", "5", "--balance"]
    assert run("plan", tmp_path / "three", "--from", path, *more).exit_code == 0
    record = tp.read_plan(tmp_path / "three")
    assert record is not None and record.effort is not None
    assert (record.arguments["blocks"], record.arguments["balance"]) == (4, True)
    assert (record.seed, record.effort.grain_samples) == (9, 5)


def test_without_sheets(tmp_path: Path) -> None:
    folder = made(tmp_path / "trial", "--no-sheets")
    assert len((folder / "frames.csv").read_text(encoding="utf-8").splitlines()) == 1
    assert tp.read_plan(folder).effort is None  # type: ignore[union-attr]


@pytest.mark.parametrize("units", ["US", "SI"])
def test_a_workbook_from_a_plan(units: str, tmp_path: Path) -> None:
    """The workbook reads as the planned folder does, settings included, and has its drop-downs."""
    length = "1320" if units == "US" else "400"
    folder = tmp_path / "trial"
    options = ["--compare", "cushion", "--compare", "gap", "--field-length", length, "--units",
               units, "--blocks", "3", "--field", "=North", "--season", "2026"]  # fmt: skip
    assert run("plan", folder, *options).exit_code == 2  # what a spreadsheet would run
    options[options.index("=North")] = "North"
    assert run("plan", folder, *options).exit_code == 0
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
