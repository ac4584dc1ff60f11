"""What a trial could have told, and what it would take to tell more.

The precision attained. With ``s`` the standard error of a contrast on the link scale (log, logit)
and ``nu`` its degrees of freedom, a true contrast ``d`` is told apart from zero at level ``a`` with
probability::

    P(|T| > t_{1-a/2, nu}),   T noncentral t with nu df and noncentrality d / s

(Cohen 1988, Statistical Power Analysis, chapter 2; exact for a balanced Gaussian design, where it
is the power of the paired t). The smallest ``d`` of a given power is carried to the reported ratio
through the model's means. It depends on the variation found, not on the effect found: power at the
effect found is only the p-value in other clothes (Hoenig & Heisey 2001, Am. Stat. 55:19-24).

More pairs, more frames: `precision`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.noted import Noted
from trialkit.analysis.questions.precision import Contrast, chance, detectable
from trialkit.analysis.result import ResponseResult
from trialkit.display import card, folded, table
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.quantities import scales
from trialkit.words import power_attained as words

__all__ = ["PowerAttained", "chance", "detectable", "power_attained"]

PAIRS = (4, 6, 8, 12, 16, 24, 32)
# More pairs or fields than this are given as "not reached".
MOST = 2000
HALF_WIDTHS, RATIOS = (1.5, 1.3, 1.2, 1.1), (0.5, 0.7, 0.8, 0.9)
# Aims in the result's unit, as parts of what was attained.
PARTS = (0.75, 0.5, 0.25)


@dataclass(frozen=True, slots=True)
class PowerAttained(Noted):
    """Precision of one contrast, and what more effort would bring.

    Attributes
    ----------
    factor, level, reference : str
    confidence, power : float
    scale : {"ratio", "difference"}
        What aims and intervals are of: ratios, or differences in `unit` where the response has no
        ratios or the analysis gives none for this contrast.
    se, df : float
        Of the contrast as it is tested: on the link scale (a difference in the response's own
        unit for Gaussian values), for a difference between zones in `unit`.
    detectable_low, detectable_high : float
        Ratios (level over reference) below and above 1, or differences below and above 0, that
        would be told apart with the power asked for; missing where even a level with nothing of
        the quantity would not be.
    detectable_difference : (float, float)
        The same as differences, in `unit`.
    half_width : float
        The interval runs from ratio / half_width to ratio * half_width, or over the difference
        -+ half_width.
    half_width_difference : float
        Half the width of the difference's interval, in `unit`.
    variance : DataFrame
        One row per source: ``source`` ("setup by field", "strips", "rows"), ``share`` of the
        contrast's variance; rows are frames or samples with the chance of counting.
    scaling : DataFrame
        ``pairs, fields, rows_per_strip, se, df, half_width, detectable_low, detectable_high``.
    needed : DataFrame
        ``aim`` ("half-width", "detectable ratio" or "detectable difference"), ``value``, and the
        smallest number of ``pairs`` in the same fields, of ``pairs_twice_the_rows`` with twice the
        frames or samples per strip (missing where a strip is one value), and of ``fields`` like
        these (missing for one field) that reach it; missing where none does.
    label : str
        Of the level.
    n_pairs : int
    title, unit, system : str
        `system` is the trial's own, "US" or "SI".
    notes : tuple of Note
        What the figures rest on (`sentences`).
    """

    factor: str
    level: str
    reference: str
    confidence: float
    power: float
    scale: str
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
    label: str
    n_pairs: int
    title: str
    unit: str
    system: str
    notes: tuple[Note, ...]

    @property
    def sentence(self) -> str:
        """What the trial could tell, in words."""
        return words.could_tell(
            self.label, self.n_pairs, self.power, self.confidence, self.scale,
            self.detectable_low, self.detectable_high, self.half_width, self.unit, self.system,
        )  # fmt: skip

    def _repr_html_(self) -> str:
        return card(
            words.heading(self.title),
            [self.sentence, *self.sentences],
            table(self.needed, words.needed()),
            folded(
                words.more_effort(),
                table(self.scaling),
                table(self.variance),
            ),
        )


def power_attained(
    result: ResponseResult, factor: str | None = None, level: str | None = None, *,
    power: float = 0.8, confidence: float = 0.95, half_widths: Sequence[float] | None = None,
    ratios: Sequence[float] | None = None, differences: Sequence[float] | None = None,
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
    half_widths : sequence of float, optional
        Half-widths to plan for: factors above 1, or where the contrast has no ratio, differences
        above 0 in the result's unit. By default 1.5, 1.3, 1.2 and 1.1, or three quarters, half and
        a quarter of the present one.
    ratios : sequence of float, optional
        Ratios to plan for, positive and not 1; by default, where the contrast has one, 0.5, 0.7,
        0.8 and 0.9.
    differences : sequence of float, optional
        Differences to plan for, in the result's unit, not 0; by default, where the contrast has
        no ratio, parts of the present one as above.

    Raises
    ------
    DesignError
        If the trial has no such contrast, or ratios are asked of one without.
    ValueError
        If power, confidence, half-widths, ratios or differences are out of range.
    """
    if not 0 < confidence < 1 or not 1 - confidence < power < 1:
        raise ValueError("confidence must lie in (0, 1) and power between 1 - confidence and 1.")
    if any(r <= 0 or r == 1 for r in ratios or ()) or any(d == 0 for d in differences or ()):
        raise ValueError("ratios must be positive and not 1, differences not 0.")
    row = _contrast(result, factor, level)
    own = Contrast(result, row["factor"], row["level"], row["reference"], power, confidence)
    as_ratio = own.scale == "ratio"
    if ratios is not None and not as_ratio:
        raise DesignError(
            f"{result.title} has no ratio for {row['label']}; give the aims as differences."
        )
    if min(half_widths or (2.0,)) <= as_ratio:
        raise ValueError(f"half-widths must be above {as_ratio:d} for a {own.scale}.")
    now = own.attained()
    low, high = now["detectable_low"], now["detectable_high"]
    if half_widths is None:
        half_widths = HALF_WIDTHS if as_ratio else _parts_of(now["half_width"], result)
    if as_ratio:
        ratios = RATIOS if ratios is None else ratios
    elif differences is None:
        differences = _parts_of(high, result)
    aims = [("half-width", v) for v in half_widths]
    aims += [("detectable ratio", v) for v in ratios or ()]
    aims += [("detectable difference", v) for v in differences or ()]
    return PowerAttained(
        factor=row["factor"],
        level=row["level"],
        reference=row["reference"],
        confidence=confidence,
        power=power,
        scale=own.scale,
        se=own.se,
        df=own.df,
        detectable_low=low,
        detectable_high=high,
        detectable_difference=(
            (own.base * (low - 1), own.base * (high - 1)) if as_ratio else (low, high)
        ),
        half_width=now["half_width"],
        half_width_difference=own.half_difference,
        variance=own.shares(),
        scaling=_scaling(own),
        needed=_needed(own, aims),
        label=str(row["label"]),
        n_pairs=own.n_pairs,
        system=result.design.units,
        title=result.title,
        unit=result.unit,
        notes=tuple(own.notes),
    )


