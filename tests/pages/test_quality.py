"""What was refused is counted, shown once, and escaped."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit.pages.html import html
from trialkit.pages.letters import Letters
from trialkit.pages.parts.data import quality
from trialkit.pages.quality import CAUSES_SHOWN, refused_cells
from trialkit.words import quality as words


def page_part(refused: list[tuple[str, int, str, str, str]]) -> str:
    trial = tk.load_trial(frozen_dir())
    columns = ["file", "line", "column", "value", "expected"]
    table = pd.DataFrame(refused, columns=columns).assign(lost="row", because="")
    read = trial.read.assign(rows_refused=0)
    read.loc[0, "rows_refused"] = table["line"].nunique()
    trial = replace(trial, refused=table, read=read)
    return html(refused_cells(trial, Letters(trial)))


def test_a_clean_trial_says_so() -> None:
    assert "none was refused" in page_part([])


def test_cells_refused_alike_share_a_row() -> None:
    faults = [("frames.csv", i, "loose_kernels", str(-i % 5), "a number") for i in range(2, 146)]
    part = page_part(faults)
    assert part.count("<tr>") == 2
    assert "lines 2, 3, 4 and 141 more" in part
    assert "&#x27;3&#x27;, &#x27;2&#x27;, &#x27;1&#x27; and 2 more" in part
    assert "144 could not be used" in part


def test_rows_that_hang_and_cells_that_are_lost_are_counted() -> None:
    said = words.rows_refused(325, (24, 22, 2), False)
    assert "24 could not be used" in said and "(22 only because the row they belong to" in said
    assert "nor could 2 cells of other rows; nothing else" in said
    assert "none was lost, but 1 cell, for" in words.rows_refused(325, (0, 0, 1), False)


def test_long_and_hostile_values_are_cut_and_escaped() -> None:
    part = page_part([("frames.csv", 2, "area", "<script>" + "x" * 300, "a number")])
    assert "&lt;script&gt;x" in part and "<script>" not in part
    assert max(map(len, re.findall(r">([^<]*)<", part))) < 200


def test_a_workbook_keeps_its_name_to_itself() -> None:
    part = page_part([("Ann Example.XLSM, sheet frames", 7, "strip", "S9",
                       "a strip listed in Ann Example.XLSM, sheet strips")])  # fmt: skip
    assert "sheet frames, line 7" in part and "Example" not in part
    assert "a strip listed in sheet strips" in part


def test_the_table_ends_somewhere() -> None:
    faults = [("frames.csv", i, "area", str(-i), f"a number under {i}") for i in range(2, 300)]
    part = page_part(faults)
    assert part.count("<tr>") == 1 + CAUSES_SHOWN
    assert "trialkit check FOLDER --all" in part


def test_notes_are_withheld_until_growers_agree() -> None:
    part = page_part([("frames.csv", 2, "note", "seen by a neighbour", "a shorter text")])
    assert "neighbour" not in part and "(withheld)" in part


def test_how_the_files_were_read_stands_in_the_researchers_part() -> None:
    """By file; the workbook's own name, fields and initials are struck, markup escaped."""
    trial = tk.load_trial(frozen_dir())
    field = str(trial.strips["field"].iloc[0])
    book = "Ann Example.xlsx, sheet frames"
    read = trial.read.assign(notes="")
    at = read.index[read["table"] == "frames"][0]
    read.loc[at, ["file", "notes"]] = [book, f"pairs with one strip: 3 of {field}\nnot in {book}\n"
                                       "columns kept aside: loose kernel, <b>"]  # fmt: skip
    extra = {"frames": pd.DataFrame({"loose kernel": ["1"], "<b>": ["2"]})}
    trial = replace(trial, read=read, extra=extra)
    page = SimpleNamespace(trial=trial, letters=Letters(trial),
                           analysis=SimpleNamespace(warnings=[]))  # fmt: skip
    part = html(tuple(quality(page)))
    said = part.partition("How the files were read")[2].partition("Missing values")[0]
    assert "Pairs with one strip: 3 of Field A. Not in sheet frames." in said
    assert "Not read: columns loose kernel, &lt;b&gt; of sheet frames" in said
    assert field not in said and "Example" not in said and "kept aside" not in said
