"""No name of a field, a grower, a strip or whoever counted leaves the researcher's hands: every
file that can be made of a trial full of planted names is searched for them (`planted.py`)."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import planted
import pytest
from typer.testing import CliRunner

import trialkit as tk
from trialkit import plots
from trialkit.cli.app import app
from trialkit.errors import DesignError
from trialkit.pages import readers
from trialkit.pages.export import tables
from trialkit.pages.letters import Letters
from trialkit.pages.own import letters_of
from trialkit.pages.page import Page
from trialkit.pages.seasons import readers as seasons_readers

OWN = "B"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return planted.write(tmp_path_factory.mktemp("planted") / "Krumhollow of Quistrup")


@pytest.fixture(scope="module")
def analysis(folder: Path) -> tk.TrialAnalysis:
    return tk.analyse(tk.load_trial(folder), responses=["header_loss", "residue_score"])


@pytest.fixture(scope="module")
def made(analysis: tk.TrialAnalysis) -> dict[str, Page]:
    return planted.pages(analysis, OWN)


def files_of(analysis: tk.TrialAnalysis, page: Page, report: str) -> dict[str, bytes]:
    kind = readers.READERS[report]
    letters = letters_of(analysis.trial, report, {"grower": OWN})
    page_file, paper = planted.written(page, report, letters.page_title(kind.title))
    return {f"{kind.notebook}.html": page_file, f"{kind.notebook}.pdf": paper}


def test_the_scan_finds_names(folder: Path) -> None:
    """It can fail: of the trial's own files it finds nearly every name, in whatever form."""
    own = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert {secret for secret, _ in planted.found(own)} >= {*planted.SECRETS, "xu"}


@pytest.mark.parametrize("report", ["field-day", "researcher", "header"])
def test_no_page_names_anyone(
    analysis: tk.TrialAnalysis, made: dict[str, Page], report: str
) -> None:
    assert planted.found(files_of(analysis, made[report], report)) == []


def test_the_map_of_strips_shows_what_it_shows_with_names(
    analysis: tk.TrialAnalysis, made: dict[str, Page]
) -> None:
    own = plots.strip_map(analysis.trial)
    assert "without frames" not in own.summary and own.summary in made["researcher"].as_run().html


def test_a_growers_page_names_that_grower_alone_and_says_so(
    analysis: tk.TrialAnalysis, made: dict[str, Page]
) -> None:
    files = files_of(analysis, made["grower"], "grower")
    secrets = {secret for secret, _ in planted.found(files)}
    assert secrets == {"ondrej", "dorfli", "krumhollow"}
    text = files["grower.html"].decode()
    title = re.search("<title>(.*?)</title>", text)
    assert title is not None and title[1].startswith("My fields, Ondrej &amp; D\u00f6rfli Farms: ")
    assert "This page names Ondrej &amp; D\u00f6rfli Farms and no other grower" in text
    with pytest.raises(DesignError, match=r"3 growers.*--grower.*Amos Quistrup \(A\); Ondrej"):
        readers.grower(analysis)


def test_a_growers_page_calls_the_own_strips_by_their_names(analysis: tk.TrialAnalysis) -> None:
    """Where a name is made of numbers, sides, the own field and name; else it is numbered."""
    letters = letters_of(analysis.trial, "grower", {"grower": OWN})
    kept, turned, vexley, amos = planted.OWN_STRIPS
    told = [letters.strip(name) for name in planted.OWN_STRIPS]
    assert told == [kept, turned, "B-3", "B-4"]
    assert letters.strip(planted.STRIP.format(0)) == "A-1"
    listed = f"Strips {kept}, {turned}, {vexley}, {amos} and {planted.STRIP.format(0)}."
    for text in (letters.text, letters.user_text):
        assert text(listed) == f"Strips {kept}, {turned}, B-3, B-4 and A-1."
    assert Letters(analysis.trial).strip(kept) == "B-1"


def test_no_table_names_anyone(analysis: tk.TrialAnalysis, tmp_path: Path) -> None:
    assert planted.found(planted.exported(analysis, tmp_path / "out")) == []
    own = tables(analysis)["by_strip"]
    assert own["strip"].is_unique is False and set(own["strip"].str[:2]) == {"A-", "B-", "C-"}
    one = own[own["response"] == "header_loss"]
    assert one["strip"].is_unique and set(one["pair"].str[2:]) == {"1", "2"}
    letters = "Field " + one["strip"].str[0]
    assert (letters == one["field"]).all()


