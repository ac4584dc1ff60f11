"""Effects field by field: predictions by the dense formula, truth recovered, marks in place."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS, frozen_dir
from scipy import stats

import trialkit as tk
from trialkit import plots
from trialkit.analysis.predictions import unit_information
from trialkit.analysis.questions.fields import field_effects
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError, ModelError
from trialkit.mixed import fit_mixed
from trialkit.simulate import Effort, Truth, simulate_trial


def header_loss(trial):
    return analyse_response(SPECIFICATIONS["header_loss"], trial, trial.losses(), 0.95)


@pytest.fixture(scope="module")
def gaps(analysed):
    return analysed("gap_fields").responses["header_loss"]


@pytest.fixture(scope="module")
def effects(gaps):
    return field_effects(gaps)


# ---------------------------------------------------------------- predictions
@pytest.mark.parametrize("levels", [["trial", "field"], ["trial"]])
def test_predictions_are_those_of_the_mixed_model_equations(levels) -> None:
    """Against the inverse of Henderson's (1975) equations, written out."""
    rng = np.random.default_rng(8)
    frame = pd.DataFrame(
        [(t, f, p, s) for t in range(5) for f in range(1 + t % 3) for p in range(3) for s in "ab"],
        columns=["trial", "field", "pair", "setup"],
    )
    frame = frame.loc[frame.index.repeat(2)].sample(frac=0.9, random_state=1, ignore_index=True)
    turn = np.where(frame["setup"] == "a", -1, 1) / np.sqrt(2)
    units = {"trial": frame["trial"], "field": frame["trial"] * 10 + frame["field"]}
    units["pair"] = units["field"] * 10 + frame["pair"]
    y = 3 + rng.normal(0, 0.3, len(frame))
    for unit in units.values():
        code = pd.factorize(unit)[0]
        y += rng.normal(0, 0.5, 60)[code] + rng.normal(0, 0.5, 60)[code] * turn
    frame["y"] = y
    fit = fit_mixed(
        frame, "y", "setup", nested=list(units), slopes={"trial": "setup", "field": "setup"},
        covariance={"trial": "exchangeable", "field": "exchangeable"},
    )  # fmt: skip
    x = np.column_stack([np.ones(len(frame)), frame["setup"] == "b"])
    columns, variances = [x], [np.zeros(2)]
    table = fit.variances.set_index(["level", "term"])["variance"]
    for name, unit in units.items():
        dummies = pd.get_dummies(unit).to_numpy(float)
        for term, z in (("Intercept", dummies), ("setup", dummies * turn[:, None])):
            if (name, term) in table.index:
                columns.append(z)
                variances.append(np.full(z.shape[1], table[name, term]))
    assert (table > 0).sum() >= 4, "the draw must not leave the slopes at zero"
    c, g = np.hstack(columns), np.concatenate(variances)
    keep = np.r_[[True, True], g[2:] > 0]
    equations = c.T @ c / fit.dispersion**2
    equations = (equations + np.diag(np.r_[0, 0, 1 / np.where(keep, g, 1)[2:]]))[keep][:, keep]
    inverse = np.linalg.inv(equations)
    solution = inverse @ c.T[keep] @ frame["y"].to_numpy() / fit.dispersion**2
    found = unit_information(fit, levels)
    np.testing.assert_allclose(
        found.linear(np.eye(2), {})[1], np.sqrt(np.diag(inverse)[:2]), rtol=1e-7
    )
    n_t, n_f = 5, units["field"].nunique()
    where = np.flatnonzero(keep)
    functions = rng.normal(size=(7, 2))
    w = {"trial": rng.normal(size=(7, n_t, 2)), "field": rng.normal(size=(7, n_f, 2))}
    w = {level: w[level] for level in levels}
    flat = [functions, *(v[:, :, j] for v in w.values() for j in (0, 1))]
    full = np.zeros((7, len(g)))
    wide = np.hstack(flat)
    full[:, : wide.shape[1]] = wide
    full = full[:, where]
    estimate, se = found.linear(functions, w)
    np.testing.assert_allclose(estimate, full @ solution, rtol=1e-6)
    np.testing.assert_allclose(
        se, np.sqrt(np.einsum("ij,jk,ik->i", full, inverse, full)), rtol=1e-6
    )


