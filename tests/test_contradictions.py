"""What contradicts itself in a trial's tables: found where it is, and nowhere else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frozen_trials import frozen_dir
from scipy import stats
from typer.testing import CliRunner

from trialkit.analysis import analyse
from trialkit.analysis.family import comparisons
from trialkit.cli import app
from trialkit.contradictions import contradictions, far_counts, first_lines, lost_strips
from trialkit.contradictions.areas import far_areas
from trialkit.contradictions.lost import _unequal
from trialkit.contradictions.names import near_name
from trialkit.facts import Grade
from trialkit.intake import write_trial
from trialkit.intake.config import SetupFactor
from trialkit.trial import Trial, load_trial
from trialkit.words import said

MPH = 1.609344


@pytest.fixture(scope="module")
def pairs() -> Trial:
    return load_trial(frozen_dir("cushion_pairs"))


def told(trial: Trial) -> str:
    return "\n".join(said(contradictions(trial)))


def with_strips(trial: Trial, at: list[int], **values: object) -> Trial:
    strips = trial.strips.copy()
    for column, value in values.items():
        strips.loc[strips.index[at], column] = value
    return trial.with_tables(strips=strips)


def test_a_sound_trial_has_none(pairs: Trial) -> None:
    assert contradictions(pairs) == ()
    assert contradictions(with_strips(pairs, [2], cushion=None)) == ()  # a setup not recorded


# ---------------------------------------------------------------- speeds, gaps, days
def by_level(trial: Trial, name: str, levels: tuple[str, str], unit: str) -> Trial:
    """The trial with its chain replaced by a factor with numbers."""
    own = SetupFactor(name=name, levels=levels, reference=levels[0], unit=unit)
    strips = trial.strips.rename(columns={"cushion": name})
    strips[name] = strips[name].astype(str).map(dict(zip(("standard", "cushion"), levels,
                                                         strict=True)))  # fmt: skip
    config = replace(trial.config, setups=(own,), option=None)
    return Trial.from_tables(config, {**trial.tables, "strips": strips})


def test_speed_set_that_is_not_the_setups(pairs: Trial) -> None:
    trial = by_level(pairs, "speed", ("3.5", "5"), "mph")
    speeds = trial.strips["speed"].astype(str).astype(float) * MPH
    trial = trial.with_tables(
        strips=trial.strips.assign(speed_set=speeds, speed_measured=speeds * 1.03)
    )
    assert told(trial) == ""
    at = int(np.flatnonzero(trial.strips["speed"].astype(str) == "3.5")[1])
    name = trial.strips["strip"].iloc[at]
    wrong = with_strips(trial, [at], speed_set=5.0 * MPH, speed_measured=5.1 * MPH)
    (text,) = said(contradictions(wrong))
    assert "3.5 mph, but the speed set is 5.0 mph on strip " + name in text
    # A speed a little off its own level but not near another's is no other setup.
    assert told(with_strips(trial, [at], speed_set=3.7 * MPH, speed_measured=3.7 * MPH)) == ""


def test_measured_speed_far_from_set_by_the_stated_rule(pairs: Trial) -> None:
    strips = pairs.strips
    assert (strips["speed_set"].round(3) == round(4.5 * MPH, 3)).all()
    # 15 % of 4.5 mph is 0.675 mph, which is more than 0.5 mph.
    assert told(with_strips(pairs, [3], speed_measured=5.15 * MPH)) == ""
    text = told(with_strips(pairs, [3], speed_measured=5.25 * MPH))
    assert "was to be 4.5 mph" in text and "off by more than 15 % and more than 0.5 mph" in text
    assert f"{strips['strip'].iloc[3]} (pair {strips['pair'].iloc[3]} of" in text
    # Each of a few strips has its own speed told.
    two = with_strips(with_strips(pairs, [3], speed_measured=0.6 * MPH), [5],
                      speed_measured=8.0 * MPH)  # fmt: skip
    names = strips["strip"].iloc[[3, 5]]
    assert f"0.6 mph was measured on strip {names.iloc[0]} (" in told(two)
    assert f"8.0 mph on strip {names.iloc[1]} (" in told(two)
    # At a slow speed it is half a mile an hour that counts.
    slow = pairs.with_tables(strips=strips.assign(speed_set=2.0 * MPH, speed_measured=2.4 * MPH))
    assert told(slow) == ""


def test_half_of_the_gap_and_another_setups_gap(pairs: Trial) -> None:
    trial = by_level(pairs, "gap", ("1.125", "1.5"), "in")
    gap = trial.strips["gap"].astype(str).astype(float) * 25.4
    trial = trial.with_tables(
        header_check=trial.header_check.iloc[:0],
        strips=trial.strips.assign(gap_front=gap, gap_rear=gap + 3.175),
    )
    assert told(trial) == ""
    narrow = np.flatnonzero(trial.strips["gap"].astype(str) == "1.125")
    half = with_strips(trial, [int(narrow[0])], gap_front=0.5625 * 25.4)
    (text,) = said(contradictions(half))
    assert text.startswith("The front gap is 9/16 in") and "from the centre to one edge" in text
    other = with_strips(trial, [int(narrow[2])], gap_front=38.1, gap_rear=41.3)
    (text,) = said(contradictions(other))
    assert "1-1/8 in gap, but the gap is 1-1/2 in (1.5) at the front" in text


def test_setups_named_by_half_of_the_gap(pairs: Trial) -> None:
    """9/16 and 3/4 in, from the centre to one edge, where the header's rows read 1-1/8 in."""
    checked = pairs.header_check.assign(set_front=np.nan, gap_front=1.125 * 25.4)
    for levels, halves in ((("0.5625", "0.75"), True), (("1.125", "1.5"), False)):
        trial = by_level(pairs, "gap", levels, "in").with_tables(header_check=checked)
        text = told(trial)
        assert ("9/16" in text and "1-1/8 in" in text) == halves, text


