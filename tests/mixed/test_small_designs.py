"""Kenward-Roger tests of small unbalanced designs as pbkrtest has them, and just above 2 df.

Blocks, split plots, strips, squares and slopes with rows lost, 7 to 50 rows, most with a variance
estimated at zero: ``tests/reference/make_small.R``.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.mixed import fit_mixed
from trialkit.mixed.smallsample import KenwardRoger, _matched

SMALL = Path(__file__).parents[1] / "reference" / "small.json"
CASES: list[dict[str, Any]] = json.loads(SMALL.read_text(encoding="utf-8"))["cases"]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_as_pbkrtest_has_it(case: dict[str, Any]) -> None:
    fit = fit_mixed(pd.DataFrame(case["data"]), "y", **case["model"])
    table = fit.term_tests()
    for term, known in case["tests"].items():
        row = table.loc[term]
        assert row["num_df"] == known["num_df"]
        ours = row[["F", "den_df", "p"]].tolist()
        # lme4's optimum is good to about four digits of a variance ratio.
        np.testing.assert_allclose(ours, [known[n] for n in ("F", "den_df", "p")], rtol=1e-4)


def literal(q: int, a1: float, a2: float) -> tuple[float, float]:
    """Scale and df as printed by Kenward & Roger (1997), equations 7 and 8."""
    b = (a1 + 6 * a2) / (2 * q)
    g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
    c1, c2, c3 = (x / (3 * q + 2 * (1 - g)) for x in (g, q - g, q + 2 - g))
    mean = 1 / (1 - a2 / q)
    variance = 2 / q * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
    rho = variance / (2 * mean**2)
    df = 4 + (q + 2) / (q * rho - 1)
    return df / (mean * (df - 2)), df


@pytest.mark.parametrize("q", [2, 3, 6])
def test_scale_and_df_near_two(q: int) -> None:
    """As printed from 5 df up; at 2 the printed scale is anything, ours near one."""
    for m in (5.0, 8.0, 30.0):
        for share in (0.999, 0.9, 0.5):
            a2 = 2 * q / m
            a1 = a2 * (2 / (q + 1) + share * (q - 2 / (q + 1)))
            assert _matched(q, a1, a2 - a1 / q) == pytest.approx(literal(q, a1, a2), rel=1e-9)
    # One error mean square of nearly 2 df, uneven by a thousandth.
    printed = []
    for m in np.linspace(1.9, 2.1, 100):
        a2 = 2 * q / m
        a1 = q * a2 * (1 - 1e-3)
        scale, df = _matched(q, a1, a2 - a1 / q)
        # The printed formulas serve up to a share of a half: scales down to 1 / 1.5, times df / m.
        assert 0.6 < scale < 1.01 and df == pytest.approx(m, abs=0.15)
        printed.append(literal(q, a1, a2)[0])
    assert min(printed) < 0.05


def test_no_f_distribution_fits_hardly_any_df() -> None:
    # Between both exact cases, six rows on about one df: the df that matches is negative.
    assert np.isnan(_matched(6, 42.0, 5.0)).all()


def test_at_least_one_df_however_little_is_known_of_a_variance() -> None:
    # One variance, known to a factor of a hundred: the formulas have 2 / 100^2 df.
    kr = KenwardRoger(np.eye(2), np.eye(2), -np.eye(2)[None], np.array([[1e4]]))
    assert kr.df(np.eye(2)).tolist() == [1.0, 1.0]
    assert kr.moments(np.eye(2)) == pytest.approx((1.0, 1.0))
