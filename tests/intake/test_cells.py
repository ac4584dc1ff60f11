"""What one bad cell costs: itself where its column is optional, its row where it cannot do without;
and levels told by a mark, numbers that are none."""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frozen_trials import frozen_dir
from hypothesis import given, settings
from hypothesis import strategies as st
from sound_trial import SETTINGS, STRIPS, Make

import trialkit as tk
from trialkit.errors import TrialError
from trialkit.intake import Intake, read_trial
from trialkit.intake.choices import read_choices
from trialkit.intake.config import SetupFactor, read_toml
from trialkit.intake.level_names import level_number, level_of_yes
from trialkit.intake.numbers import read_number, read_quantity
from trialkit.responses import schema


def lost(intake: Intake, table: str) -> list[tuple[int, str, str]]:
    """(line, column, row or cell) of each refusal of a table."""
    faults = intake.refused[intake.refused["file"] == f"{table}.csv"]
    return list(faults[["line", "column", "lost"]].itertuples(index=False, name=None))


# ---------------------------------------------------------------- nothing but the cell
def test_dates_and_yields_as_people_write_them_cost_no_strip(tmp_path: Path) -> None:
    """A whole trial whose strips say 10/6/2026 and a yield of 1,204: every frame is analysed."""
    plain = tk.load_trial(frozen_dir())
    folder = shutil.copytree(frozen_dir(), tmp_path / "trial")
    path = folder / "strips.csv"
    head, *rows = csv.reader(io.StringIO(path.read_text()))
    names = [name.split(" ")[0] for name in head]
    for row in rows:
        day = pd.Timestamp(row[names.index("harvested_at")])
        row[names.index("harvested_at")] = f"{day.month}/{day.day}/{day.year} {day:%H:%M}"
        row[names.index("yield")] = "1,204"
    with path.open("w", newline="") as stream:
        csv.writer(stream).writerows([head, *rows])
    trial = tk.load_trial(folder)
    assert trial.read["rows_refused"].sum() == 0
    assert len(trial.strips) == len(rows) and len(trial.frames) == len(plain.frames)
    # 1,204 bu/ac are 1204, beyond any field: the cell is lost.
    assert set(trial.refused["column"]) == {"yield"} and set(trial.refused["lost"]) == {"cell"}
    assert trial.strips["yield"].isna().all()
    pd.testing.assert_frame_equal(
        trial.strips.drop(columns="yield"), plain.strips.drop(columns="yield")
    )


GRAIN = "strip,sample,kernels_examined,kernels_damaged,sample_mass,sieve_mass,foreign_mass\n"


@pytest.mark.parametrize(
    ("row", "faults", "kept"),
    [
        # Of two readings in a row one is bad: it goes, with what says nothing without it.
        ("200,5,x,20,", ["sample_mass cell", "sieve_mass cell"], (200, 5, None, None)),
        ("200,x,100,20,", ["kernels_damaged cell", "kernels_examined cell"], (None, None, 100, 20)),
        ("200,5,100,x,", ["sieve_mass cell"], (200, 5, 100, None)),
        (",,100,x,2", ["sieve_mass cell"], (None, None, 100, None)),
        # Nothing is left.
        ("x,5,,,", ["kernels_examined row", "kernels_damaged row"], None),
        (",,x,20,3", ["sample_mass row", "sieve_mass row", "foreign_mass row"], None),
        (",,100,x,", ["sieve_mass row"], None),
        # A fault of its own beside a bad cell keeps its reason.
        ("200,,,,x", ["foreign_mass cell", "kernels_damaged row"], None),
        ("inf,,,,", ["kernels_examined row"], None),
        ("200,5,100,2000,", ["sieve_mass row"], None),  # no bad cell: the two contradict each other
    ],
)  # fmt: skip
def test_readings_of_one_sample(
    trial_folder: Make, row: str, faults: list[str], kept: tuple[float | None, ...] | None
) -> None:
    intake = read_trial(trial_folder(grain=f"{GRAIN}S1,1,{row}\n"))
    assert [f"{column} {what}" for _, column, what in lost(intake, "grain")] == faults
    counts = intake.read.set_index("table").loc["grain"]
    assert (counts["rows_kept"], counts["rows_refused"]) == ((0, 1) if kept is None else (1, 0))
    if kept is not None:
        columns = ["kernels_examined", "kernels_damaged", "sample_mass", "sieve_mass"]
        found = intake.tables["grain"][columns].iloc[0].to_numpy()
        np.testing.assert_array_equal(found, np.asarray(kept, float))


