"""Influence of units: the same as fitting without them, and the classical one for regression."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from trialkit.errors import ModelError
from trialkit.mixed import fit_mixed

# Both searches stop near the optimum, from different starts; the criterion is flat there.
SAME_OPTIMUM = 2e-4


def strips(seed: int) -> pd.DataFrame:
    """Pairs of strips with repeated labels, unequal rows, shuffled."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame([(p, s, k) for p in range(6) for s in "ab" for k in range(4 + p % 3)])
    frame.columns = pd.Index(["pair", "strip", "frame"])
    unit = frame["pair"] * 2 + (frame["strip"] == "b")
    frame["speed"] = rng.normal(6, 1, len(frame))
    frame["eta"] = (
        rng.normal(0, 0.6, 6)[frame["pair"]]
        + rng.normal(0, 0.5, 12)[unit]
        + rng.normal(0, 0.3, 6)[frame["pair"]] * (frame["speed"] - 6)
        - 0.3 * (frame["strip"] == "b")
    )
    frame["setup"], frame["trials"] = frame["strip"], 20
    return frame.sample(frac=1.0, random_state=seed).reset_index(drop=True)


def responses(frame: pd.DataFrame, family: str) -> np.ndarray:
    rng = np.random.default_rng(8)
    eta = frame["eta"].to_numpy()
    if family == "gaussian":
        return eta + rng.normal(0, 0.5, len(eta))
    if family == "poisson":
        return rng.poisson(np.exp(1.5 + eta))
    if family == "binomial":
        return rng.binomial(20, 1 / (1 + np.exp(-eta)))
    return rng.poisson(np.exp(2 + eta) * rng.gamma(3, 1 / 3, len(eta)))


@pytest.mark.parametrize(
    ("family", "level", "extra"),
    [
        ("gaussian", "pair", {}),
        ("gaussian", "strip", {"slopes": {"pair": ["speed"]}, "fixed": "setup + speed"}),
        ("gaussian", "row", {"method": "ml"}),
        ("poisson", "pair", {}),
        ("poisson", "row", {}),
        ("binomial", "strip", {"trials": "trials", "method": "ml"}),
        ("negative_binomial", "pair", {}),
    ],
)
def test_equals_fitting_without_the_unit(family: str, level: str, extra: dict[str, Any]) -> None:
    frame = strips(2)
    frame["y"] = responses(frame, family)
    call = {"fixed": "setup", "nested": ["pair", "strip"], "family": family, **extra}
    fit = fit_mixed(frame, "y", **call)
    found = fit.influence(level)
    keys = found.units[{"pair": ["pair"], "strip": ["pair", "strip"]}.get(level, ["row"])]
    chosen = range(len(keys)) if level != "row" else range(0, len(keys), 9)
    inverse = np.linalg.inv(fit.covariance)
    for i in chosen:
        out = pd.Series(frame.index == i)
        if level != "row":
            out = (frame[list(keys)] == keys.iloc[i]).all(axis=1)
        less = fit_mixed(frame[~out], "y", **call)
        assert found.units["rows"][i] == out.sum()
        moved = (fit.fixed_effects - less.fixed_effects).to_numpy()
        se = np.sqrt(np.diag(fit.covariance))
        # In units of the standard errors, and of the components themselves.
        without = found.coefficients.loc[i].to_numpy()
        assert np.abs((without - less.fixed_effects.to_numpy()) / se).max() < SAME_OPTIMUM
        for j, variance in enumerate(less.variances["variance"]):
            own = fit.variances["variance"][j]
            assert found.variances.iloc[i, j] == pytest.approx(
                variance, rel=10 * SAME_OPTIMUM, abs=SAME_OPTIMUM * own
            )
            assert found.variance_change.iloc[i, j] == pytest.approx(
                own - found.variances.iloc[i, j], abs=1e-12
            )
        assert found.units["cooks_distance"][i] == pytest.approx(
            moved @ inverse @ moved / len(moved), rel=5e-3, abs=1e-5
        )
        if family != "gaussian":
            assert found.dfbetas.loc[i].to_numpy() == pytest.approx(moved / se, abs=SAME_OPTIMUM)


def test_without_units_it_is_classical_regression_influence() -> None:
    """Against statsmodels' OLS influence, worked out by actual deletion."""
    rng = np.random.default_rng(5)
    frame = pd.DataFrame({"a": rng.choice(list("xyz"), 40), "v": rng.normal(50, 5, 40)})
    frame["y"] = 3 + 0.2 * frame["v"] + (frame["a"] == "y") + rng.normal(0, 1, 40)
    frame.loc[7, "y"] += 6.0
    found = fit_mixed(frame, "y", "a + v").influence("row")
    reference = smf.ols("y ~ a + v", frame).fit().get_influence()
    np.testing.assert_allclose(found.units["cooks_distance"], reference.cooks_distance[0], 1e-7)
    np.testing.assert_allclose(found.dfbetas, reference.dfbetas, rtol=1e-6, atol=1e-10)
    assert found.summary["row"].iloc[0] == 7
    np.testing.assert_allclose(
        found.variances["dispersion"], np.sqrt(reference.sigma2_not_obsi), rtol=1e-8
    )


def test_what_cannot_be_left_out_is_named() -> None:
    frame = strips(4)
    frame["y"] = responses(frame, "gaussian")
    frame["rare"] = np.where((frame["pair"] == 2) & (frame["frame"] < 2), "yes", "no")
    found = fit_mixed(frame, "y", "setup + rare", nested=["pair"]).influence("pair")
    failed = found.units["reason"] != ""
    assert list(found.units["pair"][failed]) == [2]
    assert "fixed effect" in found.units["reason"][2]
    assert found.coefficients[failed].isna().all(axis=None)
    assert found.coefficients[~failed].notna().all(axis=None)
    assert found.summary["pair"].iloc[0] == 2
    assert "6 units of 'pair', 1 of which" in found._repr_html_().replace("&#x27;", "'")
    two = frame[frame["pair"] < 2]
    reasons = fit_mixed(two, "y", "setup", nested=["pair", "strip"]).influence("pair").units
    assert reasons["reason"].str.contains("one unit of 'pair' would be left").all()
    frame["y"] = (frame["rare"] == "no") + (frame["pair"] == 2) * (frame["frame"] == 0)
    frame["rare"] = np.where(frame["pair"] < 4, frame["rare"], "yes")
    frame["y"] *= frame["pair"] < 4
    units = fit_mixed(frame, "y", "rare", nested=["pair"], family="poisson").influence("pair").units
    assert "every 'y' is zero under rare = yes" in units["reason"][2]
    with pytest.raises(ModelError, match="'pair', 'row'"):
        fit_mixed(frame, "y", "setup", nested=["pair"]).influence("field")
