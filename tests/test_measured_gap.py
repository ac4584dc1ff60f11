"""The gap measured on the header as a covariate: known truth, what is refused, what is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS, frozen_dir
from scipy import stats

import trialkit as tk
from trialkit.analysis.covariates import choose_covariates
from trialkit.analysis.gaps import departures, with_measured_gaps
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.header import strip_gaps
from trialkit.intake.config import SetupFactor
from trialkit.intake.write import write_trial
from trialkit.responses import schema
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.trial import Trial
from trialkit.words import say

EFFORT = Effort(
    header_frames=6, preharvest_frames=0, total_frames=0, ear_area=0, grain_samples=0,
    residue_samples=0, stalks=0,
)  # fmt: skip
TRUTH = Truth(
    preharvest=1e-6, header=40.0, header_ratios={"cushion": {"cushion": 0.7}},
    sd={"pair": 0.1, "strip": 0.08, "frame": 0.2}, preharvest_sd={}, speed_sd=0.01,
    moisture_sd=0.1,
)  # fmt: skip
PER_MM = 1.08
"""Header loss ratio per mm of gap."""
CONFIG = replace(
    CUSHION_PAIRS.config, units="SI", setups=(SetupFactor("cushion", ("standard", "cushion"),
                                                          "standard"),), option=None,
)  # fmt: skip


def checks(**gaps: float | tuple[float, float]) -> pd.DataFrame:
    """Header checks of eight rows: a header to its gap (mm), or gap and setting when measured."""
    tables = []
    for header, gap in gaps.items():
        reads, at = gap if isinstance(gap, tuple) else (gap, np.nan)
        table = pd.DataFrame({"header": header, "row": [str(i) for i in range(1, 9)]})
        for end, over in (("front", -1.5), ("rear", 1.5)):
            table[f"gap_{end}"] = reads + over
            table[f"set_{end}"] = at + over
        tables.append(table)
    return schema.tidy(pd.concat(tables, ignore_index=True), "header_check")


def run_by(trial: Trial, headers: np.ndarray, table: pd.DataFrame, **strips: object) -> Trial:
    tables = dict(trial.tables)
    tables["strips"] = tables["strips"].assign(header=headers, **strips)
    return Trial.from_tables(trial.config, {**tables, "header_check": table})


def uneven(trial: Trial, seed: int) -> np.ndarray:
    """Headers drawn strip by strip, so that setups are not balanced over them."""
    return np.random.default_rng(seed).permutation(np.resize(["A", "B"], len(trial.strips)))


def two_headers(seed: int, blocks: int = 8, apart: float = 6.0) -> Trial:
    """Pairs in one field; header B's gap is wider, and counts follow the gap of the header."""
    trial = simulate_trial(CONFIG, TRUTH, seed=seed, blocks=blocks, effort=EFFORT)
    headers = uneven(trial, seed)
    rng = np.random.default_rng(1000 + seed)
    frames = trial.frames.copy()
    of_b = frames["strip"].map(dict(zip(trial.strips["strip"], headers == "B", strict=True)))
    # A Poisson count plus another of its own count times `more` keeps the mean the model is after.
    more = np.where(of_b, PER_MM**apart - 1, 0.0)
    frames["loose_kernels"] = frames["loose_kernels"] + rng.poisson(more * frames["loose_kernels"])
    trial = Trial.from_tables(trial.config, {**trial.tables, "frames": frames})
    return run_by(trial, headers, checks(A=33.0, B=33.0 + apart))


def header_loss(trial: Trial):
    return analyse_response(SPECIFICATIONS["header_loss"], trial, trial.losses(), 0.95)


def log_ratio(result) -> float:
    return float(np.log(result.contrasts["ratio"].item()))


def width(result) -> float:
    row = result.contrasts.iloc[0]
    return float(np.log(row["ratio_high"] / row["ratio_low"]))


def without_checks(trial: Trial) -> Trial:
    return replace(trial, header_check=trial.header_check.head(0))


@pytest.fixture(scope="module")
def simulated():
    """The same trials analysed with the headers' gaps, and without them.

    Now and then a draw gives a setup, or every pair, a header of its own; the layout alone, never
    the counts, then keeps the gap out.
    """
    trials = [two_headers(seed) for seed in range(30)]
    both = [(header_loss(t), header_loss(without_checks(t))) for t in trials]
    return [pair for pair in both if "gap_centred" in pair[0].formula]


