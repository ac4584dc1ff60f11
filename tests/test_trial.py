"""The trial as users meet it: what it unlocks, how it shows, and what makes it unusable."""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd
import pytest
import sound_trial

from trialkit.errors import TrialError
from trialkit.trial import Trial, load_trial

SETTINGS = sound_trial.SETTINGS.replace(
    "Chains at the home farm", "Chains <script>alert(1)</script>"
).replace("levels", 'label = "Chain"\nlevels')
STRIPS = "strip,field,pair,cushion\n" + "".join(
    f"{pair}{level[0]},North,{pair},{level}\n"
    for pair in (1, 2)
    for level in ("standard", "cushion")
)
FRAMES = "frame,strip,zone,area,loose_kernels\n" + "".join(
    f"1,{strip},header,10,{n}\n"
    for strip, n in zip(("1s", "1c", "2s", "2c"), (24, 9, 20, 11), strict=True)
)
GRAIN = "strip,sample,kernels_examined,kernels_damaged\n1s,1,100,4\n"


def folder(path: Path, settings: str = SETTINGS, **tables: str) -> Path:
    for name, text in {"strips": STRIPS, "frames": FRAMES, **tables}.items():
        (path / f"{name}.csv").write_text(text)
    (path / "trial.toml").write_text(settings)
    return path


def unlocked(trial: Trial) -> dict[str, bool]:
    return trial.unlocks().set_index("part")["unlocked"].to_dict()


def reason(trial: Trial, part: str) -> str:
    return trial.unlocks().set_index("part").loc[part, "reason"]


def test_losses_of_a_trial(tmp_path: Path) -> None:
    losses = load_trial(folder(tmp_path)).losses()
    # 24 loose kernels in 10 ft2 at the usual 335 g per 1000 kernels, 25,401,173 / 335 = 75,824 a
    # bushel: 2.4 x 43,560 / 75,824 = 1.3788 bu/ac. 270 g make 19 % less, 379 g 13 % more.
    assert losses.frames["bu_ac"].iloc[0] == pytest.approx(1.3788, abs=5e-5)
    told = [note for note in losses.notes if "thousand-kernel mass" in note]
    assert len(told) == 1 and "335 g was taken" in told[0]
    assert "19 % less or 13 % more" in told[0]
    settings = f"{SETTINGS}\n[grain]\nthousand_kernel_mass = 300\n"
    own = load_trial(folder(tmp_path, settings)).losses()
    # 84,671 a bushel: 2.4 x 43,560 / 84,671 = 1.2347 bu/ac.
    assert own.frames["bu_ac"].iloc[0] == pytest.approx(1.2347, abs=5e-5)
    assert not [note for note in own.notes if "thousand-kernel mass" in note]


def test_what_the_data_unlock(tmp_path: Path) -> None:
    trial = load_trial(folder(tmp_path))
    parts = unlocked(trial)
    assert [part for part, is_unlocked in parts.items() if is_unlocked] == [
        "comparison of setups",
        "header loss",
    ]
    assert "standing loss cannot be taken off" in reason(trial, "header loss")
    assert reason(trial, "kernel damage") == "there is no table grain"
    settings = SETTINGS + (
        '[prices]\ngrain = 4\n[option]\nfactor = "cushion"\nlevel = "cushion"\ncost = 6000\n'
        "life_years = 10\ninterest = 0.08\narea_per_year = 500\n"
    )
    more = FRAMES + "1,1s,total,10,30\n2,1s,preharvest,10,1\n"
    strips = STRIPS.replace("cushion\n", "cushion,moisture\n", 1).replace(
        "standard\n", "standard,18\n"
    )
    trial = load_trial(folder(tmp_path, settings, frames=more, grain=GRAIN, strips=strips))
    parts = unlocked(trial)
    for part in ("processing loss", "kernel damage", "moisture as a covariate",
                 "value of the loss", "payback of an option"):  # fmt: skip
        assert parts[part], part
    assert not parts["share of yield"]
    assert reason(trial, "share of yield") == "table strips has no value in column yield"


def test_stalks_without_a_header_to_check_are_said(tmp_path: Path) -> None:
    trial = load_trial(folder(tmp_path, stalks="field,diameter\nNorth,0.9\nNorth,0.8\n"))
    assert not unlocked(trial)["stalk diameters"]
    assert reason(trial, "stalk diameters") == "rows kept: 2; they need a table header_check"
    assert "header check" not in unlocked(trial)


def test_every_row_of_a_table_refused_is_said(tmp_path: Path) -> None:
    trial = load_trial(folder(tmp_path, grain=GRAIN.replace("1s", "9s")))
    assert reason(trial, "kernel damage") == "every row of grain was refused (1)"


