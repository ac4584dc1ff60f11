"""Files no trial would hold: refused in one sentence, at once, and without harm to others."""

from __future__ import annotations

import json
import os
import socket
import sys
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from sound_trial import SETTINGS, Make

import trialkit.plan as tp
from trialkit.errors import TrialError
from trialkit.intake import read_trial
from trialkit.intake.limits import VARIABLE, Limits, limits
from trialkit.intake.reading import read_file
from trialkit.many import comparing, sources
from trialkit.words.plan_file import example

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="no named pipes in folders")


def refused(path: Path) -> str:
    with pytest.raises(TrialError) as error:
        read_trial(path)
    return str(error.value)


@POSIX
@pytest.mark.parametrize("name", ["trial.toml", "frames.csv"])
def test_no_regular_file_is_opened(trial_folder: Make, name: str) -> None:
    # Opening a pipe nobody writes to would wait for ever.
    folder = trial_folder()
    (folder / name).unlink()
    os.mkfifo(folder / name)
    assert "named pipe" in refused(folder)
    (folder / name).unlink()
    (folder / name).mkdir()
    assert "a folder, not a file" in refused(folder)


@POSIX
def test_sockets_and_devices(trial_folder: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = trial_folder(frames=None)
    monkeypatch.chdir(folder)  # a socket's path has a length of its own
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind("frames.csv")
        assert "a socket" in refused(folder)
    with pytest.raises(TrialError, match="a device"):
        read_file("/dev/zero")


@POSIX
def test_links_out_of_the_folder(
    trial_folder: Make, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = trial_folder()
    away = tmp_path_factory.mktemp("away") / "frames.csv"
    (folder / "frames.csv").rename(away)
    (folder / "frames.csv").symlink_to(away)
    told = refused(folder)
    assert "leads out" in told
    assert f"{VARIABLE}=outside_links=1" in told
    monkeypatch.setenv(VARIABLE, "outside_links=1")
    assert len(read_trial(folder).tables["frames"]) == 4
    monkeypatch.delenv(VARIABLE)
    (folder / "frames.csv").unlink()
    away.rename(folder / "counted.txt")
    (folder / "frames.csv").symlink_to("counted.txt")
    assert len(read_trial(folder).tables["frames"]) == 4


def test_limits_say_which_and_how_to_raise_it(
    trial_folder: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = trial_folder()
    size = (folder / "strips.csv").stat().st_size
    assert limits() == Limits()
    monkeypatch.setenv(VARIABLE, "file_bytes=50, row_chars=2MB")
    told = refused(folder)
    assert f"strips.csv: {size} bytes" in told
    assert "limited to 50 bytes" in told
    # The setting it names lets the file pass and keeps what was set before.
    setting = told.rpartition(f"{VARIABLE}=")[2]
    monkeypatch.setenv(VARIABLE, setting)
    assert limits().row_chars == 2_000_000
    assert limits().file_bytes > size
    monkeypatch.setenv(VARIABLE, "row_chars=40")
    assert "strips.csv, line 1: " in refused(folder)
    monkeypatch.setenv(VARIABLE, "memory_bytes=1kB")
    assert "memory" in refused(folder)
    for wrong in ("file_bytes", "bytes=3", "file_bytes=many", "file_bytes=-1"):
        monkeypatch.setenv(VARIABLE, wrong)
        assert "write limits as in" in refused(folder)


NINES = "9" * 5000


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ("x = " + "[" * 5000 + "]" * 5000, "too deep"),
        ("x = " + "{a=" * 5000 + "1" + "}" * 5000, "too deep"),
        (".".join(["a"] * 20_000) + " = 1", "20,000 levels"),
        (" . ".join(['"a"'] * 20_000) + " = 1", "20,000 levels"),
        (f"season = {NINES}", "so many digits"),
        ("#" * 1_000_001, "settings file"),
        ("k\n".join(str(k) for k in range(100)), "not valid TOML"),
        ("\n".join(f"k{k} = 1" for k in range(500)), "and 474 more"),
        (f"{'k' * 100_000} = 1", "kkk... is not a key"),
        ("title = 'a'\ntitle = 'b'", "Cannot overwrite"),
        ("title = 2026-10-03\nseason = 'x'\nheader = [1]", "expected a title in words"),
        (b"notes = 'a'\ntitle = '\xff\xfe\xc3\x28\xc3\xa9'", "trial.toml, line 2: some bytes"),
        (SETTINGS.replace('"cushion"]', f"{NINES[:400]}, 1e400]"), "levels is"),
        (SETTINGS.replace('"cushion"]', f'"{NINES}"]'), "levels is"),
    ],
    ids=range(14),
)
def test_settings_nobody_wrote_by_hand(
    trial_folder: Make, settings: str | bytes, said: str
) -> None:
    told = refused(trial_folder(settings))
    assert said in told
    assert len(told) < 6000


def test_settings_of_a_sheet_of_the_wrong_kind(tmp_path: Path) -> None:
    for k, wrong in enumerate([("setup", "x"), ("setup.gap", "x"), ("." * 5000, 1), ("header", 1)]):
        book = openpyxl.Workbook()
        book.active.title = "trial"
        for row in [("key", "value"), ("title", "T"), wrong]:
            book.active.append(row)
        book.save(tmp_path / f"{k}.xlsx")
        assert refused(tmp_path / f"{k}.xlsx")


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("planned")
    (folder / "plan.toml").write_text(example())
    tp.read_description(folder / "plan.toml").plan().write(folder / "trial")
    return folder / "trial"


def test_plans_of_the_wrong_kind(planned: Path, tmp_path: Path) -> None:
    sound = json.loads((planned / "plan.json").read_text())
    texts = ["[" * 100_000 + "]" * 100_000, f'{{"seed": {NINES}}}', "\x00", "[]"]
    wrong = (7, "x", [7], [{}], {"a": 1}, 1e308)
    for key in ("strips", "order", "degrees_of_freedom"):
        texts += [json.dumps({**sound, key: value}) for value in wrong]
    for key in ("work", "effort", "grounds"):
        texts += [
            json.dumps({**sound, "arguments": {**sound["arguments"], key: v}})
            for v in wrong
            if v != [] and not (key == "effort" and v == {})
        ]
    texts += [
        json.dumps({**sound, "strips": [{**sound["strips"][0], key: value}]})
        for key in ("strip", "run", "left")
        for value in ([1], {}, 1e308, True)
    ]
    for text in texts:
        (tmp_path / "plan.json").write_text(text)
        with pytest.raises(TrialError, match=r"plan\.json is no plan"):
            tp.read_plan(tmp_path)
    (tmp_path / "plan.json").write_text(json.dumps(sound))
    assert len(tp.read_plan(tmp_path).strips) == len(sound["strips"])  # type: ignore[union-attr]


@POSIX
def test_a_broken_trial_costs_compare_only_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(3)
    for name in "abcdef":
        (tmp_path / name).mkdir()
        (tmp_path / name / "trial.toml").write_text(SETTINGS)
        rows = [f"S{k},North,{k // 2},{('standard', 'cushion')[k % 2]}" for k in range(12)]
        (tmp_path / name / "strips.csv").write_text(
            "strip,field,pair,cushion\n" + "\n".join(rows)
        )
        rows = [f"{k},S{k},header,10,{n}" for k, n in enumerate(rng.poisson(20, 12))]
        (tmp_path / name / "frames.csv").write_text(
            "frame,strip,zone,area,loose_kernels\n" + "\n".join(rows)
        )
    (tmp_path / "c" / "trial.toml").write_text("x = " + "[" * 5000 + "]" * 5000)
    (tmp_path / "d" / "frames.csv").unlink()
    os.mkfifo(tmp_path / "d" / "frames.csv")
    (tmp_path / "ring").symlink_to(tmp_path)
    load = sources.load_trial

    def failing(path: Path) -> object:
        if path.name in "ef":
            raise (MemoryError() if path.name == "e" else RecursionError("so deep"))
        return load(path)

    monkeypatch.setattr(sources, "load_trial", failing)
    found = comparing.compare(tmp_path)
    assert sorted(found.trials["trial"]) == ["a", "b"]
    skipped = found.skipped.set_index("trial")["reason"]
    assert sorted(skipped.index) == ["c", "d", "e", "f"]
    assert "too deep" in skipped["c"]
    assert "named pipe" in skipped["d"]
    assert "MemoryError" in skipped["e"]
    assert "RecursionError: so deep" in skipped["f"]

    def stopped(path: Path) -> object:
        raise KeyboardInterrupt

    monkeypatch.setattr(sources, "load_trial", stopped)
    with pytest.raises(KeyboardInterrupt):
        comparing.compare(tmp_path)
