"""Adjusted contrasts and equivalence against tables, scipy, statsmodels and R's emmeans.

emmeans' values stand in ``tests/reference/inference.json``, made with its versions by
``make_inference.R`` beside it.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.weightstats import ttost_paired

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed import multiplicity as mult

REFERENCE = Path(__file__).parents[1] / "reference"
sys.path.insert(0, str(REFERENCE))
from cases import CASES  # noqa: E402

with open(REFERENCE / "inference.json") as stream:
    EMMEANS: dict[str, Any] = json.load(stream)["contrasts"]


@pytest.fixture(scope="module")
def fits() -> dict[str, MixedFit]:
    return {
        name: fit_mixed(CASES[name].frame(), **CASES[name].model) for name in ("oats", "oats_gaps")
    }


@pytest.fixture(scope="module")
def one_way() -> tuple[MixedFit, list[np.ndarray]]:
    rng = np.random.default_rng(3)
    groups = [rng.normal(m, 1.0, n) for m, n in ((0, 8), (0.9, 6), (1.4, 7), (0.2, 9))]
    frame = pd.DataFrame({"y": np.concatenate(groups), "g": np.repeat(list("abcd"), [8, 6, 7, 9])})
    return fit_mixed(frame, "y", "g"), groups


def equal(k: int) -> np.ndarray:
    return 0.5 + 0.5 * np.eye(k)


def all_pairs(k: int) -> np.ndarray:
    """Correlation of all differences among ``k`` independent means of equal variance."""
    rows = [np.eye(k)[i] - np.eye(k)[j] for i in range(k) for j in range(i)]
    return 0.5 * np.array(rows) @ np.array(rows).T


@pytest.mark.parametrize(
    ("contrasts", "df", "expected"),
    # Dunnett (1964), Biometrics 20:482-491, two-sided 5 % points for equal groups, two decimals.
    [
        (2, 5, 3.03),
        (9, 5, 3.97),
        (3, 10, 2.76),
        (9, 20, 2.95),
        (2, np.inf, 2.21),
        (9, np.inf, 2.69),
    ],
)
def test_dunnett_table(contrasts: int, df: float, expected: float) -> None:
    t, nu = np.zeros(contrasts), np.full(contrasts, float(df))
    critical = mult.adjust(t, nu, equal(contrasts), "dunnett", 0.95)[1]
    assert np.abs(critical - expected).max() <= 0.0051


@pytest.mark.parametrize(("k", "df"), [(3, 4.3), (4, 17.0), (6, np.inf)])
def test_range_agrees_with_scipy(k: int, df: float) -> None:
    for c in (1.0, 2.5, 4.0):
        expected = stats.studentized_range.cdf(c * np.sqrt(2), k, df)
        assert abs(mult.range_probability(k)(c, df) - expected) < 1e-9
        # All pairs have a correlation of rank k - 1 and no one-factor form: the general route.
        assert abs(mult.maximum_probability(all_pairs(k))(c, df) - expected) < 5e-5


def test_one_factor_and_general_route_agree() -> None:
    loading = np.array([0.9, -0.5, 0.3, 0.7, 0.0])
    correlation = np.outer(loading, loading) + np.diag(1 - loading**2)
    found = mult.one_factor(correlation)
    assert found is not None
    assert np.allclose(np.outer(found, found), np.outer(loading, loading))
    # The same contrast three times is one contrast.
    once = mult.adjust(np.full(3, 2.0), np.full(3, 7.0), np.ones((3, 3)), "dunnett", 0.95)
    assert np.allclose(once, [[2 * stats.t.sf(2.0, 7)] * 3, [stats.t.ppf(0.975, 7)] * 3], rtol=1e-3)
    for c, df in ((1.5, 3.0), (2.6, 12.5), (2.2, np.inf)):
        exact = mult.maximum_probability(correlation)(c, df)
        assert abs(mult._separation(correlation)(c, df) - exact) < 2e-5


def test_uncorrelated_contrasts_multiply() -> None:
    c, df = 2.0, np.inf
    expected = (1 - 2 * stats.norm.sf(c)) ** 3
    assert abs(mult.maximum_probability(np.eye(3))(c, df) - expected) < 1e-12


@pytest.mark.parametrize("data", ["oats", "oats_gaps"])
@pytest.mark.parametrize("by", ["Variety", "nitrogen"])
def test_emmeans(fits: dict[str, MixedFit], data: str, by: str) -> None:
    reference = EMMEANS[data][by]
    for adjust, kind in (("tukey", "pairwise"), ("bonferroni", "pairwise"), ("dunnett", "control")):
        table = fits[data].contrasts(by, kind=kind, adjust=adjust)
        names = [f"{by}{v}" if by == "nitrogen" else v for v in table["level"]]
        bases = [f"{by}{v}" if by == "nitrogen" else v for v in table["reference"]]
        table.index = pd.Index([f"{a} - {b}" for a, b in zip(names, bases, strict=True)])
        expected = pd.DataFrame(reference[adjust]).set_index("contrast")
        table = table.loc[expected.index]
        # REML optima agree to about 1e-6 of a standard error.
        assert np.abs(table["statistic"] - expected["t"]).max() < 1e-4
        assert np.abs(table["df"] - expected["df"]).max() < 1e-3
        critical = (table["high"] - table["estimate"]) / table["se"]
        if adjust == "dunnett" and data == "oats_gaps":
            # mvtnorm drops the fraction of the degrees of freedom: do the same for once.
            _, rows = fits[data].reference_grid(by)
            cov = (rows[1:] - rows[0]) @ fits[data].covariance @ (rows[1:] - rows[0]).T
            sd = np.sqrt(np.diag(cov))
            table["p_adjusted"], critical = mult.adjust(
                table["statistic"].to_numpy(), np.floor(table["df"].to_numpy() + 1e-6),
                cov.to_numpy() / np.outer(sd, sd), adjust, 0.95,
            )  # fmt: skip
        # mvtnorm integrates by random points.
        p, bound = (5e-5, 1e-3) if adjust == "dunnett" else (1e-5, 1e-4)
        assert np.abs(table["p_adjusted"] - expected["p"]).max() < p
        half = (expected["high"] - expected["low"]) / 2 / table["se"]
        assert np.abs(critical - half).max() < bound
    trend = fits[data].contrasts(by, kind="polynomial")
    expected = pd.DataFrame(reference["polynomial"])
    assert list(trend["contrast"]) == list(expected["contrast"])
    assert np.abs(trend["statistic"] - expected["t"]).max() < 1e-4
    assert np.abs(trend["p"] - expected["p"]).max() < 1e-5


def test_scipy_one_way(one_way: tuple[MixedFit, list[np.ndarray]]) -> None:
    fit, groups = one_way
    tukey = fit.contrasts("g", adjust="tukey", level=0.9)
    hsd = stats.tukey_hsd(*groups)
    interval = hsd.confidence_interval(0.9)
    for row in tukey.itertuples():
        i, j = "abcd".index(row.level), "abcd".index(row.reference)
        assert abs(row.p_adjusted - hsd.pvalue[i, j]) < 1e-8
        assert abs(row.low - interval.low[i, j]) < 1e-6
        assert abs(row.high - interval.high[i, j]) < 1e-6
    # scipy integrates by random points; unequal groups, so unequal correlations.
    many = stats.dunnett(*groups[1:], control=groups[0], rng=np.random.default_rng(1))
    dunnett = fit.contrasts("g", reference="a", adjust="dunnett")
    assert np.abs(dunnett["p_adjusted"] - many.pvalue).max() < 2e-4
    ends = many.confidence_interval(0.95)
    assert np.abs(dunnett["low"] - ends.low).max() < 5e-3
    assert np.abs(dunnett["high"] - ends.high).max() < 5e-3


def test_order_of_the_adjustments(one_way: tuple[MixedFit, list[np.ndarray]]) -> None:
    """Single p <= exact multivariate t = Tukey (up to imbalance) <= Bonferroni; Holm between."""
    fit, _ = one_way
    p = {a: fit.contrasts("g", adjust=a)["p_adjusted"].to_numpy() for a in mult.ADJUSTMENTS}
    assert (p["none"] <= p["holm"]).all() and (p["holm"] <= p["bonferroni"]).all()
    # Tukey-Kramer is conservative (Hayter 1984); the quadrature of "dunnett" is good to 1e-5.
    assert (p["dunnett"] <= p["tukey"] + 2e-5).all() and (p["tukey"] <= p["bonferroni"]).all()
    assert np.abs(p["dunnett"] - p["tukey"]).max() < 5e-3
    single, holm = fit.contrasts("g"), fit.contrasts("g", adjust="holm")
    pd.testing.assert_frame_equal(single[["low", "high"]], holm[["low", "high"]])


def test_custom_contrasts(one_way: tuple[MixedFit, list[np.ndarray]]) -> None:
    fit, groups = one_way
    table = fit.contrasts(
        "g", kind={"rest": {"a": -1, "b": 1 / 3, "c": 1 / 3, "d": 1 / 3}, "ends": [-1, 0, 0, 1]}
    ).set_index("contrast")
    means = [g.mean() for g in groups]
    assert np.isclose(table.loc["rest", "estimate"], np.mean(means[1:]) - means[0])
    assert np.isclose(table.loc["ends", "estimate"], means[3] - means[0])


def test_polynomials_follow_the_spacing() -> None:
    from trialkit.mixed.contrasts import polynomial

    at = np.array([0.0, 1.0, 3.0, 7.0])
    weights = polynomial([str(v) for v in at])
    powers = np.array([at**d for d in range(4)])
    product = weights @ powers.T
    assert np.allclose(np.tril(product), 0.0, atol=1e-9 * np.abs(product).max())
    assert np.allclose(weights @ weights.T, np.eye(3))
    assert (np.array([product[d, d + 1] for d in range(3)]) > 0).all()
    # R: contr.poly(4), the first column, -0.6708204 -0.2236068 0.2236068 0.6708204
    assert np.allclose(polynomial(list("abcd"))[0], [-0.6708204, -0.2236068, 0.2236068, 0.6708204])


def test_equivalence_is_the_paired_test() -> None:
    rng = np.random.default_rng(8)
    unit = rng.normal(0, 2, 12)
    a, b = unit + rng.normal(0, 1, 12), unit + 0.2 + rng.normal(0, 1, 12)
    frame = pd.DataFrame(
        {"y": np.r_[a, b], "s": np.repeat(["a", "b"], 12), "pair": np.tile(np.arange(12), 2)}
    ).astype({"pair": str})
    fit = fit_mixed(frame, "y", "s", nested=["pair"])
    for low, high in ((-0.9, 0.9), (-2.0, 1.5)):
        p, lower, upper = ttost_paired(b, a, low, high)
        row = fit.equivalence("s", (low, high), reference="a").iloc[0]
        assert np.allclose([row["p"], row["p_lower"], row["p_upper"]], [p, lower[1], upper[1]])
        inside = low < row["low90"] and row["high90"] < high
        assert row["verdict"] == inside == (p < 0.05)
    single = fit.equivalence("s", 1.5, reference="a", level=0.975)
    assert {"low95", "high95"} <= set(single.columns)


def test_equivalence_on_the_ratio_scale() -> None:
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"s": np.tile(["a", "b"], 60), "pair": np.repeat(np.arange(12), 10)})
    frame["y"] = rng.poisson(np.exp(rng.normal(3, 0.3, 12)[frame["pair"]]))
    fit = fit_mixed(frame.astype({"pair": str}), "y", "s", nested=["pair"], family="poisson")
    row = fit.equivalence("s", 1.25, reference="a").iloc[0]
    plain = fit.contrasts("s", reference="a", level=0.9).iloc[0]
    assert np.allclose(row[["estimate", "low90", "high90"]].astype(float),
                       plain[["ratio", "ratio_low", "ratio_high"]].astype(float))  # fmt: skip
    assert row["verdict"] == (row["low90"] > 0.8 and row["high90"] < 1.25)
    same = fit.equivalence("s", (0.8, 1.25), reference="a").iloc[0]
    assert np.isclose(row["p"], same["p"])
    one_sided = fit.equivalence("s", (0.0, 1.25), reference="a").iloc[0]
    assert one_sided["p_lower"] == 0.0 and one_sided["p"] == one_sided["p_upper"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"adjust": "sidak"}, "choose one of"),
        ({"kind": "control", "adjust": "tukey"}, "all pairs"),
        ({"kind": "helmert"}, "not known"),
        ({"reference": "z"}, "no level"),
        ({"reference": "a", "kind": "pairwise"}, "control"),
        ({"kind": {"x": [1, 1, 0, 0]}}, "not to zero"),
        ({"kind": {"x": [1, -1]}}, "4 weights"),
        ({"kind": {"x": {"z": 1, "a": -1}}}, "no levels"),
    ],
)
def test_refusals(
    one_way: tuple[MixedFit, list[np.ndarray]], options: dict[str, Any], words: str
) -> None:
    with pytest.raises(ModelError, match=words):
        one_way[0].contrasts("g", **options)
    with pytest.raises(ModelError, match="margin"):
        one_way[0].equivalence("g", (0.5, 2.0))


def test_a_critical_value_beyond_its_exact_bounds_is_the_nearer_bound() -> None:
    for found, bound in ((0.99, 2.0), (0.5, 3.0)):
        assert mult.critical_value(lambda c, df, p=found: p, 5.0, 0.95, (2.0, 3.0), 1e-6) == bound
