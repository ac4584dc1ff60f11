"""Paper for the field: columns of the intake tables, boxes for gloves, text as text, all grey."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib.image as image
import numpy as np
import pandas as pd
import pytest
import segno
from frozen_trials import frozen_dir
from pypdf import PdfReader
from test_paper import A4, LETTER, fonts, letters
from typer.testing import CliRunner

import trialkit as tk
from trialkit import plan as tp
from trialkit.cli import app
from trialkit.errors import ReportError
from trialkit.intake import HeaderConfig, SetupFactor, TrialConfig
from trialkit.pages import cards
from trialkit.pages.field_paper import SHEETS, LabelGrid, labels_source, source
from trialkit.pages.field_paper.boxes import (
    HEADER_SIDES,
    HEADER_TOP,
    card_boxes,
    header_boxes,
    run_boxes,
)
from trialkit.pages.field_paper.content import content
from trialkit.pages.field_paper.crew import order_rows, setup_words, time_words
from trialkit.pages.field_paper.source import field_trial
from trialkit.pages.printing import typeset
from trialkit.plan.days import working_days
from trialkit.responses import schema
from trialkit.simulate import Effort
from trialkit.trial import Trial
from trialkit.words.cautions import counting

CHAIN = SetupFactor("cushion", ("standard", "cushion"), "standard", "Gathering chain",
                    ("Plain loop", "Padded loop"), hard_to_change=True)  # fmt: skip
MANY = Effort(
    header_frames=12, preharvest_frames=4, total_frames=4, grain_samples=2, butt_samples=1
)
DPI = 144 / 25.4  # dots per mm of a page as a picture


def config(system: str = "US", rows: int = 8, title: str = "Loops") -> TrialConfig:
    width = rows * 0.762
    return TrialConfig(title, 2026, system, HeaderConfig(rows, width, width), (CHAIN,))


def write_plan(
    folder: Path, system: str = "US", rows: int = 8, effort: Any = MANY, fields: int = 1
) -> Path:
    grounds = [tp.Ground("North", 400.0, planter_rows=16), tp.Ground("South", 300.0)][:fields]
    made = tp.plan_trial(config(system, rows), grounds, blocks=2, seed=4)
    made.write(folder, effort)
    return folder


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_plan(tmp_path_factory.mktemp("planned"), fields=2)


@pytest.fixture(scope="module")
def sheets(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    made = cards(planned, tmp_path_factory.mktemp("blind"))
    assert made.sheets is not None and made.labels is not None
    return texts(made.sheets)


def texts(path: Path | None) -> list[str]:
    """Text of every page."""
    assert path is not None
    return [page.extract_text() for page in PdfReader(path).pages]


def pages(found: list[str], foot: str) -> list[str]:
    """Of these pages, those that have this in their footer."""
    return [t for t in found if re.search(rf"{re.escape(foot)}\s*\d+ / \d+\s*$", t)]


def pictures(data: dict[str, Any], files: Any, part: str = "paper-for-the-field") -> list[Any]:
    return [image.imread(io.BytesIO(p)) for p in typeset(*source(part, data, files), form="png")]


# --- Columns ---------------------------------------------------------------------------------


@pytest.mark.parametrize("blind", [True, False])
def test_boxes_are_the_columns_of_the_tables(planned: Path, blind: bool) -> None:
    trial = field_trial(planned)
    setups = trial.config.setups
    strip = str(trial.strips["strip"].iloc[0])
    tables = card_boxes(trial, strip, blind)
    for name in ("frames", "ears", "grain", "ear_butt_damage", "residue"):
        assert list(tables[name].columns) == schema.column_names(name)
    assert [list(t.columns) for _, t in header_boxes(trial)] == [
        schema.column_names("header_check")
    ]
    # Of the strips table, what would tell the setup is on the operator's sheet of blind cards.
    card, run = tables["strips"].columns, run_boxes(trial, blind).columns
    every = schema.column_names("strips", setups)
    assert set(card) & set(run) == {"strip"}
    assert [c for c in every if c in {*card, *run}] == every
    for columns in (card, run):
        assert list(columns) == [c for c in every if c in columns]
    assert ("cushion" in card) is not blind


def test_every_box_has_its_words_and_the_files_head(planned: Path, sheets: list[str]) -> None:
    """What people call a column, its unit, and in small print the name it is typed in under."""
    trial = field_trial(planned)
    strip = str(trial.strips["strip"].iloc[0])
    front, back = (letters("".join(pages(sheets, f"{strip} {s}"))) for s in ("front", "back"))
    where = {"frames": front, "ears": front, "grain": back, "residue": back, "strips": back,
             "ear_butt_damage": back}  # fmt: skip
    for name, table in card_boxes(trial, strip, True).items():
        left = {"strip", "zone"} if name == "frames" else {"strip"}
        for column, head in zip(table.columns, table.heads(trial), strict=True):
            if column not in left and column != "main_strip":  # the plan has none
                # The width residue fell on is asked for where frames are laid on it.
                place = front if column == "discharge_width" else where[name]
                assert all(letters(part) in place for part in head), head
    run, check = (letters("".join(pages(sheets, s))) for s in ("Operator", "Header check"))
    run_heads = run_boxes(trial, True).without("cushion").heads(trial)
    assert all(letters(part) in run for head in run_heads for part in head)
    check_heads = header_boxes(trial)[0][1].heads(trial)
    assert all(letters(part) in check for head in check_heads for part in head)
    system = trial.config.units
    for head, column in zip(check_heads, header_boxes(trial)[0][1].columns, strict=True):
        unit = schema.table("header_check").column(column).unit(system)
        assert head[1] in ("", column) and (not unit or head[0].endswith(f"({unit})"))


def test_what_is_measured_is_never_printed() -> None:
    trial = field_trial(frozen_dir())
    strip = str(trial.strips["strip"].iloc[0])
    own = card_boxes(trial, strip, False)
    assert own["strips"].without(*own["strips"].columns[:-1]).rows == ((None,),)  # harvested_at
    for name, measured in (("frames", "loose_kernels"), ("ears", "ears"),
                           ("grain", "kernels_damaged"), ("residue", "residue_mass")):  # fmt: skip
        at = own[name].columns.index(measured)
        assert own[name].rows and all(row[at] is None for row in own[name].rows)


# --- Pages -----------------------------------------------------------------------------------


def test_a_card_is_one_leaf_with_every_frame(planned: Path, sheets: list[str]) -> None:
    trial = field_trial(planned)
    wanted = [f"{z}{i}" for z, n in (("P", 4), ("H", 12), ("T", 4)) for i in range(1, n + 1)]
    for strip in map(str, trial.strips["strip"]):
        (front,), (back,) = pages(sheets, f"{strip} front"), pages(sheets, f"{strip} back")
        words = front.split()
        assert strip in front and strip in back
        assert all(frame in words for frame in wanted)
        assert "area (ft2): 10" in front
        assert all(letters(c) in letters(back) for c in counting())
    for i, text in enumerate(sheets):
        if re.search(r"front\s*\d+ / \d+\s*$", text):
            assert i % 2 == 0  # the front of a leaf
    # The operator's sheet and a map for each of the two fields.
    feet = ("Crew", "Operator", "Header check", "Stalks and ear butts")
    count = {foot: len(pages(sheets, foot)) for foot in feet}
    assert count == {"Crew": 2, "Operator": 1 + 2, "Header check": 3,
                     "Stalks and ear butts": 1}  # fmt: skip


def test_order_of_work_is_the_plans(planned: Path, sheets: list[str]) -> None:
    plan = tp.read_plan(planned)
    assert plan is not None
    runs = plan.strips.sort_values("run")
    fronts = [m[1] for t in sheets if (m := re.search(r"(\S+) front\s*\d+ / \d+\s*$", t))]
    assert fronts == list(runs["strip"])
    for strip, rows, way in runs[["strip", "count_rows", "direction"]].itertuples(index=False):
        (front,) = pages(sheets, f"{strip} front")
        assert f"Count rows {rows} (" in front and f"Drive {way}, " in front


def test_order_of_work_is_told_by_day_and_hour(planned: Path, sheets: list[str]) -> None:
    """Every step ends within its working day; days follow one another, each named once."""
    plan = tp.read_plan(planned)
    assert plan is not None
    when = working_days(plan.order)
    ends = when["clock"] + plan.order["minutes"]
    first = plan.order["what"].eq("pass").map({True: 600.0, False: 480.0})
    assert (when["clock"] >= first).all() and (ends <= 1110).all()
    begins = when["day"] * 1440 + when["clock"]
    assert (begins.diff().dropna() >= plan.order["minutes"].shift().dropna()).all()
    rows = order_rows(field_trial(planned), blind=False)
    days = [row["day"] for row in rows if row["day"]]
    assert days == [f"Day {n}" for n in range(1, when["day"].max() + 1)] and len(days) > 1
    (crew,) = (text for text in pages(sheets, "Crew") if "Order of work" in text)
    assert all(text in crew for text in (*days, rows[0]["begins"], rows[-1]["begins"]))


@pytest.mark.parametrize(("system", "paper", "size"), [
    ("US", None, LETTER), ("SI", None, A4), ("US", "a4", A4), ("SI", "us-letter", LETTER),
])  # fmt: skip
def test_paper_text_and_fonts(
    tmp_path: Path, system: str, paper: str | None, size: tuple[float, float]
) -> None:
    made = cards(write_plan(tmp_path, system), paper=paper, blind=False)
    for path in made:
        reader, found = PdfReader(path), texts(path)
        for page in reader.pages:
            sides = sorted((float(page.mediabox.width), float(page.mediabox.height)))
            assert sides == pytest.approx(size, abs=0.01)
        assert any("North-01" in text for text in found)
        assert "\N{REPLACEMENT CHARACTER}" not in "".join(found)
        for font in fonts(reader):
            inner = font["/DescendantFonts"][0].get_object()
            assert {"/FontFile2", "/FontFile3"} & set(inner["/FontDescriptor"].get_object())
            assert "/ToUnicode" in font
        root = reader.trailer["/Root"]
        assert root["/MarkInfo"]["/Marked"] and str(root["/Lang"]).startswith("en")
        assert reader.metadata is not None and "Loops (2026)" in str(reader.metadata.title)
        if path == made.sheets:  # 20 frames fit on a side of either paper, and so does the back
            assert [len(pages(found, foot)) for foot in ("front", "back")] == [4, 4]


def test_blind_cards_do_not_tell_the_setup(
    planned: Path, sheets: list[str], tmp_path: Path
) -> None:
    for foot in ("Crew", "front", "back"):
        told = pages(sheets, foot)
        assert told
        for text in told:
            assert not re.search(r"plain loop|padded loop|standard|cushion|gathering", text, re.I)
    told = "".join(pages(sheets, "Operator"))
    assert "Padded loop" in told and "For the operator alone" in told
    made = texts(cards(planned, tmp_path, blind=False, sheets=["cards"]).sheets)
    trial = field_trial(planned)
    for strip, level in trial.strips[["strip", "cushion"]].itertuples(index=False):
        word = dict(zip(CHAIN.levels, CHAIN.level_labels, strict=True))[level]
        (front,) = pages(made, f"{strip} front")
        assert f"Gathering chain: {word}" in front


def test_all_is_grey_and_boxes_take_a_glove(tmp_path: Path) -> None:
    trial = field_trial(write_plan(tmp_path))
    data, files = content(trial, SHEETS, "us-letter", True)
    for page in pictures(data, files):
        red, green, blue = (page[..., i] for i in range(3))
        assert np.abs(red - green).max() == np.abs(green - blue).max() == 0.0
    data, files = content(trial, ["cards"], "us-letter", True)
    front = pictures(data, files)[0][..., 0]
    # Down through the boxes of the first frame of each line: 1 ahead, 3 at the header, 1 behind.
    dark = np.flatnonzero(front[:, round((10 + 11.5 + 12) * DPI)] < 0.35)
    apart = np.diff(dark) / DPI
    assert np.sum((apart >= 14.0) & (apart < 21.0)) >= 5


def test_header_of_sixteen_rows(tmp_path: Path) -> None:
    folder = write_plan(tmp_path, "SI", rows=16)
    made = cards(folder, sheets=["header"])
    found = pages(texts(made.sheets), "Header check")
    # Plates, rolls, and guides with chains and flaps, for each half of the rows.
    assert len(found) == 3 * 2 and made.labels is None
    for first in range(3):
        side = found[first::3]
        rows = [int(r) for text in side for r in re.findall(r"^(\d+)$", text, re.MULTILINE)]
        assert sorted(rows) == list(range(1, 17))
    for text in found:
        assert letters("key out and with you, all movement stopped") in letters(text)
        assert all(letters(c) in letters(text) for c in counting()[2:5])
        assert letters("gloves") in letters(text) and letters("manual") in letters(text)


def test_stalks_and_ear_butts_have_boxes_in_every_field(sheets: list[str]) -> None:
    (text,) = pages(sheets, "Stalks and ear butts")
    for name in (n for n, t in schema.TABLES.items() if t.of_a_field):
        assert text.count(f"{name} diameter (in) of each") == 2  # two fields
    numbers = re.findall(r"\d+", text)
    # Of both tables in both fields; other numbers of the page's text are left aside.
    assert all(numbers.count(f"{n}") == 4 for n in (*range(11, 20), *range(21, 25), 26, 27, 28))
    assert letters("no two from one spot") in letters(text) and letters("husk off") in letters(text)


def test_every_column_of_the_header_check_is_on_one_side() -> None:
    named = [*HEADER_TOP, *(name for side in HEADER_SIDES.values() for name in side)]
    assert sorted(named) == sorted(schema.column_names("header_check")[2:])


def test_more_frames_than_fit_go_on(tmp_path: Path) -> None:
    folder = write_plan(tmp_path)
    made = cards(folder, sheets=["cards"], effort=Effort(header_frames=40))
    strip = str(field_trial(folder).strips["strip"].iloc[0])
    words = " ".join(pages(texts(made.sheets), f"{strip} front")).split()
    assert all(f"H{i}" in words for i in range(1, 41))


def test_no_plan_is_needed(tmp_path: Path) -> None:
    folder = tmp_path / "trial"
    trial = tk.load_trial(frozen_dir())
    folder.mkdir()
    for name in ("trial.toml", "strips.csv"):
        (folder / name).write_bytes((frozen_dir() / name).read_bytes())
    found = field_trial(folder)
    assert (found.counted_from, found.plan) == ("usual", None)
    pdf = texts(cards(folder, sheets=["crew", "cards", "map"]).sheets)
    assert len(pages(pdf, "front")) == len(trial.strips)
    assert "was not planned" in " ".join("".join(pages(pdf, "Crew")).split())
    assert not any("Map of the passes" in text for text in pdf)
    with pytest.raises(ReportError, match="map needs a plan"):
        cards(folder, sheets=["map"])
    # Rows that are there already give the frames their names.
    assert field_trial(frozen_dir()).counted_from == "tables"


def test_nothing_is_overwritten(planned: Path, tmp_path: Path) -> None:
    first = cards(planned, tmp_path, sheets=["crew", "labels"])
    before = [p.read_bytes() for p in first if p]
    second = cards(planned, tmp_path, sheets=["crew", "labels"])
    assert [p.name for p in second if p] == ["field_paper-2.pdf", "field_paper_labels-2.pdf"]
    assert [p.read_bytes() for p in first if p] == before


def test_a_table_that_left_its_plan_is_told(tmp_path: Path) -> None:
    folder = write_plan(tmp_path)
    table = pd.read_csv(folder / "strips.csv")
    table.loc[0, "cushion"] = {"standard": "cushion", "cushion": "standard"}[table["cushion"][0]]
    table.to_csv(folder / "strips.csv", index=False)
    made = cards(folder, sheets=["run"])
    text = " ".join("".join(texts(made.sheets)).split())
    assert "not as it was planned" in text and f"the plan: {table['strip'][0]}." in text


HOSTILE = (
    '#panic("no")', "*bold* _x_ $x^2$", "@ref <label> //", '\\ "quoted" `raw`', "= head - list",
    "L" * 300, "два поля Ωμέγα", "\u202eabc\u0007def", "#{while true {}}", "a/*b",
)  # fmt: skip


def test_names_are_text_whatever_they_hold(tmp_path: Path) -> None:
    strips = pd.DataFrame({
        "strip": HOSTILE, "field": [f"F{HOSTILE[i % 4]}" for i in range(len(HOSTILE))],
        "pair": [str(i // 2) for i in range(len(HOSTILE))], "cushion": ["standard", "cushion"] * 5,
    })  # fmt: skip
    labels = ('#eval("1")', "$ \\ $")
    settings = replace(config(title=HOSTILE[0]), setups=(replace(CHAIN, level_labels=labels),))
    trial = Trial.from_tables(settings, {"strips": strips})
    made = cards(trial, tmp_path, blind=False)
    found = texts(made.sheets)
    for name in HOSTILE[:5]:
        assert [len(pages(found, f"{name} {side}")) for side in ("front", "back")] == [1, 1]
    assert "rows apart" in pages(found, f"{HOSTILE[0]} back")[0]  # no field states its spacing
    text = letters("".join(found))
    assert all(letters(name) in text for name in (*HOSTILE[:5], HOSTILE[6], *HOSTILE[8:], *labels))
    assert "L" * 40 in text
    shown = letters("".join(texts(made.labels)))
    assert all(letters(name) in shown for name in HOSTILE[:5])


# --- Labels ----------------------------------------------------------------------------------


def test_code_on_a_label_is_the_strips_name(planned: Path) -> None:
    """Modules of the printed code, read off the page, against segno's for the plain name."""
    grid = LabelGrid(rows=6, columns=3, top=11.0, left=9.0, gap_across=3.0, gap_down=2.0, first=2)
    page = pictures_of_labels(planned, grid)[0]
    trial = field_trial(planned)
    wide, high = grid.size("us-letter")
    side = min(high - 3, 0.4 * wide, 30)
    wanted = np.array(segno.make_qr(str(trial.strips["strip"].iloc[0]), error="m").matrix)
    pitch = side / (len(wanted) + 8)  # four modules of quiet zone on each side
    x0 = grid.left + wide + grid.gap_across + 1.5  # second place of the first line
    y0 = grid.top + 1.5 + (high - 3 - side) / 2
    centres = (np.arange(len(wanted)) + 4.5) * pitch
    rows, columns = (np.round((at + centres) * DPI).astype(int) for at in (y0, x0))
    assert np.array_equal(page[np.ix_(rows, columns)][..., 0] < 0.5, wanted.astype(bool))
    first = page[: round((grid.top + high) * DPI), : round((grid.left + wide) * DPI)]
    assert first.min() == 1.0  # the first place was used before


