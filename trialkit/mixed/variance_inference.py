"""How well variances are known: profile intervals, and tests at the boundary.

Everything rests on the fit's own log-likelihood (restricted for REML fits) maximised with one
quantity held: a standard deviation, a correlation, the dispersion or an intraclass correlation.
The search runs over absolute Lambda entries ``sigma Lambda`` (signed roots: a zero variance is an
interior point), ``log sigma`` and, for Laplace maximum likelihood, the fixed effects. A held
quantity replaces a block of these by a function of the block and the value, whose Jacobian is
taken by complex steps (Squire & Trapp 1998, SIAM Rev. 40:110-112), so gradients stay exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import optimize, stats

from trialkit.errors import ModelError
from trialkit.mixed.optimise import (
    BEGUN,
    CONVERGED,
    GAIN,
    NO_START,
    RUNNING,
    STALLED,
    advance,
    begin,
    forget,
)
from trialkit.mixed.problem import GaussianProblem

if TYPE_CHECKING:
    from trialkit.mixed.fitted import FittedModel

# Doublings of the first step outward after which an interval is open.
MAX_DOUBLINGS = 12


@dataclass(frozen=True, slots=True)
class Held:
    """A quantity that can be held at a value.

    Attributes
    ----------
    block : ndarray of int
        Positions of the search vector it replaces.
    place : function of (block values, value), analytic in the block
        The block with the quantity at that value.
    estimate, step : the estimate, and a first step away from it.
    lowest, highest : natural bounds.
    """

    block: np.ndarray
    place: Callable[[np.ndarray, float], np.ndarray]
    estimate: float
    step: float
    lowest: float
    highest: float


class Profile:
    """The log-likelihood of a fit, maximised with one quantity held."""

    def __init__(self, fit: FittedModel) -> None:
        self.problem = fit.found.problem
        self.gaussian = isinstance(self.problem, GaussianProblem)
        point, model = fit.found.point, fit.model
        self.n_theta, self.n_own = model.n_theta, len(model.scale)
        self.best = point.value
        self.beta = point.beta
        scale = model.scale * point.sigma
        start = point.theta * point.sigma
        if self.gaussian:
            start, scale = np.r_[start, math.log(point.sigma)], np.r_[scale, 0.3]
        self.mix = np.diag(scale)
        if not self.gaussian and fit.method == "ml":
            assert point.weight is not None
            information = (model.x * point.weight[:, None]).T @ model.x
            root = np.linalg.cholesky(np.linalg.inv(information))
            start = np.r_[start, point.beta]
            zero = np.zeros((len(scale), len(root)))
            self.mix = np.block([[self.mix, zero], [zero.T, root]])
        self.start = start
        self.diagonal = model.diagonal
        # Whether the last search ended at an optimum.
        self.settled = True
        # Values held so far, with the search vector and inverse Hessian found there.
        self.known: list[tuple[float, np.ndarray, np.ndarray | None]] = []

    def evaluate(self, w: np.ndarray) -> tuple[float, np.ndarray]:
        """Minus the log-likelihood and its gradient in the search vector."""
        bad = math.inf, np.zeros(len(w))
        if not np.isfinite(w).all():
            return bad
        if isinstance(self.problem, GaussianProblem):
            sigma = math.exp(w[-1])
            point = self.problem.point(w[:-1] / sigma, sigma=sigma)
            if point is None:
                return bad
            in_log = point.rss / sigma**2 - self.problem.df - point.grad @ point.theta
            return -point.value, -np.r_[point.grad / sigma, in_log]
        theta, beta = w[: self.n_own], w[self.n_own :]
        point = self.problem.point(theta, beta if len(beta) else self.beta)
        if point is None:
            return bad
        self.beta = point.beta
        return -point.value, -point.grad

    def at(self, held: Held, value: float) -> float:
        """Twice the log-likelihood lost by holding a quantity at ``value``.

        The search starts from the nearest value held before.
        """
        near = min(self.known, key=lambda k: abs(k[0] - value), default=(0.0, self.start, None))
        base, known_metric = near[1].copy(), near[2]
        for j in self.diagonal:
            # A variance at zero has a zero gradient: leave it.
            if abs(base[j]) < 0.05 * self.mix[j, j]:
                base[j] = 0.05 * self.mix[j, j]
        block = base[held.block]

        def whole(free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            w = base + self.mix @ free
            jacobian = self.mix.copy()
            inner = w[held.block]
            steps = inner + 1e-30j * np.eye(len(block))
            turn = np.array([held.place(s, value).imag / 1e-30 for s in steps]).T
            jacobian[held.block] = turn @ self.mix[held.block]
            w[held.block] = held.place(inner.astype(complex), value).real
            return w, jacobian

        x = np.zeros(len(base))
        metric = np.eye(len(base)) if known_metric is None else known_metric.copy()
        counts, scalars, grad, step, trial = begin(x, GAIN, 0)
        verdict = RUNNING
        while verdict == RUNNING:
            w, jacobian = whole(trial)
            lost, slope = self.evaluate(w)
            slope = slope @ jacobian
            if known_metric is None and not counts[BEGUN]:
                forget(metric, slope)
            verdict = advance(counts, scalars, x, grad, metric, step, trial, lost, slope, 0, metric)
        self.settled = verdict in (CONVERGED, STALLED)
        if verdict == NO_START:
            return math.inf
        self.known.append((value, whole(x)[0], metric))
        return max(2.0 * (self.best + float(scalars[0])), 0.0)

    def interval(self, held: Held, level: float) -> tuple[float, float]:
        """Values whose loss stays below the chi-square quantile; NaN where a search fails."""
        cut = math.sqrt(stats.chi2.ppf(level, 1))
        ends = []
        for side, bound in ((-1.0, held.lowest), (1.0, held.highest)):
            self.known = [(held.estimate, self.start, None)]
            ends.append(self._end(held, side, bound, cut))
        return ends[0], ends[1]

    def _end(self, held: Held, side: float, bound: float, cut: float) -> float:
        def beyond(value: float) -> float:
            return min(math.sqrt(self.at(held, value)), 1e3) - cut

        inside, step = held.estimate, held.step
        for _ in range(MAX_DOUBLINGS):
            outside = inside + side * step
            if side * (outside - bound) >= 0.0:
                outside = bound
            if beyond(outside) > 0.0:
                end = optimize.brentq(beyond, inside, outside, xtol=1e-9 * held.step, rtol=1e-8)
                return float(end) if self.settled else math.nan
            if outside == bound:
                return bound
            inside, step = outside, 2.0 * step
        return bound


def _length(row: np.ndarray) -> np.ndarray:
    """Euclidean length, analytic for complex rows."""
    return np.sqrt((row * row).sum())


def _place_sd(row: np.ndarray, value: float) -> np.ndarray:
    """A row of Lambda at length ``value``, its direction kept."""
    return value * row / _length(row)


def _place_correlation(first: int) -> Callable[[np.ndarray, float], np.ndarray]:
    """For two rows of Lambda, the first of ``first`` entries: the second is turned to an angle
    of cosine ``value`` with the first; both keep their length."""

    def place(both: np.ndarray, value: float) -> np.ndarray:
        a, b = both[:first], both[first:]
        along = np.zeros(len(b), dtype=complex)
        along[:first] = a / _length(a)
        across = b - (b @ along) * along
        across = across / _length(across)
        turned = value * along + math.sqrt(1.0 - value * value) * across
        return np.concatenate([a, _length(b) * turned])

    return place


def _place_share(shared: int) -> Callable[[np.ndarray, float], np.ndarray]:
    """Absolute Lambda entries, the first ``shared`` of which make up the share ``value`` of the
    total variance, and ``log sigma`` last."""

    def place(block: np.ndarray, value: float) -> np.ndarray:
        own, rest = block[:shared], block[shared:-1]
        other = (rest * rest).sum() + np.exp(2.0 * block[-1])
        size = np.sqrt(value / (1.0 - value) * other)
        return np.concatenate([size * own / _length(own), block[shared:]])

    return place


def _place_value(block: np.ndarray, value: float) -> np.ndarray:
    return np.full(1, value, dtype=complex)


def _row(fit: FittedModel, lev: int, j: int) -> np.ndarray:
    """Parameters of row ``j`` of a level's Lambda, the diagonal last."""
    found = [(e.column, e.parameter) for e in fit.model.entries if (e.level, e.row) == (lev, j)]
    return np.array([parameter for _, parameter in sorted(found)])


