"""What uneven gaps do to the noise of counts: the arithmetic against simulated counts."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit.analysis.questions.row_noise import gap_effect, trial_noise
from trialkit.errors import DesignError, TrialkitError
from trialkit.header import check_header, row_noise
from trialkit.header.noise import spread_after

GAP = np.array([33.0, 33.4, 32.8, 38.5, 33.1, 29.0, 33.2, 33.3])  # mm
OUT = (3, 5)
B = math.log(1.02)  # 2 % a mm


def drawn(gap: np.ndarray, rng: np.random.Generator, strips: int, frames: int, **sizes: float):
    """Log mean count of strips whose frames lie behind rows drawn at random, anew in each."""
    mean, sd, between = sizes["mean"], sizes["sd"], sizes["between"]
    share = sizes.get("share", 1.0)
    rows = rng.integers(len(gap), size=(strips, frames))
    loss = np.exp(B * (gap[rows] - gap.mean()))
    noise = np.exp(rng.normal(-(sd**2) / 2, sd, size=rows.shape))
    own = np.exp(rng.normal(0.0, between, size=(strips, 1)))
    counts = rng.poisson(mean * (share * loss + 1 - share) * noise * own)
    return counts


def test_variance_of_frames_and_strips_is_what_the_formula_says() -> None:
    """200,000 strips know a variance to sqrt(2 / n) = 0.3 % of itself, so what is taken off it to
    about 1 %. The formula is first order: it leaves out terms of the size of b (g_r - g), at most
    0.02 times 5.2 mm here, which go both ways; half of that is allowed."""
    rng = np.random.default_rng(11)
    strips, frames = 200_000, 6
    sizes = {"mean": 4000.0, "sd": 0.02, "between": 0.015}
    after = spread_after(GAP, OUT)
    seen = {}
    for name, gap in (("before", GAP), ("after", after)):
        counts = drawn(gap, rng, strips, frames, **sizes)
        logs = np.log(counts)
        seen[name] = (logs.var(axis=1, ddof=1).mean(), np.log(counts.mean(axis=1)).var(ddof=1))
    noise = row_noise(
        GAP, B, repaired=OUT, frame_variance=seen["before"][0], strip_variance=0.015**2,
        frames=frames,
    )  # fmt: skip
    assert seen["before"][0] - seen["after"][0] == pytest.approx(
        noise.between_rows - noise.between_rows_after, rel=0.05
    )
    assert noise.share_of_frames == pytest.approx(
        1 - (1 / 4000 + 0.02**2) / seen["before"][0], abs=0.01
    )
    # A standard error goes with the root of the variance of strips.
    narrower = 1 - math.sqrt(seen["after"][1] / seen["before"][1])
    assert narrower > 0.15
    assert noise.narrowing == pytest.approx(narrower, rel=0.05)


def test_only_the_share_from_the_header_moves_with_the_gap() -> None:
    rng = np.random.default_rng(12)
    sizes = {"mean": 4000.0, "sd": 0.0, "between": 0.0, "share": 0.4}
    logs = np.log(drawn(GAP, rng, 100_000, 2, **sizes))
    noise = row_noise(GAP, B, header_share=0.4)
    assert logs.var(axis=1, ddof=1).mean() - 1 / 4000 == pytest.approx(noise.between_rows, rel=0.05)


def test_a_frame_over_several_rows_and_over_all() -> None:
    """Against every choice of three rows out of eight."""
    from itertools import combinations

    means = [GAP[list(rows)].mean() for rows in combinations(range(8), 3)]
    noise = row_noise(GAP, B, rows_per_frame=3)
    assert noise.variance == pytest.approx(np.var(means))
    assert row_noise(GAP, B, rows_per_frame=8).between_rows == pytest.approx(0.0, abs=1e-15)
    for wrong in (0, 9):
        with pytest.raises(TrialkitError, match="1 to 8 rows"):
            row_noise(GAP, B, rows_per_frame=wrong)
    with pytest.raises(TrialkitError, match="two rows"):
        row_noise([33.0, np.nan], B)


def test_repair_sets_rows_to_the_median_of_all() -> None:
    assert spread_after(GAP, OUT).tolist() == pytest.approx(
        [33.0, 33.4, 32.8, 33.15, 33.1, 33.15, 33.2, 33.3]
    )
    gap = np.array([33.0, np.nan, 36.0, 33.0])
    np.testing.assert_array_equal(spread_after(gap, (1, 2)), [33.0, np.nan, 33.0, 33.0])


def test_more_than_the_frames_differed_is_a_contradiction() -> None:
    noise = row_noise(GAP, B, repaired=OUT, frame_variance=0.002, strip_variance=0.0, frames=6)
    assert noise.contradicted and noise.share_of_frames == 1.0
    unknown = row_noise(GAP, B)
    assert not unknown.told and math.isnan(unknown.narrowing) and not unknown.contradicted


def test_a_trial_tells_its_own_ratio_and_noise() -> None:
    """The demo trial's truth: 1.4 wide over usual, 0.88 narrow over usual, 9.525 mm apart."""
    trial = tk.load_trial(frozen_dir("gap_fields"))
    result = tk.analyse(trial, responses=["header_loss"])["header_loss"]
    effect = gap_effect(result)
    assert (effect.factor, effect.wide_gap - effect.narrow_gap) == ("gap", pytest.approx(9.525))
    assert effect.low < math.log(1.4 / 0.88) / 9.525 < effect.high
    ratios = result.contrasts.set_index("level")["ratio"]
    assert effect.log_ratio * 9.525 == pytest.approx(math.log(ratios["wide"] / ratios["narrow"]))
    report = check_header(trial)
    noise = trial_noise(result, report, effect.log_ratio)
    assert noise.variance == pytest.approx(report.rows["gap"].var(ddof=0))
    counts = trial.frames.query("zone == 'header'")
    assert noise.frames == pytest.approx(counts.groupby("strip").size().mean())
    levels = result.variances.set_index("level")["variance"]
    assert noise.frame_variance == pytest.approx(
        1 / counts["loose_kernels"].mean() + levels["frame"]
    )
    # 19 of 24 kernels of the truth come from the header, before its ratios.
    assert noise.header_share == pytest.approx(19 / 24, abs=0.07)
    assert 0 < noise.narrowing < 0.01 and 0 < noise.share_of_frames < 0.05


def test_a_trial_with_one_gap_tells_no_ratio() -> None:
    result = tk.analyse(tk.load_trial(frozen_dir()), responses=["header_loss"])["header_loss"]
    with pytest.raises(DesignError, match="did not run several gaps"):
        gap_effect(result)
    named = replace(result, data=result.data.drop(columns="frame"))
    with pytest.raises(DesignError, match="not counted in frames"):
        trial_noise(named, check_header(tk.load_trial(frozen_dir())), 0.05)
