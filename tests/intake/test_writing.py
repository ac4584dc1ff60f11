"""Writing: units round trip, no formulas, all files or none, nothing overwritten."""

from __future__ import annotations

import csv
import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_settings import WHOLE

from trialkit.ending import Stopped, stoppable
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


FULL = OSError(28, "No space left on device")


@pytest.mark.parametrize("at", [1, 2])
def test_failure_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int) -> None:
    """The disk fills up while the file of this number gets its name."""
    calls = []

    def full(source: Path, target: Path) -> None:
        calls.append(target)
        if len(calls) == at:
            raise FULL
        os.rename(source, target)

    monkeypatch.setattr(files, "_place", full)
    with pytest.raises(TrialError, match=r"No space left on device\); nothing was written$"):
        write_all(tmp_path, {"x": b"1", "y": b"2"})
    assert len(calls) == at
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["fsync", "rename", "mkdir"])
def test_a_new_folder_that_fails_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    def failing(*_: object, **__: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, name, failing)
    with pytest.raises(TrialError, match=r"Input/output error\); nothing was written$"):
        write_all(tmp_path / "a" / "b", {"x": b"1", "y": b"2"})
    assert list(tmp_path.iterdir()) == []


def test_what_cannot_be_removed_again_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = files._place

    def full(source: Path, target: Path) -> None:
        if target.name == "y":
            raise FULL
        place(source, target)

    def kept(path: Path) -> None:
        raise PermissionError(1, "Operation not permitted", str(path))

    monkeypatch.setattr(files, "_place", full)
    with monkeypatch.context() as m:
        m.setattr(Path, "unlink", kept)
        with pytest.raises(TrialError, match=r"/x stayed behind .*; no other file was written"):
            write_all(tmp_path, {"x": b"1", "y": b"2"})
    assert [path.name for path in tmp_path.iterdir()] == ["x"]
    (tmp_path / "x").unlink()
    monkeypatch.setattr(files, "remove", lambda path: False)
    with pytest.raises(TrialError, match=r"no file was written; .*\.writing-\S+ stayed behind"):
        write_all(tmp_path, {"x": b"1", "y": b"2"})


def test_a_folder_another_run_makes_meanwhile_takes_the_set(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b"
    with files.new_set(folder) as draft:
        (draft / "x").write_text("1")
        folder.mkdir(parents=True)
        (folder / "theirs").touch()
    assert {p.name for p in folder.iterdir()} == {"x", "theirs"}
    assert [p.name for p in tmp_path.iterdir()] == ["a"]
    with pytest.raises(FileExistsRefusal, match="x"), files.new_set(folder) as draft:
        (draft / "x").write_text("2")
    with pytest.raises(TrialError, match="nothing was written"), files.new_set(folder) as draft:
        shutil.rmtree(folder)
        (draft / "y").write_text("2")
    assert list((tmp_path / "a").iterdir()) == []


def killed(work: Callable[[], object]) -> None:
    """Have a copy of this process do a piece of work that kills it."""
    if (child := os.fork()) == 0:
        try:
            work()
        finally:
            os._exit(0)
    assert os.WIFSIGNALED(os.waitpid(child, 0)[1])


@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are not copied here")
@pytest.mark.parametrize("links", [True, False])
def test_the_next_run_sweeps_what_a_killed_one_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
) -> None:
    place, three = files._place, {"x": b"1", "y": b"2", "z": b"3"}
    (tmp_path / ".writing-mine").mkdir()
    (files.own_folder(tmp_path, files.DRAFT)).mkdir()  # of a run that goes on: this one
    others = set(tmp_path.iterdir())

    def dying(before: str) -> Callable[[Path, Path], None]:
        def placed(source: Path, target: Path) -> None:
            if target.name == before:
                os.kill(os.getpid(), signal.SIGKILL)
            place(source, target)

        return placed

    def no_links(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    if not links:
        monkeypatch.setattr(os, "link", no_links)
    with monkeypatch.context() as m:
        # In a new folder and before the first file of a set has its name: nothing of it is there.
        m.setattr(files, "held", lambda: os.kill(os.getpid(), signal.SIGKILL))
        killed(lambda: write_all(tmp_path / "new", three))
        (left,) = set(tmp_path.iterdir()) - others
        m.undo()
        m.setattr(files, "_place", dying("x"))
        killed(lambda: write_all(tmp_path, three))
    (second,) = set(tmp_path.iterdir()) - others  # which has swept the first one's
    assert left.name != second.name and second.name.startswith(".writing-")
    write_all(tmp_path, {"w": b"4"})
    assert set(tmp_path.iterdir()) - others == {tmp_path / "w"}
    # Some of it was: the rest follows.
    with monkeypatch.context() as m:
        m.setattr(files, "_place", dying("z"))
        killed(lambda: write_all(tmp_path, three))
    assert not (tmp_path / "z").exists()
    with pytest.raises(FileExistsRefusal, match="x, y, z"):
        write_all(tmp_path, three)
    found = {p.name: p.read_bytes() for p in tmp_path.iterdir() if p not in others}
    assert found == {**three, "w": b"4"}


def test_ctrl_c_between_two_files_waits_for_the_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = files._place

    def interrupted(source: Path, target: Path) -> None:
        place(source, target)
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(files, "_place", interrupted)
    monkeypatch.setattr(files, "WRITTEN", [])
    # A run in the background of a shell ignores it.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with stoppable(), pytest.raises(Stopped):
            write_all(tmp_path, {"x": b"1", "y": b"2"})
    finally:
        signal.signal(signal.SIGINT, before)
    assert sorted(files.WRITTEN) == sorted(tmp_path.iterdir()) == [tmp_path / "x", tmp_path / "y"]


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
