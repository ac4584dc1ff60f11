"""One test and one interval: p says what the intervals of ratio and difference say.

Small simulated trials are analysed once; then their means are moved along the model and the spread
of the error is scaled, over all that trials may show.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from frozen_trials import CUSHION, CUSHION_PAIRS, GAP
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from trialkit.analysis import ResponseAnalysis, analyse
from trialkit.analysis.comparisons import against
from trialkit.analysis.estimates import clear_of_zero, contrast_columns
from trialkit.analysis.intervals import ComparedMeans, compare_means, mean_intervals
from trialkit.analysis.judges import Judge
from trialkit.analysis.questions.pairwise import pairwise
from trialkit.analysis.reading import Means, Offset, Reading, means_of, setting_cells
from trialkit.mixed.integrated import Integrated
from trialkit.simulate import Effort, Truth, simulate_trial

TRUTH = Truth(
    preharvest=5.0, header=15.0, header_ratios={"cushion": {"cushion": 0.7}}, processing=12.0,
    sd={"pair": 0.3, "main_strip": 0.2, "strip": 0.25, "frame": 0.3},
    preharvest_sd={"strip": 0.15, "frame": 0.3},
    damage_sd={"pair": 0.2, "strip": 0.3, "sample": 0.1}, residue_sd={"pair": 0.2, "strip": 0.3},
)  # fmt: skip
KINDS = {
    "counts less preharvest": "header_loss", "counts, interactions": "header_loss",
    "counts": "preharvest_loss", "binomial": "kernel_damage", "lognormal": "residue_mass",
    "values": "yield", "zones": "processing_loss",
}  # fmt: skip


@cache
def found_in(kind: str) -> ResponseAnalysis:
    config, blocks = CUSHION_PAIRS.config, 5
    if "interactions" in kind:
        config = replace(config, setups=(CUSHION, GAP))
    effort = Effort(total_frames=4, residue_samples=2)
    trial = simulate_trial(config, TRUTH, seed=4, blocks=blocks, effort=effort)
    result = analyse(trial, responses=[KINDS[kind]])
    assert not result.skipped
    return result.responses[KINDS[kind]]


def moved(
    own: ResponseAnalysis, factor: str, shifts: tuple[float, float], spread: float
) -> tuple[Means, Means, Judge]:
    """The first two levels with their linear predictors moved, and a judge of another spread."""
    cells = setting_cells(own.fit, own.design, own.reading, factor)
    # Zones differ by a sum, values as they stand: moved by their standard errors.
    unit = 1.0
    if own.reading.zones or own.reading.additive(own.fit):
        unit = own.fit.linear(cells.rows)["se"].max()
    first, second = (means_of(own.fit, own.reading, cells, unit * s) for s in shifts)
    judge = own.judges[factor]
    if isinstance(judge, Integrated):
        judge = replace(judge, half=spread * judge.half)
    return second.take([1]), first.take([0]), judge


SHIFTS = st.tuples(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5))
SPREAD = st.floats(0.05, 2.0)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25, deadline=None)
@given(shifts=SHIFTS, spread=SPREAD)
def test_p_and_the_intervals_agree(kind, shifts, spread):
    own = found_in(kind)
    fit, reading = own.fit, own.reading
    for factor in own.design.names:
        one, other, judge = moved(own, factor, shifts, spread)
        compared = compare_means(fit, reading, one, other, judge)
        both = Means(*(np.concatenate([getattr(m, n) for m in (other, one)])
                       for n in ("value", "gradient", "link")))  # fmt: skip
        low, high = mean_intervals(fit, both, reading, 0.95, len(own.design.strips) - 1)
        assert (low <= both.value).all()
        assert (both.value <= high).all()
        if not (reading.offset or reading.zones or reading.additive(fit)):
            assert (low > 0).all()
        clear = clear_of_zero(reading, low)
        table = contrast_columns(compared, clear, 0.95)
        columns = {name: value[0] for name, value in table.items()}
        assert columns["difference"] == pytest.approx(one.value[0] - other.value[0], rel=1e-9)
        assert columns["difference_low"] <= columns["difference"] <= columns["difference_high"]
        out = columns["difference_low"] > 0 or columns["difference_high"] < 0
        assert out == (columns["p"] < 0.05)
        ratio = [columns[f"ratio{end}"] for end in ("", "_low", "_high")]
        endless = np.isinf(compared.interval("ratio", stats.t.ppf(0.975, compared.df))[2][0])
        if endless or not clear[0]:
            assert np.isnan(ratio).all()
            continue
        assert np.isfinite(ratio).all()
        assert ratio[0] == pytest.approx(one.value[0] / other.value[0], rel=1e-9)
        assert ratio[1] <= ratio[0] <= ratio[2]
        assert (ratio[1] > 1 or ratio[2] < 1) == (columns["p"] < 0.05)


def test_what_has_a_ratio():
    given_ratio = {kind: bool(found_in(kind).contrasts["ratio"].notna().all()) for kind in KINDS}
    assert given_ratio == {**dict.fromkeys(KINDS, True), "values": False}


@pytest.mark.parametrize("kind", ["counts"])
def test_a_ratio_of_typical_means_is_its_contrast(kind):
    """With a log link and one cell a setup the ratio knows no level: its interval is exact."""
    own = found_in(kind)
    one, other = against(means_of(own.fit, own.reading, setting_cells(
        own.fit, own.design, own.reading, "cushion")))  # fmt: skip
    rows = one.link - other.link
    _, se, df = own.judges["cushion"].compare(rows)
    at = rows @ own.fit.fixed_effects.to_numpy()
    half = stats.t.ppf(0.975, df) * se
    row = own.contrasts.iloc[0]
    want = np.exp([at[0], at[0] - half[0], at[0] + half[0]])
    np.testing.assert_allclose(row[["ratio", "ratio_low", "ratio_high"]].astype(float), want,
                               rtol=1e-6)  # fmt: skip
    assert row["p"] == pytest.approx(2 * stats.t.sf(abs(at[0] / se[0]), df[0]), rel=1e-6)


def built(
    link: str, m0: float, contrast: float, se: float, df: float, *, known: float = 1e-9,
    offset: Offset | None = None, compared: tuple[int, int] = (1, 0),
) -> ComparedMeans:  # fmt: skip
    """Two means with a contrast of its own se; the first's link has the sd ``known``."""
    v = np.diag([known**2, se**2])
    rows = np.array([[1.0, 0.0], [1.0, 1.0]])  # link of the reference, and of the other
    to, back, slope = {
        "log": (np.log, np.exp, lambda m: m),
        "logit": (special.logit, special.expit, lambda m: m * (1 - m)),
    }[link]
    gross = np.array([m0, back(to(m0) + contrast)])
    taken = offset.value if offset else 0.0
    means = Means(gross - taken, slope(gross)[:, None] * rows, rows)
    judge = Integrated(np.ones(1), np.ones(1), np.zeros((1, 2)), np.sqrt(v)[None], df)
    fit = SimpleNamespace(
        family=SimpleNamespace(link=link),
        inference=SimpleNamespace(adjusted=v, df=lambda g: np.full(len(g), df)),
    )
    one, other = (means.take([i]) for i in compared)
    return compare_means(fit, Reading(1.0, offset), one, other, judge)


