"""Criteria of a model whose rows lie in partitions: sums of shares, put together at the root.

The same questions as those of :mod:`trialkit.mixed.problem`, answered by asking every partition
for its share (:mod:`trialkit.mixed.shares`) and solving the root here. The search is the machine
of :mod:`trialkit.mixed.optimise`, fed from Python, since an evaluation waits for others. Shares are
added in the order of the partitions, whoever works on them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from trialkit.mixed.crew import Crew
from trialkit.mixed.criteria import MAX_NEWTON
from trialkit.mixed.families import Family
from trialkit.mixed.kernels import root_inverse, solve_root
from trialkit.mixed.optimise import (
    BEGUN,
    FAR,
    GAIN,
    RUNNING,
    SLOPE,
    Search,
    advance,
    begin,
    search_record,
    trust,
)
from trialkit.mixed.problem import ChainLayout, GaussianProblem, LaplaceProblem, Point

# Value, gradient and information of what is minimised, at given parameters.
Evaluate = Callable[[np.ndarray, bool], tuple[float, np.ndarray, np.ndarray]]


def descend(
    evaluate: Evaluate, start: np.ndarray, mix: np.ndarray, metric: np.ndarray | None, gain: float,
    polish: int, known: int, constant: float = 0.0,
) -> Search:  # fmt: skip
    """Minimise over ``mix^-1`` times the parameters, as the compiled searches do.

    Parameters
    ----------
    known : leading parameters of which the information is a metric by itself.
    constant : what the values lack.
    """
    x, k = start.astype(float), len(start)
    inverse = np.empty((k, k)) if metric is None else metric.copy()
    here = np.zeros((k, k))
    counts, scalars, grad, step, trial = begin(x, gain, polish)
    verdict = RUNNING
    while verdict == RUNNING:
        untested = metric is None and not counts[BEGUN]
        far = bool(untested or -scalars[SLOPE] > FAR)
        parameters = mix @ trial
        value, slopes, info = evaluate(parameters, far)
        if far:
            trust(info, slopes, parameters, mix, here)
            if untested:
                inverse[:] = here
        verdict = advance(
            counts, scalars, x, grad, inverse, step, trial, value, slopes @ mix, known, here
        )
    return search_record(start, verdict, counts, scalars, x, grad, inverse, constant)


def _known(layout: ChainLayout) -> int:
    """The variance parameters, where every Lambda is diagonal."""
    return 0 if (layout.entry_at < 0).any() else layout.n_theta


class SummedGaussian(GaussianProblem):
    """Profiled (restricted) likelihood of rows in partitions; asks :class:`GaussianShare`."""

    def __init__(
        self, layout: ChainLayout, crew: Crew, rows: int, log_weight: float, reml: bool
    ) -> None:
        self.layout, self.crew, self.reml = layout, crew, reml
        self.n, self.p, self.log_weight = rows, layout.n_root, log_weight
        self.evaluations = 0

    def point(self, theta: np.ndarray, sigma: float = 0.0) -> Point | None:
        return self._at(theta, sigma, False)[0]

    def search(
        self, start: np.ndarray, mix: np.ndarray, metric: np.ndarray | None, gain: float = GAIN,
        polish: int = 0,
    ) -> Search:  # fmt: skip
        def evaluate(theta: np.ndarray, informed: bool) -> tuple[float, np.ndarray, np.ndarray]:
            point, info = self._at(theta, 0.0, informed)
            if point is None:
                return math.inf, np.zeros(len(theta)), info
            return -point.value, -point.grad, info

        return descend(evaluate, start, mix, metric, gain, polish, _known(self.layout))

    def _at(
        self, theta: np.ndarray, sigma: float, informed: bool
    ) -> tuple[Point | None, np.ndarray]:
        """The point, and the information of the profiled criterion."""
        self.evaluations += 1
        shares = self.crew.ask("eliminated", theta)
        logdet = sum(s[0] for s in shares)
        front = np.sum([s[1] for s in shares], axis=0)
        beta, block = np.zeros(self.p), np.zeros((self.p, self.p))
        logdet_x, _ = solve_root(front, beta)
        rss = float(front[self.p, self.p])
        s2 = sigma**2 if sigma > 0.0 else rss / self.df
        if self.reml:
            logdet += logdet_x
            block = root_inverse(front, self.p)
        k = len(theta)
        info = np.zeros((k, k))
        with np.errstate(all="ignore"):
            log_scale = float(self.df * np.log(2.0 * np.pi * s2) + rss / s2)
        value = -0.5 * (logdet + log_scale - self.log_weight)
        if not math.isfinite(value):
            return None, info
        grad = np.zeros(k)
        if k:
            slopes = self.crew.ask("slopes", theta, beta, block, s2, informed)
            by_logdet, by_rss, info = (np.sum(terms, axis=0) for terms in zip(*slopes, strict=True))
            grad = -0.5 * (by_logdet + by_rss)
            # Profiling the residual variance takes its share of the information out.
            info -= np.outer(by_logdet, by_logdet) / (2.0 * self.df)
        point = Point(theta.copy(), beta, value, grad, np.zeros(0), front, math.sqrt(s2), rss)
        return point, info


class SummedLaplace(LaplaceProblem):
    """(Restricted) Laplace likelihood of rows in partitions; asks :class:`LaplaceShare`."""

    def __init__(
        self, layout: ChainLayout, crew: Crew, family: Family, constant: float, restricted: bool
    ) -> None:
        self.layout, self.crew, self.family, self.restricted = layout, crew, family, restricted
        self.p = len(layout.x_columns)
        self.constant = constant + 0.5 * layout.n_root * math.log(2 * math.pi)
        self.u = np.zeros(0)
        self.tolerance = self.USUAL
        self.evaluations = 0
        self.start_beta = np.zeros(self.p)
        self.beta = np.zeros(self.p)
        self.n_parameters = layout.n_theta + family.dispersed

    def point(self, theta: np.ndarray, beta: np.ndarray, graded: bool = True) -> Point | None:
        return self._at(theta, beta, graded, False)[0]

    def search(
        self, start: np.ndarray, mix: np.ndarray, metric: np.ndarray | None, gain: float = GAIN,
        polish: int = 0,
    ) -> Search:  # fmt: skip
        n, k = self.n_parameters, len(start)
        known = _known(self.layout) if self.layout.n_theta == n else 0

        def evaluate(at: np.ndarray, informed: bool) -> tuple[float, np.ndarray, np.ndarray]:
            info = np.zeros((k, k))
            beta = self.beta if self.restricted else at[n:]
            point, own = self._at(at[:n], beta, True, informed)
            if point is None:
                return math.inf, np.zeros(k), info
            if self.restricted:
                self.beta = point.beta
            info[: len(own), : len(own)] = own
            return self.constant - point.value, -point.grad, info

        return descend(evaluate, start, mix, metric, gain, polish, known, -self.constant)

    def _at(
        self, theta: np.ndarray, beta: np.ndarray, graded: bool, informed: bool
    ) -> tuple[Point | None, np.ndarray]:
        """The point and the information; where the mode is not found, once more from the centre."""
        one = self._around_root if self.restricted else self._without_root
        for fresh in (False, True):
            self.evaluations += 1
            start = self.start_beta if fresh and self.restricted else beta
            found = one(theta, start, graded, informed, fresh)
            if found is not None:
                return found
        return None, np.zeros((self.layout.n_theta, self.layout.n_theta))

    def _without_root(
        self, theta: np.ndarray, beta: np.ndarray, graded: bool, informed: bool, fresh: bool
    ) -> tuple[Point, np.ndarray] | None:
        shares = self._ask("whole", theta, beta, self.tolerance, fresh, graded, informed)
        if any(s is None for s in shares):
            return None
        value = sum(s[0] for s in shares)
        grad, info = (np.sum([s[j] for s in shares], axis=0) for j in (1, 2))
        front = np.zeros((1, 1))
        return Point(theta.copy(), beta.copy(), self.constant + value, grad, self.u, front), info

    def _around_root(
        self, theta: np.ndarray, beta: np.ndarray, graded: bool, informed: bool, fresh: bool
    ) -> tuple[Point, np.ndarray] | None:
        found = self._mode(theta, beta, fresh)
        if found is None:
            return None
        beta, value, logdet, front = found
        grad = np.zeros(len(theta))
        info = np.zeros((self.layout.n_theta, self.layout.n_theta))
        if graded:
            block = root_inverse(front, self.p)
            told = theta, beta, self.tolerance, block
            first = self._ask("leverages", *told, informed)
            grad, rhs, info = (np.sum(terms, axis=0) for terms in zip(*first, strict=True))
            grad = grad + np.sum(self._ask("moved", *told, block @ rhs), axis=0)
        value += self.constant - 0.5 * logdet
        return Point(theta.copy(), beta, value, grad, self.u, front), info

    def _ask(self, question: str, *told: Any) -> list[Any]:
        return self.crew.ask("share", self.restricted, question, *told)

    def _mode(
        self, theta: np.ndarray, beta: np.ndarray, fresh: bool
    ) -> tuple[np.ndarray, float, float, np.ndarray] | None:
        """Newton on the fixed effects, the random effects at their mode given these.

        Returns the fixed effects, the penalised log-likelihood, the log-determinant and the
        factored front of the root.
        """
        base, best, length = beta.copy(), -math.inf, 1.0
        step = np.zeros(self.p)
        for _ in range(MAX_NEWTON):
            shares = self._ask("mode", theta, beta, self.tolerance, fresh)
            fresh = False
            value = -math.inf if any(s is None for s in shares) else sum(s[0] for s in shares)
            # A step that loses no more than rounding is kept.
            if math.isfinite(value) and value >= best - 1e-9 * (1.0 + abs(best)):
                best, length, base = value, 1.0, beta.copy()
                front = np.sum([s[2] for s in shares], axis=0)
                logdet_x, extra = solve_root(front, step)
                if not math.isfinite(logdet_x + extra):
                    return None
                if extra < self.tolerance:
                    return base, value, sum(s[1] for s in shares) + logdet_x, front
            else:
                length *= 0.5
                if length < 1e-10 or best == -math.inf:
                    return None
            beta = base + length * step
        return None
