"""Means of the reported quantity, read off a fit of any response.

Model: ``g(E y) = x'b + random effects``. In a cell, one combination of settings and of the zone
where the model has zones, the mean over the distribution of the random effects is ``m_c(b)``::

    counts                   m = g^-1(x'b + effects) averaged over the effects
    logarithm of a share     m = exp(x'b + (variance of the effects + residual variance) / 2)
    values as they stand     m = x'b

A reported mean is a weighted sum over cells, in the result's unit, less what is taken off::

    M = scale * sum_c w_c m_c(b) - P

with weights that average over the other factors and, for a difference between zones, add one zone
and take off the other. Everything that compares means (`comparisons`) works from ``M`` and its
gradient in ``b`` alone. Variance components inside ``m`` are taken as known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from trialkit.mixed import MixedFit
from trialkit.mixed.means import averaged_response, reference_grid

if TYPE_CHECKING:
    from trialkit.analysis.design import Design

STEP = 1e-5
Measure = Literal["ratio", "difference"]
"""How two means are compared where both have a meaning."""


@dataclass(frozen=True, slots=True)
class Offset:
    """A quantity taken off every mean: value, variance (unit of the result) and df."""

    value: float = 0.0
    variance: float = 0.0
    df: float = np.inf


@dataclass(frozen=True, slots=True)
class Reading:
    """How means are read off a fit.

    Attributes
    ----------
    scale : float
        Result units per unit of the response's mean.
    offset : Offset or None
        Taken off every mean.
    zones : mapping of str to float
        Weight of each level of the model's factor ``zone``; empty when it has none.
    log : bool
        The model's response is the logarithm of what is reported.
    ratios : bool
        Whether a ratio of means has a meaning.
    """

    scale: float
    offset: Offset | None = None
    zones: Mapping[str, float] = field(default_factory=dict)
    log: bool = False
    ratios: bool = True

    @property
    def taken_off(self) -> Offset:
        """The offset, or one of nothing."""
        return self.offset or Offset()

    def additive(self, fit: MixedFit) -> bool:
        """Whether a contrast of the linear predictor is a difference of what is reported."""
        return fit.family.link == "identity" and not self.log


@dataclass(frozen=True, slots=True)
class MeanCells:
    """Cells of several means, those of a mean following one another.

    Attributes
    ----------
    rows : ndarray, shape (means * each, terms)
        Linear function of the fixed effects in each cell.
    spread : ndarray, shape (means * each,)
        Variance of the random effects in each cell (link scale).
    weights : ndarray, shape (each,)
        Of the cells of a mean.
    """

    rows: np.ndarray
    spread: np.ndarray
    weights: np.ndarray

    def take(self, means: Sequence[int] | np.ndarray) -> MeanCells:
        """Cells of some of the means, in the order given."""
        each = len(self.weights)
        at = (np.asarray(means)[:, None] * each + np.arange(each)).ravel()
        return MeanCells(self.rows[at], self.spread[at], self.weights)


@dataclass(frozen=True, slots=True)
class Means:
    """Several means of the reported quantity.

    Attributes
    ----------
    value : ndarray, shape (means,)
        In the result's unit.
    gradient, link : ndarray, shape (means, terms)
        Gradient of `value` in the fixed effects, and the linear function on the link scale.
    """

    value: np.ndarray
    gradient: np.ndarray
    link: np.ndarray

    def take(self, means: Sequence[int] | np.ndarray) -> Means:
        """Some of the means, in the order given."""
        at = np.asarray(means)
        return Means(self.value[at], self.gradient[at], self.link[at])


def setting_cells(
    fit: MixedFit, design: Design, reading: Reading, along: str, at: Mapping[str, Any] | None = None
) -> MeanCells:
    """Cells of one mean for every level of a factor, or every value of a covariate.

    Parameters
    ----------
    fit : MixedFit
        With the design's factors and covariates in its fixed part.
    along : str
        The factor, its levels in the design's order, or the covariate, its values those of `at`.
    at : mapping, optional
        A level another factor is held at, or values of covariates; other factors are balanced,
        other covariates zero.
    """
    held = {**dict.fromkeys(design.covariates, 0.0), **(at or {})}
    by = [along, *(name for name in design.names if name != along)]
    by += ["zone"] if reading.zones else []
    cells, rows, spread = reference_grid(fit, by, held)
    levels = design.levels.get(along)
    each = len(cells) // (np.size(held[along]) if levels is None else len(levels))
    weights = zone_weights(reading, cells["zone"] if reading.zones else (), each)
    out = MeanCells(rows, spread, weights)
    if levels is None:
        return out
    order = list(cells[along].astype(str).iloc[::each])
    return out.take([order.index(level) for level in levels])


def zone_weights(reading: Reading, zones: Sequence[Any], each: int) -> np.ndarray:
    """Weights of the cells of a mean, alike but for the sign of their zone.

    Parameters
    ----------
    zones : sequence
        Zone of every cell, at least those of the first mean; of no account where there are none.
    each : int
        Cells in a mean.
    """
    if not reading.zones:
        return np.full(each, 1.0 / each)
    sign = np.array([reading.zones[str(zone)] for zone in list(zones)[:each]])
    return sign * len(reading.zones) / each


def means_of(fit: MixedFit, reading: Reading, cells: MeanCells, shift: float = 0.0) -> Means:
    """Means of the reported quantity.

    Parameters
    ----------
    fit : MixedFit
    reading : Reading
    cells : MeanCells
    shift : float
        Added to the linear predictor of every cell.
    """
    eta = cells.rows @ fit.fixed_effects.to_numpy() + shift
    mean, slope = _mean_response(fit, reading, eta, cells.spread)

    def add_up(values: np.ndarray) -> np.ndarray:
        each = len(cells.weights)
        return np.einsum("c,mc...->m...", cells.weights,
                         values.reshape(-1, each, *values.shape[1:]))  # fmt: skip

    return Means(
        reading.scale * add_up(mean) - reading.taken_off.value,
        reading.scale * add_up(slope[:, None] * cells.rows),
        add_up(cells.rows),
    )


def _mean_response(
    fit: MixedFit, reading: Reading, eta: np.ndarray, spread: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean over the random effects in every cell, and its slope in the linear predictor."""
    if reading.log:
        mean = np.exp(eta + (spread + fit.dispersion**2) / 2)
        return mean, mean
    up, down = (averaged_response(fit, eta + h, spread) for h in (STEP, -STEP))
    return averaged_response(fit, eta, spread), (up - down) / (2 * STEP)
