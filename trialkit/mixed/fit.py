"""fit_mixed: the public way in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from trialkit.errors import ModelError
from trialkit.mixed.estimate import estimate
from trialkit.mixed.families import get_family
from trialkit.mixed.model import Model, build_model
from trialkit.mixed.result import MixedFit


def fit_mixed(
    frame: pd.DataFrame,
    response: str,
    fixed: str = "1",
    nested: str | Sequence[str] | None = (),
    slopes: Mapping[str, str | Sequence[str]] | None = None,
    crossed: str | Sequence[str] | None = (),
    covariance: Mapping[str, str] | None = None,
    family: str = "gaussian",
    exposure: str | None = None,
    trials: str | None = None,
    weights: str | None = None,
    method: str = "reml",
) -> MixedFit:
    """Fit a linear or generalised linear mixed model with nested and crossed random effects.

    Parameters
    ----------
    frame : DataFrame
        One row an observation. Rows missing any column used are left out and counted in
        ``notes``.
    response : str
        Column of the response: any number (gaussian), counts (poisson, negative_binomial),
        successes (binomial, beta_binomial), positive amounts (gamma).
    fixed : str
        Right-hand side in Wilkinson notation, e.g. ``"cushion * speed"``; intercept included.
    nested : str or sequence of str
        Columns of the nesting, coarse to fine; labels may repeat across parents. A column that
        is unique in every row gives counts a row-level effect (overdispersion).
    slopes : mapping of level to variables, optional
        Variables whose effect varies between the units of a level.
    crossed : str or sequence of str, optional
        Factors that cut across the nesting (a hybrid grown in several fields): each has an
        independent random intercept per label, of one variance. For modest numbers of labels.
    covariance : mapping of level to {"unstructured", "independent", "exchangeable"}, optional
        Covariance of a level's columns: free (default); all independent; or all independent
        with one common variance for the orthonormal contrasts of a factor.
    family : {"gaussian", "poisson", "negative_binomial", "gamma", "binomial", "beta_binomial"}
        See :mod:`trialkit.mixed.families` for links and variances.
    exposure : str, optional
        Column of area or time the counts belong to; its logarithm is the offset.
    trials : str, optional
        Column of trials behind the successes (default 1).
    weights : str, optional
        Column of prior weights: known relative precisions of a Gaussian response; for the others
        the log-density of a row counts that many times.
    method : {"reml", "ml"}
        Restricted or maximum likelihood; for counts and proportions the (restricted) Laplace
        approximation.

    Returns
    -------
    MixedFit

    Raises
    ------
    ModelError
        With the cause and what to try: columns absent or infinite, values that do not suit the
        family, a factor with one level, levels that cannot be told apart from each other, the
        fixed part or the residual, cells whose counts are all zero (or all successes), other
        separation, too few rows, no variation left, no convergence.

    Examples
    --------
    >>> fit = fit_mixed(frames, "loose_kernels", "cushion", nested=["pair", "strip"],
    ...                 family="poisson", exposure="area")    # doctest: +SKIP
    """
    if method not in ("reml", "ml"):
        raise ModelError(f"method {method!r} is not known; choose 'reml' or 'ml'.")
    law = get_family(family)
    by_level = {level: _listed(variables) for level, variables in (slopes or {}).items()}
    if law.name == "gaussian" and (exposure or trials):
        raise ModelError("exposure and trials belong to counts; use weights for gaussian.")
    if (law.link == "log" and trials) or (law.link == "logit" and exposure):
        raise ModelError("exposure goes with a log link, trials with a logit link.")
    if response in frame and not (
        is_numeric_dtype(frame[response]) or is_bool_dtype(frame[response])
    ):
        raise ModelError(f"the response {response!r} is not numeric.")
    if response in frame and is_bool_dtype(frame[response]):
        frame = frame.assign(**{response: frame[response].astype(float)})
    model = build_model(
        frame, response=response, fixed=fixed, nested=_listed(nested), slopes=by_level,
        covariance=covariance or {}, crossed=_listed(crossed), family=law,
        exposure=exposure, trials=trials, weights=weights,
    )  # fmt: skip
    y = np.asarray(model.columns[response], dtype=float)[model.chain.order]
    model.check_response(y)
    _check_cells(model)
    reml = method == "reml"
    return MixedFit(model, estimate(model, y, reml), y, reml)


def _listed(names: str | Sequence[str] | None) -> list[str]:
    """One name, several or none, as a list."""
    return [names] if isinstance(names, str) else list(names or ())


def _check_cells(model: Model) -> None:
    """A cell of a factor term with only zeros (or only successes) has no finite estimate."""
    if not model.family.counts:
        return
    columns, levels = model.columns, model.part.levels
    y = np.asarray(columns[model.response], dtype=float)
    if not y.any():
        raise ModelError(f"every value of {model.response!r} is zero: nothing to compare.")
    size = model.original_order(model.size)
    if model.family.link == "logit" and (y == size).all():
        raise ModelError(f"every {model.response!r} is as large as its trials: nothing to compare.")
    for term in model.part.terms:
        factors = term.split(":")
        if not all(f in levels for f in factors):
            continue
        cell = np.zeros(len(y), dtype=np.int64)
        for f in factors:
            cell = cell * len(levels[f]) + columns[f].codes
        cells = int(np.prod([len(levels[f]) for f in factors]))
        rows, sums = np.bincount(cell, minlength=cells), np.bincount(cell, y, cells)
        full = sums == np.bincount(cell, size, cells)
        bad = [("zero", sums == 0)]
        if model.family.link == "logit":
            bad.append(("as large as its trials", full))
        for what, found in bad:
            where = np.flatnonzero(found & (rows > 0))
            if len(where):
                shape = [len(levels[f]) for f in factors]
                labels = [
                    ":".join(str(levels[f][i]) for f, i in zip(factors, at, strict=True))
                    for at in zip(*np.unravel_index(where, shape), strict=True)
                ]
                names = ", ".join(labels)
                raise ModelError(
                    f"every {model.response!r} is {what} under {term} = {names}: the model has "
                    f"no finite estimate there. Compare the raw totals, pool that setup with "
                    f"another, or count more frames."
                )