@pytest.mark.parametrize(
    ("strips", "says"),
    [
        (STRIPS.replace(",cushion\n", ",standard\n").replace("pair,standard", "pair,cushion"),
         "every strip has the same setup; a comparison needs two"),
        ("".join(STRIPS.splitlines(keepends=True)[:3]),
         "1 pair or block with more than one of them; a comparison with an interval needs two"),
    ],
)  # fmt: skip
def test_design_too_thin_still_loads(tmp_path: Path, strips: str, says: str) -> None:
    trial = load_trial(folder(tmp_path, strips=strips))
    assert not unlocked(trial)["comparison of setups"]
    assert says in reason(trial, "comparison of setups")


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ({"strips": "strip,field,pair,cushion\n"}, ["no strip", "strips.csv holds no data rows"]),
        ({"settings": SETTINGS.replace("standard", "felt").replace('"cushion"]', '"foam"]')},
         ["all 4 rows were refused", "lines 2, 3, 4 and 5, cushion: 'standard', 'cushion'; ",
          "expected: one of", "lost: 4 rows", "--out corrections.xlsx"]),
        ({"frames": FRAMES.replace(",10,", ",0,")},
         ["frames.csv: all 4 rows were refused", "lines 2, 3, 4 and 5, area: '0'"]),
        ({"frames": FRAMES.replace(",24", ",1000000").replace(",9", ",-1").replace(",20", ",x")
          .replace(",11", ",NA")},
         ["10,000 kernels per m2", "lines 3, 4 and 5, loose_kernels: '-1', 'x', 'NA'; expected: a "
          "whole"]),
        ({"frames": ""}, ["frames.csv holds no data rows", "the file is empty"]),
    ],
)  # fmt: skip
def test_unusable_data_says_why(tmp_path: Path, files: dict[str, str], says: list[str]) -> None:
    with pytest.raises(TrialError) as caught:
        load_trial(folder(tmp_path, **files))
    for part in says:
        assert part in str(caught.value)


def test_paths_that_are_no_trial(tmp_path: Path) -> None:
    with pytest.raises(TrialError, match="does not exist"):
        load_trial(tmp_path / "nowhere")
    with pytest.raises(TrialError, match=r"holds no trial\.toml.*trialkit new"):
        load_trial(tmp_path)
    (tmp_path / "t.xlsx").write_bytes(b"")
    with pytest.raises(TrialError, match=r"To read the workbook give .*t\.xlsx"):
        load_trial(tmp_path)
    (tmp_path / "trial.toml").write_text(SETTINGS)
    with pytest.raises(TrialError, match=r"neither a folder nor an \.xlsx"):
        load_trial(tmp_path / "trial.toml")
    with pytest.raises(TrialError, match=r"no strips table.*strip, field, pair, cushion"):
        load_trial(tmp_path)
    (tmp_path / "strips.csv").write_text(STRIPS)
    with pytest.raises(TrialError, match="Add at least one of the tables frames, ears"):
        load_trial(tmp_path)


@pytest.mark.skipif(sys.platform == "win32", reason="file names there ignore capitals")
def test_two_files_for_one_table(tmp_path: Path) -> None:
    (folder(tmp_path) / "Frames.csv").write_text(FRAMES)
    with pytest.raises(TrialError, match=r"Frames\.csv, frames\.csv: keep one"):
        load_trial(tmp_path)


def test_shows_in_a_notebook_with_user_text_escaped(tmp_path: Path) -> None:
    trial = load_trial(folder(tmp_path, frames=FRAMES + "2,1s,<b>header</b>,10,3\n"))
    page = trial._repr_html_()
    assert "<script>" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "&lt;b&gt;header" in page
    assert "1 cause. Lost: 1 of 9 rows." in page
    assert "4 strips, 4 frames; 1 row" in repr(trial)


def test_setups(tmp_path: Path) -> None:
    trial = load_trial(folder(tmp_path))
    assert trial.setup_factors == ("cushion",)
    assert trial.setups.to_dict("list") == {"cushion": ["cushion", "standard"], "strips": [2, 2]}


def test_hash_follows_the_data(tmp_path: Path) -> None:
    first = load_trial(folder(tmp_path)).data_hash()
    assert load_trial(tmp_path).data_hash() == first
    assert len(first) == 64
    changed = load_trial(folder(tmp_path, frames=FRAMES.replace("24", "25")))
    assert changed.data_hash() != first


def test_trial_in_memory(tmp_path: Path) -> None:
    read = load_trial(folder(tmp_path))
    made = Trial.from_tables(read.config, {"strips": read.strips, "frames": read.frames})
    for name, frame in read.tables.items():
        pd.testing.assert_frame_equal(made.tables[name], frame)
    assert made.refused.empty
    assert made.source is None
    shuffled = Trial.from_tables(read.config, {"strips": read.strips[::-1], "frames": read.frames})
    assert made.data_hash() != shuffled.data_hash()
    with pytest.raises(TrialError, match="has no column 'area'"):
        Trial.from_tables(read.config, {"frames": read.frames.drop(columns="area")})
    with pytest.raises(TrialError, match="no table 'frame'"):
        Trial.from_tables(read.config, {"frame": read.frames})
