"""Predictions averaged over the spread of the units, against dense algebra point by point."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.analysis.averaged import averaged
from trialkit.analysis.predictions import unit_information
from trialkit.analysis.questions.fields import slope_turns
from trialkit.mixed import fit_mixed


@pytest.fixture(scope="module")
def small():
    """Five trials of two fields with three pairs each, one missing; Gaussian."""
    rng = np.random.default_rng(12)
    t, f, p, s = (v.ravel() for v in np.indices((5, 2, 3, 2)))
    frame = pd.DataFrame({"trial": t, "field": t * 2 + f, "pair": (t * 2 + f) * 3 + p}).astype(str)
    frame["setup"] = pd.Categorical(np.where(s, "new", "old"), categories=["old", "new"])
    own = rng.normal(0, 0.3, 5)[t] + rng.normal(0, 0.2, (5, 2))[t, f]
    frame["y"] = 5 + own * (s - 0.5) + rng.normal(0, 0.3, (5, 2))[t, f] + rng.normal(0, 0.2, 60)
    frame = frame.iloc[:-2].reset_index(drop=True)
    fit = fit_mixed(
        frame, response="y", fixed="setup", nested=["trial", "field", "pair"],
        slopes={"trial": ["setup"], "field": ["setup"]}, family="gaussian",
        covariance={"trial": "exchangeable", "field": "exchangeable"},
    )  # fmt: skip
    return frame, fit


def test_a_contrast_of_units_is_the_dense_mixture(small) -> None:
    frame, fit = small
    names = list(fit.model.chain.names)
    information = unit_information(fit, ["trial", "field"])
    turn = slope_turns(fit, "field", "setup")
    turn = turn["new"] - turn["old"]
    trials, fields = np.unique(frame["trial"]), information.labels["field"]["field"].astype(str)
    of_trial = frame.drop_duplicates("field").set_index("field")["trial"].reindex(fields)
    # Own fields (the first trial's and one of the second's) less the rest.
    own = np.zeros(10)
    own[[0, 1, 2]] = 1 / 3
    own[3:] = -1 / 7
    member = np.equal.outer(of_trial.to_numpy(str), trials.astype(str)).astype(float)
    units = {"trial": (own @ member)[None, :, None] * turn, "field": own[None, :, None] * turn}
    mask = np.array([False, True])
    scale, df = 0.4, 15.0
    # The contrast, and the effect in a field of the next trial.
    units = {u: np.concatenate([w, np.zeros_like(w)]) for u, w in units.items()}
    new = {u: np.array([np.zeros(2), turn]) for u in ("trial", "field")}
    vary = {"trial": mask, "field": mask}
    fixed = np.array([[0.0, 0.0], [0.0, 1.0]])
    found = averaged(information, vary, fixed, units, new, scale, df, 0.95)
    assert np.isnan([found.share_low[0], found.share_high[0]]).all()

    # The same by dense matrices over a grid four times as fine, of another shape.
    y = frame["y"].to_numpy()
    x = np.column_stack([np.ones(len(y)), frame["setup"] == "new"])
    side = np.where(frame["setup"] == "new", 1.0, -1.0) / np.sqrt(2)
    z_t = np.equal.outer(frame["trial"].to_numpy(str), trials.astype(str)) * side[:, None]
    z_f = np.equal.outer(frame["field"].to_numpy(str), fields.to_numpy()) * side[:, None]
    base = fit.dispersion**2 * np.eye(len(y))
    for name in ("trial", "field", "pair"):
        label = frame[name].to_numpy(str)
        base += fit.covariances[names.index(name)][0, 0] * np.equal.outer(label, label)
    a_t, a_f = np.sqrt(2) * (own @ member), np.sqrt(2) * own
    points = []
    grid = np.linspace(0.0, 3.0, 121)[1:] ** 2 / 3.0
    for sd_t in grid[::2]:
        for sd_f in grid[::2]:
            v = base + sd_t**2 * z_t @ z_t.T + sd_f**2 * z_f @ z_f.T
            inverse = np.linalg.inv(v)
            info = x.T @ inverse @ x
            beta = np.linalg.solve(info, x.T @ inverse @ y)
            left = y - x @ beta
            loglik = -0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(info)[1]
                             + left @ inverse @ left)  # fmt: skip
            c = sd_t**2 * z_t @ a_t + sd_f**2 * z_f @ a_f  # covariance of y with the contrast
            projector = inverse - inverse @ x @ np.linalg.solve(info, x.T @ inverse)
            variance = sd_t**2 * a_t @ a_t + sd_f**2 * a_f @ a_f - c @ projector @ c
            width = np.sqrt(sd_t * sd_f)  # of cells even in the square root
            prior = 1 / ((sd_t**2 + scale**2) * (sd_f**2 + scale**2))
            effect = beta[1], np.sqrt(np.linalg.inv(info)[1, 1]), np.sqrt(2 * (sd_t**2 + sd_f**2))
            points.append((loglik + np.log(width * prior), c @ inverse @ left, np.sqrt(variance),
                           *effect))  # fmt: skip
    log, mean, se, mu, mu_se, tau = np.array(points).T
    weight = np.exp(log - log.max()) / np.exp(log - log.max()).sum()
    # Both are quadratures: agreement within a hundredth of the standard error is their accuracy.
    spread = np.sqrt(weight @ (se**2 + mean**2) - (weight @ mean) ** 2)
    assert found.estimate[0] == pytest.approx(weight @ mean, abs=0.01 * spread)
    assert found.se[0] == pytest.approx(spread, rel=0.01)
    for q, p in ((found.low[0], 0.025), (found.high[0], 0.975)):
        assert weight @ stats.t.cdf((q - mean) / se, df) == pytest.approx(p, abs=0.001)
    assert found.positive[0] == pytest.approx(weight @ stats.t.cdf(mean / se, df), abs=0.001)
    # The share Phi(mu / tau) of fields like these lies below x where mu is below tau Phi^-1(x).
    for share, p in ((found.share_low[1], 0.025), (found.share_high[1], 0.975)):
        below = stats.t.cdf((tau * stats.norm.ppf(share) - mu) / mu_se, df)
        assert weight @ below == pytest.approx(p, abs=0.001)
    assert found.share_low[1] < found.positive[1] < found.share_high[1]


def test_the_likelihood_peaks_where_the_fit_does(small) -> None:
    _, fit = small
    information = unit_information(fit, ["trial", "field"])
    own = information.covariances["field"]
    steps = np.array([0.7, 0.9, 1.0, 1.1, 1.4])[:, None, None]
    assert information.at({"field": steps * own}).loglik.argmax() == 2


def test_known_without_doubt_it_is_the_plain_prediction(small) -> None:
    _, fit = small
    information = unit_information(fit, ["trial", "field"])
    rows, units = np.eye(2), {"field": np.zeros((2, 10, 2))}
    found = averaged(information, {}, rows, units, {}, 1.0, 12.0, 0.95)
    estimate, se = information.linear(rows, units)
    half = stats.t.ppf(0.975, 12) * se
    np.testing.assert_allclose(found.estimate, estimate)
    np.testing.assert_allclose([found.low, found.high], [estimate - half, estimate + half],
                               rtol=1e-6)  # fmt: skip
