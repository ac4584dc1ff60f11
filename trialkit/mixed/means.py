"""Adjusted means and contrasts: a reference grid and linear functions of it.

Adjusted means are linear functions of the fixed effects over a reference grid: covariates at
their mean, factors not asked about balanced (Searle, Speed & Milliken 1980, Am. Stat. 34:216-221)
or weighted as observed.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special, stats

from trialkit.errors import ModelError
from trialkit.mixed import multiplicity

if TYPE_CHECKING:
    from trialkit.mixed.fitted import FittedModel

WEIGHTS = ("balanced", "observed")
SCALES = ("link", "response", "average")
KINDS = ("pairwise", "control", "polynomial")
POLYNOMIALS = ("linear", "quadratic", "cubic", "quartic")
# Links on which a difference is the logarithm of a ratio (of means, or of odds).
RATIO_LINKS = ("log", "logit")
Kind = str | Mapping[Any, Any] | None


def reference_grid(
    fit: FittedModel, by: str | Sequence[str], at: Mapping[str, Any] | None = None,
    weights: str = "balanced",
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:  # fmt: skip
    """Combinations of the ``by`` factors with their linear functions.

    Parameters
    ----------
    by : factor or factors of the fixed part.
    at : values at which other variables are held instead of mean or balance.
    weights : {"balanced", "observed"}
        Of the combinations of the other factors: all alike, or by their rows (among the rows with
        the factors held at their value).

    Returns
    -------
    grid : DataFrame, one row a combination.
    linear : ndarray, shape (combinations, terms).
    spread : ndarray, shape (combinations,)
        Total variance of the random effects of a row in that combination (link scale, averaged
        over the factors that are averaged out).

    Raises
    ------
    ModelError
        For an unknown variable, level or weighting, and where no mean can be estimated.
    """
    by = [by] if isinstance(by, str) else list(by)
    at = dict(at or {})
    part = fit.fixed_part
    unknown = [v for v in [*by, *at] if v not in part.levels and v not in part.centres]
    if unknown:
        raise ModelError(
            f"{unknown} are not variables of the fixed part; it has "
            f"{[*part.levels, *part.centres]}."
        )
    values: dict[str, list[Any]] = {}
    for v, levels in part.levels.items():
        values[v] = [at[v]] if v in at else levels
    for v, centre in part.centres.items():
        held = at.get(v, centre)
        values[v] = list(np.atleast_1d(held))
    rest = [v for v in values if v not in by]
    names = [*by, *rest]
    full = pd.DataFrame(itertools.product(*(values[v] for v in names)), columns=names)
    share = _shares(fit.model.frame, {v: values[v] for v in rest}, part.levels, weights)
    # A combination without weight may be one that cannot be estimated.
    use = share > 0
    (rows,) = part.grids([{v: values[v] for v in names}])
    linear = share[use] @ rows.reshape(-1, len(share), rows.shape[1])[:, use]
    if np.isnan(linear).any(axis=1).all():
        raise ModelError(
            f"no adjusted mean of {', '.join(by)} can be estimated: averaging over {rest} meets "
            f"combinations that no row tells of (dropped: {', '.join(part.aliased)}). Weight them "
            f'as observed (weights="observed"), hold them by `at`, or leave a term out.'
        )
    spread = fit.random_variance(full).reshape(-1, len(share)) @ share
    return full[by].iloc[:: len(share)].reset_index(drop=True), linear, spread


def _shares(
    frame: pd.DataFrame, values: Mapping[str, list[Any]], factors: Mapping[str, Any], weights: str
) -> np.ndarray:
    """Weight of every combination of ``values``, factors before covariates; sums to one."""
    if weights not in WEIGHTS:
        raise ModelError(f"weights {weights!r} is not known; choose one of {WEIGHTS}.")
    count = np.ones([len(v) for v in values.values()])
    own = [v for v in values if v in factors]
    if weights == "observed" and own:
        place = [pd.Index(values[v]).get_indexer(frame[v].cat.categories) for v in own]
        codes = np.array([p[frame[v].cat.codes] for p, v in zip(place, own, strict=True)])
        seen = np.zeros([len(values[v]) for v in own])
        np.add.at(seen, tuple(codes[:, (codes >= 0).all(axis=0)]), 1.0)
        if not seen.any():
            held = {v: values[v][0] for v in own if len(values[v]) == 1}
            raise ModelError(f"no row has {held}: nothing to weight by.")
        count *= seen.reshape(*seen.shape, *[1] * (len(values) - len(own)))
    return count.ravel() / count.sum()


def linear_functions(fit: FittedModel, linear: np.ndarray, level: float) -> pd.DataFrame:
    """Estimate, standard error, df, t, p and interval of each row of ``linear`` (rows, terms)."""
    return pd.DataFrame(_functions(fit, np.atleast_2d(np.asarray(linear, dtype=float)), level))


def _functions(
    fit: FittedModel, linear: np.ndarray, level: float, values: np.ndarray | None = None
) -> dict[str, np.ndarray]:
    """Columns of :func:`linear_functions`; what cannot be estimated is NaN.

    ``values`` are the estimates of functions that are not linear, ``linear`` their gradients.
    """
    estimate, se, df = np.full((3, len(linear)), np.nan)
    known = ~np.isnan(linear).any(axis=1)
    rows = linear[known]
    estimate[known] = rows @ fit.fixed_effects.to_numpy() if values is None else values[known]
    variance = np.einsum("ij,jk,ik->i", rows, fit.inference.adjusted, rows)
    se[known] = np.sqrt(np.maximum(variance, 0.0))
    df[known] = np.inf
    varies = known & (linear != 0).any(axis=1)
    df[varies] = fit.inference.df(linear[varies])
    with np.errstate(divide="ignore", invalid="ignore"):
        t = estimate / se
    half = special.stdtrit(df, 0.5 + level / 2) * se
    return {
        "estimate": estimate, "se": se, "df": df, "statistic": t,
        "p": 2 * special.stdtr(df, -np.abs(t)), "low": estimate - half, "high": estimate + half,
    }  # fmt: skip


def _on_scale(
    fit: FittedModel, linear: np.ndarray, spread: np.ndarray, scale: str
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


def averaged_response(fit: FittedModel, eta: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Mean response over units whose random effects have variance ``spread`` (link scale).

    Log link: ``exp(eta + spread / 2)``. Logit: Gauss-Hermite quadrature with 41 nodes.
    """
    if fit.family.link == "log":
        return np.exp(eta + spread / 2)
    if fit.family.link == "identity":
        return np.asarray(eta)
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    shifted = np.asarray(eta)[:, None] + np.sqrt(spread)[:, None] * nodes
    return fit.family.inverse_link(shifted) @ (weights / weights.sum())