def test_predictions_of_counts_are_the_fits_own(gaps) -> None:
    fit = gaps.fit
    found = unit_information(fit, ["field"])
    fixed, of_fixed = found.linear(np.eye(len(fit.fixed_effects)), {})
    np.testing.assert_allclose(fixed, fit.fixed_effects, rtol=1e-7)
    np.testing.assert_allclose(of_fixed, np.sqrt(np.diag(fit.inference.phi)), rtol=1e-7)
    table = fit.unit_effects("field").iloc[:, 1:].to_numpy(float)
    none = np.zeros((8, len(fixed)))
    for j in range(3):
        w = np.zeros((8, 8, 3))
        w[np.arange(8), np.arange(8), j] = 1
        estimate, se = found.linear(none, {"field": w})
        np.testing.assert_allclose(estimate, table[:, 2 * j], atol=1e-12)
        np.testing.assert_allclose(se, table[:, 2 * j + 1], rtol=1e-7)
    with pytest.raises(ModelError, match="not the coarsest"):
        unit_information(fit, ["pair"])


# ---------------------------------------------------------------- effects
def test_raw_effects_come_from_a_fields_own_pairs(gaps, effects) -> None:
    frames = gaps.data[gaps.data["field"] == "Mill Piece"]
    sums = frames.groupby(["pair", "gap"], observed=True)[["loose_kernels", "area"]].sum()
    log = np.log(sums["loose_kernels"] / sums["area"]).unstack()
    row = effects.fields.set_index(["level", "field"]).loc[("wide", "Mill Piece")]
    known = stats.ttest_rel(log["wide"], log["usual"])
    assert row["raw"] == pytest.approx((log["wide"] - log["usual"]).mean())
    assert row["raw"] / row["raw_se"] == pytest.approx(known.statistic)
    assert row[["raw_low", "raw_high"]].to_numpy(float) == pytest.approx(
        list(known.confidence_interval(0.95))
    )
    assert row["n_pairs"] == 3


def test_the_mean_is_the_models_and_predictions_lie_between_it_and_the_raw(gaps, effects) -> None:
    pooled = effects.pooled.set_index("level")
    known = gaps.fit.coefficients
    for level in ("narrow", "wide"):
        assert pooled.loc[level, "estimate"] == pytest.approx(known["estimate"][f"gap[T.{level}]"])
        rows = effects.fields[effects.fields["level"] == level]
        own = rows["raw"] - pooled.loc[level, "estimate"]
        drawn = rows["shrunken"] - pooled.loc[level, "estimate"]
        assert np.corrcoef(own, drawn)[0, 1] > 0.9
        assert (drawn.abs() < own.abs().max()).all() and drawn.std() < own.std()
        # Predicted deviations of all fields cancel (balanced: every field has the same layout).
        assert drawn.sum() == pytest.approx(0, abs=0.02)
    # Differences of two levels vary with twice the variance of an orthonormal contrast.
    slope = gaps.variances.set_index(["level", "term"]).loc[("field", "gap"), "variance"]
    assert pooled["sd"].to_numpy() == pytest.approx(np.sqrt(2 * slope))


def test_the_next_field_by_hand(effects) -> None:
    row = effects.pooled.set_index("level").loc["wide"]
    # Wider than if the spread were known, on either side.
    known = 1.96 * np.hypot(row["sd"], row["se"])
    below, above = row["estimate"] - row["predicted_low"], row["predicted_high"] - row["estimate"]
    assert known < min(below, above) and max(below, above) < 1.5 * known
    # Estimates taken as known the share is a single number; not knowing them widens it both ways.
    plugged_in = stats.norm.cdf(row["estimate"] / row["sd"])
    assert row["same_direction_low"] < plugged_in < row["same_direction_high"]
    assert row["same_direction_low"] < row["same_direction"] < row["same_direction_high"]
    assert row["n_fields"] == 8