def pictures_of_labels(folder: Path, grid: LabelGrid) -> list[Any]:
    text, files = labels_source(field_trial(folder), grid, "us-letter")
    return [image.imread(io.BytesIO(p)) for p in typeset(text, files, form="png")]


def test_a_label_for_every_sample(planned: Path, tmp_path: Path) -> None:
    made = cards(planned, tmp_path, sheets=["labels"], grid=LabelGrid(rows=5, columns=2))
    assert made.sheets is None
    found = texts(made.labels)
    text = " ".join(" ".join(found).split())
    strips = field_trial(planned).strips["strip"]
    for strip in strips:
        samples = re.findall(rf"{strip} (grain|residue) (\d)", text)
        assert samples == [("grain", "1"), ("grain", "2"), ("residue", "1")]
    assert len(found) == -(-3 * len(strips) // 10)


@pytest.mark.parametrize("grid", [
    {"rows": 30}, {"columns": 7}, {"rows": 0}, {"first": 17}, {"gap_down": -1.0},
])  # fmt: skip
def test_grids_that_do_not_fit(planned: Path, tmp_path: Path, grid: dict[str, Any]) -> None:
    with pytest.raises(ReportError):
        cards(planned, tmp_path, sheets=["labels"], grid=LabelGrid(**grid))
    assert not list(tmp_path.iterdir())


# --- Command ---------------------------------------------------------------------------------


def test_command(planned: Path, tmp_path: Path) -> None:
    run = CliRunner().invoke(app, ["cards", str(planned), "--out", str(tmp_path), "--paper", "a4",
                                   "--no-blind", "--sheets", "run", "--sheets", "labels",
                                   "--labels", "5x3:15,5,15,5"])  # fmt: skip
    assert run.exit_code == 0, run.output
    assert {p.name for p in tmp_path.iterdir()} == {"field_paper.pdf", "field_paper_labels.pdf"}
    assert str(tmp_path / "field_paper.pdf") in run.output.replace("\n", "")
    page = PdfReader(tmp_path / "field_paper.pdf").pages[0]
    assert sorted((float(page.mediabox.width), float(page.mediabox.height))) == pytest.approx(
        A4, abs=0.01
    )


@pytest.mark.parametrize("wrong", [
    ["--labels", "8by2"], ["--labels", "1.5x2"], ["--labels", "8x2:1,2,3"],
    ["--labels", "8x2:1,2,3,4:a,b"], ["--language", "xx"], ["--sheets", "poster"],
    ["--first-label", "99"],
])  # fmt: skip
def test_command_refuses(planned: Path, tmp_path: Path, wrong: list[str]) -> None:
    run = CliRunner().invoke(app, ["cards", str(planned), "--out", str(tmp_path), *wrong])
    assert run.exit_code == 2
    assert "Traceback" not in run.output and not list(tmp_path.iterdir())


def test_changes_and_levels_in_words(tmp_path: Path) -> None:
    """A speed is changed from the cab: neither its words nor its changes are said twice."""
    speed = SetupFactor("speed", ("4", "6"), "4")
    settings = replace(config(), setups=(speed,))
    drawn = tp.plan_trial(settings, tp.Ground("North", 300.0), blocks=3, seed=1)
    assert any("times; no time is counted for changing." in line for line in drawn.words)
    trial = field_trial(drawn.write(tmp_path / "t"))
    said = {setup_words(trial, strip) for strip in drawn.strips["strip"]}
    assert said == {"speed 4", "speed 6"}
    assert " of setup" not in time_words(trial)
