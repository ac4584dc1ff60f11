"""Curves and power of responses that are not counts of one zone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from frozen_trials import CUSHION_PAIRS, SCENARIOS
from noncentral_t import paired_t_power
from scipy import stats

from trialkit.analysis.estimates import estimate_factors
from trialkit.analysis.questions.crossing import crossing
from trialkit.analysis.questions.curve_line import Line
from trialkit.analysis.questions.curves import EffectCurve, effect_curve
from trialkit.analysis.questions.power_attained import power_attained
from trialkit.analysis.questions.precision import Contrast
from trialkit.analysis.questions.surface import response_surface
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError
from trialkit.mixed.means import reference_grid
from trialkit.plots.curves import effect_along
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.trial import Trial
from trialkit.units import KG_HA_PER_BU_AC

DEMO = Path(__file__).parent.parent / "data_demo"
TRUTH = Truth(
    preharvest=1.0, header=20.0, header_ratios={}, sd={}, preharvest_sd={}, moisture=(18.0, 26.0),
    moisture_sd=2.0,
)  # fmt: skip
EFFORT = Effort(header_frames=1, preharvest_frames=0, total_frames=0, ear_area=0, grain_samples=0,
                residue_samples=0, stalks=0)  # fmt: skip


def one_response(trial: Trial, name: str):
    return analyse_response(SPECIFICATIONS[name], trial, trial.losses(), 0.95)


@pytest.fixture(scope="module")
def demos(analysed):
    return {s.folder: analysed(s.folder).responses for s in SCENARIOS}


@pytest.fixture(scope="module")
def gaps(demos):
    return demos["gap_fields"]


@pytest.fixture(scope="module")
def paired() -> Trial:
    """Ten pairs on one field whose yields rise with moisture, more so with the cushion."""
    trial = simulate_trial(CUSHION_PAIRS.config, TRUTH, seed=5, blocks=10, effort=EFFORT)
    rng = np.random.default_rng(7)
    strips = trial.strips
    pair = pd.Series(rng.normal(0, 300, 10), strips["pair"].unique())
    cushion = strips["cushion"].eq("cushion").to_numpy()
    away = strips["moisture"].to_numpy(dtype=float) - 22
    value = 12000 + 60 * away + cushion * (150 + 80 * away) + strips["pair"].map(pair).to_numpy()
    strips = strips.assign(**{"yield": value + rng.normal(0, 120, len(strips))})
    return Trial.from_tables(trial.config, {**trial.tables, "strips": strips})


def line_of(curve: EffectCurve) -> Line:
    return Line(
        curve.fit, curve.result, curve.factor.name, curve.level, curve.reference, curve.along
    )


# ---------------------------------------------------------------- curves
def test_curve_of_a_gaussian_response_is_that_of_statsmodels(paired):
    curve = effect_curve(one_response(paired, "yield"), "moisture")
    strips = paired.strips.assign(
        y=paired.strips["yield"].astype(float),
        x=paired.strips["moisture"].astype(float) - paired.strips["moisture"].mean(),
        c=paired.strips["cushion"].eq("cushion").astype(float),
    )
    theirs = smf.mixedlm("y ~ c * x", strips, groups=strips["pair"]).fit(reml=True)
    x = curve.table["x"].to_numpy() - paired.strips["moisture"].mean()
    b = theirs.fe_params
    # Theirs stops its search of the variances earlier, and the estimates depend on them a little.
    wanted = b["c"] + b["c:x"] * x
    assert curve.table["difference"].to_numpy() == pytest.approx(wanted, rel=1e-3, abs=0.1)
    assert curve.interaction["per_unit"] == pytest.approx(b["c:x"], rel=1e-3)
    # Their standard errors are from the information of all parameters; by hand at their variances,
    # (X' V^-1 X)^-1 is ours before the small-sample adjustment.
    same = strips["pair"].to_numpy()[:, None] == strips["pair"].to_numpy()
    v = theirs.cov_re.iloc[0, 0] * same + theirs.scale * np.eye(len(strips))
    design = theirs.model.exog
    cov = np.linalg.inv(design.T @ np.linalg.solve(v, design))
    rows = np.column_stack([np.zeros_like(x), np.ones_like(x), np.zeros_like(x), x])
    line = line_of(curve)
    gradient = line.compared(curve.table["x"].to_numpy()).rows
    own = gradient @ curve.fit.inference.phi @ gradient.T
    assert np.diag(own) == pytest.approx(np.diag(rows @ cov @ rows.T), rel=1e-3)
    assert curve.table["ratio"].isna().all() and np.isnan(curve.critical_ratio)
    assert "Per point the difference changes by +" in " ".join(curve.words)
    assert "ratio" not in " ".join(curve.words)
    # Fieller's set of no difference ends where the pointwise band meets zero.
    found = crossing(curve)
    assert found.scale == "difference" and found.value == 0.0
    for end in found.intervals[0]:
        at = line.compared(np.array([end]))
        inside = curve.table["x"].iloc[0] < end < curve.table["x"].iloc[-1]
        if inside:
            assert abs(at.estimate[0]) == pytest.approx(stats.t.ppf(0.975, at.df[0]) * at.se[0])
    with pytest.raises(DesignError, match="has no ratio"):
        crossing(curve, 0.9, scale="ratio")


@pytest.mark.parametrize(
    "name", ["header_loss", "kernel_damage", "processing_loss", "broken_corn", "residue_score",
             "yield", "test_weight"],
)  # fmt: skip
def test_at_the_mean_a_curve_is_the_analysis_of_its_own_fit(gaps, name):
    """The contrasts table made from the fit with the interaction, for every family."""
    result = gaps[name]
    curve = effect_curve(result, "moisture", level="wide", points=5)
    design = replace(
        result.design, covariates=tuple({*result.design.covariates, "moisture_centred"})
    )
    _, contrasts, _ = estimate_factors(curve.fit, design, result.reading, 0.95)
    row = contrasts.set_index("level").loc["wide"]
    line = line_of(curve)
    at = np.array([line.centre])
    assert line.compared(at).interval("difference", 0.0)[0][0] == pytest.approx(row["difference"])
    ratio = line.compared(at).interval("ratio", 0.0)[0][0]
    assert np.isnan(row["ratio"]) or ratio == pytest.approx(row["ratio"])
    assert curve.table["ratio"].isna().all() or result.reading.ratios
    figure = effect_along(curve, shown=None if curve.table["ratio"].notna().any() else "difference")
    assert result.title in figure.alt_text


def test_ratio_of_shares_by_mass_is_that_of_the_link_contrast(gaps):
    # Half the variance stands in both means alike, so it leaves their ratio alone.
    result = gaps["broken_corn"]
    curve = effect_curve(result, "moisture", level="wide")
    x = curve.table["x"].to_numpy()
    line = line_of(curve)
    one, other = line.pair(x)
    eta = (one.link - other.link) @ curve.fit.fixed_effects.to_numpy()
    assert curve.table["ratio"].to_numpy() == pytest.approx(np.exp(eta))
    rows = one.link - other.link
    se = np.sqrt(np.diag(rows @ curve.fit.covariance.to_numpy() @ rows.T))
    assert isinstance(line.judge, float)  # a Gaussian response has the fit's own covariance
    half = np.log(curve.table["ratio_high_all"] / curve.table["ratio"]) / curve.critical_ratio
    assert half.to_numpy() == pytest.approx(se, rel=1e-6)
    # A mean by hand: percent, over the effects of field, pair, strip and the residual.
    eta = other.link[0] @ curve.fit.fixed_effects.to_numpy()
    grid = reference_grid(curve.fit, ["gap"], {"gap": "usual"})
    size = grid[2][0] + curve.fit.dispersion**2
    assert other.value[0] == pytest.approx(100 * np.exp(eta + size / 2))


def test_curve_of_a_difference_between_zones_is_that_of_its_parts(gaps):
    result = gaps["processing_loss"]
    curve = effect_curve(result, "moisture", level="wide")
    fit = curve.fit
    x = curve.table["x"].to_numpy()
    centred = x - line_of(curve).centre
    held = dict.fromkeys(result.design.covariates, 0.0)

    def mean(level: str, zone: str) -> np.ndarray:
        at = {**held, "gap": level, "zone": zone, "moisture_centred": list(centred)}
        _, rows, spread = reference_grid(fit, ["moisture_centred"], at)
        return result.scale * np.exp(rows @ fit.fixed_effects.to_numpy() + spread / 2)

    wanted = [mean(v, "total") - mean(v, "header") for v in ("wide", "usual")]
    assert curve.table["difference"].to_numpy() == pytest.approx(wanted[0] - wanted[1])
    # Two levels against the third in two zones.
    assert curve.interaction["num_df"] == 4
    assert np.isnan(curve.interaction["per_unit"])
    assert any("in each zone" in note for note in curve.sentences)


def test_a_slope_that_rounds_to_none_is_told_in_percent(gaps):
    curve = effect_curve(gaps["residue_mass"])
    assert f"{curve.interaction['per_unit']:.3g}" == "1"
    (words,) = (w for w in curve.words if w.startswith("Per point"))
    assert f"changes by {100 * (curve.interaction['per_unit'] - 1):+.2g} %" in words
    assert "factor of" not in words


def test_a_response_is_not_drawn_along_itself(gaps):
    with pytest.raises(DesignError, match="along itself"):
        effect_curve(gaps["moisture"], "moisture")
    other = effect_curve(gaps["moisture"], "speed_measured", points=5)
    assert other.table["difference"].notna().all()
    with pytest.raises(DesignError, match="its own surface"):
        response_surface(gaps["moisture"], ("gap", "moisture"))


# ---------------------------------------------------------------- power
def test_power_of_a_paired_gaussian_trial_is_that_of_the_paired_t(paired):
    result = one_response(paired, "yield")
    assert result.variances.set_index("level")["variance"]["pair"] > 0
    wide = paired.strips.pivot(index="pair", columns="cushion", values="yield").astype(float)
    apart = wide["cushion"] - wide["standard"]
    sd, n = apart.std(), len(apart)
    aims = [0.5 * sd, -sd, 2.0 * sd]
    found = power_attained(result, differences=aims, half_widths=[sd])
    assert found.scale == "difference"
    assert found.se == pytest.approx(sd / np.sqrt(n), rel=1e-6)
    assert found.df == pytest.approx(n - 1, rel=1e-6)
    assert found.half_width == pytest.approx(stats.t.ppf(0.975, n - 1) * sd / np.sqrt(n), rel=1e-6)
    assert paired_t_power(found.detectable_high / sd, n) == pytest.approx(0.8, abs=1e-7)
    assert found.detectable_low == pytest.approx(-found.detectable_high)
    assert found.detectable_difference == (found.detectable_low, found.detectable_high)
    by = found.scaling.set_index("pairs")
    for pairs in (6, 16, 32):
        assert by.loc[pairs, "df"] == pytest.approx(pairs - 1, rel=1e-6)
        effect = by.loc[pairs, "detectable_high"] / sd
        assert paired_t_power(effect, pairs) == pytest.approx(0.8, abs=1e-6)
    needed = found.needed[found.needed["aim"].eq("detectable difference")]
    for aim, pairs in zip(aims, needed["pairs"], strict=True):
        enough = (paired_t_power(abs(aim) / sd, k) >= 0.8 for k in range(2, 400))
        assert pairs == next(k for k, reached in enumerate(enough, start=2) if reached)
    widths = [stats.t.ppf(0.975, k - 1) / np.sqrt(k) <= 1 for k in range(2, 400)]
    assert found.needed["pairs"].iloc[0] == widths.index(True) + 2
    assert needed["pairs_twice_the_rows"].isna().all()  # a strip has one yield
    least = found.detectable_high / KG_HA_PER_BU_AC
    assert f"a true difference of {least:.3g} bu/ac or more" in found.sentence
    assert "ratio" not in found.sentence
    with pytest.raises(DesignError, match="as differences"):
        power_attained(result, ratios=[0.9])
    with pytest.raises(ValueError, match="differences not 0"):
        power_attained(result, differences=[0.0])


@pytest.mark.parametrize("folder", [s.folder for s in SCENARIOS])
def test_present_precision_is_the_reported_one(demos, folder):
    for result in demos[folder].values():
        for known in result.contrasts.itertuples():
            found = power_attained(result, known.factor, known.level, half_widths=[2.0])
            half = (known.difference_high - known.difference_low) / 2
            assert found.half_width_difference == pytest.approx(half, rel=1e-6)
            if found.scale == "ratio":
                half = np.sqrt(known.ratio_high / known.ratio_low)
            assert found.half_width == pytest.approx(half, rel=1e-6)
            none = float(found.scale == "ratio")
            assert not found.detectable_low >= none and found.detectable_high > none
            assert found.variance["share"].sum() == pytest.approx(1)
            assert found.variance["share"].min() >= -1e-6


@pytest.mark.parametrize(
    "name", ["header_loss", "kernel_damage", "processing_loss", "broken_corn", "yield"]
)
def test_working_covariance_is_that_of_dense_matrices(gaps, name):
    """``(X' V^-1 X)^-1`` with every row written down as often as asked for."""
    result = gaps[name]
    fit = result.fit
    row = result.contrasts.iloc[0]
    own = Contrast(result, row["factor"], row["level"], row["reference"], 0.8, 0.95)
    assert own.covariance() == pytest.approx(fit.inference.phi, rel=1e-6)
    model, point = fit.model, fit.found.point
    gaussian = fit.family.name == "gaussian"
    residual = np.full(fit.n_rows, fit.dispersion**2) if gaussian else 1 / point.weight

    def dense(times: int, slopes: bool) -> np.ndarray:
        again = np.repeat(np.arange(fit.n_rows), times)
        v = np.diag(residual[again])
        for lev, name_of in enumerate(model.chain.nested):
            cov = fit.covariances[lev].copy()
            if not slopes:
                cov[1:], cov[:, 1:] = 0, 0
            z, unit = model.z[lev][again], model.row_units[lev][again]
            same = unit[:, None] == unit
            if name_of == result.specification.row:
                same = np.eye(len(again), dtype=bool)
            v += (z @ cov @ z.T) * same
        x = model.x[again] @ np.linalg.inv(model.to_original)
        return np.linalg.inv(x.T @ np.linalg.solve(v, x))

    # A strip has one yield, however often it is asked for.
    times = 1 if name == "yield" else 2
    for slopes in (True, False):
        wanted = dense(times, slopes)
        size = np.abs(wanted).max()
        assert own.covariance(2.0, slopes) == pytest.approx(wanted, rel=1e-5, abs=1e-7 * size)