def test_three_fields_say_something_of_the_next() -> None:
    """t with one degree of freedom (12.7062, tables) would be three times as wide as need be."""
    trial = simulate_trial(CUSHION_PAIRS.config, CUSHION_PAIRS.truth, seed=3, blocks=3,
                           fields=["A", "B", "C"])  # fmt: skip
    row = field_effects(header_loss(trial)).pooled.iloc[0]
    half = (row["predicted_high"] - row["predicted_low"]) / 2
    plain = np.hypot(row["sd"], row["se"])
    assert 1.96 * plain < half < 0.6 * 12.7062 * plain


@pytest.fixture(scope="module")
def many():
    """Thirty fields of counts so large that each field's own effect is all but known."""
    truth = Truth(
        preharvest=0.01, header=400.0, header_ratios={"cushion": {"cushion": 0.7}},
        sd={"field": 0.3, "setup_by_field": 0.2, "pair": 0.1, "strip": 0.05, "frame": 0.02},
        preharvest_sd={},
    )  # fmt: skip
    effort = Effort(header_frames=2, preharvest_frames=1, total_frames=0, frame_area=5.0,
                    ear_area=0, grain_samples=0, residue_samples=0, stalks=0)  # fmt: skip
    trial = simulate_trial(
        CUSHION_PAIRS.config, truth, seed=12, blocks=3, effort=effort,
        fields=[f"F{i}" for i in range(30)],
    )  # fmt: skip
    return field_effects(header_loss(trial))


def test_truth_is_recovered_from_thirty_fields(many) -> None:
    row = many.pooled.iloc[0]
    # Both levels vary by 0.2 in each field, so their difference by 0.2 sqrt(2).
    assert row["sd_low"] < 0.2 * np.sqrt(2) < row["sd_high"]
    assert row["low"] < np.log(0.7) < row["high"]
    assert row["sd_p"] < 1e-6
    # Share of fields below one: Phi(0.357 / 0.283) = 0.896 (computed).
    inside = many.fields["raw"].between(row["predicted_low"], row["predicted_high"]).sum()
    low, high = stats.binom.ppf([0.001, 0.999], 30, 0.95)
    assert low <= inside <= high
    below = (many.fields["raw"] < 0).sum()
    low, high = stats.binom.ppf([0.001, 0.999], 30, 0.896)
    assert low <= below <= high
    # So much is counted in each field that little is left to shrink.
    gap = (many.fields["shrunken"] - many.fields["raw"]).abs()
    assert gap.max() < 0.1 * row["sd"] + 3 * 0.05 * np.sqrt(2 / 3)


def test_half_a_count_stands_in_for_none(gaps) -> None:
    pair = gaps.data[(gaps.data["field"] == "Mill Piece") & (gaps.data["pair"] == "1")]
    data = gaps.data.copy()
    data.loc[pair.index[pair["gap"] == "wide"], "loose_kernels"] = 0
    empty = replace(gaps, fit=gaps.fit.refit(data["loose_kernels"].to_numpy()))
    rows = field_effects(empty).fields.set_index(["level", "field"])
    sums = data[data["field"] == "Mill Piece"].groupby(["pair", "gap"], observed=True)
    count = sums["loose_kernels"].sum().unstack()
    area = sums["area"].sum().unstack()
    add = np.array([0.5, 0.0, 0.0])
    effect = np.log((count["wide"] + add) / area["wide"])
    effect -= np.log((count["usual"] + add) / area["usual"])
    assert rows.loc[("wide", "Mill Piece"), "raw"] == pytest.approx(effect.mean())


def test_what_has_no_fields_to_differ_says_so(gaps) -> None:
    one = tk.load_trial(frozen_dir())
    with pytest.raises(DesignError, match="three fields or more"):
        field_effects(header_loss(one))
    with pytest.raises(DesignError, match="'speed' is no setup factor"):
        field_effects(gaps, "speed")