SE, DF = st.floats(0.02, 0.6), st.floats(2.0, 30.0)
# Nearer to none the interval is of rounding, see the last but one test.
CONTRAST = st.floats(0.001, 1.0).flatmap(lambda c: st.sampled_from([c, -c]))


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(["log", "logit"]), st.floats(0.05, 0.9), CONTRAST, SE, DF)
def test_with_a_known_level_the_difference_is_the_contrast_carried_over(link, m0, contrast, se, df):
    made = built(link, m0, contrast, se, df)
    to, back = {"log": (np.log, np.exp), "logit": (special.logit, special.expit)}[link]
    half = stats.t.ppf(0.975, made.df[0]) * made.se[0]
    assert made.se[0] == pytest.approx(se, rel=1e-5)
    ends = back(to(m0) + contrast + half * np.array([0.0, -1.0, 1.0]))
    difference = np.ravel(made.interval("difference", half / made.se))
    np.testing.assert_allclose(difference, ends - m0, rtol=1e-5, atol=1e-7)
    ratio = np.ravel(made.interval("ratio", half / made.se))
    np.testing.assert_allclose(ratio, ends / m0, rtol=1e-5)


@settings(max_examples=30, deadline=None)
@given(CONTRAST, SE, DF)
def test_with_a_known_offset_the_ratio_is_of_what_is_left(contrast, se, df):
    made = built("log", 20.0, contrast, se, df, offset=Offset(4.0))
    half = stats.t.ppf(0.975, made.df[0]) * made.se[0]
    ends = 20.0 * np.exp(contrast + half * np.array([0.0, -1.0, 1.0])) - 4.0
    ratio = np.ravel(made.interval("ratio", half / made.se))
    np.testing.assert_allclose(ratio, np.maximum(ends / 16.0, 0.0), rtol=1e-5)


