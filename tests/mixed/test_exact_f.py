"""F, df and p of fits where the classical analysis of variance is exact, down to 1 and 2 df.

Plots of two halves, plots assigned to treatments at random: plot means carry the treatments and
plot differences the halves and their interaction, each with the plots' degrees of freedom (Cochran
& Cox 1957, Experimental Designs, chapter 7).
"""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from trialkit.mixed import fit_mixed
from trialkit.mixed.smallsample import KenwardRoger


@pytest.mark.parametrize("den_df", range(1, 13))
@pytest.mark.parametrize("num_df", range(1, 7))
def test_classical_f_of_whole_plots_and_halves(num_df: int, den_df: int) -> None:
    rng = np.random.default_rng([num_df, den_df])
    plot = np.arange(num_df + 1 + den_df)
    frame = pd.DataFrame(itertools.product(plot, "ab"), columns=["plot", "half"])
    frame["setup"] = (frame["plot"] % (num_df + 1)).map("setup {}".format)
    # Plots that differ by far more than their halves: their variance is estimated above zero.
    frame["y"] = rng.normal(size=len(frame)) + 20 * rng.normal(size=len(plot))[frame["plot"]]
    found = fit_mixed(frame, "y", "setup * half", nested="plot").term_tests()

    wide = frame.pivot(index=["plot", "setup"], columns="half", values="y").reset_index()
    wide = wide.assign(mean=wide["a"] + wide["b"], gap=wide["a"] - wide["b"])
    for term, y in (("setup", "mean"), ("setup:half", "gap")):
        exact = smf.ols(f"{y} ~ setup", wide).fit()
        row = found.loc[term]
        assert (row["num_df"], exact.df_resid) == (num_df, den_df)
        # The variances are where the search stopped: a gradient of 1e-9 or so.
        expected = [exact.fvalue, den_df, exact.f_pvalue]
        np.testing.assert_allclose(row[["F", "den_df", "p"]].tolist(), expected, rtol=1e-8)


@pytest.mark.parametrize("blocks", [2, 3, 4])
@pytest.mark.parametrize("setups", [2, 3, 5])
def test_classical_f_of_randomised_blocks(setups: int, blocks: int) -> None:
    rng = np.random.default_rng([setups, blocks])
    frame = pd.DataFrame(itertools.product(range(blocks), range(setups)), columns=["block", "s"])
    frame["setup"] = frame["s"].map("setup {}".format)
    frame["y"] = rng.normal(size=len(frame)) + 9 * (-1.0) ** frame["block"] + 3 * frame["block"]
    row = fit_mixed(frame, "y", "setup", nested="block").term_tests().loc["setup"]
    larger, smaller = (smf.ols(f"y ~ {m}C(block)", frame).fit() for m in ("setup + ", ""))
    f, p, _ = larger.compare_f_test(smaller)
    expected = [f, (setups - 1) * (blocks - 1), p]
    np.testing.assert_allclose(row[["F", "den_df", "p"]].tolist(), expected, rtol=1e-8)


@pytest.mark.parametrize("t", [3, 4])
def test_classical_f_of_a_latin_square(t: int) -> None:
    """3 x 3: 2 and 2 df."""
    rng = np.random.default_rng(t)
    frame = pd.DataFrame(itertools.product(range(t), range(t)), columns=["row", "column"])
    frame["setup"] = ((frame["row"] + frame["column"]) % t).map("setup {}".format)
    frame["y"] = rng.normal(size=t * t) + 9 * frame["row"] + 7 * (frame["column"] - 1) ** 2
    row = fit_mixed(frame, "y", "setup", crossed=["row", "column"]).term_tests().loc["setup"]
    blocks = "C(row) + C(column)"
    larger, smaller = (smf.ols(f"y ~ {m}", frame).fit() for m in (f"setup + {blocks}", blocks))
    f, p, _ = larger.compare_f_test(smaller)
    expected = [f, (t - 1) * (t - 2), p]
    np.testing.assert_allclose(row[["F", "den_df", "p"]].tolist(), expected, rtol=1e-8)


@pytest.mark.parametrize("df", [1, 2, 3, 4, 9])
@pytest.mark.parametrize("q", [2, 3, 5])
def test_hotelling(q: int, df: int) -> None:
    """Mean of ``m + 1`` rows of ``q`` measurements: T2 (m - q + 1) / (m q) is F exactly.

    Kenward & Roger 1997, section 3.2: the second of the cases their scale and df are exact in.
    """
    rng = np.random.default_rng([q, df])
    m = df + q - 1
    y = rng.normal(size=(m + 1, q)) @ rng.normal(size=(q, q))
    cov = np.cov(y.T)
    inverse = np.linalg.inv(cov)
    units = []
    for a, b in itertools.combinations_with_replacement(range(q), 2):
        units.append(np.zeros((q, q)))
        units[-1][a, b] = units[-1][b, a] = 1.0
    p = np.array([-(m + 1) * inverse @ e @ inverse for e in units])
    spread = inverse @ np.array(units)
    w = np.linalg.inv(0.5 * m * np.einsum("rij,sji->rs", spread, spread))
    phi = cov / (m + 1)
    f, found = KenwardRoger(phi, phi, p, w).f_test(np.eye(q), y.mean(axis=0))
    t2 = y.mean(axis=0) @ np.linalg.solve(phi, y.mean(axis=0))
    np.testing.assert_allclose([f, found], [t2 * df / (m * q), df], rtol=1e-7)
