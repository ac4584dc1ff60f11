"""A header checked before harvest, at several speeds, and what to do about what is found."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit.errors import DesignError, ReportError, TrialError
from trialkit.header import HeaderLimits, RowUnit, at_speeds, check_header
from trialkit.header.limits import SOURCES
from trialkit.pages.header_options import header_reports
from trialkit.words import said
from trialkit.words.header_limits import setting, source

INCH, MPH = 25.4, 1.609344


def before_harvest(folder: Path, *tables: str) -> Path:
    folder.mkdir()
    for name in ("trial.toml", *(f"{table}.csv" for table in tables)):
        shutil.copy(frozen_dir("gap_fields") / name, folder)
    return folder


def test_header_check_needs_no_strips(tmp_path: Path) -> None:
    folder = before_harvest(tmp_path / "t", "header_check", "stalks", "frames")
    with pytest.raises(TrialError, match="no strips table"):
        tk.load_trial(folder)
    trial = tk.load_trial(folder, harvested=False)
    assert len(trial.header_check) == 8 and len(trial.stalks) == 160 and trial.frames.empty
    notes = trial.read.set_index("file")["notes"]
    assert notes["frames.csv"] == "not read: there is no strips table it could refer to"
    report, harvested = check_header(trial), check_header(tk.load_trial(frozen_dir("gap_fields")))
    assert report.target == harvested.target and report.first["row"].tolist() == ["6", "3"]
    assert len(report.fields) == 8 and (report.fields["strips"] == 0).all()
    assert np.isnan(report.speed) and report.speeds == ()
    told = check_header(trial, speed=[6.0, 9.0], roll_rpm=900, population=79_000)
    assert (told.speed, told.fastest, told.speeds) == (7.5, 9.0, (6.0, 9.0))
    assert told.summary["feed_row"] == pytest.approx(7.9 * 0.762 * 7.5 / 3.6)
    # Alone with the settings: one ground for all.
    bare = tk.load_trial(before_harvest(tmp_path / "bare", "header_check"), harvested=False)
    alone = check_header(bare, speed=6.0, population=79_000)
    assert alone.fields["feed_row"].tolist() == pytest.approx([7.9 * 0.762 * 6 / 3.6])


def test_planned_strips_without_counts(tmp_path: Path) -> None:
    folder = before_harvest(tmp_path / "t", "strips", "fields", "header_check")
    with pytest.raises(TrialError, match="no row of a response table"):
        tk.load_trial(folder)
    report = check_header(tk.load_trial(folder, harvested=False))
    assert report.fields["strips"].sum() == 72 and len(report.speeds) == 1


def test_two_headers_before_any_strip_names_one() -> None:
    """Plants a second are told for both, as for one header: 7.9 plants/m2 on 0.762 m at 6 km/h."""
    trial = tk.load_trial(frozen_dir())
    both = pd.concat([trial.header_check.assign(header=name) for name in ("A", "B")])
    planned = replace(trial, header_check=both, strips=trial.strips.assign(header=None))
    for name in ("A", "B"):
        report = check_header(planned, name, speed=6.0, population=79_000)
        assert report.summary["feed_row"] == pytest.approx(7.9 * 0.762 * 6 / 3.6)
        assert any("no strip names this header" in note for note in said(report.notes))


def test_speeds_by_hand() -> None:
    """900 1/min on 100 mm pull 4.712 m/s; 900 mm of stalk at 8 km/h are 424.4 mm of roll."""
    trial = tk.load_trial(frozen_dir())
    left = [0, 60, 20, 100, 0, 0, 0, np.nan]
    right = [0, 0, 90, 100, 0, 0, 0, np.nan]  # of a pair the roll worn farther decides
    wear = trial.header_check.assign(roll_left_wear_length=left, roll_right_wear_length=right)
    unit = RowUnit(roll_length=500, roll_diameter=100, pulled_length=900, chain_speed=2.5)
    report = check_header(replace(trial, header_check=wear), unit=unit)
    at = at_speeds(report, [9.5, 7.5, 8.0, 9.42])
    assert at["speed"].tolist() == [7.5, 8.0, 9.42, 9.5]
    assert at["pull_through"].tolist() == pytest.approx([397.9, 424.4, 499.75, 504.0], abs=0.05)
    assert at["pulling"].tolist() == [
        "every", "some", "some", "not new"
    ]  # fmt: skip
    assert at["rows_short"].tolist()[:3] == [[], ["3", "4"], ["2", "3", "4"]]
    # 32,000 plants/ac in 30-in rows at 8 km/h; eight rows on 20 ft at 70 %.
    assert at["feed_row"].iloc[1] == pytest.approx(32_000 / 43_560 * 2.5 * 8 / MPH * 5280 / 3600)
    assert at["feed_header"].iloc[1] == pytest.approx(8 * at["feed_row"].iloc[1])
    assert at["capacity"].iloc[1] == pytest.approx(8 * 20 * 0.3048 * 0.7 / 10)
    assert at["chain_ratio"].iloc[1] == pytest.approx(2.5 * 3.6 / 8)
    every = replace(trial, header_check=wear.assign(roll_left_wear_length=90.0))
    worn = check_header(every, unit=unit)
    assert at_speeds(worn, [8.0])["pulling"].tolist() == ["new only"]
    no_rolls = check_header(replace(trial, strips=trial.strips.assign(roll_rpm=np.nan)))
    assert at_speeds(no_rolls, [8.0])["pulling"].tolist() == ["not known"]


def test_list_says_what_to_do_and_why() -> None:
    trial = tk.load_trial(frozen_dir())
    report = check_header(trial)
    first, second = report.items
    assert (first.label, second.label) == ("Row 6", "Row 3")
    assert (first.rank, second.rank) == (1, 2) and first.grade == "repair"
    assert "crooked" in said(first.found)[0] and "seat the plates" in said(first.do)[0]
    assert "set the gap to 1-1/4 in at the front and 1-3/8 in at the rear" in said(first.do)
    assert "butt of the ear" in said(first.why)[0] and "guides" in said(second.do)[0]
    once = report.repairs["share_removed"].iloc[0]
    left = np.var(report.gaps_after, ddof=1) / report.rows["gap"].var()
    assert report.plates_out == (5,) and once == pytest.approx(1 - left)
    assert not check_header(trial, limits=HeaderLimits(
        guide_clearance=50, crooked=50, own_gap=50, taper_off=50
    )).items  # fmt: skip


def test_every_setting_has_its_source() -> None:
    settings = [*HeaderLimits.__dataclass_fields__, *RowUnit.__dataclass_fields__]
    assert list(SOURCES) == settings
    told = {name: source(about.source) for name, about in SOURCES.items()}
    assert all(told.values()) and all(map(setting, SOURCES))
    # No published figure is known for these, so the page may not credit anyone with them.
    unsupported = """guide_clearance crooked own_gap stalk_percentile cushion roll_worn chain_ratio
                     feed_rule taper_off roll_pair"""
    assert {told[name] for name in unsupported.split()} == {"common practice"}
    # A maker gives these for its own header.
    makers = "plate_edge flute_pair roll_clearance chain_slack chain_stretch"
    assert {told[name] for name in makers.split()} == {
        "no published figure: the operator's manual comes first"
    }
    assert "operator's manual" in told["flute"]
    plausible = "plausible, no published figure: measure it"
    assert {told[name] for name in ("roll_length", "pulled_length")} == {plausible}
    # "12 to 15 plants a second" and "15 to 18 mph" are a maker's words, so no source of a limit.
    assert not any(n in str(told.values()) for n in ("12 to 15", "15 to 18", "12-15", "15-18"))


def test_options_are_in_the_trials_own_units() -> None:
    trial = tk.load_trial(frozen_dir())
    (us,) = header_reports(trial, speeds=[5], roll_length=18, chain_speed=5, population=30_000)
    assert us.speeds == pytest.approx((5 * MPH,)) and us.unit.roll_length == 18 * INCH
    assert us.unit.chain_speed == pytest.approx(5 * 0.44704)
    metric = replace(trial, config=replace(trial.config, units="SI"))
    (si,) = header_reports(metric, speeds=[8], roll_length=457.2)
    assert si.speeds == (8.0,) and si.unit.roll_length == us.unit.roll_length
    for wrong in ({"speeds": [0]}, {"efficiency": 1.2}, {"roll_rpm": -1}, {"roll_length": -2}):
        with pytest.raises(ReportError):
            header_reports(trial, **wrong)
    with pytest.raises(DesignError, match=r"header_check\.csv\), one row per row unit"):
        header_reports(replace(trial, header_check=trial.header_check.head(0)))