def test_a_mean_that_may_be_nothing_ends_a_ratio_at_zero_or_leaves_it_without_end():
    low = built("log", 20.0, -1.2, 0.2, 6.0, offset=Offset(5.0))
    columns = contrast_columns(low, np.array([True]), 0.95)
    assert columns["p"][0] < 0.05
    assert columns["ratio_low"][0] == 0.0
    assert 0 < columns["ratio"][0] < columns["ratio_high"][0] < 1
    high = built("log", 20.0, -1.2, 0.2, 6.0, offset=Offset(5.0), compared=(0, 1))
    columns = contrast_columns(high, np.array([True]), 0.95)
    assert np.isnan([columns[f"ratio{end}"][0] for end in ("", "_low", "_high")]).all()
    assert columns["difference_low"][0] > 0


@settings(max_examples=40, deadline=None)
@given(CONTRAST, SE, DF, st.floats(0.01, 0.5), st.floats(0.0, 3.0))
def test_what_is_not_known_of_the_level_only_widens(contrast, se, df, known, sd):
    sure = built("log", 20.0, contrast, se, df, offset=Offset(4.0))
    unsure = built("log", 20.0, contrast, se, df, known=known, offset=Offset(4.0, sd**2, 9.0))
    assert unsure.p == pytest.approx(sure.p, rel=1e-6)
    for what in ("difference", "ratio"):
        own, other = (np.ravel(t.interval(what, 2.2)) for t in (sure, unsure))
        if np.isfinite(own).all():
            size = abs(own).max()
            assert other[1] <= own[1] + 1e-6 * size
            assert other[2] >= own[2] - 1e-6 * size


@settings(max_examples=40, deadline=None)
@given(st.floats(0.1, 1.0), st.tuples(*[st.floats(0.0, 1.0)] * 3))
def test_what_is_nearly_known_has_the_width_of_the_delta_method(contrast, parts):
    """Ends of small errors lie at plus or minus t times the sd of the first-order expansion."""
    se, known, sd = 1e-4 * (0.2 + np.array(parts)) * (1.0, 1.0, 20.0)
    made = built("log", 20.0, contrast, se, 9.0, known=known, offset=Offset(4.0, sd**2, 9.0))
    m0, m1, net0, net1 = 20.0, 20.0 * np.exp(contrast), 16.0, 20.0 * np.exp(contrast) - 4.0
    slopes = {  # in the log of the first mean, in the contrast, in the offset
        "difference": (m1 - m0, m1, 0.0),
        "ratio": (m1 / net1 - m0 / net0, m1 / net1, 1 / net0 - 1 / net1),
    }
    for what, slope in slopes.items():
        estimate, low, high = np.ravel(made.interval(what, 2.3))
        size = estimate if what == "ratio" else 1.0
        want = 2.3 * np.linalg.norm(np.array(slope) * (known, se, sd)) * size
        np.testing.assert_allclose([estimate - low, high - estimate], want, rtol=0.01)


def test_means_that_are_alike_have_one_interval_on_both_sides():
    made = built("log", 5.0, 0.0, 0.2, 8.0, known=0.3)
    estimate, low, high = np.ravel(made.interval("ratio", 2.0))
    assert (estimate, low * high) == pytest.approx((1.0, 1.0))
    estimate, low, high = np.ravel(made.interval("difference", 2.0))
    assert estimate == pytest.approx(0.0, abs=1e-12)
    assert low < 0 < high


@pytest.mark.parametrize("adjust", ["tukey", "holm", "none"])
def test_every_two_levels_agree_with_their_p(adjust):
    own = found_in("counts, interactions")
    table = pairwise(own, "gap", adjust=adjust, level=0.6).table
    assert len(table) == 3
    for row in table.to_dict("records"):
        p = row["p"] if adjust == "holm" else row["p_adjusted"]  # Holm's intervals are single ones
        assert (p < 0.4) == (row["difference_low"] > 0 or row["difference_high"] < 0)
        assert (p < 0.4) == (row["ratio_low"] > 1 or row["ratio_high"] < 1)
