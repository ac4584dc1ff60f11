"""Checks of a model: quiet on sound data, and they name what is wrong with bad data."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from frozen_trials import CUSHION_PAIRS, frozen_dir
from scipy import integrate, stats

from trialkit import plots
from trialkit.analysis import analyse
from trialkit.analysis.questions.checks import check_model
from trialkit.analysis.questions.findings import CheckFinding
from trialkit.analysis.questions.refits import block_outliers, leave_out, strip_values
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError, ModelError
from trialkit.facts import Note
from trialkit.mixed import fit_mixed
from trialkit.mixed.effects import unit_part
from trialkit.mixed.residual_shape import _mixed_cdf, residual_shape
from trialkit.plots.checks import influence, residual_quantiles
from trialkit.simulate import Effort, simulate_trial
from trialkit.trial import Trial, load_trial

FRAMES_ONLY = Effort(
    header_frames=6, total_frames=0, ear_area=0, grain_samples=0, residue_samples=0, stalks=0
)


def one_response(trial: Trial, name: str):
    return analyse_response(SPECIFICATIONS[name], trial, trial.losses(), 0.95)


@pytest.fixture(scope="module")
def demo():
    return load_trial(frozen_dir("cushion_pairs"))


@pytest.fixture(scope="module")
def pairs(demo):
    return analyse(demo).responses


@pytest.fixture(scope="module")
def check(pairs):
    return check_model(pairs["header_loss"], seed=1, n=200)


def recounted(trial: Trial, change) -> Trial:
    """The trial with its header frames' kernels changed by a function of the joined frames."""
    frames = trial.tables["frames"].reset_index(drop=True)
    joined = frames.merge(trial.strips[["strip", "pair", "cushion"]], on="strip", how="left")
    header = frames["zone"].eq("header").to_numpy()
    kernels = np.where(header, change(joined), frames["loose_kernels"]).astype(int)
    return Trial.from_tables(
        trial.config, {**trial.tables, "frames": frames.assign(loose_kernels=kernels)}
    )


def header(trial: Trial):
    return one_response(trial, "header_loss")


# ---------------------------------------------------------------- shape
@pytest.mark.parametrize("response", ["header_loss", "kernel_damage"])
def test_law_of_a_row_is_the_integral_over_its_effect(pairs, response):
    fit = pairs[response].fit
    eta = fit.model.offset + fit.model.x @ fit.found.point.beta
    below, upto = _mixed_cdf(fit, eta, 0.4)
    for i in (0, 7, 19):

        def law(b, i=i):
            mean = fit.family.inverse_link(eta[i] + 0.4 * b)
            if response == "header_loss":
                return stats.poisson(mean)
            return stats.binom(fit.model.size[i], mean)

        for y, ours in ((fit.y[i] - 1, below[i]), (fit.y[i], upto[i])):
            known, _ = integrate.quad(
                lambda b, y=y, law=law: law(b).cdf(y) * stats.norm.pdf(b), -8, 8, epsabs=1e-9
            )  # fmt: skip
            assert ours == pytest.approx(known, abs=2e-6)


def test_sound_data_are_doubted_no_oftener_than_they_should_be():
    # 40 rounds: a p-value below 0.05 in at most 6 of them, but for a chance of 0.004; the
    # residuals of neighbouring rows are independent given the model.
    rng = np.random.default_rng(12)
    frame = pd.DataFrame(
        {"pair": np.repeat(np.arange(6), 12).astype(str),
         "strip": np.repeat(np.arange(12), 6).astype(str), "row": np.arange(72).astype(str),
         "setup": np.tile(np.repeat(["a", "b"], 6), 6)}
    )  # fmt: skip
    p = []
    for _ in range(40):
        eta = 2.5 - 0.4 * (frame["setup"] == "b")
        for column, sd in (("pair", 0.2), ("strip", 0.2), ("row", 0.4)):
            codes = frame[column].astype(int)
            eta = eta + rng.normal(0, sd, codes.max() + 1)[codes]
        frame["y"] = rng.poisson(np.exp(eta))
        fit = fit_mixed(frame, "y", "setup", nested=["pair", "strip", "row"], family="poisson")
        p.append(residual_shape(fit, 60, rng).checks["residuals"].p)
    assert sum(np.array(p) < 0.05) <= 6
    assert 0.3 < np.mean(p) < 0.7


def test_counts_in_heaps_are_seen(demo):
    # One frame in eight lies on a heap: nothing like a lognormal.
    rng = np.random.default_rng(8)
    heap = rng.random(len(demo.frames)) < 0.12
    bad = recounted(demo, lambda f: rng.poisson(30, len(f)) + heap * 400)
    found = check_model(header(bad), seed=2, n=300)
    p = found.checks.set_index("check")["p_adjusted"]
    assert p["residuals"] < 0.02
    assert found.verdict.startswith("The model is doubtful. Residuals are shaped differently")


