"""How well variances are known: profile intervals, and tests at the boundary.

Everything rests on the fit's own log-likelihood (restricted for REML fits) maximised with one
quantity held, see :mod:`trialkit.mixed.profile`: a standard deviation, a correlation, the
dispersion or an intraclass correlation.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.errors import ModelError
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.notes import DISPERSIONS
from trialkit.mixed.profile import (
    Held,
    Profile,
    place_correlation,
    place_sd,
    place_share,
    place_value,
)


def _row(fit: Fitted, lev: int, j: int) -> np.ndarray:
    """Parameters of row ``j`` of a level's Lambda, the diagonal last."""
    found = [(e.column, e.parameter) for e in fit.model.entries if (e.level, e.row) == (lev, j)]
    return np.array([parameter for _, parameter in sorted(found)])


def _held_sd(fit: Fitted, lev: int, j: int) -> Held:
    row = _row(fit, lev, j)
    estimate = math.sqrt(fit.covariances[lev][j, j])
    scale = float(fit.model.scale[row[-1]]) * fit.found.point.sigma
    step = max(0.25 * estimate, 0.05 * scale)
    return Held(row, place_sd, estimate, step, 0.0, math.inf)


def _held_correlation(fit: Fitted, lev: int, i: int, j: int) -> Held:
    first, second = _row(fit, lev, i), _row(fit, lev, j)
    cov = fit.covariances[lev]
    both = math.sqrt(cov[i, i] * cov[j, j])
    estimate = cov[i, j] / both if both > 0 else 0.0
    place = place_correlation(len(first))
    return Held(np.r_[first, second], place, min(max(estimate, -1.0), 1.0), 0.2, -1.0, 1.0)


def variance_intervals(
    fit: Fitted, level: float = 0.95, only: tuple[str, str] | None = None
) -> pd.DataFrame:
    """Profile-likelihood intervals of standard deviations, correlations and dispersion.

    The fit's own likelihood (restricted for REML fits), maximised with each quantity held in
    turn. An interval that reaches zero means the variance may be zero.

    Parameters
    ----------
    level : float
        Confidence level.
    only : (str, str), optional
        Random level and term whose standard deviation alone is asked for.

    Returns
    -------
    DataFrame: level, term, quantity ("sd" or "correlation"; the last row, "residual", is the
    residual sd or the family's dispersion), estimate, low, high.
    """
    if not 0.0 < level < 1.0:
        raise ModelError(f"level {level!r} must lie between 0 and 1.")
    profile = Profile(fit)
    model = fit.model
    rows: list[dict[str, object]] = []
    for lev in reversed(range(len(model.slopes))):
        columns, name = model.slopes[lev], model.chain.names[lev]
        groups = [c.group for c in columns]
        shared = model.covariances[name] == "exchangeable"
        for j, column in enumerate(columns):
            if shared and column.group in groups[:j]:
                continue
            if only is not None and only != (name, column.name):
                continue
            held = _held_sd(fit, lev, j)
            low, high = profile.interval(held, level)
            rows.append({"level": name, "term": column.name, "quantity": "sd",
                         "estimate": held.estimate, "low": low, "high": high})  # fmt: skip
        if model.covariances[name] != "unstructured" or only is not None:
            continue
        cov = fit.covariances[lev]
        for j in range(len(columns)):
            for i in range(j):
                held = _held_correlation(fit, lev, i, j)
                low, high = profile.interval(held, level)
                defined = cov[i, i] > 0 and cov[j, j] > 0
                rows.append({"level": name, "term": f"{columns[i].name}, {columns[j].name}",
                             "quantity": "correlation",
                             "estimate": held.estimate if defined else math.nan,
                             "low": low, "high": high})  # fmt: skip
    if only is None and (profile.gaussian or fit.family.dispersed):
        rows.append(_dispersion_row(fit, profile, level))
    return pd.DataFrame(rows, columns=["level", "term", "quantity", "estimate", "low", "high"])


