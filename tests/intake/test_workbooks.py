"""One .xlsx read as the folder with the same content is, and templates that load when filled."""

from __future__ import annotations

import csv
import datetime as dt
import io
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from sound_trial import FRAMES, STRIPS, Make

from trialkit.errors import FileExistsRefusal, TrialError
from trialkit.intake import filled_workbook, new_trial, new_workbook, read_trial
from trialkit.responses import schema
from trialkit.trial import load_trial

SETTINGS_ROWS: list[list[Any]] = [
    ["key", "about", "value"],
    ["title", "", "Chains at the home farm"],
    ["season", "", 2026],
    ["units", "", "us"],
    ["growers_agreed", "", "no"],
    ["header.rows", "", 8],
    ["header.width", "", 20.0],
    ["setup.cushion.levels", "", "standard", "cushion"],
    ["prices.grain", "", None],
]


def workbook(path: Path, settings: list[list[Any]] = SETTINGS_ROWS, **sheets: Any) -> Path:
    """A workbook of these sheets; CSV text becomes typed cells."""
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, rows in {"trial": settings, "strips": STRIPS, "frames": FRAMES, **sheets}.items():
        sheet = book.create_sheet(name)
        for row in csv.reader(io.StringIO(rows)) if isinstance(rows, str) else rows:
            sheet.append([_typed(v) if isinstance(rows, str) else v for v in row])
    book.save(path)
    return path


def _typed(text: str) -> Any:
    for kind in (int, float, dt.datetime.fromisoformat):
        try:
            return kind(text)
        except ValueError:
            continue
    return text or None


def test_workbook_reads_as_the_folder(tmp_path: Path, trial_folder: Make) -> None:
    from_folder = read_trial(trial_folder())
    intake = read_trial(workbook(tmp_path / "t.xlsx"))
    assert intake.config == from_folder.config
    for name, frame in from_folder.tables.items():
        assert intake.tables[name].equals(frame), name


@pytest.mark.parametrize(("mark", "agreed"), [("Y", True), ("x", True), ("N", False)])
def test_settings_as_they_are_typed_into_a_sheet(tmp_path: Path, mark: str, agreed: bool) -> None:
    """A reference that is a number is read as the levels are, and a yes in one letter."""
    rows = [[*r[:2], mark] if r[0] == "growers_agreed" else r for r in SETTINGS_ROWS]
    rows += [["setup.gap.levels", "", 28, 32.5, 38], ["setup.gap.reference", "", 32.5]]
    sheet = "\n".join(f"{line},{'gap' if k == 0 else 28 + 10 * (k % 2)}"
                      for k, line in enumerate(STRIPS.splitlines()))  # fmt: skip
    config = read_trial(workbook(tmp_path / "t.xlsx", rows, strips=sheet)).config
    assert config.setups[1].reference == "32.5" and config.growers_agreed is agreed


def test_cells_of_a_sheet(tmp_path: Path) -> None:
    head = ["frame", "strip", "zone", "area", "loose_kernels", "note", None]
    rows = [
        [None, None],
        head,
        [1, "S1", "header", 1.125, 24, dt.date(2026, 10, 3), None],
        [None] * 7,
        [2, "S1", "header", "=5+5", 24, None, None],  # never calculated: no value to read
        [3, "S1", "header", "1,5", 24, None, None],
        [4, "S1", "header", "#DIV/0!", 24, None, None],
        [5, "S1", "header", dt.datetime(2026, 10, 3), 24, None, None],
        [6.0, "S1", "header", "1,076", 24, None, "beside"],
        [7, "S1", "header", True, 24, None, None],
    ]
    intake = read_trial(workbook(tmp_path / "t.xlsx", frames=rows))
    assert intake.refused[["line", "value"]].to_numpy().tolist() == [
        [5, "=5+5"], [6, "1,5"], [7, "#DIV/0!"], [8, "2026-10-03"], [10, "True"],
    ]  # fmt: skip
    assert (intake.refused["file"] == "t.xlsx, sheet frames").all()
    frames = intake.tables["frames"]
    assert frames["frame"].tolist() == ["1", "6"]
    assert frames["note"].iloc[0] == "2026-10-03"
    assert intake.extra["frames"].to_dict("list") == {"column 7": ["", "beside"]}


