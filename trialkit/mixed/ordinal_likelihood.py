"""Cumulative-logit (proportional odds) mixed model for ordered scores.

With categories ``0 < 1 < ... < K - 1``, thresholds ``a_1 < ... < a_{K-1}`` and
``eta = x b + z u``, ``u ~ N(0, Lambda Lambda')`` for every unit (McCullagh 1980, J. R. Statist.
Soc. B 42:109-142; the random part as in Tutz & Hennevogl 1996, Comput. Stat. Data Anal. 22:537-557)

    logit P(Y >= k) = eta - a_k.

A positive coefficient moves readings to higher categories and ``exp(b)`` is the odds ratio of a
higher one, the same at every threshold. For the logistic law the probability of a category between
two thresholds factors,

    P(Y = k) = P(Y >= k) P(Y < k + 1) (1 - exp(a_k - a_{k+1})),

so a reading counts as at most two binary ones, "reached its lower threshold" and "did not reach its
upper one", with the same random effects, times a factor free of ``eta``. Its log-density is
concave, and the Laplace approximation with its exact inner Newton and exact gradient is that of the
engine's binomial models (:mod:`trialkit.mixed.problem`) on these rows plus the logarithms of the
gaps; likewise adaptive Gauss-Hermite quadrature (:mod:`trialkit.mixed.hermite`). A design in which
columns act on single thresholds (partial proportional odds) is the same thing with other columns.

Standard errors come from the information on thresholds, coefficients and random part together,
taken by differences of the exact gradient.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from trialkit.mixed.families import FAMILIES
from trialkit.mixed.hermite import Criterion, differenced
from trialkit.mixed.model import Model


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings laid out as binary rows.

    Attributes
    ----------
    model : Model
        Of the binary rows: columns are minus the indicators of the thresholds, then those of the
        fixed effects (centred and scaled).
    reached : ndarray, shape (binary rows,)
        1 where a threshold was reached, else 0.
    between : ndarray, shape (readings between two thresholds, columns)
        Their columns at the lower threshold less those at the upper: times the coefficients, the
        gap of the thresholds.
    row, threshold : ndarray of int, shape (binary rows,)
        Reading (chain order) and threshold of every binary row.
    """

    model: Model
    reached: np.ndarray
    between: np.ndarray
    row: np.ndarray
    threshold: np.ndarray


def lay_out(
    model: Model, codes: np.ndarray, free: Sequence[int] = (), groups: Sequence[int] = ()
) -> Readings:
    """Binary rows of readings.

    Parameters
    ----------
    model : Model
        Of the readings, one row each.
    codes : ndarray of int, shape (rows,)
        Categories 0 to K - 1 in chain order.
    free : sequence of int
        Columns of the slopes part whose coefficient differs between groups of thresholds: for each,
        the columns that add a shift in the second group, in the third and so on stand last.
    groups : sequence of int, of length K - 1
        Group of every threshold, from 0 up, where ``free`` is given.
    """
    top = int(codes.max())
    row = np.repeat(np.arange(len(codes)), (codes > 0).astype(int) + (codes < top))
    new = np.r_[True, row[1:] != row[:-1]]
    reached = new & (codes[row] > 0)
    threshold = np.where(reached, codes[row] - 1, codes[row])
    x = slopes_part(model)[row]
    columns = np.hstack([-np.eye(top)[threshold], x])
    for j in free:
        own = np.eye(max(groups) + 1)[np.asarray(groups)[threshold]]
        columns = np.hstack([columns, x[:, [j]] * own[:, 1:]])
    lower = np.flatnonzero(reached & (codes[row] < top))
    chain = model.chain
    ones = np.ones(len(row))
    return Readings(
        model=replace(
            model, family=FAMILIES["binomial"],
            chain=replace(chain, order=chain.order[row],
                          row_start=np.searchsorted(row, chain.row_start)),
            x=columns, z=tuple(z[row] for z in model.z), size=ones, offset=0.0 * ones, weight=ones,
        ),
        reached=reached.astype(float), between=columns[lower] - columns[lower + 1],
        row=row, threshold=threshold,
    )  # fmt: skip


def slopes_part(model: Model) -> np.ndarray:
    """Columns of the fixed part without the intercept, whose place the thresholds take."""
    return np.delete(model.x, model.part.terms["1"], axis=1)


class OrdinalCriterion:
    """The log-likelihood of readings and its gradient.

    Parameters are the entries of ``Lambda``, the thresholds and the coefficients of the columns.
    One node is the Laplace approximation.
    """

    dispersed = False

    def __init__(self, readings: Readings, nodes: int = 1) -> None:
        self.readings, self.nodes = readings, nodes
        self.n_theta = readings.model.n_theta
        # Equal gaps count together.
        self.between, self.count = np.unique(readings.between, axis=0, return_counts=True)
        if nodes > 1:
            self.binary: Any = Criterion(readings.model, readings.reached, nodes)
        else:
            self.binary = readings.model.laplace(readings.reached, restricted=False)
            self.binary.tolerance = self.binary.TIGHT

    def point(self, parameters: np.ndarray) -> tuple[float, np.ndarray]:
        """Log-likelihood and gradient; NaN where thresholds cross or no mode is found."""
        k = self.n_theta
        nothing = math.nan, np.zeros(len(parameters))
        gap = self.between @ parameters[k:]
        if not (gap > 0.0).all():
            return nothing
        if self.nodes > 1:
            value, grad = self.binary.point(parameters)
        else:
            point = self.binary.point(parameters[:k], parameters[k:])
            if point is None:
                return nothing
            value, grad = point.value, point.grad.copy()
        value += float(self.count @ np.log(-np.expm1(-gap)))
        with np.errstate(over="ignore"):
            grad[k:] += (self.count / np.expm1(gap)) @ self.between
        return (value, grad) if math.isfinite(value) else nothing

    def information(self, parameters: np.ndarray, free: np.ndarray) -> np.ndarray:
        """Minus the second derivatives in the ``free`` parameters, by differences."""
        return differenced(self.point, parameters, free)
