"""A workbook keeps its plan; rows of the header and growers go into a new trial."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import trialkit as tk
from trialkit import plan as tp
from trialkit.errors import TrialError
from trialkit.intake import HeaderConfig, SetupFactor, TrialConfig, new_trial, new_workbook
from trialkit.intake.read import read_trial
from trialkit.pages.field_paper.source import field_trial
from trialkit.simulate import Effort

CHAIN = SetupFactor("chain", ("plain", "padded"), "plain", "Chain", ("Plain", "Padded"))
EFFORT = Effort(header_frames=2, preharvest_frames=1, total_frames=1)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    config = TrialConfig("Loops", 2026, "US", HeaderConfig(6, 4.572, 4.572), (CHAIN,))
    grounds = [tp.Ground("North", 400.0, grower="Ann  Other"), tp.Ground("South", 400.0)]
    made = tp.plan_trial(config, grounds, blocks=3, seed=4)
    return made.write(tmp_path_factory.mktemp("made") / "trial", EFFORT)


@pytest.fixture(scope="module")
def book(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tp.begin_from(planned, tmp_path_factory.mktemp("book") / "trial.xlsx")


def test_a_workbook_keeps_its_plan(planned: Path, book: Path) -> None:
    folder, kept = tp.read_plan(planned), tp.read_plan(book)
    assert folder is not None and kept is not None
    for name in ("strips", "passes", "order", "changeovers", "degrees_of_freedom"):
        pd.testing.assert_frame_equal(getattr(kept, name), getattr(folder, name))
    for name in ("seed", "layout", "words", "effort"):
        assert getattr(kept, name) == getattr(folder, name)
    assert kept.arguments == folder.arguments
    # The sheet is one of ours, and cards follow the plan.
    assert "plan" not in set(tk.load_trial(book).read["file"])
    assert field_trial(book).plan is not None


def test_a_trial_is_begun_from_a_workbook_as_from_its_folder(
    planned: Path, book: Path, tmp_path: Path
) -> None:
    again = tp.begin_from(book, tmp_path / "again")
    for path in planned.iterdir():
        if path.suffix == ".csv":
            assert (again / path.name).read_bytes() == path.read_bytes(), path.name
    one, other = tp.read_plan(planned), tp.read_plan(again)
    assert one is not None and other is not None and other.arguments == one.arguments
    pd.testing.assert_frame_equal(other.order, one.order)
    trials = [tk.load_trial(path, harvested=False) for path in (again, book)]
    assert trials[0].config == trials[1].config
    with pytest.raises(TrialError, match="nor a sheet 'plan'"):
        tp.begin_from(new_workbook(tmp_path / "new.xlsx"), tmp_path / "other")


def test_a_workbook_without_a_plan_or_with_a_broken_one(book: Path, tmp_path: Path) -> None:
    assert tp.read_plan(new_workbook(tmp_path / "new.xlsx")) is None
    opened = openpyxl.load_workbook(book)
    opened["plan"]["B2"] = "{"
    opened.save(tmp_path / "broken.xlsx")
    with pytest.raises(TrialError, match=r"The sheet plan of .*broken\.xlsx is no plan"):
        tp.read_plan(tmp_path / "broken.xlsx")


@pytest.mark.parametrize("kind", ["planned", "book"])
def test_header_check_has_its_rows(kind: str, request: pytest.FixtureRequest) -> None:
    """They wait until somebody measures, and for nobody until somebody begins."""
    trial = tk.load_trial(request.getfixturevalue(kind))
    row = trial.read.set_index("table").loc["header_check"]
    assert (row["rows_in"], row["rows_not_filled"], row["rows_not_due"]) == (6, 6, 6)
    assert trial.header_check.empty and "header_check" not in trial.to_fill
    assert trial.fields["grower"].iloc[0] == "Ann Other" and trial.fields["grower"].isna().iloc[1]


def test_a_new_trial_has_the_rows_of_its_header(tmp_path: Path) -> None:
    for made in (new_trial(tmp_path / "a"), new_workbook(tmp_path / "b")):
        config = read_trial(made).config
        read = read_trial(made).read.set_index("table").loc["header_check"]
        assert read["rows_in"] == read["rows_not_filled"] == config.header.rows
        with pytest.raises(TrialError, match="is still empty"):
            tk.load_trial(made)
    # Rows of a header that nobody measured are not filled in, though another row of it is.
    folder = tmp_path / "a"
    lines = (folder / "header_check.csv").read_text().splitlines()
    at = [c.split(" ")[0] for c in lines[0].split(",")].index("gap_front")
    cells = lines[1].split(",")
    cells[at] = "1.25"
    (folder / "header_check.csv").write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]))
    kept = tk.load_trial(folder, harvested=False).header_check
    assert kept["gap_front"].tolist() == pytest.approx([31.75])
    read = read_trial(folder).read.set_index("table").loc["header_check"]
    assert (read["rows_kept"], read["rows_not_filled"]) == (1, 7)


def test_grower_of_a_described_field(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(
        'title = "t"\nseason = 2026\nunits = "US"\n[header]\nrows = 8\nwidth = 20\n[[setup]]\n'
        'name = "chain"\nlevels = ["plain", "padded"]\n[[field]]\nname = "N"\nlength = 1320\n'
        'grower = "Ann Other"\n[plan]\nblocks = 2\nseed = 1\n'
    )
    made = tp.read_description(path).plan()
    assert list(made.tables()["fields"]["grower"]) == ["Ann Other"]
    again = tp.begin_from(made.write(tmp_path / "one"), tmp_path / "two")
    assert tp.read_plan(again).arguments["grounds"][0]["grower"] == "Ann Other"  # type: ignore[union-attr]
    assert "N,Ann Other," in (again / "fields.csv").read_text()