@pytest.mark.parametrize(("units", "name"), [("us", "1-2"), ("SI", "2-1")])
def test_names_that_a_spreadsheet_turned_into_dates(tmp_path: Path, units: str, name: str) -> None:
    """Excel makes 2 January of the year it is typed in of "1-2" where months stand first."""
    settings = [[*row[:2], units] if row[0] == "units" else row for row in SETTINGS_ROWS]
    head = ["strip", "field", "pair", "cushion"]
    days = [dt.datetime(year, 1, 2) for year in (2026, 2020)]
    rows = [head, [days[0], "F", 1, "standard"], ["S2", "F", 1, "cushion"],
            [days[1], "F", 2, "standard"]]  # fmt: skip
    frames = [["frame", "strip", "zone", "area", "loose_kernels"], [1, name, "header", 10, 24],
              [2, days[0], "header", 10, 25], [3, "S2", "header", 10, 20]]  # fmt: skip
    intake = read_trial(workbook(tmp_path / "t.xlsx", settings, strips=rows, frames=frames))
    assert intake.tables["strips"]["strip"].tolist() == [name, "S2"]
    assert intake.tables["frames"]["strip"].tolist() == [name, name, "S2"]
    (fault,) = intake.refused.itertuples()
    assert (fault.line, fault.value, fault.because) == (4, "2020-01-02", "")
    assert "a name of the strip, not a date" in fault.expected
    assert f'it was read as "{name}"' in intake.read["notes"].iloc[0]


def test_percent_cells(tmp_path: Path) -> None:
    path = workbook(tmp_path / "t.xlsx")
    book = openpyxl.load_workbook(path)
    cell = book["strips"]["E2"]
    cell.value, cell.number_format = 0.185, "0.0%"
    book.save(path)
    assert read_trial(path).tables["strips"]["moisture"].iloc[0] == pytest.approx(18.5)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ([["title", "x"]], '"key" and "value"'),
        ([*SETTINGS_ROWS, ["season", "", 2027]], "row 10: key 'season' stands there twice"),
        ([*SETTINGS_ROWS, ["header.rows.x", "", 1]], "no place"),
        ([*SETTINGS_ROWS, ["notes", "", 1, 2]], "takes one value"),
        ([*SETTINGS_ROWS[:-2], ["setup", "", "gap"]], "setup needs a factor's name"),
        ([*SETTINGS_ROWS[:-2], ["setup.gap", "", "wide"]], "setup"),
        ([*SETTINGS_ROWS[:-1], ["header.depth", "", 3]], "cell C9: header.depth is not a key here"),
        ([*SETTINGS_ROWS, ["setup.cushion.reference", "", "oak"]], "cell C10: setup 1: reference"),
    ],
)
def test_faulty_settings_sheet(tmp_path: Path, settings: list[list[Any]], says: str) -> None:
    with pytest.raises(TrialError, match=says):
        read_trial(workbook(tmp_path / "t.xlsx", settings))


@pytest.mark.parametrize(
    ("cells", "asked"), [(["none"], ()), (["moisture", "speed"], ("speed", "moisture"))]
)
def test_adjusted_for_in_a_settings_sheet(
    tmp_path: Path, cells: list[str], asked: tuple[str, ...]
) -> None:
    rows = [*SETTINGS_ROWS, ["model.adjust_for", "", *cells]]
    config = read_trial(workbook(tmp_path / "t.xlsx", rows)).config
    assert config.model.adjust_for == asked
    written = filled_workbook(tmp_path / "again.xlsx", config, {})
    sheet = openpyxl.load_workbook(written)["trial"]
    own = next(r for r in sheet.iter_rows(values_only=True) if r[0] == "model.adjust_for")
    # As the settings hold them, in one order.
    assert [v for v in own[2:] if v] == (list(asked) or ["none"])


