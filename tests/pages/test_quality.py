"""What was refused is counted, shown once, and escaped."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit.pages.html import html
from trialkit.pages.letters import Letters
from trialkit.pages.quality import ROWS_SHOWN, refused_cells


def page_part(refused: list[tuple[str, int, str, str, str]]) -> str:
    trial = tk.load_trial(frozen_dir())
    columns = ["file", "line", "column", "value", "expected"]
    table = pd.DataFrame(refused, columns=columns)
    read = trial.read.assign(rows_refused=0)
    read.loc[0, "rows_refused"] = table["line"].nunique()
    trial = replace(trial, refused=table, read=read)
    return html(refused_cells(trial, Letters(trial)))


def test_a_clean_trial_says_so() -> None:
    assert "none was refused" in page_part([])


def test_cells_refused_alike_share_a_row() -> None:
    fault = ("loose_kernels", "-1", "a whole number")
    part = page_part([("frames.csv", line, *fault) for line in range(2, 146)])
    assert part.count("<tr>") == 2
    assert "lines 2, 3, 4 and 141 more" in part
    assert "144 could not be used" in part


def test_long_and_hostile_values_are_cut_and_escaped() -> None:
    part = page_part([("frames.csv", 2, "area", "<script>" + "x" * 300, "a number")])
    assert "&lt;script&gt;x" in part and "<script>" not in part
    assert max(map(len, re.findall(r">([^<]*)<", part))) < 200


def test_a_workbook_keeps_its_name_to_itself() -> None:
    part = page_part([("Ann Example.xlsx, sheet frames", 7, "area", "-1", "a number")])
    assert "sheet frames, line 7" in part and "Example" not in part


def test_the_table_ends_somewhere() -> None:
    faults = [("frames.csv", i, "area", str(-i), "a number") for i in range(2, 300)]
    part = page_part(faults)
    assert part.count("<tr>") == 1 + ROWS_SHOWN
    assert "trialkit check FOLDER --all" in part


def test_notes_are_withheld_until_growers_agree() -> None:
    part = page_part([("frames.csv", 2, "note", "seen by a neighbour", "a shorter text")])
    assert "neighbour" not in part and "(withheld)" in part