def test_a_sample_whose_place_cannot_be_read_is_no_sample_of_the_tank(trial_folder: Make) -> None:
    """A blank place means the tank: a bad one must not be taken for blank."""
    residue = "strip,sample,taken_at,score\nS1,1,,2\nS1,2,tnak,2\n"
    intake = read_trial(trial_folder(residue=residue))
    assert lost(intake, "residue") == [(3, "taken_at", "row")]


COBS = "strip,zone,frame,area,loose_kernels,kernels_on_cobs\n"


def test_kernels_on_cobs_are_of_all_frames_or_of_none(trial_folder: Make) -> None:
    """Where every frame behind the machine has them, a bad one costs its frame, not all of them."""
    rows = "S1,total,1,10,5,3\nS1,total,2,10,5,x\nS1,header,1,10,5,x\n"
    intake = read_trial(trial_folder(frames=COBS + rows))
    assert lost(intake, "frames") == [(3, "kernels_on_cobs", "row"), (4, "kernels_on_cobs", "cell")]
    intake = read_trial(trial_folder(frames=f"{COBS}{rows}S2,total,1,10,5,\n"))
    assert {what for *_, what in lost(intake, "frames")} == {"cell"}


def test_a_main_strip_that_cannot_be_read(trial_folder: Make) -> None:
    """Main strips are told apart where every strip names one; a bad one costs its strip then."""
    head = "strip,field,pair,main_strip,cushion\nA,F,1,x,standard\nB,F,1,=x,cushion\n"
    strict = read_trial(trial_folder(strips=f"{head}C,F,1,y,cushion\n"))
    assert lost(strict, "strips") == [(3, "main_strip", "row")]
    loose = read_trial(trial_folder(strips=f"{head}C,F,1,,cushion\n"))
    assert lost(loose, "strips") == [(3, "main_strip", "cell")]
    assert loose.tables["strips"]["main_strip"].isna().tolist() == [False, True, True]


def test_an_optional_column_in_an_unknown_unit_costs_itself(trial_folder: Make) -> None:
    strips = STRIPS.replace("moisture", "moisture (kg)")
    intake = read_trial(trial_folder(strips=strips))
    assert [fault[1:] for fault in lost(intake, "strips")] == [("moisture", "cell")] * 4
    assert len(intake.tables["strips"]) == 4 and intake.tables["strips"]["moisture"].isna().all()
    assert "column moisture is left out" in intake.read["notes"].iloc[0]


CELLS = {"moisture": ("18.5", "x"), "yield": ("210", "-4"), "header": ("A", "=A"),
         "harvested_at": ("2026-10-03", "soon"), "speed_set": ("3.5 mph", "3.5 lb")}  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(st.lists(st.lists(st.booleans(), min_size=5, max_size=5), min_size=1, max_size=6))
def test_what_is_bad_is_missing_and_all_else_is_kept(bad: list[list[bool]]) -> None:
    """Bad cells read as blank ones do, and each is told once."""
    texts = []
    for blank in (False, True):
        lines = ["strip,field,pair,cushion," + ",".join(CELLS)]
        for k, row in enumerate(bad):
            cells = [("" if blank else c[1]) if b else c[0]
                     for b, c in zip(row, CELLS.values(), strict=True)]  # fmt: skip
            lines.append(f"S{k},F,1,standard," + ",".join(cells))
        texts.append("\n".join([*lines, ""]))
    read = []
    for text in texts:
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / "trial.toml").write_text(SETTINGS)
            (Path(folder) / "strips.csv").write_text(text)
            read.append(read_trial(folder))
    pd.testing.assert_frame_equal(read[0].tables["strips"], read[1].tables["strips"])
    assert len(read[0].refused) == sum(map(sum, bad)) and read[1].refused.empty
    assert read[0].read["rows_refused"].sum() == 0