def _dispersion_row(fit: Fitted, profile: Profile, level: float) -> dict[str, object]:
    """Interval of the family's dispersion, held on its logarithm."""
    point = fit.found.point
    at = profile.n_own if profile.gaussian else profile.n_theta
    centre = math.log(point.sigma) if profile.gaussian else float(point.theta[profile.n_theta])
    held = Held(np.array([at]), place_value, centre, 0.25, -math.inf, math.inf)
    ends = np.exp(profile.interval(held, level))
    if fit.family.name == "gamma":
        ends = 1.0 / ends[::-1]
    quantity = "sd" if profile.gaussian else DISPERSIONS[fit.family.name]
    return {"level": "residual", "term": "", "quantity": quantity,
            "estimate": fit.dispersion, "low": float(ends[0]), "high": float(ends[1])}  # fmt: skip


def variance_test(fit: Fitted, level: str, term: str | None = None) -> pd.Series:
    """Likelihood-ratio test that a variance is zero, a bound of its range.

    With ``k`` parameters vanishing (the variance, and its free correlations) the null
    distribution is the 50:50 mixture of chi-squares with ``k - 1`` and ``k`` df (Self & Liang
    1987, J. Am. Stat. Assoc. 82:605-610; Stram & Lee 1994, Biometrics 50:1171-1177); it holds
    for many units and is conservative for few.

    Parameters
    ----------
    level : nested level.
    term : random column of the level, where it has several.

    Returns
    -------
    Series: statistic, p, null (the mixture in words).

    Raises
    ------
    ModelError
        For an unknown level or term.
    """
    model = fit.model
    if level not in model.chain.names:
        raise ModelError(f"{level!r} is no level of this fit: {model.chain.names[::-1]}.")
    lev = model.chain.names.index(level)
    names = [c.name for c in model.slopes[lev]]
    if term is None and len(set(names)) == 1:
        term = names[0]
    if term not in names:
        raise ModelError(
            f"level {level!r} has several random terms; test one of them: {sorted(set(names))}."
            if term is None
            else f"{term!r} is no random term of {level!r}: {sorted(set(names))}."
        )
    profile = Profile(fit)
    statistic = profile.lost(_held_sd(fit, lev, names.index(term)), 0.0)
    if not profile.settled:
        raise ModelError(f"the model without the variance of {level!r} did not converge.")
    lost = len(names) if model.covariances[level] == "unstructured" else 1
    return pd.Series(
        {"statistic": statistic, "p": mixture_p(statistic, lost), "null": mixture_name(lost)},
        name=f"{level}: {term}",
    )


def mixture_p(statistic: float, parameters: int) -> float:
    """Upper tail of the 50:50 mixture of chi-squares with ``parameters - 1`` and ``parameters``."""
    lower = (
        float(statistic <= 1e-8) if parameters == 1 else stats.chi2.sf(statistic, parameters - 1)
    )
    return 0.5 * float(lower) + 0.5 * float(stats.chi2.sf(statistic, parameters))


def mixture_name(parameters: int) -> str:
    """The mixture in words."""
    return f"0.5 chi2({parameters - 1}) + 0.5 chi2({parameters})"


def intraclass_correlation(fit: Fitted, level: float = 0.95) -> pd.DataFrame:
    """Correlation of two rows of the same unit, per level, with profile intervals.

    The variance of the level and those above it as a share of the total (Gaussian responses,
    levels without slopes).

    Returns
    -------
    DataFrame: level, estimate, low, high.

    Raises
    ------
    ModelError
        For other families, slopes, or no nested level.
    """
    model = fit.model
    if fit.family.name != "gaussian":
        raise ModelError("the intraclass correlation is for gaussian responses.")
    if not model.chain.n_levels or any(len(c) > 1 for c in model.slopes):
        raise ModelError(
            "the intraclass correlation needs nested levels without slopes or crossed factors."
        )
    profile = Profile(fit)
    variance = np.array([c[0, 0] for c in fit.covariances])
    total = float(variance.sum() + fit.dispersion**2)
    rows = []
    for lev in reversed(range(len(variance))):
        share = float(variance[lev:].sum()) / total
        own = [int(_row(fit, k, 0)[0]) for k in range(len(variance))]
        block = np.array([*own[lev:], *own[:lev], profile.n_own])
        held = Held(block, place_share(len(own) - lev), share, 0.1, 0.0, 1.0 - 1e-6)
        low, high = profile.interval(held, level)
        rows.append({"level": model.chain.names[lev], "estimate": share, "low": low, "high": high})
    return pd.DataFrame(rows)
