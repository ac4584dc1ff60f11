"""Every quantity of ``fit_mixed`` on open data sets against tightly converged reference fits.

The references are R's lme4, lmerTest, pbkrtest, emmeans and glmmTMB; the versions stand in
``tests/reference/references.json`` and ``make_references.R`` beside it made them:

    python tests/reference/cases.py DATA
    Rscript tests/reference/make_references.R DATA tests/reference/references.json
"""

from __future__ import annotations

import json
import sys
from functools import cache
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trialkit.mixed import fit_mixed

REFERENCE = Path(__file__).parents[1] / "reference"
sys.path.insert(0, str(REFERENCE))
from cases import CASES, Case  # noqa: E402

# Both sides stop where the likelihood is flat: an optimum found to 1e-10 in the log-likelihood
# gives estimates to about 1e-5 of a standard error.
LOGLIK = 1e-6
ESTIMATE = 1e-5  # of the larger of the estimate and its standard error
SE = 1e-5
SD = 1e-4  # relative; of the largest component where a component is at zero
CORRELATION = 1e-3  # absolute; a ratio of three imprecise numbers
KENWARD_ROGER_DF = 1e-3  # absolute up to 100, relative 1e-5 beyond
# lmerTest differentiates the deviance numerically (Richardson), and so carries four digits.
SATTERTHWAITE_DF = 1e-2
F = 1e-4
P = 1e-3

with open(REFERENCE / "references.json") as stream:
    REFERENCES: dict[str, Any] = json.load(stream)["cases"]
GAUSSIAN = [name for name, case in CASES.items() if case.model.get("family") is None]
# pbkrtest leaves prior weights out of the residual covariance.
KENWARD_ROGER = [name for name in GAUSSIAN if REFERENCES[name]["kenward_roger"]]


@cache
def fitted(name: str, method: str) -> Any:
    case: Case = CASES[name]
    return fit_mixed(case.frame(), method=method, **case.model)


def as_in_r(term: str) -> str:
    """R's name of a coefficient: formulaic's ``root[T.BEAN]`` is ``rootBEAN``."""
    if term == "Intercept":
        return "(Intercept)"
    return term.replace("[T.", "").replace("[", "").replace("]", "")


def assert_near(ours: Any, reference: Any, scale: Any, tolerance: float, what: str) -> None:
    ours, reference, scale = (np.asarray(v, dtype=float) for v in (ours, reference, scale))
    off = np.abs(ours - reference) / scale
    assert np.all(off <= tolerance), f"{what}: ours {ours}, reference {reference}, off {off}"


def coefficients(fit: Any, terms: list[str]) -> Any:
    table = fit.coefficients
    table.index = [as_in_r(term) for term in table.index]
    assert sorted(table.index) == sorted(terms)
    return table.loc[terms]


def check_loglik(fit: Any, reference: dict[str, Any]) -> None:
    assert abs(fit.loglik - reference["loglik"]) <= LOGLIK


def check_estimates(fit: Any, reference: dict[str, Any]) -> None:
    terms = list(reference["estimate"])
    table = coefficients(fit, terms)
    expected = np.array([reference["estimate"][t] for t in terms])
    spread = np.array([reference["se"][t] for t in terms])
    assert_near(
        table["estimate"], expected, np.maximum(np.abs(expected), spread), ESTIMATE, "estimates"
    )


def check_se(fit: Any, reference: dict[str, Any]) -> None:
    terms = list(reference["se"])
    expected = np.array([reference["se"][t] for t in terms])
    assert_near(coefficients(fit, terms)["se"], expected, expected, SE, "standard errors")


def check_components(fit: Any, reference: list[dict[str, Any]], shape: float | None = None) -> None:
    """Standard deviations, correlations and dispersion (size, precision or shape of glmmTMB).

    R names a level by all its labels, any way round.
    """
    sd, corr = {}, {}
    for part in reference:
        level = "|".join(sorted(part["grp"].split(".")[0].split(":")))
        if "sd" in part:  # glmmTMB
            terms = np.atleast_1d(part["terms"])
            values = np.atleast_1d(part["sd"])
            sd.update({(level, t): s for t, s in zip(terms, values, strict=True)})
            for i, j in combinations(range(len(terms)), 2):
                corr[level, terms[i], terms[j]] = part["corr"][i][j]
        elif part["var2"] is None:  # lme4
            sd[level, part["var1"] or ""] = part["sdcor"]
        else:
            corr[level, part["var1"], part["var2"]] = part["sdcor"]
    table = fit.variances
    names = list(dict.fromkeys(table["level"]))
    largest = max(sd.values(), default=1.0)
    for _, row in table.iterrows():
        # A level's units are told apart by its own label or by those of its parents too.
        parents = names[: names.index(row["level"]) + 1]
        keys = {"|".join(sorted(parents[i:])) for i in range(len(parents))}
        level = next(key for key, _ in sd if key in keys)
        term = as_in_r(row["term"])
        expected = sd.pop((level, term))
        scale = expected if expected > 1e-6 * largest else largest
        if "sd" in reference[0] and expected < 1e-5:
            # glmmTMB works on the logarithm, which never reaches a standard deviation of zero.
            scale = 0.1
        assert_near(row["sd"], expected, scale, SD, f"sd of {row['level']}, {row['term']}")
        before = [as_in_r(t) for t in table.loc[table["level"] == row["level"], "term"]]
        for i, other in enumerate(before[: before.index(term)]):
            if (level, other, term) in corr:
                expected = corr.pop((level, other, term))
                assert_near(row[f"corr_{i + 1}"], expected, 1.0, CORRELATION, "correlation")
    residual = sd.pop(("Residual", ""), 1.0)
    if shape is not None:
        residual = 1.0 / shape if fit.family.name == "gamma" else shape
    assert_near(fit.dispersion, residual, residual, SD, "residual sd")
    assert not sd and not corr


