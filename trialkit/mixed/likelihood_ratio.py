"""Likelihood-ratio comparison of two fits, one nested in the other."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.errors import ModelError
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.variance_inference import mixture_name, mixture_p

NESTED_FAMILIES = {("poisson", "negative_binomial"), ("binomial", "beta_binomial")}


def compare(fit: Fitted, other: Fitted) -> pd.DataFrame:
    """Likelihood-ratio test between two fits, one nested in the other.

    Where the fits differ by one variance (or by the extra dispersion of a family) the null
    distribution is the mixture of :func:`trialkit.mixed.variance_inference.variance_test`. Tests
    of fixed effects by this ratio are liberal with few units;
    :func:`trialkit.mixed.hypotheses.term_tests` is the better one.

    Returns
    -------
    DataFrame by fit ("smaller", "larger"): fixed, levels, parameters, loglik, aic, and on the
    larger's row statistic, df, p and null (the reference distribution).

    Raises
    ------
    ModelError
        If the fits differ in data or method, are not nested, or are REML fits with different
        fixed parts.
    """
    small, big = sorted((fit, other), key=lambda f: f.n_parameters)
    _check_same_data(small, big)
    added = _rank(_columns(big)) - _rank(_columns(small))
    if _rank(np.hstack([_columns(small), _columns(big)])) > _rank(_columns(big)):
        raise ModelError(f"the fixed parts are not nested: {small.model.fixed}; {big.model.fixed}.")
    if small.method == "reml" and (
        added or not np.array_equal(small.fixed_part.x, big.fixed_part.x)
    ):
        raise ModelError(
            "restricted likelihoods of different fixed parts do not compare; fit both with "
            'method="ml", or test the terms with term_tests.'
        )
    _check_random_nested(small, big)
    more = big.n_parameters - small.n_parameters
    if more == 0:
        raise ModelError("both fits have the same parameters: nothing to test.")
    # Variances, or a dispersion, that the smaller fit holds at its bound.
    bounded = len(big.variances) - len(small.variances) + (small.family.name != big.family.name)
    statistic = max(2.0 * (big.loglik - small.loglik), 0.0)
    if bounded == 1 and not added:
        p, null = mixture_p(statistic, more), mixture_name(more)
    else:
        p, null = float(stats.chi2.sf(statistic, more)), f"chi2({more})"
        null += ", conservative" if bounded else ""
    table = pd.DataFrame(
        {
            "fixed": [f.model.fixed for f in (small, big)],
            "levels": [f.model.levels_text for f in (small, big)],
            "parameters": [f.n_parameters for f in (small, big)],
            "loglik": [f.loglik for f in (small, big)],
            "aic": [f.aic for f in (small, big)],
        },
        index=pd.Index(["smaller", "larger"], name="fit"),
    )
    for name, value in (("statistic", statistic), ("df", float(more)), ("p", p)):
        table[name] = [math.nan, value]
    table["null"] = ["", null]
    return table


def _columns(fit: Fitted) -> np.ndarray:
    x: np.ndarray = fit.fixed_part.x
    return x / np.linalg.norm(x, axis=0)


def _rank(columns: np.ndarray) -> int:
    return int(np.linalg.matrix_rank(columns, tol=1e-7))


def _check_same_data(small: Fitted, big: Fitted) -> None:
    """Same rows, responses and sizes, a common method and families one within the other."""
    a, b = small.model, big.model
    same = a.response == b.response and small.n_rows == big.n_rows
    for x, y in ((small.y, big.y), (a.size, b.size), (a.offset, b.offset), (a.weight, b.weight)):
        same = same and np.array_equal(a.original_order(x), b.original_order(y))
    if not same:
        raise ModelError("the fits differ in rows, response, exposure, trials or weights.")
    if small.method != big.method:
        raise ModelError("one fit is by REML, the other by ML; fit both the same way.")
    families = small.family.name, big.family.name
    if families[0] != families[1] and families not in NESTED_FAMILIES:
        raise ModelError(f"the families are not nested: {families[0]}; {families[1]}.")


def _check_random_nested(small: Fitted, big: Fitted) -> None:
    for name in small.model.chain.names:
        if name not in big.model.chain.names:
            raise ModelError(f"the larger fit has no level {name!r}: not nested.")
        (columns, kind), (known, big_kind) = _random_part(small, name), _random_part(big, name)
        inside = all(c in known for c in columns)
        if len(columns) > 1 and kind != big_kind:
            inside = inside and (kind, big_kind) == ("independent", "unstructured")
        if not inside:
            raise ModelError(f"the random parts of level {name!r} are not nested.")


def _random_part(fit: Fitted, name: str) -> tuple[list[tuple[str, object]], str]:
    """Names and codes of a level's random columns, and the kind of their covariance."""
    model = fit.model
    lev = model.chain.names.index(name)
    if lev >= model.chain.n_nested:
        return [("Intercept", None)], ""
    return [(c.name, c.codes) for c in model.slopes[lev]], model.covariances[name]
