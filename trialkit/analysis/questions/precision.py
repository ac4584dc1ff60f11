"""How precise a contrast of a trial is, and would be with more pairs, rows or fields.

The fit's working model is linear (Breslow & Clayton 1993, J. Am. Stat. Assoc. 88:9-25; for Gaussian
responses it is the model itself) with covariance of the rows::

    V = R + sum_l Z_l G_l Z_l'

``R`` has the inverse working weights of the counts, or the residual variance, and ``G`` the fit's
covariances. For ``k`` times the pairs in the same fields the part of ``(X' V^-1 X)^-1`` that is not
due to setup effects differing between fields falls to ``1 / k``; for ``k`` times the fields all of
it; for ``k`` times the rows per strip ``R`` and the variance between rows of a strip fall to
``1 / k`` within V. The ratio to the present variance so found is applied to the squared standard
error attained, and degrees of freedom grow as those of the layout. What is taken off for preharvest
loss keeps its own uncertainty.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from trialkit.analysis.comparisons import against, differences, link_contrasts, log_ratios
from trialkit.analysis.intervals import compare_means
from trialkit.analysis.reading import means_of, setting_cells
from trialkit.analysis.result import ResponseResult
from trialkit.facts import Note
from trialkit.mixed.marginal import marginal_jets

# A contrast of e^20 is no contrast of a field trial.
LARGEST = 20.0
# Rows without end leave what is between strips and larger units.
ENDLESS = 1e6


def detectable(se: float, df: float, power: float, confidence: float) -> float:
    """Smallest true contrast that is told apart from zero with the power; see the module.

    Parameters
    ----------
    se, df : float
        Standard error (any scale) and degrees of freedom of the contrast.
    power, confidence : float
        Between 0 and 1; power above ``1 - confidence``.
    """
    most = float(stats.t.ppf(0.5 + confidence / 2, df))
    while chance(most, df, confidence) < power:
        most *= 2
    found = optimize.brentq(lambda d: chance(d, df, confidence) - power, 0.0, most, xtol=1e-10)
    return se * float(found)


def chance(shift: float, df: float, confidence: float) -> float:
    """Power of the two-sided t-test of a contrast of `shift` standard errors.

    To twelve digits for up to 200 degrees of freedom and 40 standard errors. scipy's noncentral t
    fails far from zero, and on some processors nearer to it.
    """
    limit = stats.t.ppf(0.5 + confidence / 2, df)
    # The trapezoid rule over the logarithm of the estimated standard error: the integrand vanishes
    # at both ends, so it converges exponentially. The step divides the integrand's own width.
    far = np.sqrt(80.0 / df)
    step = 1.0 / (3.0 * np.sqrt(2.0 * df + shift**2 + 4.0))
    log_error = np.arange(-40.0 / df - far, np.log1p(far), step)
    error = np.exp(log_error)
    log_density = df * (log_error - error**2 / 2 + np.log(df / 2) / 2) - special.gammaln(df / 2)
    reach = limit * error
    told = special.ndtr(shift - reach) + special.ndtr(-shift - reach)
    return float(2.0 * step * np.exp(log_density) @ told)


class Contrast:
    """One contrast's precision as a function of pairs, rows per strip and fields.

    Attributes
    ----------
    scale : {"ratio", "difference"}
        What the contrast is told in.
    se, df : float
        Of the contrast as it is tested (`estimates`): on the link scale, or in the result's unit
        for a difference between zones.
    base : float
        The reference's mean, in the result's unit.
    n_pairs, n_fields, rows_per_strip : float
    half_difference : float
        Half the width of the difference's interval, in the result's unit.
    sampled : bool
        Whether a strip may have more rows.
    notes : list of Note
    """

    def __init__(
        self, result: ResponseResult, factor: str, name: str, reference: str, power: float,
        confidence: float,
    ) -> None:  # fmt: skip
        fit, design, reading = result.fit, result.design, result.reading
        self.result, self.power, self.confidence = result, power, confidence
        judge = result.judges[factor]
        order = [design.levels[factor].index(v) for v in (reference, name)]
        cells = setting_cells(fit, design, reading, factor).take(order)
        self.cells = cells.take([0])
        means = means_of(fit, reading, cells)
        self.base = float(means.value[0])
        pair = against(means)
        found = compare_means(fit, reading, *pair, judge)
        difference = differences(fit, *pair, judge)
        ratio = log_ratios(fit, *pair, reading.taken_off, judge)
        # Between zones no contrast of the link scale is zero with the difference.
        self.shifts_mean = bool(reading.zones) or reading.additive(fit)
        tested = difference if reading.zones else link_contrasts(fit, *pair, judge)
        self.se, self.df = float(tested.se[0]), float(tested.df[0])
        own = result.contrasts.query("factor == @factor and level == @name").iloc[0]
        self.scale = "ratio" if np.isfinite(own["ratio"]) else "difference"
        shown = ratio if self.scale == "ratio" else difference
        self._tested, self._shown = tested.gradient[0], shown.gradient[0]
        self._offset_variance = reading.taken_off.variance * float(shown.along_offset[0]) ** 2
        # What is told has the interval of the analysis, half of it as a standard error's worth.
        t = stats.t.ppf(0.5 + confidence / 2, found.df)
        _, low, high = (float(end[0]) for end in found.interval("difference", t))
        if confidence == result.level:  # as told, which is no further than both means reach
            low, high = float(own["difference_low"]), float(own["difference_high"])
        half = self.half_difference = (high - low) / 2
        if self.scale == "ratio":
            _, low, high = (float(end[0]) for end in found.interval("ratio", t))
            half = math.log(high / low) / 2
        self._shown_variance = max((half / float(t[0])) ** 2 - self._offset_variance, 0.0)
        self._shown_df = float(found.df[0])
        strips = design.strips
        stratum = design.strata[factor]
        units = strips.drop_duplicates(list(stratum.keys))
        blocks = units.groupby(list(stratum.within)).ngroups if stratum.within else 1
        # Of the units less their blocks, what grows with the trial and what is left of it.
        self._spare, self._layout_df = len(units) - blocks, stratum.df
        self.n_pairs = strips.groupby(["field", "pair"]).ngroups
        self.n_fields = strips["field"].nunique()
        self.rows_per_strip = len(result.data) / len(strips)
        self.sampled = result.specification.row != "strip"
        self._split = ("zone" if reading.zones else "strip") in fit.model.chain.nested
        self.notes: list[Note] = []
        if any(factor in pair for pair in design.interactions):
            self.notes.append(Note("power_attained.average_effect"))
        if design.slope_factors:
            self.notes.append(Note("power_attained.more_pairs_add_none"))
        if self.sampled and not self._split:
            values = {"zones": bool(reading.zones), "counts": bool(fit.family.counts)}
            self.notes.append(Note("power_attained.one_row", values))
        self._working: dict[tuple[float, bool], np.ndarray] = {}

    def mean(self, shift: float) -> float:
        """A level's mean when it is `shift` from the reference on the tested scale."""
        if self.shifts_mean:
            return self.base + shift * (1.0 if self.result.reading.zones else self.result.scale)
        reading = self.result.reading
        return float(means_of(self.result.fit, reading, self.cells, shift).value[0])

    def effect_of(self, shift: float) -> float:
        """The contrast of such a level, missing where its ratio or its mean is below zero."""
        mean = self.mean(shift)
        if self.result.reading.ratios and not mean > 0:
            return math.nan
        if self.scale == "difference":
            return mean - self.base
        return mean / self.base if self.base > 0 else math.nan

    def shift(self, told: float, scale: str) -> float:
        """The tested contrast of a level with this ratio to, or difference from, its reference."""
        mean = self.base * told if scale == "ratio" else self.base + told
        if self.shifts_mean:
            return (mean - self.base) / (self.mean(1.0) - self.base)
        ends = (-LARGEST, 0.0) if mean < self.base else (0.0, LARGEST)
        if not self.mean(ends[0]) < mean < self.mean(ends[1]):
            return math.nan
        return float(optimize.brentq(lambda d: self.mean(d) - mean, *ends))

    # ------------------------------------------------------------ variance by design
    def covariance(self, more_rows: float = 1.0, slopes: bool = True) -> np.ndarray:
        """Covariance of the fixed effects by the working model, shape (terms, terms).

        Parameters
        ----------
        more_rows : float
            Times as many rows a strip.
        slopes : bool
            Whether effects differ between fields as they were found to.
        """
        key = (more_rows, slopes)
        if key not in self._working:
            fit = self.result.fit
            model, point = fit.model, fit.found.point
            covariances = [c.copy() for c in fit.covariances]
            if fit.family.name == "gaussian":
                residual = point.sigma**2 / model.weight / (more_rows if self._split else 1.0)
            else:
                assert point.weight is not None
                residual = 1.0 / np.maximum(point.weight, 1e-10) / more_rows
                if self._split:  # the finest level is the row's own
                    covariances[0] = covariances[0] / more_rows
            for c in covariances[: model.chain.n_nested] if not slopes else ():
                c[1:], c[:, 1:] = 0.0, 0.0
            information = marginal_jets(
                model.x, residual, model.z, model.row_units, covariances, []
            )[0][0]
            t = model.to_original
            self._working[key] = t @ np.linalg.inv(information) @ t.T
        return self._working[key]

    def _parts(self, more_rows: float, row: np.ndarray) -> tuple[float, float]:
        """Variance of a linear function: effects that differ between fields, and all else."""
        all_in, without = (row @ self.covariance(more_rows, s) @ row for s in (True, False))
        return float(all_in - without), float(without)

    def shares(self) -> pd.DataFrame:
        """Sources of the tested contrast's variance, as shares."""
        slope, rest = self._parts(1.0, self._tested)
        strips = self._parts(ENDLESS, self._tested)[1] if self.sampled else rest
        values = np.array([slope, min(strips, rest), max(rest - strips, 0.0)])
        sources = ["setup by field", "strips", "rows"]
        return pd.DataFrame({"source": sources, "share": values / values.sum()})

    # ------------------------------------------------------------ precision by design
    def precision(
        self, pairs: float | None = None, more_rows: float = 1.0, fields: float | None = None
    ) -> dict[str, float]:
        """Precision with so many pairs in all in the same fields, or so many fields like these."""
        k = (pairs or self.n_pairs) / self.n_pairs
        f = (fields or self.n_fields) / self.n_fields

        def factor(row: np.ndarray) -> float:
            slope, rest = self._parts(more_rows, row)
            return (slope + rest / k) / f / sum(self._parts(1.0, row))

        grow = (min(k, 1.0) if self.result.design.slope_factors else k) * f
        taken = self._spare - self._layout_df
        layout = max(self._spare * grow - taken, 0.5) / self._layout_df
        se = self.se * math.sqrt(factor(self._tested))
        variance = self._shown_variance * factor(self._shown) + self._offset_variance
        told_df = self._shown_df * layout
        half = stats.t.ppf(0.5 + self.confidence / 2, told_df) * math.sqrt(variance)
        return {
            "pairs": self.n_pairs * k * f, "fields": self.n_fields * f,
            "rows_per_strip": self.rows_per_strip * more_rows, "se": se, "df": self.df * layout,
            "half_width": math.exp(min(half, LARGEST)) if self.scale == "ratio" else half,
        }  # fmt: skip

    def attained(self, pairs: float | None = None, more_rows: float = 1.0) -> dict[str, float]:
        """Precision, and the ratios or differences it can tell from none."""
        out = self.precision(pairs, more_rows)
        least = detectable(out["se"], out["df"], self.power, self.confidence)
        if not self.shifts_mean:
            least = min(least, LARGEST)
        low, high = self.effect_of(-least), self.effect_of(least)
        return out | {"detectable_low": low, "detectable_high": high}
