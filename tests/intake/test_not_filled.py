"""Rows whose names are there and in which nothing is measured yet: counted, never refused."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS
from hypothesis import given, settings
from hypothesis import strategies as st
from sound_trial import FRAMES, SETTINGS, STRIPS, Make

import trialkit as tk
from trialkit.errors import DesignError, TrialkitError
from trialkit.intake import HeaderConfig, SetupFactor, TrialConfig, read_trial
from trialkit.intake.write import csv_text
from trialkit.pages.html import html
from trialkit.pages.letters import Letters
from trialkit.pages.quality import refused_cells
from trialkit.plan import Ground, plan_trial
from trialkit.simulate import Effort
from trialkit.simulate.tables import draw_tables

# Header, a filled row and a blank one of each table; `{0}` makes the key.
ROWS = {
    "frames": ("frame,strip,zone,area,loose_kernels,note", "{0},S1,header,10,{0},",
               "b{0},S2,header,10,,"),
    "ears": ("strip,zone,area,ears,kernel_mass_per_ear,note", "S1,header,400,{0},0.3,",
             "S2,header,400, ,,wet"),
    "grain": ("strip,sample,kernels_examined,kernels_damaged,sample_mass,sieve_mass,foreign_mass",
              "S1,{0},200,{0},,,", "S2,b{0},,,,,"),
    "residue": ("strip,sample,sample_mass,residue_mass,score", "S3,{0},,,2", "S3,b{0},,,"),
}  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_blank_rows_change_nothing_but_their_count(data: st.DataObject) -> None:
    """Filled and blank rows in any order read as the filled rows alone."""
    mixed, alone, blanks = {}, {"frames": FRAMES}, {}
    for name, (head, filled, blank) in ROWS.items():
        kinds = data.draw(st.lists(st.booleans(), max_size=12), label=name)
        lines = [(filled if kind else blank).format(i) for i, kind in enumerate(kinds)]
        mixed[name] = "\n".join([head, *lines, ""])
        kept = [line for line, kind in zip(lines, kinds, strict=True) if kind]
        alone[name] = "\n".join([head, *kept, ""])
        blanks[name] = (len(kinds), len(kept), 0, len(kinds) - len(kept))
    read = []
    for tables in (mixed, alone):
        with tempfile.TemporaryDirectory() as folder:
            for name, text in {"trial.toml": SETTINGS, "strips.csv": STRIPS}.items():
                (Path(folder) / name).write_text(text)
            for name, text in tables.items():
                (Path(folder) / f"{name}.csv").write_text(text)
            read.append(read_trial(folder))
    counts = read[0].read.set_index("table")
    for name, counted in blanks.items():
        pd.testing.assert_frame_equal(read[0].tables[name], read[1].tables[name])
        columns = ["rows_in", "rows_kept", "rows_refused", "rows_not_filled"]
        assert tuple(counts.loc[name, columns]) == counted
    assert read[0].refused.empty
    assert (read[1].read["rows_not_filled"] == 0).all()


@pytest.mark.parametrize(
    ("row", "column"),
    [("b,S9,header,10,,", "strip"), ("b,S1,header,,,", "area"), ("b,S1,side,10,,", "zone"),
     (",S1,header,10,,", "frame"), ("b,S1,header,10,-,", "loose_kernels")],
)  # fmt: skip
def test_a_blank_row_at_fault_is_refused(trial_folder: Make, row: str, column: str) -> None:
    """Of a strip that is not, without its area, or with a sign where the count belongs."""
    intake = read_trial(trial_folder(frames=f"{FRAMES}{row}\n"))
    frames = intake.read.set_index("table").loc["frames"]
    assert (frames["rows_kept"], frames["rows_refused"], frames["rows_not_filled"]) == (4, 1, 0)
    assert intake.refused["column"].tolist() == [column]


def test_a_count_beside_its_blank_row_stands(trial_folder: Make) -> None:
    """Counts added below the sheet's own blank row are no second reading of it."""
    intake = read_trial(trial_folder(frames=f"{FRAMES}1,S1,header,10,,\n"))
    assert intake.refused.empty and len(intake.tables["frames"]) == 4


def test_from_the_plan_to_the_analysis(tmp_path: Path) -> None:
    """Planned, half counted, read and analysed: the analysis is that of what is counted, and what
    is not is told in numbers."""
    factor = SetupFactor("cushion", ("standard", "cushion"), "standard", hard_to_change=True)
    config = TrialConfig("Chain", 2026, "US", HeaderConfig(8, 6.096, 6.096), (factor,))
    effort = Effort()
    plan = plan_trial(config, Ground("North", 400.0), seed=11)
    folder = plan.write(tmp_path / "trial", effort)
    untouched = tk.load_trial(folder)
    assert untouched.refused.empty and untouched.frames.empty
    told = "all 144 rows in frames; all 24 rows in ears; all 24 rows in grain; all 12 rows in res"
    assert told in untouched.to_fill
    assert untouched.to_fill in untouched._repr_html_()
    with pytest.raises(DesignError, match=r"Not filled in yet.*all 144 rows in frames"):
        tk.analyse(untouched)
    with pytest.raises(TrialkitError, match=r"trial: there are no frames.*Not filled in yet"):
        tk.compare(tmp_path)

    drawn = draw_tables(config, CUSHION_PAIRS.truth, effort, untouched.strips, untouched.fields,
                        np.random.Generator(np.random.PCG64(5)))  # fmt: skip
    counted = drawn["strips"]["pair"].isin(["1", "2", "3", "4"])
    done = drawn["frames"]["strip"].isin(drawn["strips"].loc[counted, "strip"])
    frames = drawn["frames"].assign(loose_kernels=drawn["frames"]["loose_kernels"].where(done))
    (folder / "frames.csv").write_text(csv_text(frames, "frames", config))
    half = tk.load_trial(folder)
    assert half.refused.empty and len(half.frames) == 96
    row = half.read.set_index("table").loc["frames"]
    assert (row["rows_in"], row["rows_kept"], row["rows_not_filled"]) == (144, 96, 48)
    assert "48 of 144 rows in frames" in half.to_fill
    assert repr(half).endswith("0 rows refused, 108 rows not filled in yet)")
    assert half.to_fill in html(refused_cells(half, Letters(half)))

    only = {"strips": half.strips, "fields": half.fields, "frames": drawn["frames"][done]}
    alone = tk.analyse(tk.Trial.from_tables(config, only), responses=["header_loss"])
    found = tk.analyse(half, responses=["header_loss"])
    pd.testing.assert_frame_equal(
        found["header_loss"].contrasts, alone["header_loss"].contrasts, rtol=1e-6
    )
