"""The log-likelihood of a fit, maximised with one quantity held.

The search runs over absolute Lambda entries ``sigma Lambda`` (signed roots: a zero variance is an
interior point), ``log sigma`` and, for Laplace maximum likelihood, the fixed effects. A held
quantity replaces a block of these by a function of the block and the value, whose Jacobian is
taken by complex steps (Squire & Trapp 1998, SIAM Rev. 40:110-112), so gradients stay exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from trialkit.mixed.fitted import Fitted
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

    def __init__(self, fit: Fitted) -> None:
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

    def lost(self, held: Held, value: float) -> float:
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
            return min(math.sqrt(self.lost(held, value)), 1e3) - cut

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


def place_sd(row: np.ndarray, value: float) -> np.ndarray:
    """A row of Lambda at length ``value``, its direction kept."""
    return value * row / _length(row)


def place_correlation(first: int) -> Callable[[np.ndarray, float], np.ndarray]:
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


def place_share(shared: int) -> Callable[[np.ndarray, float], np.ndarray]:
    """Absolute Lambda entries, the first ``shared`` of which make up the share ``value`` of the
    total variance, and ``log sigma`` last."""

    def place(block: np.ndarray, value: float) -> np.ndarray:
        own, rest = block[:shared], block[shared:-1]
        other = (rest * rest).sum() + np.exp(2.0 * block[-1])
        size = np.sqrt(value / (1.0 - value) * other)
        return np.concatenate([size * own / _length(own), block[shared:]])

    return place


def place_value(block: np.ndarray, value: float) -> np.ndarray:
    return np.full(1, value, dtype=complex)
