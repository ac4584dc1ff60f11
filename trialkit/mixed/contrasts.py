"""Contrasts of adjusted means, and equivalence tests of them."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.errors import ModelError
from trialkit.mixed import multiplicity
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.inference import default_inference
from trialkit.mixed.means import averaged_response, columns_of_functions, reference_grid

SCALES = ("link", "response", "average")
KINDS = ("pairwise", "control", "polynomial")
POLYNOMIALS = ("linear", "quadratic", "cubic", "quartic")
# Links on which a difference is the logarithm of a ratio (of means, or of odds).
RATIO_LINKS = ("log", "logit")
Kind = str | Mapping[Any, Any] | None


# Long by the description of its parameters.
def contrasts(
    fit: Fitted, by: str, reference: Any = None, kind: Kind = None, adjust: str = "none",
    level: float = 0.95, at: Mapping[str, Any] | None = None, weights: str = "balanced",
    scale: str = "link",
) -> pd.DataFrame:  # fmt: skip
    """Comparisons of adjusted means, with ratios where the link is a logarithm.

    Parameters
    ----------
    by : factor of the fixed part.
    reference : level to compare the others with (kind "control").
    kind : {"pairwise", "control", "polynomial"} or dict, optional
        Default: all pairs, or against ``reference`` where one is given. "control" without a
        reference takes the first level. "polynomial": orthonormal trends over the levels, by
        their numbers or equally spaced. A dict names contrasts and gives the weights, in the
        order of the levels or by level; they sum to zero.
    adjust : {"none", "holm", "bonferroni", "tukey", "dunnett"}
        Adjustment of ``p_adjusted`` for the number of contrasts. "tukey" (studentised range)
        is for all pairs, "dunnett" (multivariate t) for any set; see
        :mod:`trialkit.mixed.multiplicity`. Intervals are simultaneous with "bonferroni",
        "tukey" and "dunnett"; Holm's method has none and leaves the single ones.
    level : float
        Confidence level of the intervals.
    at : mapping, optional
        Values at which other variables are held.
    weights : {"balanced", "observed"}
        How other factors are averaged, as for ``adjusted_means``.
    scale : {"link", "response", "average"}
        Of the differences: the link's; that of the response for a typical unit; or of its
        average over the random effects, their variance taken as known. The latter two by the
        delta method, degrees of freedom along the gradient.

    Returns
    -------
    DataFrame: level and reference (or contrast, its name), estimate, se, df, statistic, p,
    low, high, p_adjusted and, on the scale of a log or logit link, ratio (odds ratio) with its
    interval.

    Raises
    ------
    ModelError
        For an unknown level, kind, adjustment, weighting or scale, or contrasts that do not
        fit the levels.
    """
    if scale not in SCALES:
        raise ModelError(f"scale {scale!r} is not known; choose one of {SCALES}.")
    grid, linear, spread = reference_grid(fit, by, at, weights)
    values = None
    levels = list(grid[by])
    if kind is None:
        kind = "pairwise" if reference is None else "control"
    labels, coefficients = _weights(by, levels, reference, kind)
    if scale != "link":
        mean, linear = _on_scale(fit, linear, spread, scale)
        values = _apply(coefficients, mean[:, None])[:, 0]
    rows = _apply(coefficients, linear)
    table = columns_of_functions(fit, rows, level, values)
    means = int((~np.isnan(linear).any(axis=1)).sum()) if kind == "pairwise" else None
    _adjust(table, rows, default_inference(fit).adjusted, adjust, level, means)
    if fit.family.link in RATIO_LINKS and kind != "polynomial" and scale == "link":
        for source, suffix in (("estimate", ""), ("low", "_low"), ("high", "_high")):
            table[f"ratio{suffix}"] = np.exp(table[source])
    return pd.DataFrame({**labels, **table})


def _on_scale(
    fit: Fitted, linear: np.ndarray, spread: np.ndarray, scale: str
) -> tuple[np.ndarray, np.ndarray]:
    """Adjusted means on a response scale and their gradients in the fixed effects."""
    eta = linear @ fit.fixed_effects.to_numpy()
    own = np.zeros_like(spread) if scale == "response" else spread
    mean = averaged_response(fit, eta, own)
    if fit.family.link == "logit":
        step = 1e-4
        up, down = (averaged_response(fit, eta + h, own) for h in (step, -step))
        slope = (up - down) / (2 * step)
    else:
        slope = mean if fit.family.link == "log" else np.ones_like(mean)
    return mean, slope[:, None] * linear


def _adjust(
    table: dict[str, np.ndarray], rows: np.ndarray, covariance: np.ndarray, method: str,
    level: float, means: int | None,
) -> None:  # fmt: skip
    """Add ``p_adjusted`` to the columns of contrasts and widen their intervals."""
    table["p_adjusted"] = table["p"].copy()
    known = table["se"] > 0  # neither inestimable nor the same by construction
    if not known.any():
        return
    cov = rows[known] @ covariance @ rows[known].T
    sd = np.sqrt(np.diag(cov))
    p, critical = multiplicity.adjust(
        table["statistic"][known], table["df"][known], cov / np.outer(sd, sd), method, level, means
    )
    half = critical * table["se"][known]
    table["p_adjusted"][known] = p
    table["low"][known] = table["estimate"][known] - half
    table["high"][known] = table["estimate"][known] + half


def _apply(weights: np.ndarray, linear: np.ndarray) -> np.ndarray:
    """``weights @ linear`` where a level that cannot be estimated spoils only its own contrasts."""
    rows = weights @ np.nan_to_num(linear)
    rows[(weights[:, np.isnan(linear).any(axis=1)] != 0).any(axis=1)] = np.nan
    return rows


def _weights(
    by: str, levels: list[Any], reference: Any, kind: Kind
) -> tuple[dict[str, list[Any]], np.ndarray]:
    """Label columns and weights, shape (contrasts, levels), of a set of contrasts."""
    n = len(levels)
    if n < 2:
        raise ModelError(f"{by!r} has a single level here: nothing to compare.")
    if reference is not None and (kind != "control" or reference not in levels):
        if reference not in levels:
            raise ModelError(f"reference {reference!r} is no level of {by!r}: {levels}.")
        raise ModelError('a reference goes with kind "control".')
    if isinstance(kind, Mapping):
        weights = np.array([_custom(by, levels, name, w) for name, w in kind.items()])
        return {"contrast": [str(name) for name in kind]}, weights.reshape(-1, n)
    if kind == "polynomial":
        weights = polynomial(levels)
        names = [*POLYNOMIALS, *(f"degree {d}" for d in range(len(POLYNOMIALS) + 1, n))]
        return {"contrast": names[: n - 1]}, weights
    if kind == "control":
        r = levels.index(reference) if reference is not None else 0
        pairs = [(i, r) for i in range(n) if i != r]
    elif kind == "pairwise":
        pairs = [(j, i) for i, j in itertools.combinations(range(n), 2)]
    else:
        raise ModelError(
            f"kind {kind!r} is not known; choose one of {KINDS} or give a dict of weights."
        )
    labels = {"level": [levels[i] for i, _ in pairs], "reference": [levels[j] for _, j in pairs]}
    eye = np.eye(n)
    return labels, np.array([eye[i] - eye[j] for i, j in pairs])


def _custom(by: str, levels: list[Any], name: Any, weights: Any) -> np.ndarray:
    """One named contrast, its weights by level or in the order of the levels."""
    if isinstance(weights, Mapping):
        unknown = [k for k in weights if k not in levels]
        if unknown:
            raise ModelError(f"contrast {name!r}: {unknown} are no levels of {by!r}: {levels}.")
        weights = [weights.get(k, 0.0) for k in levels]
    out = np.asarray(weights, dtype=float)
    if out.shape != (len(levels),) or not np.isfinite(out).all() or not out.any():
        raise ModelError(
            f"contrast {name!r} needs {len(levels)} weights, one for each of {levels}."
        )
    if abs(out.sum()) > 1e-8 * np.abs(out).max():
        raise ModelError(
            f"the weights of contrast {name!r} sum to {out.sum():g}, not to zero; for other "
            f"linear functions use reference_grid and linear."
        )
    return out


def polynomial(levels: Sequence[Any]) -> np.ndarray:
    """Orthonormal polynomial contrasts of degree 1, 2, ..., shape (levels - 1, levels).

    Numeric levels (also as text) count at their spacing, others as equally spaced in their order.
    """
    try:
        at = np.array([float(v) for v in levels])
    except (TypeError, ValueError):
        at = np.arange(len(levels), dtype=float)
    at = (at - at.mean()) / np.ptp(at)
    q, r = np.linalg.qr(np.vander(at, increasing=True))
    return (q * np.sign(np.diag(r))).T[1:]


def equivalence(
    fit: Fitted, by: str, margin: float | Sequence[float], reference: Any = None,
    level: float = 0.95, at: Mapping[str, Any] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Two one-sided tests that levels differ by less than a margin.

    Schuirmann (1987, J. Pharmacokinet. Biopharm. 15:657-680), each test at ``1 - level``.

    Parameters
    ----------
    by : factor of the fixed part.
    margin : number or (low, high)
        On the link scale; for log and logit links a ratio (of odds), where one number ``m``
        means ``(1 / m, m)``. One side infinite (or a ratio of zero) tests non-inferiority.
    reference : level to compare with; None gives all pairs.
    level : float
        One less the size of each test.
    at : mapping, optional
        Values at which other variables are held.

    Returns
    -------
    DataFrame: level, reference, estimate, df, p_lower (against a difference at or below the
    lower margin), p_upper, p (the larger), low90 and high90 (the interval of confidence
    ``1 - 2 (1 - level)``, named after it), verdict (whether equivalence is shown). Estimate
    and interval are on the scale of the margin.

    Raises
    ------
    ModelError
        If the margin does not enclose no difference, or a level is unknown.
    """
    ratio = fit.family.link in RATIO_LINKS
    low, high = _margin(margin, ratio)
    if not 0.5 < level < 1.0:
        raise ModelError(f"level {level!r} must lie between 0.5 and 1.")
    alpha = 1.0 - level
    table = contrasts(fit, by, reference, level=1.0 - 2.0 * alpha, at=at)
    # Statistics belong to the link scale; what is reported, to the scale of the margin.
    shown = np.exp if ratio else np.asarray
    estimate, se, df = (table[c].to_numpy() for c in ("estimate", "se", "df"))
    p_lower = stats.t.sf((estimate - low) / se, df)
    p_upper = stats.t.cdf((estimate - high) / se, df)
    p = np.maximum(p_lower, p_upper)
    percent = f"{100 * (1 - 2 * alpha):.6g}"
    return pd.DataFrame(
        {
            "level": table["level"], "reference": table["reference"],
            "estimate": shown(estimate), "df": df, "p_lower": p_lower, "p_upper": p_upper, "p": p,
            f"low{percent}": shown(table["low"].to_numpy()),
            f"high{percent}": shown(table["high"].to_numpy()),
            "verdict": p < alpha,
        }
    )  # fmt: skip


def _margin(margin: float | Sequence[float], ratio: bool) -> tuple[float, float]:
    """Lower and upper margin on the link scale."""
    bounds = np.atleast_1d(np.asarray(margin, dtype=float))
    if ratio:
        if np.isnan(bounds).any() or (bounds < 0).any():
            raise ModelError("the margin is a ratio here: positive, e.g. 1.25 or (0.8, 1.25).")
        with np.errstate(divide="ignore"):
            bounds = np.log(bounds)
    if len(bounds) == 1:
        bounds = np.array([-bounds[0], bounds[0]])
    if len(bounds) != 2 or not bounds[0] < 0 < bounds[1] or np.isinf(bounds).all():
        none = "1" if ratio else "0"
        raise ModelError(
            f"margin {margin!r} must enclose {none}: one number beyond {none}, or (low, high) on "
            f"either side of it; one may be infinite."
        )
    return float(bounds[0]), float(bounds[1])