def _held_sd(fit: FittedModel, lev: int, j: int) -> Held:
    row = _row(fit, lev, j)
    estimate = math.sqrt(fit.covariances[lev][j, j])
    scale = float(fit.model.scale[row[-1]]) * fit.found.point.sigma
    step = max(0.25 * estimate, 0.05 * scale)
    return Held(row, _place_sd, estimate, step, 0.0, math.inf)


def _held_correlation(fit: FittedModel, lev: int, i: int, j: int) -> Held:
    first, second = _row(fit, lev, i), _row(fit, lev, j)
    cov = fit.covariances[lev]
    both = math.sqrt(cov[i, i] * cov[j, j])
    estimate = cov[i, j] / both if both > 0 else 0.0
    place = _place_correlation(len(first))
    return Held(np.r_[first, second], place, min(max(estimate, -1.0), 1.0), 0.2, -1.0, 1.0)


def variance_intervals(
    fit: FittedModel, level: float, only: tuple[str, str] | None = None
) -> pd.DataFrame:
    """See :meth:`trialkit.mixed.MixedFit.variance_intervals`."""
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


DISPERSIONS = {
    "gaussian": "sd", "negative_binomial": "size", "beta_binomial": "precision",
    "gamma": "squared coefficient of variation",
}  # fmt: skip


def _dispersion_row(fit: FittedModel, profile: Profile, level: float) -> dict[str, object]:
    """Interval of the family's dispersion, held on its logarithm."""
    point = fit.found.point
    at = profile.n_own if profile.gaussian else profile.n_theta
    centre = math.log(point.sigma) if profile.gaussian else float(point.theta[profile.n_theta])
    held = Held(np.array([at]), _place_value, centre, 0.25, -math.inf, math.inf)
    ends = np.exp(profile.interval(held, level))
    if fit.family.name == "gamma":
        ends = 1.0 / ends[::-1]
    return {"level": "residual", "term": "", "quantity": DISPERSIONS[fit.family.name],
            "estimate": fit.dispersion, "low": float(ends[0]), "high": float(ends[1])}  # fmt: skip


def variance_test(fit: FittedModel, level: str, term: str | None) -> pd.Series:
    """See :meth:`trialkit.mixed.MixedFit.variance_test`."""
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
    statistic = profile.at(_held_sd(fit, lev, names.index(term)), 0.0)
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


def intraclass_correlation(fit: FittedModel, level: float) -> pd.DataFrame:
    """See :meth:`trialkit.mixed.MixedFit.intraclass_correlation`."""
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
        held = Held(block, _place_share(len(own) - lev), share, 0.1, 0.0, 1.0 - 1e-6)
        low, high = profile.interval(held, level)
        rows.append({"level": model.chain.names[lev], "estimate": share, "low": low, "high": high})
    return pd.DataFrame(rows)