def adjusted_means(
    fit: FittedModel, by: str | Sequence[str], at: Mapping[str, Any] | None, level: float,
    weights: str = "balanced",
) -> pd.DataFrame:  # fmt: skip
    """See :meth:`trialkit.mixed.MixedFit.adjusted_means`."""
    grid, linear, spread = reference_grid(fit, by, at, weights)
    table = _functions(fit, linear, level)
    del table["statistic"], table["p"]
    for source, suffix in (("estimate", ""), ("low", "_low"), ("high", "_high")):
        table[f"response{suffix}"] = fit.family.inverse_link(table[source])
        table[f"average{suffix}"] = averaged_response(fit, table[source], spread)
    return pd.DataFrame({**grid, **table}, index=grid.index)


def contrasts(
    fit: FittedModel, by: str, reference: Any, kind: Kind, adjust: str, level: float,
    at: Mapping[str, Any] | None, weights: str = "balanced", scale: str = "link",
) -> pd.DataFrame:  # fmt: skip
    """See :meth:`trialkit.mixed.MixedFit.contrasts`."""
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
    table = _functions(fit, rows, level, values)
    table["p_adjusted"] = table["p"].copy()
    known = table["se"] > 0  # neither inestimable nor the same by construction
    if known.any():
        cov = rows[known] @ fit.inference.adjusted @ rows[known].T
        sd = np.sqrt(np.diag(cov))
        p, critical = multiplicity.adjust(
            table["statistic"][known], table["df"][known], cov / np.outer(sd, sd), adjust, level,
            means=int((~np.isnan(linear).any(axis=1)).sum()) if kind == "pairwise" else None,
        )  # fmt: skip
        half = critical * table["se"][known]
        table["p_adjusted"][known] = p
        table["low"][known] = table["estimate"][known] - half
        table["high"][known] = table["estimate"][known] + half
    if fit.family.link in RATIO_LINKS and kind != "polynomial" and scale == "link":
        for source, suffix in (("estimate", ""), ("low", "_low"), ("high", "_high")):
            table[f"ratio{suffix}"] = np.exp(table[source])
    return pd.DataFrame({**labels, **table})


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
    fit: FittedModel, by: str, margin: float | Sequence[float], reference: Any, level: float,
    at: Mapping[str, Any] | None,
) -> pd.DataFrame:  # fmt: skip
    """See :meth:`trialkit.mixed.MixedFit.equivalence`."""
    ratio = fit.family.link in RATIO_LINKS
    low, high = _margin(margin, ratio)
    if not 0.5 < level < 1.0:
        raise ModelError(f"level {level!r} must lie between 0.5 and 1.")
    alpha = 1.0 - level
    table = contrasts(fit, by, reference, None, "none", 1.0 - 2.0 * alpha, at)
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