def test_numbers_stay_as_they_were(analysis: tk.TrialAnalysis) -> None:
    """Striking names changes no number: agreed to, the same tables hold the same ones."""
    free = replace(analysis.trial.config, growers_agreed=True)
    agreed = tables(replace(analysis, trial=replace(analysis.trial, config=free)))
    for name, table in tables(analysis).items():
        numbers = table.select_dtypes("number")
        pd.testing.assert_frame_equal(numbers, agreed[name][numbers.columns], obj=name)
    assert set(agreed["by_strip"]["strip"]) == set(analysis.trial.used.strips["strip"])


def test_the_terminal_names_no_one_but_asks_for_other_names(folder: Path) -> None:
    """The header's page by the command itself; what is said of names is for the researcher."""
    out = folder.parent / "out"
    result = CliRunner().invoke(app, ["header", str(folder), "--pdf", "--out", str(out)])
    assert result.exit_code == 1, result.output
    assert sorted(path.name for path in out.iterdir()) == ["header.html", "header.pdf"]
    assert planted.found({path.name: path.read_bytes() for path in out.iterdir()}) == []
    told = " ".join(result.stderr.split())
    assert "'80' is a number or a word that the report needs" in told


def test_compared_trials_name_no_one(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("Quistrup 2024", "zebulon_2025"):
        shutil.copytree(folder, tmp_path / "all" / name)
    strips = tmp_path / "all" / "zebulon_2025" / "strips.csv"
    text = strips.read_text(encoding="utf-8")
    strips.write_text(text.replace("QXW", "QXW-b"), encoding="utf-8")
    for table in (tmp_path / "all" / "zebulon_2025").glob("*.csv"):
        if table != strips:
            text = table.read_text(encoding="utf-8")
            table.write_text(text.replace("QXW", "QXW-b"), encoding="utf-8")
    out = tmp_path / "out"
    result = CliRunner().invoke(app, ["compare", str(tmp_path / "all"), "--out", str(out)])
    assert result.exit_code == 0, result.output
    files = {path.name: path.read_bytes() for path in out.iterdir()}
    assert planted.found({**files, "terminal.txt": result.stdout.encode()}) == []
    monkeypatch.setattr(seasons_readers, "ALSO", ())
    page = CliRunner().invoke(app, ["report", str(tmp_path / "all"), "--for", "researcher", "--pdf",
                                    "--out", str(tmp_path / "page")])  # fmt: skip
    assert page.exit_code == 0, page.output
    files = {path.name: path.read_bytes() for path in (tmp_path / "page").iterdir()}
    assert len(files) == 2 and planted.found({**files, "terminal.txt": page.stdout.encode()}) == []


def titled(folder: Path, title: str, field: str) -> Letters:
    trial = tk.load_trial(folder)
    fields = trial.fields.assign(field=trial.fields["field"].replace("Krumhollow", field))
    config = replace(trial.config, title=title)
    return Letters(replace(trial, fields=fields, config=config))


@pytest.mark.parametrize(
    ("field", "title", "shown", "remarks"),
    [
        ("North forty", "Forty acres", "Field B acres", ["80"]),
        ("North forty", "North end", "Strip trial", ["80", "title holds"]),
        ("Narrow", "Narrow plates", "Narrow plates", ["'Narrow' is also a word", "80"]),
        ("Home 80", "Plates at home", "Strip trial", ["80", "80", "title holds"]),
        ("Field 7", "Of 7 fields", "Of 7 fields", ["80"]),
    ],
)
def test_names_that_are_other_words_too(
    folder: Path, field: str, title: str, shown: str, remarks: list[str]
) -> None:
    """What a report needs elsewhere stands; the terminal asks for another name."""
    letters = titled(folder, title, field)
    assert letters.title == shown
    assert len(letters.remarks) == len(remarks)
    assert all(what in told for what, told in zip(remarks, letters.remarks, strict=True))
    sentence = "Narrow gaps lost 80 kernels fewer than usual ones, 7 of 9 fields say."
    assert letters.text(sentence) == sentence
