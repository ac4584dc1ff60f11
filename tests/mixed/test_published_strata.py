"""Published tests of designs with a variance estimated at zero: df are those of the design.

A split plot, a split-split plot and a strip-split plot; in each a mean square of larger
units is below that of smaller ones, and the analyses printed keep each term in its stratum.
"""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest
from test_kenward_roger_dense import kenward_roger as dense_kenward_roger

from trialkit.mixed import fit_mixed
from trialkit.mixed.inference import inference_by

# Sugar beets, the data set beets of R's pbkrtest: harvests on whole plots of three blocks, five
# times of sowing on their parts. Yield, then sugar in percent.
BEETS_YIELD = """
136.5 131 128 118 95 153.5 147 141 139 100 135 134 130 115.5 91.5
156 150 136.5 140 99.5 137.5 128 126 120.5 99 155 151 142 140.5 102
"""
BEETS_SUGAR = """
17 17 17.1 16.9 16.6 16.8 17 17 16.7 16.5 16.9 17 17 16.8 16.5
16.8 17 17 16.7 16.4 16.9 16.9 17.1 16.8 16.6 16.7 16.9 16.9 16.6 16.4
"""
# Rice: Gomez & Gomez 1984, Statistical Procedures for Agricultural Research, p. 143. Three
# replicates, five amounts of nitrogen, three managements, three varieties.
RICE = """
3.32 6.101 5.355 3.766 5.096 7.442 4.66 6.573 7.018 3.188 5.595 6.706 3.625 6.357 8.592
5.232 7.016 8.48 5.468 5.442 8.452 5.759 6.398 8.662 6.215 6.953 9.112 4.246 6.209 8.042
5.255 6.992 9.08 6.829 7.565 9.66 3.132 6.86 9.314 5.389 6.857 9.224 5.217 7.254 10.36
3.864 5.122 5.536 4.311 4.873 6.462 5.915 5.495 8.02 4.752 6.78 6.546 4.809 5.925 7.646
5.17 7.442 9.942 5.788 5.988 6.698 6.13 6.533 8.526 7.106 6.914 9.14 4.842 6.768 7.414
5.742 7.856 9.016 5.869 7.626 8.966 4.375 6.894 8.508 4.315 6.974 9.68 5.389 7.812 9.896
4.507 4.815 5.244 4.875 4.166 5.584 5.4 4.225 7.642 4.756 5.39 7.092 5.295 5.163 7.212
6.046 4.478 8.714 4.422 6.509 8.65 5.308 6.569 8.514 6.318 7.991 9.32 4.863 5.779 6.902
5.345 6.164 7.778 6.011 7.362 9.128 4.678 6.573 8.032 5.896 7.422 9.294 7.309 8.95 9.712
"""
# Barley in four replicates: fertiliser in strips across strips of soil treatments, plots split for
# calcium. G. Cox and A. Rotti, as data set cox.stripsplit of R's agridat.
BARLEY = """
4.91 4.63 4.94 3.98 5.2 4.45 4.76 5.04 4.64 5.26 5.05 5.03
5.38 6.21 5.28 5.01 5.01 4.63 5.6 5.08 5.45 5.62 5.8 5.9
6 5.39 5.86 5.41 5.45 5.12 4.95 5.39 5.54 5.41 4.73 4.62
6.18 5.94 5.28 6.67 5.06 5.75 6.58 6.25 6.65 5.94 6.39 5.62
4.96 5.63 5.71 5.37 4.6 4.9 5.47 5.31 6.21 5.83 4.88 4.73
6.18 6.31 6.28 6.55 5.89 6.2 5.95 6.14 6.39 5.57 5.68 5.72
5.79 5.33 5.61 5.15 5.13 4.9 5.13 5.18 4.82 5.06 4.88 5.18
5.86 5.98 5.67 5.54 5.45 5.8 5.55 4.32 5.19 4.46 5.12 4.42
"""


def layout(values: str, **factors: int) -> pd.DataFrame:
    """Complete layout, the last factor varying fastest; labels are letter and number."""
    labels = [[f"{name[0]}{i}" for i in range(n)] for name, n in factors.items()]
    frame = pd.DataFrame(itertools.product(*labels), columns=list(factors))
    return frame.assign(y=[float(v) for v in values.split()])


def beets(values: str) -> pd.DataFrame:
    frame = layout(values, block=3, harvest=2, sow=5)
    return frame.assign(plot=frame["block"] + frame["harvest"])


def test_beets() -> None:
    """Halekoh & Hojsgaard 2014, J. Stat. Softw. 59(9), and pbkrtest 0.5.2 on the same fits."""
    frame = beets(BEETS_SUGAR)
    fit = fit_mixed(frame, "y", "block + sow + harvest", nested="plot")
    table = fit.term_tests().round({"F": 4, "den_df": 2, "p": 4})
    # The paper prints harvest's F 15.2 on 1 and 2.00 df, p 0.0599; pbkrtest the block's.
    assert table.loc["harvest", ["F", "den_df", "p"]].tolist() == [15.2105, 2.0, 0.0599]
    assert table.loc["block", ["F", "den_df", "p"]].tolist() == [2.5789, 2.0, 0.2794]

    frame = beets(BEETS_YIELD)
    fit = fit_mixed(frame, "y", "block + sow + harvest", nested="plot")
    assert fit.singular
    row = fit.term_tests().loc["harvest"]
    # pbkrtest; the analysis of variance by strata has 2 df too, its F on the lesser mean square.
    assert (round(row["F"], 2), round(row["den_df"], 6), round(row["p"], 4)) == (107.74, 2, 0.0092)


