"""Differences of adjusted means on the response scale."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy.special import expit

from trialkit.errors import ModelError
from trialkit.mixed import fit_mixed


@pytest.fixture(scope="module")
def frame() -> pd.DataFrame:
    rng = np.random.default_rng(8)
    frame = pd.DataFrame({"setup": list("abc") * 40, "unit": np.repeat(range(15), 8), "n": 30})
    shift = rng.normal(0, 0.5, 15)[frame["unit"]]
    frame["count"] = rng.poisson(np.exp(1.2 + 0.5 * (frame["setup"] == "b") + shift))
    frame["share"] = rng.binomial(30, expit(-1 + 0.6 * (frame["setup"] == "c") + shift))
    return frame


def test_risk_differences_of_a_plain_model_are_statsmodels(frame: pd.DataFrame) -> None:
    """Without random effects: statsmodels' average predictions and their covariance."""
    ours = fit_mixed(frame, "share", "setup", family="binomial", trials="n", method="ml")
    table = ours.contrasts("setup", reference="a", scale="response")
    formula = "I(share / n) ~ setup"
    glm = smf.glm(formula, frame, family=sm.families.Binomial(), var_weights=frame["n"]).fit()
    p = glm.predict(pd.DataFrame({"setup": list("abc")})).to_numpy()
    x = np.array([[1, 0, 0], [1, 1, 0], [1, 0, 1]])
    gradient = (p * (1 - p))[:, None] * x
    cov = gradient @ glm.cov_params().to_numpy() @ gradient.T
    for j, row in enumerate(table.itertuples(), start=1):
        assert row.estimate == pytest.approx(p[j] - p[0], rel=1e-7)
        assert row.se == pytest.approx(np.sqrt(cov[j, j] + cov[0, 0] - 2 * cov[0, j]), rel=1e-6)


@pytest.mark.parametrize("family", ["poisson", "binomial"])
@pytest.mark.parametrize("scale", ["response", "average"])
def test_differences_are_those_of_the_adjusted_means(
    frame: pd.DataFrame, family: str, scale: str
) -> None:
    response, trials = ("count", None) if family == "poisson" else ("share", "n")
    fit = fit_mixed(frame, response, "setup", ["unit"], family=family, trials=trials)
    means = fit.adjusted_means("setup").set_index("setup")[scale]
    table = fit.contrasts("setup", scale=scale, adjust="tukey").set_index(["level", "reference"])
    assert table.loc[("c", "b"), "estimate"] == pytest.approx(means["c"] - means["b"], rel=1e-9)
    assert "ratio" not in table
    assert (table["p_adjusted"] >= table["p"]).all()
    # Near no difference the test on either scale is the same to first order.
    link = fit.contrasts("setup").set_index(["level", "reference"])
    smallest = link["estimate"].abs().idxmin()
    assert table.loc[smallest, "statistic"] == pytest.approx(
        link.loc[smallest, "statistic"], abs=0.15
    )


def test_an_identity_link_has_one_scale(frame: pd.DataFrame) -> None:
    fit = fit_mixed(frame.assign(y=np.sqrt(frame["count"])), "y", "setup", ["unit"])
    pd.testing.assert_frame_equal(
        fit.contrasts("setup"), fit.contrasts("setup", scale="average"), rtol=1e-10
    )
    with pytest.raises(ModelError, match="choose one of"):
        fit.contrasts("setup", scale="probit")
