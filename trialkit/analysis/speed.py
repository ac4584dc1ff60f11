"""A response's mean at several ground speeds, with their joint uncertainty.

Speed is either a setup factor, whose levels stand at the speeds measured (or set) on their strips,
or a covariate, whose line on the log scale is known by its ends. The method is that of `estimates`:
delta method on the averaged response, at balanced levels of the other factors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.estimates import Offset
from trialkit.errors import DesignError
from trialkit.mixed.means import averaged_response, reference_grid

if TYPE_CHECKING:
    from trialkit.analysis.result import ResponseAnalysis

COVARIATE = "speed_centred"


@dataclass(frozen=True, slots=True)
class SpeedMeans:
    """Means at several speeds, on the logarithm.

    Attributes
    ----------
    speed : ndarray, shape (k,)
        km/h, rising.
    log_mean : ndarray, shape (k,)
        Logarithm of the mean (unit of the response) before `offset` is taken off.
    covariance : ndarray, shape (k, k)
        Of `log_mean`.
    df : float
        The smallest along a step from one speed to the next.
    offset : float
        Taken off every mean, the same at every speed.
    source : str
        In words: what the speeds are.
    """

    speed: np.ndarray
    log_mean: np.ndarray
    covariance: np.ndarray
    df: float
    offset: float
    source: str


def speed_means(
    result: ResponseAnalysis,
    factor: str | None = None,
    speeds: Mapping[str, float] | None = None,
) -> SpeedMeans:
    """Means of a response at the speeds its trial ran.

    Parameters
    ----------
    result : ResponseAnalysis
    factor : str, optional
        The setup factor that is a ground speed; without it measured speed as a covariate.
    speeds : mapping of str to float, optional
        km/h of each level of `factor`; by default the mean measured on its strips, else the mean
        set.

    Raises
    ------
    DesignError
        When the trial's model has no such factor or no speed in it, a level's speed is not known,
        or two levels have one speed.
    """
    design, fit = result.design, result.fit
    names = list(design.names)
    held = dict.fromkeys(design.covariates, 0.0)
    if factor is None:
        if COVARIATE not in design.covariates:
            raise DesignError(
                "The model has no measured ground speed in it (it was not recorded everywhere, did "
                "not vary enough, or went with a setup); name the setup factor that is a speed."
            )
        measured = design.strips["speed_measured"].astype(float)
        ends = np.array([measured.min(), measured.max()])
        grids = [
            reference_grid(fit, names, {**held, COVARIATE: float(end - measured.mean())})
            for end in ends
        ]
        found = [(rows, spread, np.full(len(rows), 1 / len(rows))) for _, rows, spread in grids]
        at, source = ends, "measured ground speed as a covariate"
        most = len(design.strips) - 2
    else:
        if factor not in names:
            raise DesignError(f"{factor} is not a setup factor of this model ({', '.join(names)}).")
        levels = design.levels[factor]
        at = np.array([_speed_of(result, factor, level, speeds) for level in levels])
        if len(set(np.round(at, 6))) < len(at):
            raise DesignError(f"Two levels of {factor} have the same speed.")
        cells, rows, spread = reference_grid(fit, names, held)
        found = []
        for level in levels:
            weight = cells[factor].astype(str).eq(level).to_numpy(dtype=float)
            found.append((rows, spread, weight / weight.sum()))
        source = f"levels of {factor}"
        most = design.strata[factor]
    values, gradients = zip(*(_log_mean(fit, *part) for part in found), strict=True)
    order = np.argsort(at)
    gradient = np.array(gradients)[order]
    covariance = gradient @ fit.covariance.to_numpy() @ gradient.T
    df = float(fit.linear(np.diff(gradient, axis=0))["df"].clip(upper=most).min())
    return SpeedMeans(
        speed=at[order],
        log_mean=np.array(values)[order] + np.log(result.scale),
        covariance=covariance,
        df=df,
        offset=(result.offset or Offset()).value,
        source=source,
    )


def _log_mean(fit, rows: np.ndarray, spread: np.ndarray, weight: np.ndarray):
    """Logarithm of the weighted mean response and its gradient in the fixed effects."""
    eta = fit.linear(rows)["estimate"].to_numpy()
    step = 1e-5
    mean = averaged_response(fit, eta, spread)
    slope = averaged_response(fit, eta + step, spread) - averaged_response(fit, eta - step, spread)
    total = float(weight @ mean)
    return np.log(total), (weight * slope / (2 * step)) @ rows / total


def _speed_of(
    result: ResponseAnalysis, factor: str, level: str, speeds: Mapping[str, float] | None
) -> float:
    if speeds is not None:
        if level not in speeds:
            raise DesignError(f"State the speed of every level of {factor}; {level} has none.")
        return float(speeds[level])
    strips = result.design.strips
    own = strips[strips[factor].astype(str) == level]
    for column in ("speed_measured", "speed_set"):
        values = own[column].astype(float)
        if values.notna().all():
            return float(values.mean())
    raise DesignError(
        f"The speed of {factor} {level} was neither measured nor set on every strip; state it."
    )
