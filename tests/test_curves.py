"""Effects along a covariate: closed forms, known truth, what is refused."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS, frozen_dir
from scipy import integrate, stats

from trialkit.analysis import analyse
from trialkit.analysis.estimates import Offset
from trialkit.analysis.questions.crossing import crossing
from trialkit.analysis.questions.curve_line import Line
from trialkit.analysis.questions.curves import EffectCurve, effect_curve
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError
from trialkit.plots.curves import effect_along
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.trial import Trial, load_trial

KM_H_PER_MPH = 1.609344  # exact
EFFORT = Effort(
    header_frames=4, preharvest_frames=0, total_frames=0, ear_area=0, grain_samples=0,
    residue_samples=0, stalks=0,
)  # fmt: skip
SD = {"field": 0.2, "setup_by_field": 0.1, "pair": 0.1, "strip": 0.12, "frame": 0.3}
TRUTH = Truth(
    preharvest=1e-6, header=40.0, header_ratios={"cushion": {"cushion": 0.7}}, sd=SD,
    preharvest_sd={}, moisture=(16.0, 28.0), moisture_sd=0.5, speed_sd=0.01,
)  # fmt: skip


def header_loss(trial: Trial):
    return analyse_response(SPECIFICATIONS["header_loss"], trial, trial.losses(), 0.95)


@pytest.fixture(scope="module")
def gaps(analysed):
    return analysed("gap_fields")


def moist_trial(slope: float, seed: int, fields: int = 6, blocks: int = 2) -> Trial:
    """Counts whose log ratio of cushion to standard is log 0.7 at mean moisture, `slope` a point.

    The trial is drawn with the ratio 0.7; thinning or thickening the cushion's expected counts
    changes it along moisture.
    """
    trial = simulate_trial(
        CUSHION_PAIRS.config, TRUTH, seed=seed, blocks=blocks,
        fields=[str(i) for i in range(fields)], effort=EFFORT,
    )  # fmt: skip
    if slope == 0:
        return trial
    rng = np.random.default_rng(seed)
    strips = trial.strips.set_index("strip")
    away = strips["moisture"] - strips["moisture"].mean()
    change = np.exp(slope * away).where(strips["cushion"].eq("cushion"), 1.0)
    frames = trial.frames.copy()
    at = frames["strip"].map(change).to_numpy()
    # A Poisson count drawn again about `at` times itself keeps the mean the model is after.
    counts = np.where(
        at <= 1, rng.binomial(frames["loose_kernels"], np.minimum(at, 1)),
        frames["loose_kernels"] + rng.poisson(np.maximum(at - 1, 0) * frames["loose_kernels"]),
    )  # fmt: skip
    frames["loose_kernels"] = counts
    return Trial.from_tables(trial.config, {**trial.tables, "frames": frames})


def curve_of(trial: Trial, **options) -> EffectCurve:
    return effect_curve(
        header_loss(trial),
        "moisture",
        **options,
    )


def line_of(curve: EffectCurve) -> Line:
    return Line(
        curve.fit, curve.result, curve.factor.name, curve.level, curve.reference, curve.along
    )


# ---------------------------------------------------------------- closed forms
@pytest.fixture(scope="module")
def steep() -> EffectCurve:
    return curve_of(moist_trial(-0.2, seed=3))


def coefficients(curve: EffectCurve) -> tuple[np.ndarray, np.ndarray]:
    """Intercept (at the mean) and slope of the log ratio, and their rows in the fixed effects."""
    line = line_of(curve)
    one, other = line.pair(np.array([line.centre, line.centre + 1]))
    rows = one.link - other.link
    rows[1] -= rows[0]
    return rows @ curve.fit.fixed_effects.to_numpy(), rows


def test_without_an_offset_the_curve_is_the_straight_line_of_the_coefficients(steep):
    (a, b), rows = coefficients(steep)
    x = steep.table["x"].to_numpy() - line_of(steep).centre
    assert np.log(steep.table["ratio"]).to_numpy() == pytest.approx(a + b * x, abs=1e-8)
    judge = line_of(steep).judge
    _, se, _ = judge.compare(rows[0] + x[:, None] * rows[1])
    half = np.log(steep.table["ratio_high_all"] / steep.table["ratio"]) / steep.critical_ratio
    assert half.to_numpy() == pytest.approx(se, rel=1e-5)
    assert steep.interaction["per_unit"] == pytest.approx(np.exp(b))
    # One degree of freedom: F is the square of the slope's t.
    assert steep.interaction["F"] == pytest.approx((b / judge.compare(rows[1:])[1][0]) ** 2)


def arc_probability(c: float, df: float, angle: float) -> float:
    """``P(max |T| <= c)`` over a straight line whose points span `angle`, in closed form.

    (Z1, Z2) / S has radius R with R^2 / 2 ~ F(2, df) and an even direction; a direction within the
    arc meets the bound at R = c, one at distance d from it at R = c / cos(d) (Wynn & Bloomfield
    1971, J. R. Stat. Soc. B 33:202-217, section 3; worked out afresh here).
    """

    def radius(r):
        return 1 - (1 + r**2 / df) ** (-df / 2)

    outside, _ = integrate.quad(lambda d: radius(c / np.cos(d)), 0, (np.pi - angle) / 2)
    return angle / np.pi * radius(c) + 2 / np.pi * outside


def test_the_arc_formula_has_student_and_scheffe_at_its_ends():
    for df in (4.0, 11.0):
        assert arc_probability(stats.t.ppf(0.975, df), df, 0.0) == pytest.approx(0.95)
        scheffe = np.sqrt(2 * stats.f.ppf(0.95, 2, df))
        assert arc_probability(scheffe, df, np.pi) == pytest.approx(0.95)


def test_critical_value_is_that_of_a_line_over_an_interval(steep):
    _, rows = coefficients(steep)
    line = line_of(steep)
    v = rows @ steep.fit.inference.adjusted @ rows.T
    ends = np.array([steep.table["x"].iloc[0], steep.table["x"].iloc[-1]]) - line.centre
    root = np.linalg.cholesky(v)
    u = np.array([[1, x] for x in ends]) @ root
    angle = np.arccos(u[0] @ u[1] / np.linalg.norm(u[0]) / np.linalg.norm(u[1]))
    df = line.compared(steep.table["x"].to_numpy()).df.min()
    # The grid's points stand for the interval: their arc is the same, their number costs < 0.01.
    c = steep.critical_ratio
    assert arc_probability(c, df, angle) == pytest.approx(0.95, abs=5e-4)
    assert stats.t.ppf(0.975, df) < c < np.sqrt(2 * stats.f.ppf(0.95, 2, df))


def test_crossing_is_the_set_of_fieller(steep):
    (a, b), _ = coefficients(steep)
    line = line_of(steep)
    ratio = 0.75
    found = crossing(steep, ratio)
    h = a - np.log(ratio)
    assert found.at == pytest.approx([line.centre - h / b])
    # Where (h + b x)^2 is t^2 times its variance, with the df at each end.
    assert len(found.intervals) == 1
    for end, is_open in zip(found.intervals[0], (found.open_low, found.open_high), strict=True):
        if is_open:
            continue
        told = line.compared(np.array([end]))
        t = (h + b * (end - line.centre)) / told.se[0]
        assert abs(t) == pytest.approx(stats.t.ppf(0.975, told.df[0]), rel=1e-6)
    assert not (found.open_low and found.open_high)


def test_a_ratio_far_off_is_refused_everywhere(steep):
    found = crossing(steep, 50.0)
    assert found.intervals == () and not found.open_low and not found.open_high
    assert "refused everywhere" in found.words


def test_at_the_mean_the_comparison_is_that_of_the_analysis_without_interaction(gaps):
    # Same arithmetic, so the analysis' own fit gives the analysis' own numbers.
    for name in ("header_loss", "kernel_damage"):
        result = gaps.responses[name]
        line = Line(result.fit, result, "gap", "wide", "usual", "moisture")
        at = np.array([line.centre])
        found = line.compared(at)
        row = result.contrasts.set_index("level").loc["wide"]
        for what in ("ratio", "difference"):
            told = found.interval(what, stats.t.ppf(0.975, found.df))
            for end, value in zip(("", "_low", "_high"), told, strict=True):
                assert value[0] == pytest.approx(row[what + end], rel=1e-6)


# ---------------------------------------------------------------- truth
def test_curves_cover_the_truth_and_recover_the_slope():
    # Sixteen small trials: the bound is missed by a coverage of 0.95 in fewer than 1 of 1,000 sets
    # and by one of 0.5 nearly always. What more rounds measure stands in the module.
    rounds, slope = 16, -0.06
    covered, covered_one, slopes = 0, 0, []
    for seed in range(1, rounds + 1):
        curve = curve_of(moist_trial(slope, seed), points=5)
        table = curve.table
        x = table["x"] - line_of(curve).centre
        truth = 0.7 * np.exp(slope * x)
        inside = truth.between(table["ratio_low_all"], table["ratio_high_all"])
        covered += bool(inside.all())
        covered_one += int(truth.between(table["ratio_low"], table["ratio_high"]).iloc[2])
        slopes.append(np.log(curve.interaction["per_unit"]))
    least = stats.binom.ppf(0.001, rounds, 0.95)
    assert covered >= least and covered_one >= least
    assert abs(np.mean(slopes) - slope) < 4 * np.std(slopes, ddof=1) / np.sqrt(rounds)


# ---------------------------------------------------------------- words and refusals
def test_words_follow_the_band_for_all_values(gaps, steep):
    curve = effect_curve(gaps.responses["header_loss"], level="wide")
    above = curve.table["ratio_low_all"] > 1
    first, last = curve.table.loc[above, "x"].iloc[[0, -1]]
    assert f"From {first:.1f} to {last:.1f} %" in curve.words[0]
    assert "above 1" in curve.words[0]
    flat = effect_curve(gaps.responses["header_loss"], level="narrow")
    assert not ((flat.table["ratio_low_all"] > 1) | (flat.table["ratio_high_all"] < 1)).any()
    assert "nowhere leaves out 1" in flat.words[0]
    assert any("observed, not set" in note for note in curve.sentences)


def test_a_hole_in_the_moistures_is_called_thin():
    trial = moist_trial(0.0, seed=2, fields=2, blocks=4)
    curve = curve_of(trial)
    thin = curve.table.loc[curve.table["thin"], "x"]
    # Two fields, near 16 and 28 %: in the middle there is no strip within a sixth of the range.
    assert thin.between(19, 25).any()
    reach = (curve.table["x"].iloc[-1] - curve.table["x"].iloc[0]) / 6
    for x, called in zip(curve.table["x"], curve.table["thin"], strict=True):
        near = curve.strips.loc[(curve.strips["x"] - x).abs() <= reach, "level"].value_counts()
        assert called == (near.reindex(["cushion", "standard"]).fillna(0).min() < 2)
    assert any("fewer than 2 strips" in words for words in curve.words)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda s: s.assign(moisture=20.0), "ranges over 0 percentage points"),
        (lambda s: s.assign(moisture=s["moisture"].where(s.index > 0)), "not recorded on 1 of"),
        (
            lambda s: s.assign(moisture=np.where(s["cushion"].eq("cushion"), 25.0, 20.0)),
            "went with",
        ),
    ],
)
def test_what_cannot_be_drawn_is_refused(change, words):
    trial = moist_trial(0.0, seed=1)
    strips = change(trial.strips)
    result = header_loss(trial)
    result = replace(result, design=replace(result.design, strips=strips))
    with pytest.raises(DesignError, match=words):
        effect_curve(result, "moisture")
    with pytest.raises(DesignError, match="no curve along"):
        effect_curve(result, "yield")
    with pytest.raises(DesignError, match="was not compared"):
        effect_curve(result, factor="gap")


def test_speed_that_is_a_setup_has_no_curve(gaps):
    trial = load_trial(frozen_dir("split_strips"))
    result = analyse(trial, responses=["header_loss"])["header_loss"]
    # Within a level speed scatters by a tenth of the step between levels: a line along it would
    # reach over a gap no strip lies in.
    levels = trial.strips.groupby("speed")["speed_measured"]
    assert np.ptp(levels.mean()) > 5 * levels.std().max()
    for factor, level in (("cushion", "cushion"), ("gap", "wide")):
        with pytest.raises(DesignError) as error:
            effect_curve(result, "speed_measured", factor=factor, level=level)
        said = str(error.value)
        assert "(3.5 mph, 5.5 mph) was set as a setup of this trial" in said
        assert "The contrasts of Ground speed" in said and "analysis.effects_at" in said
    # The factor itself went with it, which is told as before; observed speed still has a curve.
    with pytest.raises(DesignError, match="went with Ground speed"):
        effect_curve(result, "speed_measured", factor="speed")
    observed = effect_curve(gaps.responses["header_loss"], "speed_measured")
    assert np.isfinite(observed.table["ratio"]).all()


def test_sentences_speak_the_trials_own_units(gaps):
    """The curve stays SI; what is read is mph and bu/ac in a US trial, and the two agree."""
    result = gaps.responses["header_loss"]
    metric = replace(result, design=replace(result.design, units="SI"))
    us, si = (effect_curve(r, "speed_measured", level="wide") for r in (result, metric))
    assert us.table.equals(si.table)
    text = {"mph": " ".join(us.words), "km/h": " ".join(si.words)}
    assert "km/h" not in text["mph"] and "mph" not in text["km/h"]
    ends = {
        unit: [float(v) for v in re.search(rf"From ([\d.]+) to ([\d.]+) {unit}", words).groups()]
        for unit, words in text.items()
    }
    assert np.array(ends["mph"]) * KM_H_PER_MPH == pytest.approx(np.array(ends["km/h"]), abs=0.15)
    factor = {
        unit: float(re.search(r"changes by a factor of ([\d.]+)", words)[1])
        for unit, words in text.items()
    }
    assert factor["mph"] == pytest.approx(factor["km/h"] ** KM_H_PER_MPH, abs=0.015)
    where = {unit: crossing(c, scale="ratio").words for unit, c in (("mph", us), ("km/h", si))}
    assert all(unit in words for unit, words in where.items()) and "km/h" not in where["mph"]
    assert "mph" in result.why and "km/h" not in result.why


# ---------------------------------------------------------------- the figure
def marks(ax, gid):
    return [a for a in (*ax.lines, *ax.collections) if a.get_gid() == gid]


def test_figure_shows_the_table(gaps):
    curve = effect_curve(gaps.responses["kernel_damage"], "speed_measured", level="wide")
    figure = effect_along(curve, system="US")
    ax, rug = figure.axes
    table = curve.table
    (line,) = marks(ax, "effect")
    assert line.get_xdata() == pytest.approx(table["x"] / KM_H_PER_MPH)
    assert line.get_ydata() == pytest.approx(table["ratio"])
    for gid, suffix in (("band", ""), ("band_all", "_all")):
        (band,) = marks(ax, gid)
        y = band.get_paths()[0].vertices[:, 1]
        assert y.min() == pytest.approx(table[f"ratio_low{suffix}"].min())
        assert y.max() == pytest.approx(table[f"ratio_high{suffix}"].max())
    drawn = [line.get_xdata() for line in marks(rug, "strips")]
    for x, level in zip(drawn, ("wide", "usual"), strict=True):
        own = curve.strips.loc[curve.strips["level"].eq(level), "x"] / KM_H_PER_MPH
        assert np.sort(x) == pytest.approx(np.sort(own))
    assert f"{table['ratio'].iloc[0]:.2f}" in figure.alt_text and "mph" in figure.alt_text
    difference = effect_along(curve, shown="difference")
    (line,) = marks(difference.axes[0], "effect")
    assert line.get_ydata() == pytest.approx(table["difference"])


def test_bands_stay_apart_in_greyscale(gaps):
    curve = effect_curve(gaps.responses["header_loss"])
    ax = effect_along(curve).axes[0]
    light = [
        float(marks(ax, gid)[0].get_facecolor()[0][:3] @ np.array([0.299, 0.587, 0.114]))
        for gid in ("band", "band_all")
    ]
    assert light[1] - light[0] > 0.1 and light[1] < 0.95


def test_where_no_mean_is_clear_of_zero_differences_stand(gaps):
    result = gaps.responses["header_loss"]
    huge = replace(result, offset=Offset(result.offset.value, 1e6, np.inf))
    curve = effect_curve(huge)
    assert curve.table["ratio"].isna().all() and curve.table["difference"].notna().all()
    assert "differences stand" in curve.words[0]
    with pytest.raises(DesignError, match="draw the difference"):
        effect_along(curve)
    with pytest.raises(DesignError, match="too near zero"):
        crossing(replace(curve, table=pd.DataFrame(curve.table)), 1.0)