def test_adjusted_effect_is_unbiased_and_tighter(simulated) -> None:
    """Truth: ratio 0.7 and 1.08 per mm; headers 6 mm apart, drawn strip by strip."""
    assert len(simulated) >= 25
    assert all("gap" not in bare.formula for _, bare in simulated)
    away = np.array([[log_ratio(r) - np.log(0.7) for r in pair] for pair in simulated])
    mean, se = away.mean(axis=0), away.std(axis=0, ddof=1) / np.sqrt(len(away))
    # Five-sigma bounds on the mean over seeds.
    assert abs(mean[0]) < 5 * se[0]
    # A header 6 mm wider loses 1.59 times as much: half the strips of a pair differ by that.
    spread = away.std(axis=0, ddof=1)
    assert spread[0] < 0.7 * spread[1]
    widths = np.array([[width(r) for r in pair] for pair in simulated])
    assert np.median(widths[:, 0] / widths[:, 1]) < 0.7
    # 95 % intervals: at least what a true 95 % would miss once in ten thousand such tests.
    rows = [with_gap.contrasts.iloc[0] for with_gap, _ in simulated]
    held = sum(row["ratio_low"] <= 0.7 <= row["ratio_high"] for row in rows)
    assert held >= stats.binom.ppf(1e-4, len(rows), 0.95)
    slopes = np.array([r.fit.coefficients.loc["gap_centred", "estimate"] for r, _ in simulated])
    off = slopes - np.log(PER_MM)
    assert abs(off.mean()) < 5 * off.std(ddof=1) / np.sqrt(len(off))


def test_reason_and_degrees_of_freedom_are_stated(simulated) -> None:
    with_gap, bare = simulated[0]
    assert "two headers" not in bare.why
    assert "run by 2 headers" in with_gap.why and "lie up to 6.0 mm apart" in with_gap.why
    assert "compared at one gap, 36.0 mm" in with_gap.why
    assert "measured gap" in with_gap.model
    # One degree of freedom is paid for the slope.
    assert bare.design.strata["cushion"].df - with_gap.design.strata["cushion"].df == 1
    assert float(with_gap.design.strips["gap_adjusted"].mean()) == pytest.approx(36.0)


def headers_of_setup(strips: pd.DataFrame) -> np.ndarray:
    return np.where(strips["cushion"] == "cushion", "B", "A")


def headers_of_pair(strips: pd.DataFrame) -> np.ndarray:
    return np.where(strips["pair"].astype(int) % 2 == 0, "B", "A")


@pytest.mark.parametrize(
    ("headers", "words"),
    [
        (headers_of_setup, "was set by the setups or went with them"),
        (headers_of_pair, "hardly differs inside a pair"),
    ],
)
def test_a_header_that_goes_with_setup_or_pair_is_not_adjusted_for(headers, words) -> None:
    trial = two_headers(3)
    tied = run_by(trial, headers(trial.strips), trial.header_check)
    result = header_loss(tied)
    assert "gap" not in result.formula
    assert any(words in note and "not adjusted for" in note for note in result.sentences)
    plain = header_loss(without_checks(tied))
    pd.testing.assert_frame_equal(result.contrasts, plain.contrasts)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (checks(A=33.0, B=34.0), "differ by 1.0 mm, less than 2.0 mm"),
        (checks(A=33.0), "not known for 8 of 16 strips (this header was not checked)"),
    ],
)
def test_small_or_unknown_departures_are_told(table, words) -> None:
    trial = two_headers(4)
    result = header_loss(run_by(trial, trial.strips["header"].to_numpy(), table))
    assert "gap" not in result.formula and words in " ".join(result.sentences)


def test_one_header_is_silent_and_few_strips_are_not_adjusted() -> None:
    trial = two_headers(5)
    one = header_loss(run_by(trial, np.repeat("A", 16), checks(A=33.0)))
    none = header_loss(without_checks(trial))
    assert one.notes == none.notes and one.why == none.why
    few = two_headers(6, blocks=4)
    strips = few.strips.assign(header=["A", "B", "B", "A", "A", "B", "B", "B"])
    few = header_loss(replace(few, strips=strips))
    assert "too few strips to adjust for stripper-plate gap measured on the header" in " ".join(
        few.sentences
    )


def test_the_setting_of_a_setup_stays_part_of_its_effect() -> None:
    """The cushion is set 9 mm wider; headers read 0 and 5 mm over whatever they are set to."""
    trial = two_headers(8, apart=5.0)
    wide = trial.strips["cushion"].eq("cushion").to_numpy() * 9.0
    table = checks(A=(33.0, 33.0), B=(38.0, 33.0))
    headers = trial.strips["header"].to_numpy()
    set_wide = run_by(trial, headers, table, gap_front=31.5 + wide, gap_rear=34.5 + wide)
    gaps = with_measured_gaps(set_wide).strips
    of_b = 5.0 * (headers == "B")
    assert gaps["gap_measured"].tolist() == pytest.approx(list(33 + wide + of_b))
    assert gaps["gap_adjusted"].tolist() == pytest.approx(list(33 + 4.5 + of_b))
    alike = run_by(trial, headers, table, gap_front=31.5, gap_rear=34.5)
    one, other = header_loss(set_wide), header_loss(alike)
    assert "gap_centred" in one.formula
    pd.testing.assert_frame_equal(one.contrasts, other.contrasts, rtol=1e-6)
    over = departures(gaps).set_index("header")["over"]
    assert over.to_dict() == pytest.approx({"A": 0.0, "B": 5.0})