# ---------------------------------------------------------------- no number
ENDLESS = "9" * 5000


@pytest.mark.parametrize(
    "text", ["inf", "-inf", "Infinity", "+INF", "1e309", "-1e400", "1e308 t/ha", ENDLESS, "-nan",
             "NaN()", "0x10", "1_000", "True", "1e", "²"],
)  # fmt: skip
def test_what_is_no_number_is_refused(trial_folder: Make, text: str) -> None:
    """In a column that may be blank and in one that must not; never kept, never an exception."""
    strips = STRIPS.replace(",210,", f",{text},")
    frames = f"frame,strip,zone,area,loose_kernels\n1,S1,header,10,4\n2,S1,header,{text},4\n" \
        f"3,S1,header,10,{text}\n"  # fmt: skip
    intake = read_trial(trial_folder(strips=strips, frames=frames))
    assert lost(intake, "strips") == [(2, "yield", "cell")]
    assert lost(intake, "frames") == [(3, "area", "row"), (4, "loose_kernels", "row")]
    assert "a number from 4.78 to 717 bu/ac" in intake.refused["expected"].iloc[0]
    assert len(intake.tables["strips"]) == 4 and len(intake.tables["frames"]) == 1
    assert isinstance(read_quantity(text, "kg/ha", "point")[0], str) or "t/ha" in text


@settings(max_examples=300, deadline=None)
@given(st.one_of(
    st.text(alphabet="0123456789.,eE+-_xinfaNT' \u00a0/½%″−mh", max_size=14),
    st.floats().map(repr), st.integers().map(str),
    st.builds("{}e{}".format, st.integers(-99, 99), st.integers(-400, 400)),
), st.sampled_from(["point", "comma", "both", "unknown"]), st.sampled_from(["", "in", "mph", "t"]))
def test_what_is_read_is_finite(text: str, mark: str, unit: str) -> None:
    for found in (read_number(text, mark), read_quantity(text, unit, mark)[0]):  # type: ignore[arg-type]
        assert isinstance(found, str) or np.isfinite(found)


@pytest.mark.parametrize("value", ["inf", "-inf", "nan", "1e309", ENDLESS, f"-{ENDLESS}"])
def test_settings_take_finite_numbers_only(value: str) -> None:
    """Each is a legal number of TOML, or more digits than Python makes a number of."""
    for key in ("season = 2026", "rows = 8", "width = 20"):
        with pytest.raises(TrialError) as caught:
            read_toml(SETTINGS.replace(key, f"{key.split(' ')[0]} = {value}"))
        assert len(str(caught.value)) < 400
    with pytest.raises(TrialError):
        read_toml(SETTINGS.replace('["standard", "cushion"]', f"[1, {value}]"))
    for more in ("[prices]\ngrain =", "[model.margins]\nheader_loss =",
                 "[option]\nfactor = 'cushion'\nlevel = 'cushion'\nlife_years = 5\ninterest = 0.1\n"
                 "area_per_year = 100\nlife_area = 900\ncost ="):  # fmt: skip
        with pytest.raises(TrialError):
            read_toml(f"{SETTINGS}{more} {value}\n")


def test_a_level_of_thousands_of_digits_is_no_number() -> None:
    assert level_number(ENDLESS) is None and level_number(f"1/{ENDLESS}") is None