def check_df(fit: Any, reference: dict[str, Any]) -> None:
    terms = list(reference["df"])
    expected = np.array([reference["df"][t] for t in terms])
    ours = coefficients(fit, terms)["df"]
    assert_near(ours, expected, np.maximum(1.0, expected / 100.0), KENWARD_ROGER_DF, "df")


def check_term_tests(fit: Any, reference: dict[str, Any], method: str, df: float) -> None:
    ours = fit.term_tests(method)
    tests = reference.get("tests", {})
    assert sorted(ours.index) == sorted(tests)
    for term, expected in tests.items():
        row = ours.loc[term]
        assert row["num_df"] == expected["num_df"]
        assert_near(row["F"], expected["F"], expected["F"], F, f"F of {term}")
        wide = max(1.0, expected["den_df"] / 100.0)
        assert_near(row["den_df"], expected["den_df"], wide, df, f"df of {term}")
        if expected["p"] > 1e-300:
            assert_near(row["p"], expected["p"], expected["p"], P, f"p of {term}")


def check_marginal(fit: Any, reference: dict[str, Any]) -> None:
    """Adjusted means and pairwise differences with Kenward-Roger df, as emmeans gives them."""
    for factor, tables in reference.items():
        means = fit.adjusted_means(factor).set_index(factor)
        for expected in tables["means"]:
            row = means.loc[expected["level"]]
            check_row(row, expected, f"mean of {expected['level']}")
        pairs = fit.contrasts(factor)
        pairs = pairs.set_index(["level", "reference"])
        for expected in tables["contrasts"]:
            pair = (expected["level"], expected["reference"])
            check_row(pairs.loc[pair], expected, f"difference {pair}")
            assert_near(pairs.loc[pair, "p"], expected["p"], expected["p"], P, f"p of {pair}")


def check_row(row: Any, expected: dict[str, float], what: str) -> None:
    scale = max(abs(expected["estimate"]), expected["se"])
    assert_near(row["estimate"], expected["estimate"], scale, ESTIMATE, what)
    assert_near(row["se"], expected["se"], expected["se"], SE, what)
    wide = max(1.0, expected["df"] / 100.0)
    assert_near(row["df"], expected["df"], wide, KENWARD_ROGER_DF, what)


CHECKS = {
    "loglik": lambda name, how: check_loglik(fitted(name, how), REFERENCES[name][how]),
    "estimates": lambda name, how: check_estimates(fitted(name, how), REFERENCES[name][how]),
    "components": lambda name, how: check_components(
        fitted(name, how), REFERENCES[name][how]["components"], REFERENCES[name][how].get("shape")
    ),
}


@pytest.mark.parametrize("quantity", CHECKS)
@pytest.mark.parametrize("method", ["ml", "reml"])
@pytest.mark.parametrize("name", CASES)
def test_fit(name: str, method: str, quantity: str) -> None:
    CHECKS[quantity](name, method)


@pytest.mark.parametrize("name", CASES)
def test_standard_errors_of_maximum_likelihood(name: str) -> None:
    # lme4 takes the generalised-least-squares covariance, glmmTMB the joint Hessian; for a
    # Gaussian response the cross-information is zero in expectation only.
    check_se(fitted(name, "ml"), REFERENCES[name]["ml"])


@pytest.mark.parametrize("name", KENWARD_ROGER)
def test_kenward_roger_standard_errors_and_df(name: str) -> None:
    reference = REFERENCES[name]["kenward_roger"]
    check_se(fitted(name, "reml"), reference)
    check_df(fitted(name, "reml"), reference)


@pytest.mark.parametrize("name", GAUSSIAN)
def test_terms_by_satterthwaite(name: str) -> None:
    reference = REFERENCES[name]["satterthwaite"]
    check_term_tests(fitted(name, "reml"), reference, "satterthwaite", SATTERTHWAITE_DF)


@pytest.mark.parametrize("name", KENWARD_ROGER)
def test_terms_by_kenward_roger(name: str) -> None:
    reference = REFERENCES[name]["kenward_roger"]
    check_term_tests(fitted(name, "reml"), reference, "kenward-roger", KENWARD_ROGER_DF)


@pytest.mark.parametrize("name", [n for n in GAUSSIAN if REFERENCES[n]["marginal"]])
def test_adjusted_means_and_contrasts(name: str) -> None:
    check_marginal(fitted(name, "reml"), REFERENCES[name]["marginal"])
