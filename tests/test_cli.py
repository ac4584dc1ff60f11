"""The command line as a user meets it: what it prints, where, and its exit codes."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

import trialkit
from trialkit.cli import app, plain
from trialkit.pages import demo_dir


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "200"})


@pytest.fixture
def trial(tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo_dir(), tmp_path / "trial"))


def change_cell(folder: Path, column: str, value: str, file: str = "frames.csv") -> None:
    """Put `value` into the first data row of a file."""
    path = folder / file
    head, first, *rest = path.read_text(encoding="utf-8").splitlines()
    cells = first.split(",")
    cells[[name.split(" ")[0] for name in head.split(",")].index(column)] = value
    path.write_text("\n".join([head, ",".join(cells), *rest]) + "\n", encoding="utf-8")


def test_check_of_a_clean_trial(trial: Path) -> None:
    result = run("check", trial)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert "Nothing was refused." in result.stdout
    rows = len((trial / "frames.csv").read_text(encoding="utf-8").splitlines()) - 1
    assert re.search(rf"\nframes\.csv +{rows} +{rows} +0", result.stdout)
    assert "What the data unlock" in result.stdout


def test_check_lists_what_was_refused(trial: Path) -> None:
    change_cell(trial, "loose_kernels", "[bold]-7[/bold]")
    result = run("check", trial)
    assert result.exit_code == 1
    assert " 1. frames.csv, line 2, loose_kernels: '[bold]-7[/bold]'\n" in result.stdout
    assert re.search(r"\n    expected: a whole number .*\n    lost: 1 row\n", result.stdout)
    every = run("check", trial, "--all").stdout
    assert " 1. frames.csv, line 2, loose_kernels: '[bold]-7[/bold]'; expected: a whole" in every


@pytest.mark.parametrize("command", ["analyse", "check", "report"])
def test_a_folder_that_is_no_trial(command: str, tmp_path: Path) -> None:
    result = run(command, tmp_path / "nowhere")
    assert result.exit_code == 2
    assert "nowhere" in result.stderr
    assert "Traceback" not in result.output
    assert result.stdout == ""


def test_what_cannot_be_is_refused_before_anything_is_computed(
    trial: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("computed all the same")

    monkeypatch.setattr("trialkit.analysis.analyse", never)
    monkeypatch.setattr("trialkit.plan.power", never)
    monkeypatch.setattr("trialkit.pages.render", never)
    (tmp_path / "models.csv").touch()
    for arguments, words in (
        (("analyse", trial, "--out", tmp_path), "already holds models.csv"),
        (("report", trial, "--grower", "A"), "--grower goes with --for grower"),
        (("power", trial, "--reduction", "0.3"), "give percent, as in 30"),
    ):
        result = run(*arguments)
        assert result.exit_code == 2 and words in result.stderr.replace("\n", " "), result.output


def test_one_setup_is_told_in_a_sentence(trial: Path) -> None:
    path = trial / "strips.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    column = lines[0].split(",").index("cushion")
    kept = [line for line in lines[1:] if line.split(",")[column] == "standard"]
    assert kept
    path.write_text("\n".join([lines[0], *kept]) + "\n", encoding="utf-8")
    result = run("report", trial)
    assert result.exit_code == 2
    assert "carries the same setup" in result.stderr
    assert "Traceback" not in result.output
    assert not list(trial.glob("*.html"))


@pytest.mark.parametrize("command", ["check", "report"])
def test_counts_of_nothing_are_told_in_a_sentence(command: str, trial: Path) -> None:
    (trial / "grain.csv").unlink()
    path = trial / "frames.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    at = [name.split(" ")[0] for name in head.split(",")].index("loose_kernels")
    cells = [row.split(",") for row in rows]
    rows = [",".join([*c[:at], "0", *c[at + 1 :]]) for c in cells]
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    result = run(command, trial)
    assert result.exit_code == 2
    assert "count more ground" in result.stderr
    assert "Traceback" not in result.output
    assert not list(trial.glob("*.html"))


def test_demo_copies_analyses_and_reports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "trialkit-demo").mkdir()
    result = run("demo")
    assert result.exit_code == 0, result.output
    page = tmp_path / "trialkit-demo-2" / "field_day.html"
    assert str(page.relative_to(tmp_path)) in result.stdout
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    for file in demo_dir().iterdir():
        assert (page.parent / file.name).read_bytes() == file.read_bytes()
    assert re.search(r"\d s  running the report's notebook", result.stderr)
    assert not list((tmp_path / "trialkit-demo").iterdir())


def test_demo_leaves_a_full_folder_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    result = run("demo", tmp_path)
    assert result.exit_code == 2
    assert "not empty" in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_new_writes_a_trial_to_fill_in(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    assert run("new", folder, "--units", "SI").exit_code == 0
    assert 'units = "SI"' in (folder / "trial.toml").read_text(encoding="utf-8")
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    again = run("new", folder)
    assert again.exit_code == 2 and "Traceback" not in again.output
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    empty = run("check", folder)
    assert empty.exit_code == 2 and "is still empty. Fill in strips" in empty.stderr
    for name, flags in (("mine", ["--workbook"]), ("yours.xlsx", [])):
        assert run("new", tmp_path / name, *flags).exit_code == 0
        book = (tmp_path / name).with_suffix(".xlsx")
        assert book.read_bytes()[:2] == b"PK"
        empty = run("check", book)
        assert empty.exit_code == 2 and "is still empty. Fill in strips" in empty.stderr


def test_as_a_process(tmp_path: Path) -> None:
    """Outside the test runner too: the code reaches the shell, and no traceback the screen."""
    command = [sys.executable, "-c", "from trialkit.cli import app; app()"]
    done = subprocess.run(
        [*command, "check", str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1 and done.stderr.strip()
    done = subprocess.run([*command, "--version"], capture_output=True, text=True, check=True)
    assert done.stdout == f"trialkit {trialkit.__version__}\n"


def test_a_level_in_percent_is_told_as_the_share_it_is(tmp_path: Path) -> None:
    result = run("compare", tmp_path, "--level", "95")
    assert result.exit_code == 2 and "95 % is 0.95" in " ".join(result.stderr.split())


def test_plain_disarms_control_characters() -> None:
    assert plain("a\x1b[31mb\n") == "a\\x1b[31mb\\x0a"
    assert plain(None) == "" and plain(float("nan")) == ""


def test_notes_of_reading_are_lines_below_the_table(trial: Path) -> None:
    change_cell(trial, "loose_kernels", '"1,204"')
    head, *rest = (trial / "strips.csv").read_text(encoding="utf-8").splitlines()
    lines = [f"{head},colour of the sky", *(f"{line},grey" for line in rest)]
    (trial / "strips.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = CliRunner().invoke(app, ["check", str(trial)], env={"COLUMNS": "80"})
    table, _, below = result.stdout.partition("How the files were read\n")
    assert "grey" not in result.stdout
    assert re.search(r"\nstrips\.csv +\d+ +\d+ +0", table)
    told = "Not read: column colour of the sky of strips.csv (kept with the trial)\n"
    assert told in table and "frames.csv\n- " in below


def test_check_loads_neither_engine_nor_plots() -> None:
    """What takes seconds to load and check has no use for."""
    script = (
        "import sys; from trialkit.cli import app\n"
        f"try: app(['check', {str(demo_dir())!r}])\n"
        "except SystemExit: pass\n"
        "print({m for m in ('numba', 'matplotlib', 'statsmodels', 'formulaic', 'scipy.stats')"
        " if m in sys.modules})"
    )
    command = [sys.executable, "-c", script]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stdout.splitlines()[-1] == "set()", done.stdout[-500:] + done.stderr[-500:]