def test_a_pair_harvested_days_apart_is_told_with_its_moisture(pairs: Trial) -> None:
    first = pairs.strips["harvested_at"].iloc[0]
    later = first + pd.Timedelta(days=3)
    text = told(with_strips(pairs, [1], harvested_at=later, moisture=17.0))
    assert "harvested 3 days apart" in text and "17.0 %" in text and text.startswith("Pair 1 of")
    # One night's work that ends after midnight is no other day.
    evening = first.normalize() + pd.Timedelta(hours=23)
    night = with_strips(pairs, [0], harvested_at=evening)
    assert told(with_strips(night, [1], harvested_at=evening + pd.Timedelta(hours=2))) == ""


# ---------------------------------------------------------------- counts
def drawn(rng: np.random.Generator, frames: int) -> pd.DataFrame:
    """Frames of twelve strips: Poisson about a lognormal density, spread 0.12 to 0.25 between
    strips and 0.4 between frames, as the demo trials have it."""
    tables = []
    for zone, mean, each in (("preharvest", 5.5, 2), ("header", 19.0, frames)):
        strip = np.repeat(np.arange(12), each)
        log = np.log(mean) + 0.25 * rng.standard_normal(12)[strip]
        log += 0.4 * rng.standard_normal(len(strip)) - 0.4**2 / 2
        tables.append(
            pd.DataFrame({"strip": strip.astype(str), "zone": zone, "area": 0.93,
                          "loose_kernels": rng.poisson(np.exp(log))})
        )  # fmt: skip
    whole = pd.concat(tables, ignore_index=True)
    return whole.assign(frame=whole.index.astype(str))


def test_few_clean_trials_have_a_far_count_and_many_slips_are_found() -> None:
    rng = np.random.default_rng(20260)
    trials, alarms, found = 25, 0, 0
    for _ in range(trials):
        frames = drawn(rng, 8)
        alarms += len(far_counts(frames)) > 0
        own = frames["loose_kernels"].between(8, 15) & frames["zone"].eq("header")
        slip = int(rng.choice(frames.index[own]))
        frames.loc[slip, "loose_kernels"] = 110  # for 11
        found += slip in set(far_counts(frames)["row"])
    # At most one trial in twenty: more alarms than this are seen in fewer than 1 of 1,000 sets of
    # 25 trials that hold it.
    assert alarms <= stats.binom.ppf(0.999, trials, 0.05)
    # Half at least, likewise.
    assert found >= stats.binom.ppf(0.001, trials, 0.5)