def test_bands_and_effects_are_of_the_rows_and_units(pairs, check):
    fit = pairs["header_loss"].fit
    assert len(check.residuals) == fit.n_rows
    assert (np.diff(check.residuals["residual"]) >= 0).all()
    assert (check.residuals["low"] < check.residuals["high"]).all()
    inside = check.residuals["residual"].between(check.residuals["low"], check.residuals["high"])
    assert inside.mean() > 0.9
    # The strips' predicted effects by size, over what varies of them: their variance less that of
    # the prediction.
    known, variances = fit.unit_effects("strip"), fit.variances.set_index("level")["variance"]
    spread = np.sqrt(variances["strip"] - known["Intercept_se"] ** 2)
    known = known.assign(standardised=known["Intercept"] / spread).sort_values("standardised")
    ours = check.effects
    assert set(ours["level"]) == {"strip"}  # the pair variance is zero
    assert ours["effect"].to_numpy() == pytest.approx(known["Intercept"].to_numpy(), rel=1e-4)
    assert ours["standardised"].to_numpy() == pytest.approx(known["standardised"], rel=1e-4)
    assert (ours["low"] < ours["high"]).all()
    with pytest.raises(ModelError, match="at least 20"):
        residual_shape(fit, 5)
    assert np.abs(unit_part(fit)).max() > 0


# ---------------------------------------------------------------- one pair
def test_an_outlying_pair_is_named(demo):
    def odd(frames: pd.DataFrame) -> pd.Series:
        swap = frames["pair"].eq("3") & frames["cushion"].eq("cushion")
        return frames["loose_kernels"] * np.where(swap, 10, 1)  # a digit too many

    result = header(recounted(demo, odd))
    found = check_model(result, seed=3, n=100)
    assert "Pair 3 stands apart from the other pairs" in found.verdict
    row = found.checks.set_index("check").loc["pair apart"]
    assert row["p_adjusted"] < 0.05
    # The odd pair hides what the other five show.
    assert result.contrasts["p"].item() > 0.05
    assert "One pair decides the result: without pair 3 the ratio is" in found.verdict
    assert "would be told apart at 95 %" in found.verdict
    without = found.influence.set_index("pair")
    assert without["p"].idxmin() == "3" and without["cooks_distance"].idxmax() == "3"
    figure = influence(found)
    assert "What is told apart changes without pair 3." in figure.summary
    (diamond,) = (m for m in figure.axes[0].lines if m.get_marker() == "D")
    assert diamond.get_xdata()[0] == pytest.approx(without.loc["3", "ratio"])


def test_outlier_test_is_that_of_statsmodels(pairs):
    result = pairs["header_loss"]
    ours = block_outliers(result, "cushion", "cushion", "standard")
    strips = result.by_strip.assign(y=result.by_strip["strip"].map(strip_values(result)))
    wide = strips.pivot(index="pair", columns="cushion", values="y")
    d = (wide["cushion"] - wide["standard"]).to_numpy()
    known = sm.OLS(d, np.ones(len(d))).fit().outlier_test(method="bonf")
    assert ours["studentised"].to_numpy() == pytest.approx(known[:, 0])
    assert ours["p"].to_numpy() == pytest.approx(known[:, 2])


def test_leaving_a_pair_out_is_a_trial_without_it(demo, pairs):
    table = leave_out(pairs["kernel_damage"], "pair", 0.95)
    gone = demo.strips.loc[demo.strips["pair"] != "4", "strip"]
    tables = dict(demo.tables)
    less = Trial.from_tables(
        demo.config,
        {"fields": tables["fields"],
         **{n: tables[n][tables[n]["strip"].isin(gone)] for n in ("strips", "grain")}},
    )  # fmt: skip
    known = analyse_response(
        SPECIFICATIONS["kernel_damage"], less, less.losses(), 0.95
    ).contrasts.iloc[0]
    ours = table.set_index("pair").loc["4"]
    for column in ("ratio", "ratio_low", "difference_high", "df", "p"):
        assert ours[column] == pytest.approx(known[column], rel=1e-4)
    engine = pairs["kernel_damage"].fit.influence("pair").units.set_index("pair")
    distances = table.set_index("pair")["cooks_distance"]
    assert distances.to_numpy() == pytest.approx(
        engine["cooks_distance"][distances.index], rel=2e-2
    )


def test_two_fields_can_each_be_left_out_and_what_cannot_says_why():
    trial = simulate_trial(
        CUSHION_PAIRS.config, CUSHION_PAIRS.truth, seed=9, blocks=3, fields=("A", "B"),
        effort=FRAMES_ONLY,
    )  # fmt: skip
    result = header(trial)
    table = leave_out(result, "field", 0.95).set_index("field")
    assert list(table.index) == ["A", "B"] and (table["reason"] == "").all()
    assert table.loc["A", "ratio"] != pytest.approx(result.contrasts["ratio"].item())
    small = simulate_trial(
        CUSHION_PAIRS.config, CUSHION_PAIRS.truth, seed=9, blocks=2, effort=FRAMES_ONLY
    )
    told: list[str] = []
    alone = leave_out(header(small), "pair", 0.95, told.append)
    assert told == ["Leaving out pair 1 of 2", "Leaving out pair 2 of 2"]
    answered = alone["reason"] == ""
    assert (alone.loc[answered, "p"].notna()).all() and alone.loc[~answered, "p"].isna().all()


