"""One test and one interval: ratios and differences that leave out no difference when p does.

Two means are compared by a contrast ``c = h(M1) - h(M0)``, ``h`` the logarithm (counts, amounts),
the logit (shares examined) or the value itself: it is zero just when the means are alike, and p is
that of ``c`` over its standard error in the factor's error stratum (`strata`). A ratio or
difference ``Y`` of the means has the sign of ``c``. Along the regression of the fixed effects on
``c`` it is a known function ``Y(c)``; what else is uncertain of it (the level of both means, what
was taken off) moves its size by a factor, ``Y = Y(c) exp(w)``, with the variance that the delta
method leaves beside ``c``. The interval is the range of ``Y`` over the ellipse of ``(c, w)`` whose
shadow on ``c`` is the interval of ``c`` (the square-and-add principle, Zou & Donner 2008, Stat.
Med. 27:1693-1702): it holds no difference just when the interval of ``c`` does.

A mean less what was taken off has the interval of the two parts' own by the same principle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from trialkit.analysis.comparisons import delta_se_df, parted, se_df
from trialkit.analysis.judges import Judge
from trialkit.analysis.reading import Means, Offset, Reading
from trialkit.mixed import MixedFit
from trialkit.mixed.integrated import Integrated

_ANGLE = np.linspace(0.0, 2 * np.pi, 721)
COS, SIN = np.cos(_ANGLE), np.sin(_ANGLE)
# Standard errors beyond which a p-value is nothing.
FARTHEST = 40.0
Function = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, slots=True)
class LinkScale:
    """How means are compared: ``h``, its inverse, and its slope in the mean."""

    to: Function
    back: Function
    slope: Function


def scale_of(fit: MixedFit, reading: Reading) -> LinkScale:
    """The scale on which two means of a reading are compared."""
    if reading.zones or reading.additive(fit):
        return LinkScale(np.asarray, np.asarray, np.ones_like)
    if fit.family.link == "logit":
        all_of = reading.scale
        return LinkScale(
            lambda m: special.logit(m / all_of),
            lambda c: all_of * special.expit(c),
            lambda m: all_of / (m * (all_of - m)),
        )
    return LinkScale(np.log, np.exp, lambda m: 1.0 / m)


@dataclass(frozen=True, slots=True)
class ComparedMeans:
    """Comparisons of pairs of means, entry by entry.

    Attributes
    ----------
    estimate, se, df : ndarray, shape (pairs,)
        Of the contrast ``c``.
    rows : ndarray, shape (pairs, terms)
        Its gradient in the fixed effects.
    """

    estimate: np.ndarray
    se: np.ndarray
    df: np.ndarray
    rows: np.ndarray
    _scale: LinkScale
    _ends: tuple[np.ndarray, np.ndarray]
    _moves: np.ndarray
    _beside: dict[str, np.ndarray]
    _offset: float

    @property
    def p(self) -> np.ndarray:
        """Two-sided p-values of no difference."""
        return 2 * special.stdtr(self.df, -np.abs(self.estimate / self.se))

    def interval(self, what: str, critical: np.ndarray | float) -> tuple[np.ndarray, ...]:
        """Estimates and interval ends of the "ratio" or "difference".

        A ratio reaches to zero, or without end, where one of its means does to nothing.

        Parameters
        ----------
        critical : float or ndarray, shape (pairs,)
            Quantile that the interval of the contrast takes.
        """
        own = self._value(what, np.zeros((len(self.se), 1)))[:, 0]
        half = np.broadcast_to(critical, self.se.shape) * self.se
        with np.errstate(all="ignore"):
            size = np.where(np.abs(own) > 0, np.sqrt(self._beside[what]) / np.abs(own), 0.0)
            beside = np.where(np.abs(self.estimate) > 1e-6 * self.se, size, 0.0) * critical
            over = self._value(what, half[:, None] * COS) * np.exp(beside[:, None] * SIN)
            out = np.stack([own, over.min(axis=1), over.max(axis=1)])
            return tuple(np.exp(out) if what == "ratio" else out)

    def below(self, what: str, margin: float) -> np.ndarray:
        """One-sided p-values of a "ratio" or "difference" that is the margin or more.

        The level at which the end of the interval on that side is the margin.
        """
        if np.isinf(margin):
            return np.full(len(self.se), 0.0 if margin > 0 else 1.0)
        estimate = self.interval(what, 0.0)[0]
        over = estimate > margin
        critical = np.zeros(len(estimate))
        for i, (value, above) in enumerate(zip(estimate, over, strict=True)):

            def beyond(c: float, i: int = i, above: bool = bool(above)) -> float:
                ends = self.interval(what, c)[1 if above else 2]
                return float(margin - ends[i] if above else ends[i] - margin)

            if value != margin and np.isfinite(value):
                critical[i] = FARTHEST
                if beyond(FARTHEST) > 0:
                    critical[i] = optimize.bisect(beyond, 0.0, FARTHEST, xtol=1e-10)
        return special.stdtr(self.df, np.where(over, critical, -critical))

    def _value(self, what: str, move: np.ndarray) -> np.ndarray:
        """The difference or the logarithm of the ratio where the contrast is moved."""
        one, other = (
            self._scale.back(end[:, None] + along[:, None] * move)
            for end, along in zip(self._ends, (self._moves, self._moves - 1.0), strict=True)
        )
        if what == "difference":
            return np.asarray(one - other)
        # A mean that falls below what is taken off has nothing left: a ratio of none, or no bound.
        with np.errstate(divide="ignore", invalid="ignore"):
            above, below = (np.log(np.maximum(m - self._offset, 0.0)) for m in (one, other))
            return np.where(np.isfinite(below), above - below, np.inf)


def compare_means(
    fit: MixedFit, reading: Reading, one: Means, other: Means, judge: Judge
) -> ComparedMeans:
    """Compare every mean of `one` with that of `other` beside it."""
    scale, offset = scale_of(fit, reading), reading.taken_off
    gross = [m.value + (0.0 if reading.zones else offset.value) for m in (one, other)]
    by_one, by_other = (
        scale.slope(m)[:, None] * means.gradient
        for m, means in zip(gross, (one, other), strict=True)
    )
    rows = by_one - by_other
    ends = (scale.to(gross[0]), scale.to(gross[1]))
    se, df = delta_se_df(fit, rows, one.link - other.link, judge)
    v = fit.inference.adjusted
    moves = parted(v, by_one, rows)[0]
    with np.errstate(all="ignore"):
        net = [1.0 / m.value for m in (one, other)]
        ratio = net[0][:, None] * one.gradient - net[1][:, None] * other.gradient
        beside = {
            "difference": parted(v, one.gradient - other.gradient, rows)[1],
            "ratio": parted(v, ratio, rows)[1] + offset.variance * (net[1] - net[0]) ** 2,
        }
    beside = {name: np.maximum(np.nan_to_num(own), 0.0) for name, own in beside.items()}
    taken = 0.0 if reading.zones else offset.value
    return ComparedMeans(ends[0] - ends[1], se, df, rows, scale, ends, moves, beside, taken)


def f_test(fit: MixedFit, rows: np.ndarray, judge: Judge) -> tuple[float, float]:
    """F and denominator df of contrasts of one factor that are zero together."""
    beta = fit.fixed_effects.to_numpy()
    if isinstance(judge, Integrated):
        return judge.f_test(rows, rows @ beta)
    f, df = fit.inference.f_test(rows, beta)
    return f, min(df, judge)


def mean_intervals(
    fit: MixedFit, means: Means, reading: Reading, level: float, most: int
) -> tuple[np.ndarray, np.ndarray]:
    """Interval ends of means, on their own scale before anything is taken off."""
    se, df = se_df(fit, means.gradient, most)
    t = special.stdtrit(df, 0.5 + level / 2)
    scale, offset = scale_of(fit, reading), reading.taken_off
    if reading.zones:
        return means.value - t * se, means.value + t * se
    gross = means.value + offset.value
    at, half = scale.to(gross), t * se * scale.slope(gross)
    ends = [scale.back(at - half), scale.back(at + half)]
    before = _ends_of(offset, level)
    low = means.value - np.hypot(gross - ends[0], before[1] - offset.value)
    high = means.value + np.hypot(ends[1] - gross, offset.value - before[0])
    return low, high


def _ends_of(offset: Offset, level: float) -> tuple[float, float]:
    """Interval of what is taken off, on its logarithm where it is above zero."""
    if offset.variance <= 0 or offset.value <= 0:
        half = np.sqrt(offset.variance) * special.stdtrit(offset.df, 0.5 + level / 2)
        return offset.value - half, offset.value + half
    half = np.sqrt(offset.variance) / offset.value
    factor = float(np.exp(half * special.stdtrit(offset.df, 0.5 + level / 2)))
    return offset.value / factor, offset.value * factor
