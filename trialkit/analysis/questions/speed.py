"""A response's mean at several ground speeds, with their joint uncertainty.

Speed is either a setup factor, whose levels stand at the speeds measured (or set) on their strips,
or a covariate (of the response's own model where the settings ask for it, else of the second
answer, `at_same`), whose line on the log scale is known by its ends. The means are those of
`reading`, their uncertainty by the delta method, at balanced levels of the other factors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.questions.at_same import at_same
from trialkit.analysis.reading import means_of, setting_cells
from trialkit.errors import DesignError
from trialkit.words import curves as words

if TYPE_CHECKING:
    from trialkit.analysis.result import ResponseResult

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
    result: ResponseResult,
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
        two levels have one speed, or a mean is not above zero.
    """
    design, fit = result.design, result.fit
    second = at_same(result) if factor is None else None
    if second is not None and second.fit is not None and COVARIATE in second.covariates:
        design, fit = second.design, second.fit
    reading = replace(result.reading, offset=None)
    if factor is None:
        if COVARIATE not in design.covariates:
            raise DesignError(
                "No model has measured ground speed in it (it was not recorded everywhere, did "
                "not vary enough, or went with a setup); name the setup factor that is a speed."
            )
        measured = design.strips["speed_measured"].astype(float)
        ends = np.array([measured.min(), measured.max()])
        held = {COVARIATE: list(ends - measured.mean())}
        cells = setting_cells(fit, design, reading, COVARIATE, held)
        at, source = ends, words.measured_speed()
        most = len(design.strips) - 2
    else:
        if factor not in design.names:
            raise DesignError(
                f"{factor} is not a setup factor of this model ({', '.join(design.names)})."
            )
        levels = design.levels[factor]
        at = np.array([_speed_of(result, factor, level, speeds) for level in levels])
        if len(set(np.round(at, 6))) < len(at):
            raise DesignError(f"Two levels of {factor} have the same speed.")
        cells = setting_cells(fit, design, reading, factor)
        source = words.levels_of(factor)
        most = design.strata[factor].df
    order = np.argsort(at)
    means = means_of(fit, reading, cells).take(order)
    if not (means.value > 0).all():
        raise DesignError(
            f"{result.title} is not above zero at every speed, so it has no curve on the logarithm."
        )
    gradient = means.gradient / means.value[:, None]
    covariance = gradient @ fit.covariance.to_numpy() @ gradient.T
    df = float(fit.linear(np.diff(gradient, axis=0))["df"].clip(upper=most).min())
    return SpeedMeans(
        speed=at[order],
        log_mean=np.log(means.value),
        covariance=covariance,
        df=df,
        offset=result.reading.taken_off.value,
        source=source,
    )


def _speed_of(
    result: ResponseResult, factor: str, level: str, speeds: Mapping[str, float] | None
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