# ---------------------------------------------------------------- levels
@pytest.mark.parametrize(
    ("name", "label", "levels", "reference", "yes"),
    [
        ("cushion", "", ["standard", "cushion"], "standard", "cushion"),
        ("chain", "Cushion chain", ["standard", "cushion"], "standard", "cushion"),
        ("kit", "", ["without", "with"], "without", "with"),
        ("brush", "", ["none", "nylon"], "none", "nylon"),
        ("cushion_kit", "", ["cushion", "usual"], "usual", "cushion"),
        ("cushion", "", ["no cushion", "cushion"], "no cushion", "cushion"),
        # More than one reading, or none.
        ("cushion", "", ["standard", "cushion"], "cushion", None),
        ("chain", "", ["standard chain", "cushion chain"], "standard chain", None),
        ("gap", "", ["narrow", "wide"], "narrow", None),
        ("cushion", "", ["standard", "cushion", "felt"], "standard", None),
        ("speed", "", ["3.5", "5"], "3.5", None),
    ],
)
def test_the_level_that_a_yes_means(
    name: str, label: str, levels: list[str], reference: str, yes: str | None
) -> None:
    assert level_of_yes(levels, reference, name, label or name) == yes


def test_marks_are_read_where_they_tell_the_level(trial_folder: Make) -> None:
    _, *rows = STRIPS.strip().split("\n")
    for yes, no in (("yes", "No"), ("x", "off"), ("✓", "n"), ("✔\ufe0f", "☐"), ("True", "FALSE")):
        text = STRIPS.replace("standard", no).replace("cushion,1", f"{yes},1")
        intake = read_trial(trial_folder(strips=text))
        assert intake.refused.empty
        assert intake.tables["strips"]["cushion"].tolist() == [r.split(",")[3] for r in rows]
        note = "in cushion a check mark or a yes was read as 'cushion', a no as 'standard'"
        assert intake.read["notes"].iloc[0].count(note) == 1
    three = SETTINGS.replace('"cushion"]', '"cushion", "felt"]')
    intake = read_trial(trial_folder(three, strips=STRIPS.replace("1,standard", "1,yes")))
    (fault, *_) = intake.refused.itertuples()
    assert (fault.column, fault.lost) == ("cushion", "row")
    assert fault.expected.endswith("does not tell which is meant for cushion: it has 3 levels")
    crossed = read_trial(trial_folder(strips=STRIPS.replace("1,standard", "1,✗")))
    assert lost(crossed, "strips") == [(2, "cushion", "row")]


def test_numeric_levels_with_a_unit_or_a_fraction(trial_folder: Make) -> None:
    config = SETTINGS.replace('"cushion"', '"gap"', 1).replace(
        '["standard", "cushion"]', '["1.25", "1.5"]'
    )
    cells = ("1-1/4 in", "1 1/2", "1¼", "1.5 inch", "38 mm")
    rows = (f"S{k},F,{k // 2},{cell}\n" for k, cell in enumerate(cells))
    strips = "strip,field,pair,gap\n" + "".join(rows)
    intake = read_trial(trial_folder(config, strips=strips))
    assert intake.tables["strips"]["gap"].tolist() == ["1.25", "1.5", "1.25", "1.5"]
    assert [line for line, *_ in lost(intake, "strips")] == [6]
    assert "fractions such as 1 1/4 were read" in intake.read["notes"].iloc[0]


def test_levels_by_their_label_or_with_a_unit() -> None:
    """Of a factor whose own unit is not said: that of its labels, or one of the trial's system."""
    cells = {"32 mm": "32", "28mm": "28", "32 cm": None, "28 mm plates": "28", "1-1/4 in": None}
    plain = {"9 km/h": "9", "6": "6", "9 mph": None}
    labelled = SetupFactor("plates", ("28", "32"), "28", "plates", ("28 mm", "32 mm"))
    for factor, texts in ((labelled, cells), (SetupFactor("pace", ("6", "9"), "6"), plain)):
        column = schema.Column(factor.name, "level", "", required=True, levels=factor.levels)
        chosen = read_choices(list(texts), column, factor, "SI")
        assert chosen.levels == list(texts.values())
        assert "units written into cells were read" in chosen.notes
        assert ("words that reports use" in " ".join(chosen.notes)) == (factor is labelled)
