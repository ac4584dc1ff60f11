"""What a trial could have told, and what it would take to tell more.

The precision attained. With ``s`` the standard error of a contrast on the link scale (log, logit)
and ``nu`` its degrees of freedom, a true contrast ``d`` is told apart from zero at level ``a`` with
probability::

    P(|T| > t_{1-a/2, nu}),   T noncentral t with nu df and noncentrality d / s

(Cohen 1988, Statistical Power Analysis, chapter 2; exact for a balanced Gaussian design, where it
is the power of the paired t). The smallest ``d`` of a given power is carried to the reported ratio
through the model's means. It depends on the variation found, not on the effect found: power at the
effect found is only the p-value in other clothes (Hoenig & Heisey 2001, Am. Stat. 55:19-24).

More pairs, more frames. By strips, the working model of the fit is linear (Breslow & Clayton 1993,
J. Am. Stat. Assoc. 88:9-25) with covariance::

    V = Z G Z' + diag(v_strip + (v_row + 1 / w) / f)

``w`` is the mean weight of a row, ``f`` the rows of a strip, ``v`` and ``G`` the fit's variance
components. For ``k`` times the pairs in the same fields the part of ``(X' V^-1 X)^-1`` that is not
due to setup effects differing between fields falls to ``1 / k``; for ``k`` times the fields all of
it; for ``k`` times the rows per strip the last term of V falls. The ratio to the present variance
so found is applied to the squared standard error attained, and degrees of freedom grow as those
of the layout. What is taken off for preharvest loss keeps its own uncertainty.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from trialkit.analysis.design import _stratum
from trialkit.analysis.estimates import Offset, contrast_se, link_contrast
from trialkit.analysis.refits import counted
from trialkit.analysis.result import ResponseAnalysis
from trialkit.errors import DesignError
from trialkit.mixed.means import averaged_response, reference_grid

PAIRS = (4, 6, 8, 12, 16, 24, 32)
# More pairs or fields than this are given as "not reached".
MOST = 2000
# A contrast of e^20 is no contrast of a field trial.
LARGEST = 20.0
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)
# Gauss-Legendre on (0, 1), the nodes drawn to both ends: u = sin^2(v).
_ANGLE = (_NODES + 1) * np.pi / 4
SHARE, WEIGHT = np.sin(_ANGLE) ** 2, _WEIGHTS * np.pi / 4 * np.sin(2 * _ANGLE)


@dataclass(frozen=True, slots=True)
class PowerAttained:
    """Precision of one contrast, and what more effort would bring.

    Attributes
    ----------
    factor, level, reference : str
    confidence, power : float
    se, df : float
        Of the contrast on the link scale.
    detectable_low, detectable_high : float
        Ratios (level over reference) below and above 1 that would be told apart with the power
        asked for; missing where even a level without any loss would not be.
    detectable_difference : (float, float)
        The same as differences, in `unit`.
    half_width : float
        The interval of the ratio runs from ratio / half_width to ratio * half_width; missing where
        no ratio is given.
    half_width_difference : float
        Half the width of the difference's interval, in `unit`.
    variance : DataFrame
        One row per source: ``source`` ("setup by field", "strips", "rows"), ``share`` of the
        contrast's variance; rows are frames or samples with the chance of counting.
    scaling : DataFrame
        ``pairs, fields, rows_per_strip, se, df, half_width, detectable_low, detectable_high``.
    needed : DataFrame
        ``aim`` ("half-width" or "detectable ratio"), ``value``, and the smallest number of
        ``pairs`` in the same fields, of ``pairs_twice_the_rows`` with twice the frames or samples
        per strip, and of ``fields`` like these (missing for one field) that reach it; missing
        where none does.
    sentence : str
    title, unit : str
    notes : tuple of str
    """

    factor: str
    level: str
    reference: str
    confidence: float
    power: float
    se: float
    df: float
    detectable_low: float
    detectable_high: float
    detectable_difference: tuple[float, float]
    half_width: float
    half_width_difference: float
    variance: pd.DataFrame
    scaling: pd.DataFrame
    needed: pd.DataFrame
    sentence: str
    title: str
    unit: str
    notes: tuple[str, ...]

    def _repr_html_(self) -> str:
        parts = [f"<p><b>{html.escape(self.title)}: what this trial could tell</b></p>"]
        parts += [f"<p>{html.escape(text)}</p>" for text in (self.sentence, *self.notes)]
        parts += [
            table.to_html(index=False, float_format="{:.3g}".format, na_rep="")
            for table in (self.needed, self.scaling, self.variance)
        ]
        return "".join(parts)


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
    """Power of the two-sided t-test of a contrast of `shift` standard errors."""
    limit = stats.t.ppf(0.5 + confidence / 2, df)
    # Over the law of the estimated standard error; scipy's noncentral t fails far from zero.
    reach = limit * np.sqrt(2 * special.gammaincinv(df / 2, SHARE) / df)
    told = special.ndtr(shift - reach) + special.ndtr(-shift - reach)
    return float(WEIGHT @ told)


def power_attained(
    result: ResponseAnalysis, factor: str | None = None, level: str | None = None, *,
    power: float = 0.8, confidence: float = 0.95,
    half_widths: Sequence[float] = (1.5, 1.3, 1.2, 1.1),
    ratios: Sequence[float] = (0.5, 0.7, 0.8, 0.9),
) -> PowerAttained:  # fmt: skip
    """What a contrast of a finished trial could tell, and what it would take to tell more.

    Parameters
    ----------
    result : ResponseAnalysis
    factor, level : str, optional
        The contrast: a level against its factor's reference; the first one by default.
    power : float
        Probability of telling apart, above ``1 - confidence`` and below 1.
    confidence : float
        Confidence level of intervals.
    half_widths : sequence of float
        Half-widths to plan for, as factors above 1.
    ratios : sequence of float
        Ratios to plan for, positive and not 1.

    Raises
    ------
    DesignError
        If the trial has no such contrast, or the response is not one of counts of one zone.
    ValueError
        If power, confidence, half-widths or ratios are out of range.
    """
    if not 0 < confidence < 1 or not 1 - confidence < power < 1:
        raise ValueError("confidence must lie in (0, 1) and power between 1 - confidence and 1.")
    if min(half_widths, default=2) <= 1 or any(r <= 0 or r == 1 for r in ratios):
        raise ValueError("half-widths must be above 1, ratios positive and not 1.")
    counted(result)
    known = result.contrasts
    chosen = known[
        (known["factor"].eq(factor) | (factor is None))
        & (known["level"].eq(level) | (level is None))
    ]
    if chosen.empty:
        listed = ", ".join(f"{r.factor} {r.level}" for r in known.itertuples())
        raise DesignError(f"There is no contrast {factor} {level}; there are: {listed}.")
    row = chosen.iloc[0]
    own = _Contrast(result, row["factor"], row["level"], row["reference"], power, confidence)
    now = own.at()
    down, up = now["detectable_low"], now["detectable_high"]
    differences = [own.base * (ratio - 1) for ratio in (down, up)]
    return PowerAttained(
        factor=row["factor"],
        level=row["level"],
        reference=row["reference"],
        confidence=confidence,
        power=power,
        se=own.se,
        df=own.df,
        detectable_low=down,
        detectable_high=up,
        detectable_difference=(differences[0], differences[1]),
        half_width=now["half_width"],
        half_width_difference=own.half_difference,
        variance=own.shares(),
        scaling=own.scaling(),
        needed=own.needed(half_widths, ratios),
        sentence=_sentence(result, str(row["label"]), own, now),
        title=result.title,
        unit=result.unit,
        notes=tuple(own.notes),
    )


class _Contrast:
    """One contrast's precision as a function of pairs, rows per strip and fields."""

    def __init__(
        self, result: ResponseAnalysis, factor: str, name: str, reference: str, power: float,
        confidence: float,
    ) -> None:  # fmt: skip
        fit, design = result.fit, result.design
        self.result, self.power, self.confidence = result, power, confidence
        offset = result.offset or Offset()
        cells, rows, self.spread = reference_grid(
            fit, design.names, dict.fromkeys(design.covariates, 0.0)
        )
        self.eta = rows @ fit.fixed_effects.to_numpy()
        label = cells[factor].astype(str)
        weights = [label.eq(v).to_numpy(dtype=float) for v in (name, reference)]
        one, self.w = (w / w.sum() for w in weights)
        self.linear = (one - self.w) @ rows
        most = design.strata[factor]
        self.se, self.df = link_contrast(fit, self.linear, most)
        self.offset = offset
        self.base = self._mean(0.0)
        parts = contrast_se(fit, rows, self.spread, (one, self.w), result.scale, offset, most)
        self.ratio_variance, self.offset_part, self.ratio_df = parts
        own = result.contrasts.query("factor == @factor and level == @name").iloc[0]
        if not np.isfinite(own["ratio"]):
            self.ratio_variance = np.nan
        difference = contrast_se(
            fit, rows, self.spread, (one, self.w), result.scale, offset, most, ratio=False
        )
        self.half_difference = float(
            stats.t.ppf(0.5 + confidence / 2, difference[2]) * np.sqrt(difference[0])
        )
        strips = design.strips
        found = _stratum(next(f for f in design.factors if f.name == factor), strips)
        self.units = len(strips) if found is None else len(found[1])
        self.most = most
        self.n_pairs = strips.groupby(["field", "pair"]).ngroups
        self.n_fields = strips["field"].nunique()
        self.rows_per_strip = len(result.data) / len(strips)
        self.notes: list[str] = []
        if any(factor in pair for pair in design.interactions):
            self.notes.append(
                "The factor interacts with others; the figures are those of its average effect."
            )
        if design.slope_factors:
            self.notes.append(
                "The setup's effect differs between fields; more pairs in the same fields are "
                "taken to add no degrees of freedom."
            )
        if "strip" not in design.nested:
            self.notes.append(
                "One row per strip: what is not chance of counting is taken to be between strips."
            )
        self._variance = {1.0: self._parts(1.0)}

    def _mean(self, shift: float) -> float:
        """The reference's mean with its linear predictor shifted, in the result's unit."""
        mean = averaged_response(self.result.fit, self.eta + shift, self.spread)
        return self.result.scale * float(self.w @ mean) - self.offset.value

    # ------------------------------------------------------------ variance by design
    def _parts(self, more_rows: float) -> tuple[float, float]:
        """Variance of the contrast by the working model: setup by field, and all else."""
        with_slopes = self._gls(more_rows, slopes=True)
        without = self._gls(more_rows, slopes=False)
        return with_slopes - without, without

    def _gls(self, more_rows: float, slopes: bool) -> float:
        fit, design, data = self.result.fit, self.result.design, self.result.data
        strips = design.categories(design.strips)
        x = fit.model.part.matrix(strips)
        names = fit.model.chain.names
        row_variance = float(fit.covariances[0][0, 0])
        mean = fit.predict()
        if fit.family.link == "logit":
            mean = data[self.result.specification.size].to_numpy() * mean * (1 - mean)
        strip = data["strip"].map({s: i for i, s in enumerate(strips["strip"])}).to_numpy()
        if "strip" in design.nested:
            information = np.bincount(strip, 1 / (row_variance + 1 / mean), len(strips))
            diagonal = 1 / information / more_rows
        else:
            diagonal = row_variance + 1 / np.bincount(strip, mean, len(strips)) / more_rows
        v = np.diag(diagonal)
        for lev in range(1, fit.model.chain.n_nested):
            keys = list(design.nested[: design.nested.index(names[lev]) + 1])
            unit = strips.groupby(keys, observed=True).ngroup().to_numpy()
            z = np.column_stack([c.values(strips, len(strips)) for c in fit.model.slopes[lev]])
            cov = fit.covariances[lev].copy()
            if not slopes:
                cov[1:], cov[:, 1:] = 0.0, 0.0
            v += (z @ cov @ z.T) * (unit[:, None] == unit)
        information = x.T @ np.linalg.solve(v, x)
        return float(self.linear @ np.linalg.solve(information, self.linear))

    def shares(self) -> pd.DataFrame:
        """Sources of the contrast's variance, as shares."""
        slope, rest = self._parts(1.0)
        # Rows without end leave what is between strips and larger units.
        strips = self._gls(1e6, slopes=False) if self.result.design.nested else 0.0
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
        if more_rows not in self._variance:
            self._variance[more_rows] = self._parts(more_rows)
        now, then = self._variance[1.0], self._variance[more_rows]
        factor = (then[0] + then[1] / k) / f / sum(now)
        grow = (min(k, 1.0) if self.result.design.slope_factors else k) * f
        rank = self.units - self.most
        layout = max(self.units * grow - rank, 0.5) / self.most
        df, ratio_df = self.df * layout, self.ratio_df * layout
        se = self.se * math.sqrt(factor)
        variance = self.ratio_variance * factor + self.offset_part
        half = stats.t.ppf(0.5 + self.confidence / 2, ratio_df) * math.sqrt(variance)
        return {
            "pairs": self.n_pairs * k * f, "fields": self.n_fields * f,
            "rows_per_strip": self.rows_per_strip * more_rows, "se": se, "df": df,
            "half_width": math.exp(min(half, LARGEST)) if math.isfinite(half) else math.nan,
        }  # fmt: skip

    def at(self, pairs: float | None = None, more_rows: float = 1.0) -> dict[str, float]:
        """Precision, and the ratios it can tell from 1."""
        out = self.precision(pairs, more_rows)
        least = detectable(out["se"], out["df"], self.power, self.confidence)
        for name, sign in (("detectable_low", -1), ("detectable_high", 1)):
            ratio = self._mean(sign * min(least, LARGEST)) / self.base
            out[name] = ratio if ratio > 0 and self.base > 0 else math.nan
        return out

    def _shift(self, ratio: float) -> float:
        """The contrast on the link scale of a level with this ratio to its reference."""
        ends = (-LARGEST, 0.0) if ratio < 1 else (0.0, LARGEST)

        def miss(shift: float) -> float:
            return self._mean(shift) / self.base - ratio

        if not (self.base > 0 and miss(ends[0]) < 0 < miss(ends[1])):
            return math.nan
        return float(optimize.brentq(miss, *ends))

    def scaling(self) -> pd.DataFrame:
        pairs = sorted({self.n_pairs, *(n for n in PAIRS if n >= self.n_fields)})
        return pd.DataFrame([self.at(n, rows) for rows in (1.0, 2.0) for n in pairs])

    def needed(self, half_widths: Sequence[float], ratios: Sequence[float]) -> pd.DataFrame:
        aims = [("half-width", v) for v in half_widths] + [("detectable ratio", v) for v in ratios]
        rows = []
        for aim, value in aims:
            shift = abs(self._shift(value)) if aim != "half-width" else math.nan

            def reached(
                at: dict[str, float], aim: str = aim, value: float = value, shift: float = shift
            ) -> bool:
                if aim == "half-width":
                    return at["half_width"] <= value
                return chance(shift / at["se"], at["df"], self.confidence) >= self.power

            def smallest(
                where: Callable[[int], dict[str, float]], least: int,
                reached: Callable[[dict[str, float]], bool] = reached,
            ) -> float:  # fmt: skip
                return _smallest(lambda n: reached(where(n)), least)

            fields = np.nan
            if self.n_fields > 1:
                fields = smallest(lambda n: self.precision(fields=n), 2)
            rows.append(
                {
                    "aim": aim,
                    "value": value,
                    "pairs": smallest(self.precision, self.n_fields),
                    "pairs_twice_the_rows": smallest(
                        lambda n: self.precision(n, 2.0), self.n_fields
                    ),
                    "fields": fields,
                }
            )
        return pd.DataFrame(rows)


def _smallest(reached: Callable[[int], bool], least: int) -> float:
    """Smallest whole number from max(2, least) to MOST that will do, by halving."""
    low, high = max(2, least), MOST
    if not reached(high):
        return np.nan
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle + 1, high)
    return float(low)


def _sentence(result: ResponseAnalysis, label: str, own: _Contrast, now: dict[str, float]) -> str:
    share = f"{100 * own.power:g} %"
    low, high = now["detectable_low"], now["detectable_high"]
    parts = [
        f"{label}: with {own.n_pairs} pairs (blocks) and the variation found, a true ratio of "
        + (f"{low:.2f} or less, or " if math.isfinite(low) else "")
        + f"{high:.2f} or more, would be told apart in {share} of such trials."
    ]
    if not math.isfinite(low):
        parts.append("No fall, however complete, would be told apart that often.")
    if math.isfinite(now["half_width"]):
        parts.append(
            f"The interval of the ratio reaches a factor of {now['half_width']:.2f} to either side "
            f"({100 * own.confidence:g} %)."
        )
    return " ".join(parts)