def test_verdict_is_quiet_on_the_demo_and_repeatable(pairs, check):
    assert check.verdict.startswith("The checks of fit find no fault in the model.")
    assert "only gross faults would show" in check.verdict
    assert {f.grade for f in check.findings} == {"quiet"}
    # The zeros are not checked where there are none and none are due.
    assert "zeros" not in set(check.checks["check"])
    again = check_model(pairs["header_loss"], seed=1, n=200)
    pd.testing.assert_frame_equal(check.checks, again.checks)
    said = CheckFinding("shape", "doubt", Note("model.as_written", {"text": "<script>"}))
    odd = replace(check, title="<u>loss</u>", findings=(said,))
    assert "<u>" not in odd._repr_html_() and "&lt;script&gt;" in odd._repr_html_()


def test_progress_tells_every_step(pairs):
    told: list[str] = []
    check_model(pairs["kernel_damage"], seed=1, n=20, progress=told.append)
    assert told[0] == "Effects of simulated data"
    assert told[-1] == "Leaving out pair 6 of 6"
    with pytest.raises(ValueError, match="level"):
        check_model(pairs["kernel_damage"], level=0.0)


# ---------------------------------------------------------------- figures
def test_residuals_are_drawn_where_they_are(check):
    figure = residual_quantiles(check)
    ax = figure.axes[0]
    drawn = np.concatenate(
        [line.get_xydata() for line in ax.lines if line.get_gid() in ("inside", "outside")]
    )
    wanted = check.residuals[["theoretical", "residual"]].to_numpy()
    assert np.sort(drawn, axis=0) == pytest.approx(np.sort(wanted, axis=0))
    (band,) = (c for c in ax.collections if c.get_gid() == "band")
    corners = band.get_paths()[0].vertices
    assert corners[:, 1].min() == pytest.approx(check.residuals["low"].min())
    outside = int(
        (
            ~check.residuals["residual"].between(check.residuals["low"], check.residuals["high"])
        ).sum()
    )
    assert f"{outside} of 96 residuals lie outside" in figure.alt_text
    assert isinstance(figure, plots.Plot) and figure.svg().startswith("<svg")


def test_influence_joins_each_unit_to_the_full_estimate(check):
    figure = influence(check, "cushion", "cushion", field_names={"Long Bottom": "Field A"})
    ax = figure.axes[0]
    full = check.full["ratio"].item()
    lines = {gid: [m for m in ax.lines if m.get_gid() == gid] for gid in
             ("without", "moved", "without interval", "full")}  # fmt: skip
    assert lines["full"][0].get_xdata()[0] == pytest.approx(full)
    for (_, row), at, joined, interval in zip(
        check.influence.iterrows(), lines["without"], lines["moved"], lines["without interval"],
        strict=True,
    ):  # fmt: skip
        assert at.get_xdata()[0] == pytest.approx(row["ratio"])
        assert joined.get_xdata() == pytest.approx([full, row["ratio"]])
        assert interval.get_xdata() == pytest.approx([row["ratio_low"], row["ratio_high"]])
    names = [t.get_text() for t in ax.get_yticklabels()]
    assert names == [f"without pair {i}" for i in range(1, 7)]
    assert "The ratio moves most without pair 2" in figure.alt_text
    assert "changes nothing of what is told apart" in figure.alt_text
    with pytest.raises(DesignError, match="no contrast"):
        influence(check, "gap")
    with pytest.raises(DesignError, match="none to draw"):
        influence(replace(check, influence=pd.DataFrame()))


def test_without_a_field_of_three_effects_are_those_of_a_trial_of_two_fields():
    trial = load_trial(frozen_dir("gap_fields"))
    three = list(dict.fromkeys(trial.strips["field"]))[:3]

    def of(fields):
        tables = {k: t[t["field"].isin(fields)] if "field" in t else t
                  for k, t in trial.tables.items()}  # fmt: skip
        kept = set(tables["strips"]["strip"])
        tables = {k: t[t["strip"].isin(kept)] if "strip" in t else t for k, t in tables.items()}
        return analyse(Trial.from_tables(trial.config, tables), responses=["yield"])["yield"]

    table = leave_out(of(three), "field", 0.95)
    row = table[table["field"].eq(three[0])].reset_index(drop=True)
    own = of(three[1:]).contrasts
    for column in ("difference", "difference_low", "difference_high", "df", "p"):
        assert row[column].to_numpy(float) == pytest.approx(own[column].to_numpy(float), rel=1e-6)