def test_a_difference_between_zones_has_no_ratio_in_a_field() -> None:
    # The model's scale there is that of the counts of both zones, not of their difference.
    trial = tk.load_trial(frozen_dir("gap_fields"))
    result = tk.analyse(trial, responses=["processing_loss"]).responses["processing_loss"]
    assert result.design.slope_factors
    with pytest.raises(DesignError, match="Processing loss is a difference between zones"):
        field_effects(result)


# ---------------------------------------------------------------- the figure
def marks(ax, gid: str) -> list:
    return [line for line in ax.lines if line.get_gid() == gid]


def test_forest_shows_what_the_table_holds(effects) -> None:
    names = {f: f"Place {i}" for i, f in enumerate(sorted(set(effects.fields["field"])))}
    figure = plots.field_forest(effects, field_names=names)
    for ax, (_, pooled) in zip(figure.axes, effects.pooled.iterrows(), strict=True):
        rows = effects.fields[effects.fields["level"] == pooled["level"]]
        for gid, column in (("raw", "raw"), ("shrunken", "shrunken")):
            drawn = [line.get_xdata()[0] for line in marks(ax, gid)]
            assert drawn == pytest.approx(np.exp(rows[column]).tolist())
        drawn = np.array([line.get_xdata() for line in marks(ax, "shrunken interval")])
        assert drawn == pytest.approx(np.exp(rows[["low", "high"]].to_numpy()))
        # Raw intervals are cut at the axis, with an arrow for each end cut.
        raw, bounds = np.exp(rows[["raw_low", "raw_high"]].to_numpy()), ax.get_xlim()
        drawn = np.array([line.get_xdata() for line in marks(ax, "raw interval")])
        assert drawn == pytest.approx(raw.clip(*bounds))
        assert len(marks(ax, "beyond")) == ((raw < bounds[0]) | (raw > bounds[1])).sum() > 0
        (diamond,) = (p for p in ax.patches if p.get_gid() == "pooled")
        across = diamond.get_xy()[:, 0]
        assert [across.min(), across.max()] == pytest.approx(
            np.exp(pooled[["low", "high"]].to_numpy(float))
        )
        (ahead,) = marks(ax, "next")
        assert ahead.get_xdata() == pytest.approx(
            np.exp(pooled[["predicted_low", "predicted_high"]].to_numpy(float))
        )
        labels = [t.get_text() for t in ax.get_yticklabels()]
        assert labels == [*(names[f] for f in rows["field"]), "Mean of fields", "Next field"]
        assert ax.get_title(loc="left") == pooled["label"]
    assert "Place 0" in figure.alt_text and "Mill Piece" not in figure.alt_text
    wide = effects.pooled.set_index("level").loc["wide"]
    mean, low, high = np.exp(wide[["estimate", "low", "high"]].to_numpy(float))
    told = f"Wide (1-1/2 in): mean of fields {mean:.2f} ({low:.2f} to {high:.2f}); next field"
    assert told in figure.summary
    assert "Ratio to usual (1-1/4 in)" in figure.axes[-1].get_xlabel()


def test_forest_bears_single_pairs_and_leaves_no_trace(effects) -> None:
    bare = effects.fields.assign(raw_low=np.nan, raw_high=np.nan)
    bare.loc[bare.index[0], "raw"] = np.nan
    nowhere = effects.pooled.assign(predicted_low=-np.inf, predicted_high=np.inf)
    odd = replace(effects, fields=bare, pooled=nowhere)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        one, two = (plots.field_forest(odd).svg() for _ in range(2))
    assert one == two
    figure = plots.field_forest(odd)
    assert len(marks(figure.axes[0], "raw")) == 7 and not marks(figure.axes[0], "raw interval")
    assert not marks(figure.axes[0], "next") and "next field" not in figure.alt_text
