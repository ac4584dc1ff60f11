"""Tables that leave the program: complete, without names, and nothing a spreadsheet would run."""

from __future__ import annotations

import io
import re
import shutil
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from frozen_trials import frozen_dir
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.errors import FileExistsRefusal
from trialkit.pages.export import csv_bytes, tables, workbook_bytes, write_tables
from trialkit.pages.summary import summary


@pytest.fixture(scope="module")
def analysis(analysed):
    return analysed("gap_fields")


def test_tables_hold_every_number_and_no_name(analysis, tmp_path: Path) -> None:
    before = {name: r.contrasts.copy() for name, r in analysis.responses.items()}
    named = tables(analysis)
    folder = write_tables(analysis, tmp_path / "out")
    for name, result in analysis.responses.items():
        pd.testing.assert_frame_equal(result.contrasts, before[name])  # nothing was changed
        own = named["contrasts"].query("response == @name")
        assert own["difference"].tolist() == result.contrasts["difference"].tolist()
    fields = [str(v) for v in analysis.trial.fields["field"]]
    written = [path.read_text("utf-8-sig") for path in folder.glob("*.csv")]
    assert len(written) == len(named)
    assert not any(re.search(rf"\b{re.escape(f)}\b", text) for f in fields for text in written)
    back = pd.read_csv(folder / "contrasts.csv")
    assert back["p"].to_numpy() == pytest.approx(named["contrasts"]["p"].to_numpy(), rel=1e-12)
    assert set(openpyxl.load_workbook(folder / "analysis.xlsx").sheetnames) == set(named)
    with pytest.raises(FileExistsRefusal):
        write_tables(analysis, folder)


def test_no_cell_is_a_formula() -> None:
    hostile = pd.DataFrame({"label": ["=1+1", "@sum", "+2", "gap"], "value": [-1.0, 2.0, 3.0, 4.0]})
    sheet = openpyxl.load_workbook(io.BytesIO(workbook_bytes({"t": hostile})))["t"]
    assert [cell.data_type for cell in sheet["A"]] == ["s"] * 5
    text = csv_bytes(hostile).decode("utf-8-sig").splitlines()
    assert text == ["label,value", "'=1+1,-1.0", "'@sum,2.0", "'+2,3.0", "gap,4.0"]


def test_summary_has_every_comparison_in_the_trials_units(analysis) -> None:
    table = summary(analysis)
    assert len(table) == len(analysis.comparisons)
    row = table[table["response"].eq("Header loss") & table["comparison"].str.startswith("Wide")]
    own = analysis["header_loss"].contrasts.query("level == 'wide'").iloc[0]
    assert row["difference"].iloc[0].startswith(f"{own['difference_bu_ac']:.2f} bu/ac more (")
    assert row["in per cent"].iloc[0].startswith(f"{100 * (own['ratio'] - 1):.0f} % more (")
    yields = table[table["response"].eq("Yield")]
    assert (yields["in per cent"] == "").all()
    assert table[table["response"].eq("Test weight")]["difference"].str.contains("lb/bu").all()


def test_the_command_writes_them(tmp_path: Path) -> None:
    trial = tmp_path / "trial"
    shutil.copytree(frozen_dir("cushion_pairs"), trial)
    frames = trial / "frames.csv"
    frames.write_text(frames.read_text().replace("H3,Long Bottom-01,header,10,22",
                                                 "H3,Long Bottom-01,header,10,90"))  # fmt: skip
    result = CliRunner().invoke(app, ["analyse", str(trial), "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    assert "Cushioned" in result.stdout and "good" in result.stdout
    assert (tmp_path / "out" / "analysis.xlsx").is_file()
    # Whose trial it is reads the terminal: strips have their names there, and none in the tables.
    assert "Strip Long Bottom-01 (pair" in " ".join(result.stdout.split())
    assert "Long Bottom" not in (tmp_path / "out" / "by_strip.csv").read_text()
    again = CliRunner().invoke(app, ["analyse", str(trial), "--out", str(tmp_path / "out")])
    assert again.exit_code == 2
    assert "Traceback" not in again.output