def test_no_workbook(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    path.write_bytes(b"PK\x03\x04 not really")
    with pytest.raises(TrialError, match="cut short or damaged"):
        read_trial(path)


@pytest.mark.parametrize(
    ("name", "says"), [("t.xls", "older workbook"), ("t.ods", "OpenDocument"), ("t.txt", "neither")]
)
def test_another_kind_of_file(tmp_path: Path, name: str, says: str) -> None:
    (tmp_path / name).write_bytes(b"x")
    with pytest.raises(TrialError, match=says):
        read_trial(tmp_path / name)


def test_sheet_of_no_table_is_named(tmp_path: Path) -> None:
    read = read_trial(workbook(tmp_path / "t.xlsx", Grains=[["x"]])).read
    assert "rename it to grain" in read.loc[read["file"] == "Grains", "notes"].iloc[0]


STRIP_ROWS = {
    "strip": ["A", "B"], "field": ["North", "North"], "pair": [1, 1],
    "cushion": ["standard", "cushion"],
}  # fmt: skip
FRAME_ROWS = {"frame": [1, 1], "strip": ["A", "B"], "zone": ["header"] * 2, "area": [10, 10],
              "loose_kernels": [12, 5]}  # fmt: skip


def columns_of(header: list[str], rows: dict[str, list[Any]]) -> list[list[Any]]:
    names = [cell.split(" ")[0] for cell in header]
    return [[rows[n][k] if n in rows else None for n in names] for k in range(2)]


@pytest.mark.parametrize("units", ["US", "SI"])
def test_filled_folder_template_loads(tmp_path: Path, units: Any) -> None:
    folder = new_trial(tmp_path / "new", units)
    for name, rows in (("strips", STRIP_ROWS), ("frames", FRAME_ROWS)):
        path = folder / f"{name}.csv"
        header = path.read_text().strip().split(",")
        with path.open("a", newline="") as stream:
            csv.writer(stream).writerows(columns_of(header, rows))
    trial = load_trial(folder)
    assert trial.refused.empty
    assert trial.config.units == units
    assert trial.frames["area"].tolist() == pytest.approx([0.9290304 if units == "US" else 10] * 2)


@pytest.mark.parametrize("units", ["US", "SI"])
def test_folder_template_without_its_comment_marks(tmp_path: Path, units: Any) -> None:
    """Every line that is put in comment is valid once the mark is taken off."""
    folder = new_trial(tmp_path / "new", units, {"gap": ["narrow", "wide"], "speed": ["3", "5"]})
    path = folder / "trial.toml"
    lines = path.read_text().split("\n")
    path.write_text("\n".join([*lines[:2], *(line.removeprefix("# ") for line in lines[2:])]))
    (folder / "strips.csv").write_text("strip,field,pair,gap,speed\nA,F,1,narrow,3\n")
    config = read_trial(folder).config
    assert config.option is not None
    assert config.price_per_t is not None
    assert config.option.area_per_year == pytest.approx(202, abs=3)


def test_filled_workbook_template_loads(tmp_path: Path) -> None:
    path = new_workbook(tmp_path / "new", "US")
    assert path.name == "new.xlsx"
    book = openpyxl.load_workbook(path)
    for name, rows in (("strips", STRIP_ROWS), ("frames", FRAME_ROWS)):
        sheet = book[name]
        for row in columns_of([cell.value for cell in sheet[1]], rows):
            sheet.append(row)
    book.save(path)
    trial = load_trial(path)
    assert trial.refused.empty
    assert trial.frames["loose_kernels"].tolist() == [12, 5]
    assert trial.setup_factors == ("cushion",)


def test_workbook_template_guides(tmp_path: Path) -> None:
    book = openpyxl.load_workbook(new_workbook(tmp_path / "new.xlsx", "SI", {"gap": ["a", "b"]}))
    assert book.sheetnames == ["readme", "trial", *schema.TABLES]
    frames, strips, settings = book["frames"], book["strips"], book["trial"]
    assert (frames.freeze_panes, frames["D1"].value) == ("A2", "area (m2)")
    rules = {str(r.sqref): r.formula1 for r in frames.data_validations.dataValidation}
    assert rules == {"B2:B2000": "strips!$A$2:$A$2000", "C2:C2000": '"preharvest,header,total"'}
    levels = next(r.formula1 for r in strips.data_validations.dataValidation)
    row = int(levels.rsplit("$", 1)[1])
    assert [settings.cell(row, k).value for k in (1, 3, 4)] == ["setup.gap.levels", "a", "b"]
    rules = {str(r.sqref): r.formula1 for r in settings.data_validations.dataValidation}
    assert rules["C4"] == '"US,SI"'
    assert settings["A4"].value == "units"


def test_levels_run_as_no_formula(tmp_path: Path) -> None:
    path = new_workbook(tmp_path / "new.xlsx", setups={"gap": ["=1+1", "wide"]})
    cells = [cell for row in openpyxl.load_workbook(path)["trial"] for cell in row]
    assert [(c.data_type, c.quotePrefix) for c in cells if c.value == "=1+1"] == [("s", True)] * 2


def test_templates_never_overwrite(tmp_path: Path) -> None:
    new_trial(tmp_path / "t")
    with pytest.raises(FileExistsRefusal):
        new_trial(tmp_path / "t")
    new_workbook(tmp_path / "w.xlsx")
    with pytest.raises(FileExistsRefusal):
        new_workbook(tmp_path / "w.xlsx")


def test_template_of_faulty_factors(tmp_path: Path) -> None:
    with pytest.raises(TrialError, match="already a column"):
        new_trial(tmp_path / "t", setups={"moisture": ["dry", "wet"]})
    with pytest.raises(TrialError, match="'US', 'SI'"):
        new_workbook(tmp_path / "w", "imperial")  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []
