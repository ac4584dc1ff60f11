"""Hybrids by the working response, against the engine's own crossed factors."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis.predictions import unit_information
from trialkit.many.hybrids import Hybrids
from trialkit.mixed import fit_mixed


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    """Twelve trials of two fields, two pairs of strips each; six hybrids that differ in both."""
    rng = np.random.default_rng(5)
    t, f, p, s = (v.ravel() for v in np.indices((12, 2, 2, 2)))
    hybrid = rng.integers(6, size=(12, 2))[t, f]
    frame = pd.DataFrame({"trial": t, "field": 2 * t + f, "pair": 4 * t + 2 * f + p}).astype(str)
    frame["setup"] = pd.Categorical(np.where(s, "new", "old"), categories=["old", "new"])
    frame["hybrid"] = [f"H{h}" for h in hybrid]
    frame["cell"] = frame["hybrid"] + "/" + frame["setup"].astype(str)
    units = (rng.normal(0, 0.4, 12)[t], rng.normal(0, 0.3, (12, 2))[t, f],
             rng.normal(0, 0.2, (12, 2, 2))[t, f, p])  # fmt: skip
    effect = 0.3 + rng.normal(0, 0.2, (12, 2))[t, f] + rng.normal(0, 0.6, 6)[hybrid]
    frame["y"] = sum(units) + rng.normal(0, 0.7, 6)[hybrid] + effect * (s - 0.5)
    frame["y"] += rng.normal(0, 0.1, len(frame))
    return frame


def test_restricted_likelihoods_rise_as_the_engines_do(rows) -> None:
    def fitted(crossed):
        return fit_mixed(
            rows, response="y", fixed="setup", nested=["trial", "field", "pair"], crossed=crossed,
            slopes={"trial": ["setup"], "field": ["setup"]}, family="gaussian",
            covariance={"trial": "exchangeable", "field": "exchangeable"},
        )  # fmt: skip

    fits = [fitted(crossed) for crossed in ([], ["hybrid"], ["hybrid", "cell"])]
    found = unit_information(fits[0], ["trial", "field"])
    own = rows.drop_duplicates("field").set_index("field")["hybrid"]
    code = pd.factorize(own.reindex(found.labels["field"]["field"].astype(str)))[0]
    model = Hybrids(fits[0], found, code, ["setup"])
    ours = [model.best(i) for i in range(3)]
    # At the engine's variances the likelihood is the engine's: what lies within fields stands
    # there at the first fit's estimate, which moves little. Its own best is no worse.
    for i in (1, 2):
        rise = 2 * (fits[i].loglik - fits[0].loglik)
        assert 2 * (ours[i].loglik - ours[0].loglik) == pytest.approx(rise, abs=0.02 * (1 + rise))
    assert fits[2].loglik - fits[0].loglik > 5  # there is something to find
    table = fits[2].variances.set_index(["level", "term"])["variance"]
    between = table[[key for key in table.index if key[0] in ("trial", "field")]]
    mean = between[[key for key in between.index if key[1] == "Intercept"]].sum()
    assert ours[2].mean == pytest.approx(mean, rel=0.1)
    assert ours[2].effect == pytest.approx(between.sum() - mean, rel=0.1, abs=1e-3)
