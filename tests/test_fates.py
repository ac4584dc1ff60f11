"""Strips that their users left out: read, left out in one place, counted, told; names withheld."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit.errors import DesignError
from trialkit.pages.elements import Sentence, Table, tables
from trialkit.pages.export import nameless
from trialkit.pages.html import html
from trialkit.pages.letters import WITHHELD, Letters
from trialkit.pages.notes import field_notes
from trialkit.pages.run.as_run import AsRun
from trialkit.pages.run.left_out import left_out_by_setup
from trialkit.responses.fate import ALIASES, DAMAGED, FATES, HARVESTED, NOT_HARVESTED, SPOILT

ONE = ["header_loss"]


def marked(folder: Path, *changes: tuple[int, str, str], blank: tuple[int, ...] = ()) -> tk.Trial:
    """A trial from disk whose strips have these cells; frames of the strips `blank` are blank."""
    shutil.copytree(frozen_dir(), folder)
    strips = pd.read_csv(folder / "strips.csv", dtype=str)
    for row, column, text in changes:
        if column not in strips:
            strips[column] = ""
        strips.loc[row, column] = text
    strips.to_csv(folder / "strips.csv", index=False)
    frames = pd.read_csv(folder / "frames.csv", dtype=str)
    counted = [c for c in frames if c.startswith(("loose_kernels", "kernels_on_cobs"))]
    frames.loc[frames["strip"].isin(strips["strip"].iloc[list(blank)]), counted] = ""
    frames.to_csv(folder / "frames.csv", index=False)
    return tk.load_trial(folder)


def without(trial: tk.Trial, gone: list[str], of: str = "") -> tk.Trial:
    """The trial less every row of these strips, from all tables or all but one."""
    kept = {
        name: table[~table["strip"].isin(gone)].reset_index(drop=True)
        if "strip" in table and name != of else table
        for name, table in trial.tables.items()
    }  # fmt: skip
    return tk.Trial.from_tables(trial.config, kept)


def test_what_people_write_for_a_status(tmp_path: Path) -> None:
    for alias, fate in ALIASES:
        assert alias == alias.casefold() and fate in FATES
    told = ("Not Harvested", "not cut", "DAMAGED", "count spoiled", "ok", "")
    trial = marked(tmp_path / "a", *((i, "status", text) for i, text in enumerate(told)))
    read = trial.strips["status"].fillna("").iloc[: len(told)]
    assert list(read) == [NOT_HARVESTED, NOT_HARVESTED, DAMAGED, SPOILT, HARVESTED, ""]


def test_without_a_status_nothing_changes() -> None:
    trial = tk.load_trial(frozen_dir())
    assert trial.used is trial
    assert left_out_by_setup(trial, Letters(trial)) == ()


def test_a_strip_left_out_takes_no_part(tmp_path: Path) -> None:
    """The answer is that of a trial that never had the strip (or, spoilt, its counts)."""
    plain = tk.load_trial(frozen_dir())
    names = list(plain.strips["strip"])
    trial = marked(
        tmp_path / "a", (0, "status", "not harvested"), (3, "status", "damaged"),
        (6, "status", "spoilt count"),
    )  # fmt: skip
    own = tk.analyse(trial, responses=[*ONE, "yield"])
    less = without(without(plain, [names[0], names[3]]), [names[6]], of="strips")
    other = tk.analyse(less, responses=list(own.responses))
    for name, result in own.responses.items():
        pd.testing.assert_frame_equal(result.contrasts, other[name].contrasts)
    pd.testing.assert_frame_equal(own.losses.strips, other.losses.strips)
    pd.testing.assert_frame_equal(trial.losses().strips, other.losses.strips)
    assert set(trial.used.strips["strip"]) == set(names) - {names[0], names[3]}
    assert names[6] not in set(trial.used.frames["strip"]) and len(trial.strips) == len(names)
    assert any(
        f"3 of {len(names)} strips are left out: 1 not harvested and 1 damaged, in everything; "
        "1 spoilt count" in w
        for w in own.warnings
    )


def test_all_left_out_ends_in_a_sentence(tmp_path: Path) -> None:
    n = len(tk.load_trial(frozen_dir()).strips)
    trial = marked(tmp_path / "a", *((i, "status", "damaged") for i in range(n)))
    with pytest.raises(DesignError, match="Every strip is left out by its status"):
        tk.analyse(trial, responses=ONE)


def test_blank_rows_of_a_strip_left_out_wait_for_nobody(tmp_path: Path) -> None:
    trial = marked(tmp_path / "a", (0, "status", "skipped"), blank=(0, 1))
    row = trial.read.set_index("table").loc["frames"]
    assert row["rows_in"] == row["rows_kept"] + row["rows_refused"] + row["rows_not_filled"]
    assert 0 < row["rows_not_due"] == row["rows_not_filled"] / 2
    assert f"{row['rows_not_due']} of {row['rows_in']} rows in frames" in trial.to_fill
    alone = marked(tmp_path / "b", (0, "status", "skipped"), blank=(0,))
    assert alone.to_fill == ""


def test_words_that_do_not_go_together_are_noted(tmp_path: Path) -> None:
    trial = marked(tmp_path / "a", (0, "status", "not run"), (2, "reason", "hail"))
    notes = trial.read.set_index("table").loc["strips", "notes"]
    first, third = trial.strips["strip"].iloc[[0, 2]]
    assert f"status of strip {first} is not harvested, yet something was measured" in notes
    assert f"a reason but no status on strip {third}" in notes


def test_told_by_setup_with_reasons(tmp_path: Path) -> None:
    plain = tk.load_trial(frozen_dir())
    factor = plain.config.setups[0]
    level = factor.levels[0]
    rows = [i for i, v in enumerate(plain.strips[factor.name]) if v == level][:2]
    trial = marked(
        tmp_path / "a", (rows[0], "reason", "wheel track"),
        *((i, "status", "damaged") for i in rows),
    )  # fmt: skip
    letters = Letters(trial)
    told = left_out_by_setup(trial, letters)
    text = " ".join(str(e.words) for e in told if isinstance(e, Sentence))
    assert f"all of them with {factor.level_labels[0]}" in text
    assert "do not tell whether a setup had to do with that" in text
    (made,) = tables(told)
    assert isinstance(made, Table) and made.head == ("setup", "strips", DAMAGED, "left in full")
    for cells in made.rows:
        strips, gone, left = map(int, cells[1:])
        assert strips - gone == left
    assert sum(int(cells[2]) for cells in made.rows) == 2
    assert "damaged: wheel track" in html(told) and "no reason given" in html(told)
    run = AsRun(trial, letters).setups()
    assert sum(int(cells[1]) for cells in run.rows[:2]) == len(trial.strips) - 2


def test_initials_stay_and_notes_are_shown(tmp_path: Path) -> None:
    trial = marked(
        tmp_path / "a", (0, "counted_by", "JKL"), (1, "written_by", "Quillan"),
        (2, "note", "JKL and Quillan lost frame H2; jackal seen"), (3, "status", "damaged"),
        (3, "reason", "Quillan drove over it"),
    )  # fmt: skip
    assert not trial.config.growers_agreed
    letters = Letters(trial)
    shown = html((*field_notes(trial, letters), *left_out_by_setup(trial, letters)))
    assert "lost frame H2; jackal seen" in shown and WITHHELD in shown
    assert "JKL" not in shown and "Quillan" not in shown
    out = nameless(trial.strips, letters).to_csv()
    assert "JKL" not in out and "Quillan" not in out
    assert letters.cell("counted_by", "JKL") == WITHHELD