def unset(trial: Trial) -> Trial:
    """With the setting of the header's check taken out."""
    bare = trial.header_check.assign(set_front=np.nan, set_rear=np.nan)
    return replace(trial, header_check=bare)


def test_setting_at_the_check_comes_from_the_table(tmp_path: Path) -> None:
    """Written in inches, read back: the same gaps as with the setting given as an argument."""
    trial = unset(tk.load_trial(frozen_dir("gap_fields")))
    assert strip_gaps(trial)["gap_measured"].isna().all()
    front, rear = 31.75, 34.925
    told = trial.header_check.assign(set_front=np.nan, set_rear=np.nan)
    told.loc[0, ["set_front", "set_rear"]] = front, rear  # one row of the header is enough
    folder = write_trial(tmp_path / "t", trial.config, {**trial.tables, "header_check": told})
    assert "set_front (in)" in (folder / "header_check.csv").read_text().splitlines()[0]
    read = tk.load_trial(folder)
    expected = strip_gaps(trial, checked_at=(front, rear))
    pd.testing.assert_frame_equal(strip_gaps(read), expected)
    told.loc[1, "set_front"] = front + 3
    with_two = replace(trial, header_check=told)
    assert strip_gaps(with_two)["note"].str.contains("several settings in set_front").all()


def test_surface_takes_the_gap_as_measured() -> None:
    """One header reading 2 mm over its setting: the same surface, 2 mm further."""
    trial = unset(tk.load_trial(frozen_dir("split_strips")))
    with pytest.raises(DesignError, match="give the setting it was checked at"):
        header_loss(trial).surface(("gap_measured", "speed"))
    table = checks(one=(35.0, 33.0))
    result = header_loss(replace(trial, header_check=table))
    by_set, measured = (result.surface((g, "speed"), points=9) for g in ("gap", "gap_measured"))
    np.testing.assert_allclose(measured.grid["gap_measured"], by_set.grid["gap"] + 2.0, rtol=1e-12)
    np.testing.assert_allclose(measured.grid["estimate"], by_set.grid["estimate"], rtol=1e-9)
    assert measured.settings[0].factors == ("gap",)
    assert "measured on the header it was +0.079 in from the setting" in " ".join(by_set.sentences)
    bare = header_loss(without_checks(trial))
    with pytest.raises(DesignError, match="no header_check table"):
        bare.surface(("gap_measured", "speed"))


def test_effect_along_the_measured_gap() -> None:
    result = header_loss(two_headers(8, blocks=12))
    curve = result.effect_along("gap_measured", points=5)
    assert curve.table["x"].iloc[[0, -1]].tolist() == pytest.approx([33.0, 39.0])
    # The cushion's ratio does not change with the gap in these trials.
    assert curve.interaction["per_unit_low"] < 1 < curve.interaction["per_unit_high"]
    with pytest.raises(DesignError, match="No gap was measured"):
        header_loss(without_checks(two_headers(8))).effect_along("gap_measured")


def layout(headers: str, spread: dict[str, float], gap: dict[str, float]) -> pd.DataFrame:
    """Twelve pairs in one field, strip after strip by the headers named."""
    n = len(headers)
    out = pd.DataFrame(
        {"strip": [str(i) for i in range(n)], "field": "1", "pair": [str(i // 2) for i in range(n)],
         "cushion": ["standard", "cushion"] * (n // 2), "header": list(headers),
         "speed_measured": np.nan, "moisture": np.nan, "gap_note": ""}
    )  # fmt: skip
    out["gap_adjusted"], out["gap_sd"] = out["header"].map(gap), out["header"].map(spread)
    return out


def test_spread_between_rows_needs_a_third_header() -> None:
    """Two headers are told apart once; of three, one can also differ in how its rows vary."""
    factors = CONFIG.setups
    two = layout("AABBABBAABBABBAABABBAABB", {"A": 0.5, "B": 3.0}, {"A": 33.0, "B": 39.0})
    why: list[Note] = []
    notes: list[Note] = []
    assert choose_covariates(factors, two, (), why, notes) == (("gap_centred",), ())
    assert not notes and "else the two headers differ by" in say(why[0])
    three = layout("ABCABCBCACABCABBCAABCBCA", {"A": 0.5, "B": 3.0, "C": 0.6},
                   {"A": 33.0, "B": 36.0, "C": 39.0})  # fmt: skip
    why = []
    first, after = choose_covariates(factors, three, (), why, [])
    assert (first, after) == (("gap_centred", "gap_spread_centred"), ())
    assert "2.5 mm in the spread of the gap between their rows" in say(why[1])
    assert three["gap_spread_centred"].sum() == pytest.approx(0.0, abs=1e-12)
