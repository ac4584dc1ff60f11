"""The search of criteria that come with their gradient and information: quadrature, scores.

BFGS in units that make the curvature at the start one, ended by Newton steps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import optimize

# Expected further gain in log-likelihood above which an optimum is not one.
GAIN = 1e-8
# Information on the logarithm of the dispersion below which it is at the end of its range.
FLAT = 1e-5


class Climbed(Protocol):
    """A log-likelihood; ``dispersed``: its second parameter is the logarithm of a dispersion."""

    @property
    def dispersed(self) -> bool: ...

    def point(self, parameters: np.ndarray) -> tuple[float, np.ndarray]:
        """Value and gradient; NaN where it cannot be evaluated."""
        ...

    def information(self, parameters: np.ndarray, free: np.ndarray) -> np.ndarray:
        """Minus the second derivatives in the ``free`` parameters."""
        ...


@dataclass(frozen=True, slots=True)
class Optimum:
    """Where a search ended.

    ``gain`` is the expected further gain in log-likelihood there (infinite at a saddle), ``free``
    the parameters that ``information`` (minus second derivatives) covers.
    """

    parameters: np.ndarray
    value: float
    gain: float
    free: np.ndarray
    information: np.ndarray


def maximise(criterion: Climbed, start: np.ndarray, free: np.ndarray) -> Optimum:
    """Climb over the ``free`` parameters, in units that make the curvature at ``start`` one."""
    centre = start.copy()
    value = criterion.point(centre)[0]
    worst = abs(value) + 1e10 if math.isfinite(value) else 1e10
    curvature, axes = np.linalg.eigh(_finite(criterion.information(centre, free)))
    mix = axes / np.sqrt(np.maximum(np.abs(curvature), 1e-2))

    def lost(step: np.ndarray) -> tuple[float, np.ndarray]:
        parameters = centre.copy()
        parameters[free] += mix @ step
        found, grad = criterion.point(parameters)
        # A step too far out counts as very bad.
        return (-found, -grad[free] @ mix) if math.isfinite(found) else (worst, 0.0 * step)

    end = optimize.minimize(lost, np.zeros(len(free)), jac=True, method="BFGS",
                            options={"gtol": 1e-6, "maxiter": 500})  # fmt: skip
    parameters = centre.copy()
    parameters[free] += mix @ end.x
    value, grad = criterion.point(parameters)
    for _ in range(6):
        kept = free
        information = criterion.information(parameters, free)
        if criterion.dispersed and 1 in free:
            at = int(np.flatnonzero(free == 1)[0])
            if abs(information[at, at]) < FLAT and abs(grad[1]) < FLAT:
                kept = np.delete(free, at)
                information = np.delete(np.delete(information, at, 0), at, 1)
        curvature, axes = np.linalg.eigh(_finite(information))
        if curvature[0] <= 0.0:
            return Optimum(parameters, value, math.inf, kept, information)
        along = axes.T @ grad[kept]
        gain = 0.5 * float((along**2 / curvature).sum())
        trial = parameters.copy()
        trial[kept] += axes @ (along / curvature)
        better, slope = criterion.point(trial)
        if gain < 1e-12 or not better > value:
            break
        parameters, value, grad = trial, better, slope
    return Optimum(parameters, value, gain, kept, information)


def _finite(matrix: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(matrix), matrix, 0.0)
