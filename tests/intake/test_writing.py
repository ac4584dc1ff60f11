"""Writing: units round trip, no formulas, all files or none, nothing overwritten."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_settings import WHOLE

from trialkit.errors import FileExistsRefusal, TrialError
from trialkit.intake import files, read_trial, write_all, write_new, write_trial
from trialkit.intake.config import read_toml
from trialkit.intake.write import plain_text
from trialkit.responses import schema

LABELS = ["1", "b 2", "-7", "=x", "+y", "@z", "Ä;\"'"]
NOTE = "=HYPERLINK(\"x\")\n<b>wet</b>, 'low'; spot"


def full_tables(units: str, seed: int = 3) -> dict[str, pd.DataFrame]:
    """Every table with values over the whole of each column's range, in SI."""
    setups = read_toml(WHOLE.format(units=units)).setups
    rng = np.random.default_rng(seed)
    tables = {}
    for name in schema.TABLES:
        layout = schema.table(name, setups)
        data: dict[str, object] = {}
        for column in layout.columns:
            if column.kind == "number":
                data[column.name] = rng.uniform(column.low, column.high, 4)
            elif column.kind == "count":
                data[column.name] = rng.integers(1, 40, 4)
            elif column.kind == "date":
                data[column.name] = pd.to_datetime(
                    ["2026-10-03 00:00", "2026-10-03 14:30", None, "2027-01-02 01:02:03"],
                    format="ISO8601",
                )
            elif column.levels:
                data[column.name] = rng.choice(column.levels, 4)
            elif column.kind == "text":
                data[column.name] = [NOTE, None, "'=quoted", "-1"]
            else:
                data[column.name] = [label for label in LABELS if label[0] != "="][:4]
        tables[name] = pd.DataFrame(data)
    tables["grain"] = tables["grain"].assign(kernels_examined=100)
    tables["ear_butt_damage"] = tables["ear_butt_damage"].assign(ears_examined=100)
    # On cobs only behind the machine; a score only of the tank.
    behind = tables["frames"]["zone"].eq("total")
    tables["frames"]["kernels_on_cobs"] = tables["frames"]["kernels_on_cobs"].where(behind)
    tank = tables["residue"]["taken_at"].eq("tank")
    tables["residue"]["score"] = tables["residue"]["score"].where(tank)
    for whole in ("grain", "residue"):
        tables[whole]["sample_mass"] = schema.table(whole).column("sample_mass").high
    for dense in ("frames", "ears"):
        tables[dense]["area"] = rng.uniform(1, 90, 4)
    tables["stalks"]["field"] = tables["strips"]["field"]
    return tables


@pytest.mark.parametrize("units", ["US", "SI"])
def test_written_trial_reads_back(tmp_path: Path, units: str) -> None:
    config = read_toml(WHOLE.format(units=units))
    tables = full_tables(units)
    # A main strip holds one level of the hard-to-change factor.
    tables["strips"]["main_strip"] = tables["strips"]["strip"]
    tables["strips"]["header"] = tables["header_check"]["header"]
    intake = read_trial(write_trial(tmp_path / "new" / "trial", config, tables))
    assert intake.refused.empty, intake.refused
    for name, frame in tables.items():
        wanted = schema.tidy(frame, name, config.setups)
        pd.testing.assert_frame_equal(intake.tables[name], wanted, rtol=1e-9, atol=0)


def test_nothing_written_runs_as_a_formula(tmp_path: Path) -> None:
    config = read_toml(WHOLE.format(units="US"))
    folder = write_trial(tmp_path / "t", config, full_tables("US"))
    cells = [
        cell
        for path in folder.glob("*.csv")
        for row in csv.reader(path.open(newline=""))
        for cell in row
    ]
    assert any(cell.startswith("'=") for cell in cells)
    for cell in cells:
        assert not cell.startswith(("=", "@", "\t", "\r"))
        assert not cell.startswith(("+", "-")) or float(cell) < 0


@settings(max_examples=200)
@given(st.text(alphabet="'=+-@\t\r1a.", max_size=6))
def test_text_begins_no_formula(text: str) -> None:
    shown = plain_text(text)
    assert shown in (text, "'" + text)
    if shown[:1] in tuple("=+-@\t\r"):
        float(shown)


def test_existing_files_are_left_alone(tmp_path: Path) -> None:
    config = read_toml(WHOLE.format(units="US"))
    (tmp_path / "frames.csv").write_text("mine")
    with pytest.raises(FileExistsRefusal, match=r"frames\.csv"):
        write_trial(tmp_path, config, full_tables("US"))
    assert [p.name for p in tmp_path.iterdir()] == ["frames.csv"]
    assert (tmp_path / "frames.csv").read_text() == "mine"
    with pytest.raises(FileExistsRefusal):
        write_new(tmp_path / "frames.csv", b"x")
    with pytest.raises(FileExistsRefusal, match="is a file"):
        write_all(tmp_path / "frames.csv", {"a": b"x"})


@pytest.mark.parametrize("at", [1, 2])
def test_failure_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int) -> None:
    """The disk fills up while the file of this number gets its name."""
    calls = []

    def full(source: Path, target: Path) -> None:
        calls.append(target)
        if len(calls) == at:
            raise OSError(28, "No space left on device")
        os.rename(source, target)

    monkeypatch.setattr(files, "_place", full)
    with pytest.raises(TrialError, match="No space left"):
        write_all(tmp_path / "a" / "b", {"x": b"1", "y": b"2"})
    assert len(calls) == at
    assert list(tmp_path.iterdir()) == []


def test_file_that_appears_meanwhile_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = files._place

    def late(source: Path, target: Path) -> None:
        if target.name == "y":
            target.write_bytes(b"another's")
        place(source, target)

    monkeypatch.setattr(files, "_place", late)
    with pytest.raises(FileExistsRefusal, match="y"):
        write_all(tmp_path, {"x": b"1", "y": b"2"})
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {"y": b"another's"}


def test_file_system_without_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", no_links)
    assert write_new(tmp_path / "x", b"1").read_bytes() == b"1"
    with pytest.raises(FileExistsRefusal):
        write_new(tmp_path / "x", b"2")
    assert [p.name for p in tmp_path.iterdir()] == ["x"]


@pytest.mark.parametrize(
    ("table", "change", "says"),
    [
        ("frames", {"area": -1.0}, "area: in_range"),
        ("frames", {"zone": "rear"}, "zone"),
        ("frames", {"frame": "1", "strip": "1", "zone": "header"}, "unique"),
        ("frames", {"colour": "red"}, "no place for column colour"),
        ("grain", {"kernels_damaged": 2.5}, "a whole number"),
        ("strips", {"cushion": "felt"}, "cushion"),
    ],
)
def test_wrong_tables_are_not_written(
    tmp_path: Path, table: str, change: dict[str, object], says: str
) -> None:
    config = read_toml(WHOLE.format(units="SI"))
    tables = full_tables("SI")
    tables[table] = tables[table].assign(**change)
    with pytest.raises(TrialError, match=says):
        write_trial(tmp_path / "t", config, tables)
    assert list(tmp_path.iterdir()) == []