def test_several_slips_do_not_hide_one_another() -> None:
    frames = drawn(np.random.default_rng(5), 8)
    header = frames.index[frames["zone"] == "header"]
    wrong = [int(header[k]) for k in (3, 30, 61)]
    frames.loc[wrong, "loose_kernels"] = 250
    assert set(far_counts(frames)["row"]) == set(wrong)


def test_p_of_a_count_alone_in_its_zone_is_that_of_simulated_counts() -> None:
    """Against simulation: the tail of a count given others, with the spreads the trial has."""
    from trialkit.contradictions.counts import _Zone

    rng = np.random.default_rng(3)
    frames = drawn(rng, 8)
    frames = frames[frames["zone"] == "header"].reset_index(drop=True)
    frames.loc[0, "loose_kernels"] = 55
    zone = _Zone(frames, pd.factorize(frames["strip"])[0])
    p, _ = zone._p(0)
    spread = zone._spread(without=0)
    n = 400_000
    level = spread.mean + spread.strip * rng.standard_normal(n)
    others = zone.y[zone.beside(0)]
    weight = np.zeros(n)
    # Importance of each simulated strip: the others' likelihood, their frames' effects integrated.
    effect = spread.frame * stats.t.ppf((np.arange(400) + 0.5) / 400, 30)
    grid = np.linspace(level.min(), level.max(), 400)
    for y in others:
        own = stats.poisson.pmf(y, 0.93 * np.exp(grid[:, None] + effect)).mean(axis=1)
        weight += np.log(np.interp(level, grid, own))
    weight = np.exp(weight - weight.max())
    simulated = rng.poisson(0.93 * np.exp(level + spread.frame * rng.standard_t(30, n)))
    beyond = 2 * np.average(simulated >= 55, weights=weight)
    size = weight.sum() ** 2 / (weight**2).sum()
    error = 2 * np.sqrt(beyond / 2 / size)
    assert abs(p - beyond) < 4 * error and error < 0.2 * beyond


def test_every_other_frame_of_a_strip_is_told_those_taken_out_among_them() -> None:
    frames = drawn(np.random.default_rng(5), 8)
    own = frames.index[frames["zone"].eq("header") & frames["strip"].eq("4")]
    frames.loc[own[:2], "loose_kernels"] = (250, 240)
    found = far_counts(frames).set_index("row")["others"]
    for row, others in found.items():
        assert others == tuple(frames.loc[[k for k in own if k != row], "loose_kernels"])
    assert set(found.index) == set(own[:2])


def test_a_wrong_area_is_told_as_an_area_and_its_count_is_not_judged(pairs: Trial) -> None:
    frames = pairs.frames.copy()
    at = frames.index[frames["zone"] == "header"][5]
    usual = frames.loc[at, "area"]
    frames.loc[at, "area"] = usual / 10
    (text,) = said(contradictions(pairs.with_tables(frames=frames)))
    shown = f"{usual / 0.09290304:.1f} ft2"
    assert f"frame {frames.loc[at, 'frame']} (header) has an area of 1" in text and shown in text
    assert far_counts(frames).empty
    # Where no area is usual none is far; less than three times is another frame, not a slip.
    mixed = frames.assign(area=np.where(np.arange(len(frames)) % 2, usual, usual / 10))
    assert far_areas(mixed).isna().all()
    smaller = frames.assign(area=frames["area"].replace(usual / 10, usual / 2.9))
    assert far_areas(smaller).isna().all()


# ---------------------------------------------------------------- yields, names, reasons
def test_a_yield_in_another_unit_and_one_ten_times_off(pairs: Trial) -> None:
    strips = pairs.strips
    tonnes = pairs.with_tables(strips=strips.assign(**{"yield": strips["yield"] / 1000 * 62.768}))
    text = told(tonnes)  # 12.5 t/ha read as 12.5 bu/ac
    assert "bu/ac or less" in text and "head the column yield (t/ha)" in text
    low = told(with_strips(pairs, [4], **{"yield": strips["yield"].iloc[4] / 10}))
    assert f"on strip {strips['strip'].iloc[4]} (" in low and "about a tenth of the" in low
    high = told(pairs.with_tables(strips=strips.assign(**{"yield": strips["yield"] / 4})))
    assert high == ""  # a poor crop is no other unit
    damaged = with_strips(pairs, [4], status="damaged", reason="hail",
                          **{"yield": strips["yield"].iloc[4] / 10})  # fmt: skip
    assert told(damaged) == ""