def test_a_variance_at_zero_taken_as_zero_leaves_its_level_out() -> None:
    frame = beets(BEETS_YIELD)
    fit = fit_mixed(frame, "y", "block + sow + harvest", nested="plot")
    without = fit_mixed(frame, "y", "block + sow + harvest")
    pooled = fit.term_tests("kenward-roger-nonzero")
    pd.testing.assert_frame_equal(pooled, without.term_tests(), rtol=1e-7)
    assert pooled.loc["harvest", "den_df"] == pytest.approx(22, rel=1e-9)


def test_rice() -> None:
    """Piepho & Edmondson 2018, J. Agron. Crop Sci. 204:429-455, by lmerTest, Kenward-Roger."""
    frame = layout(RICE, replicate=3, nitrogen=5, management=3, variety=3)
    frame["main"] = frame["replicate"] + frame["nitrogen"]
    frame["sub"] = frame["main"] + frame["management"]
    fixed = "replicate + nitrogen * management * variety"
    fit = fit_mixed(frame, "y", fixed, nested=["main", "sub"])
    assert fit.singular
    table = fit.term_tests()
    published = {
        "nitrogen": (27.695, 4, 8), "management": (49.114, 2, 20), "variety": (235.65, 2, 60),
        "nitrogen:variety": (4.0449, 8, 60), "management:variety": (2.2030, 4, 60),
    }  # fmt: skip
    for term, (f, num_df, den_df) in published.items():
        row = table.loc[term]
        assert row["F"] == pytest.approx(f, rel=5e-5)
        assert (row["num_df"], row["den_df"]) == (num_df, pytest.approx(den_df, rel=1e-6))
    assert table.loc["nitrogen", "p"] == pytest.approx(9.734e-05, rel=1e-3)
    assert table.loc["management", "p"] == pytest.approx(1.919e-08, rel=1e-3)
    assert table.loc["nitrogen:variety", "p"] == pytest.approx(0.0006765, rel=1e-3)

    # The terms kept; means at nitrogen, and one difference of varieties.
    fixed = "replicate + management + nitrogen * variety"
    fit = fit_mixed(frame, "y", fixed, nested=["main", "sub"])
    means = fit.adjusted_means("nitrogen").set_index("nitrogen")
    assert means["estimate"].round(2)[["n0", "n1", "n4"]].tolist() == [5.38, 6.22, 7.23]
    assert means["se"].round(3).unique().tolist() == [0.144]
    assert means["df"].to_numpy() == pytest.approx(8, rel=1e-6)
    means = fit.adjusted_means("variety")
    assert (round(means["se"][0], 3), round(means["df"][0], 1)) == (0.101, 39.7)


def test_barley() -> None:
    """The analysis printed in the data set's help page: afex, Kenward-Roger."""
    frame = layout(BARLEY, rep=4, fert=4, soil=3, calcium=2)
    frame["fert_strip"] = frame["rep"] + frame["fert"]
    frame["plot"] = frame["fert_strip"] + frame["soil"]
    frame["soil_strip"] = frame["rep"] + frame["soil"]
    frame["calcium_strip"] = frame["fert_strip"] + frame["calcium"]
    fit = fit_mixed(
        frame, "y", "fert * soil * calcium", nested=["rep", "fert_strip", "plot"],
        crossed=["soil_strip", "calcium_strip"],
    )  # fmt: skip
    assert fit.singular
    published = {
        "fert": (3.5619, 3, 9, 0.0604), "soil": (3.4659, 2, 6, 0.0999),
        "calcium": (1.8835, 1, 12, 0.1950), "fert:calcium": (4.4457, 3, 12, 0.0255),
        "fert:soil": (1.2735, 6, 18, 0.3179), "soil:calcium": (0.2494, 2, 24, 0.7813),
        "fert:soil:calcium": (0.3504, 6, 24, 0.9027),
    }  # fmt: skip
    table = fit.term_tests().round({"F": 4, "den_df": 6, "p": 4})
    assert {term: tuple(row) for term, row in table.iterrows()} == published


def test_a_correlation_at_one_taken_as_one() -> None:
    """The formulas with the two directions in which a matrix of rank one can move, in full."""
    rng = np.random.default_rng(9)
    frame = pd.DataFrame(itertools.product(range(8), range(4)), columns=["unit", "t"])
    # One effect of the unit, which grows with time.
    frame["y"] = rng.normal(size=32) + rng.normal(size=8)[frame["unit"]] * (1 + frame["t"])
    fit = fit_mixed(frame, "y", "t", nested="unit", slopes={"unit": "t"})
    sd, rho = fit.variances["sd"].to_numpy(), fit.variances["corr_1"].to_numpy()[1]
    assert abs(rho) == pytest.approx(1, abs=1e-9) and (sd > 0.1).all()
    x = np.column_stack([np.ones(32), frame["t"]])
    same = np.equal.outer(frame["unit"].to_numpy(), frame["unit"].to_numpy())
    root = sd * [1, np.sign(rho)]

    def covariance(inner: Any) -> np.ndarray:
        return x @ inner @ x.T * same

    moves = [np.outer(e, root) + np.outer(root, e) for e in np.eye(2)]
    v = covariance(np.outer(root, root)) + fit.dispersion**2 * np.eye(32)
    se, df = dense_kenward_roger(x, v, [np.eye(32), *map(covariance, moves)])
    inference = inference_by(fit, "kenward-roger-nonzero")
    np.testing.assert_allclose(np.sqrt(np.diag(inference.adjusted)), se, rtol=1e-5)
    np.testing.assert_allclose(inference.df(np.eye(2)), df, rtol=1e-5)
    # All three entries free is another answer.
    assert abs(fit.coefficients["df"].to_numpy() / df - 1).max() > 0.01