def _contrast(result: ResponseResult, factor: str | None, level: str | None) -> pd.Series:
    """The contrast asked for, the first where none is."""
    known = result.contrasts
    chosen = known[
        (known["factor"].eq(factor) | (factor is None))
        & (known["level"].eq(level) | (level is None))
    ]
    if chosen.empty:
        listed = ", ".join(f"{r.factor} {r.level}" for r in known.itertuples())
        raise DesignError(f"There is no contrast {factor} {level}; there are: {listed}.")
    return chosen.iloc[0]


def _parts_of(value: float, result: ResponseResult) -> list[float]:
    """In the result's unit, round in the trial's own."""
    factor = scales(result.unit, result.design.units)[0].factor
    return [float(f"{part * value * factor:.2g}") / factor for part in PARTS]


def _scaling(own: Contrast) -> pd.DataFrame:
    pairs = sorted({own.n_pairs, *(n for n in PAIRS if n >= own.n_fields)})
    times = (1.0, 2.0) if own.sampled else (1.0,)
    return pd.DataFrame([own.attained(n, rows) for rows in times for n in pairs])


def _needed(own: Contrast, aims: Sequence[tuple[str, float]]) -> pd.DataFrame:
    rows = []
    for aim, value in aims:
        shift = math.nan if aim == "half-width" else abs(own.shift(value, aim.split()[1]))

        def reached(
            at: dict[str, float], aim: str = aim, value: float = value, shift: float = shift
        ) -> bool:
            if aim == "half-width":
                return at["half_width"] <= value
            return chance(shift / at["se"], at["df"], own.confidence) >= own.power

        def smallest(
            where: Callable[[int], dict[str, float]], least: int,
            reached: Callable[[dict[str, float]], bool] = reached,
        ) -> float:  # fmt: skip
            return _smallest(lambda n: reached(where(n)), least)

        twice = fields = np.nan
        if own.sampled:
            twice = smallest(lambda n: own.precision(n, 2.0), own.n_fields)
        if own.n_fields > 1:
            fields = smallest(lambda n: own.precision(fields=n), 2)
        rows.append(
            {
                "aim": aim,
                "value": value,
                "pairs": smallest(own.precision, own.n_fields),
                "pairs_twice_the_rows": twice,
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