def test_a_field_called_nearly_as_another_and_no_reason_given(pairs: Trial) -> None:
    strips = pairs.strips
    field = str(strips["field"].iloc[0])
    text = told(with_strips(pairs, [0], field=field[:-1]))
    assert f"Field {field[:-1]} has only 1 strip and is called nearly as {field}" in text
    apart = (("Field 1", "Field 2"), ("A", "B"), ("West", "East"))
    assert not any(near_name(*two) for two in apart)
    assert all(near_name(*two) for two in (("Hil", "Hill"), ("Homr 80", "Home 80"),
                                           ("Bottomland", "Bottom land")))  # fmt: skip
    text = told(with_strips(pairs, [0, 3], status="damaged"))
    names = strips["strip"].iloc[[0, 3]]
    assert f"No reason is given for strips {names.iloc[0]} and {names.iloc[1]} (damaged)" in text
    assert told(with_strips(pairs, [0, 3], status="damaged", reason="hail")) == ""


# ---------------------------------------------------------------- lost strips
def without_counts(trial: Trial, strips: list[int]) -> Trial:
    names = trial.strips["strip"].iloc[strips]
    frames = trial.frames
    return trial.with_tables(frames=frames[~frames["strip"].isin(names)])


def test_a_third_lost_is_said_first_and_nothing_is_told_as_found(pairs: Trial) -> None:
    whole = analyse(pairs, responses=["header_loss"])
    assert whole.lost == () and "at_most" not in whole.responses["header_loss"].contrasts
    three = analyse(without_counts(pairs, [0, 1, 2]), responses=["header_loss"])
    assert three.lost == ()  # a quarter
    four = without_counts(pairs, [0, 1, 2, 3])
    lost = lost_strips(four, "header_loss")
    assert (lost.of, lost.without, lost.refused, lost.most) == (12, 4, 0, Grade.LEANING)
    found = analyse(four, responses=["header_loss"])
    text = " ".join(said(found.lost))
    assert "of 12 strips 4 are not in the comparison" in text and "likely at most" in text
    (own,) = comparisons(found.responses["header_loss"])
    assert own.grade.strength <= Grade.LEANING.strength
    # The ceiling changes no number: only what is told of a p however small.
    sure = replace(own, p_adjusted=1e-6, p_classical_adjusted=1e-6,
                   difference=type(own.difference)(-9.0, -12.0, -6.0))  # fmt: skip
    assert sure.grade is Grade.LEANING and sure.held_down
    assert replace(sure, most=None).grade is Grade.CLEAR


def test_check_says_first_that_a_third_is_lost(pairs: Trial, tmp_path: Path) -> None:
    folder = write_trial(tmp_path / "t", pairs.config, without_counts(pairs, [0, 1, 2, 3]).tables)
    printed = " ".join(CliRunner().invoke(app, ["check", str(folder)]).output.split())
    lines = " ".join(said(first_lines(load_trial(folder))))
    assert "of 12 strips 4 are not in the comparison" in lines
    assert lines in printed
    assert printed.index(lines) < printed.index("Nothing was refused")


def test_losses_that_go_with_the_setup_leave_nothing_to_tell(pairs: Trial) -> None:
    option = np.flatnonzero(pairs.strips["cushion"].astype(str) == "cushion")
    lost = lost_strips(without_counts(pairs, list(option[:5])), "header_loss")
    # Five of six against none of six: Fisher's exact p is 2 x 6 / C(12, 5) = 0.015.
    assert stats.fisher_exact([[5, 1], [0, 6]]).pvalue == pytest.approx(12 / 792)
    for table in ((5, 6, 0, 6), (1, 8, 4, 6), (2, 24, 9, 12), (0, 5, 0, 5)):
        lost_there, of, other, others = table
        known = stats.fisher_exact([[lost_there, of - lost_there], [other, others - other]])
        assert _unequal(*table) == pytest.approx(known.pvalue)
    assert lost.unequal and lost.most is Grade.OPEN
    assert "more than chance explains" in " ".join(said(lost.notes))
