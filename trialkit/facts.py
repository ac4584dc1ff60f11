"""Plain facts that rooms hand to one another; nothing here knows how it is shown or said.

How far the evidence for a difference goes has one ladder of four grades for all that is told of it:

============  ==========================================  =================================
grade         when                                        how it reads
============  ==========================================  =================================
clear         p < 0.01 and the interval leaves out zero   "left clearly fewer ..."
good          p < 0.05 and the interval leaves out zero   "left fewer ..."
leaning       p < 0.15                                    "probably left fewer ..."
open          otherwise                                   "this trial cannot tell ..."
============  ==========================================  =================================

A trial that lost a third or more of its strips has a ceiling (`Comparison.most`), whatever p says,
as have trials whose model had to take effects to be the same everywhere.

p is the two-sided p-value after adjustment for the number of comparisons: the model's, or that of
the classical test beside it where that is the larger, so that the weaker of the two is told. A lean
of a response that the trial is not first of all about is not told: it is open. The cuts are this
project's choice, the same for every trial and every response; 0.15 two-sided is 0.075 one-sided,
odds of about 12 to 1 on the sign for a reader who held both signs equally likely before.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Any, NamedTuple

import numpy as np

from trialkit.quantities import scales

_MISSING = math.nan


def _t() -> Any:
    """Student's t; its library takes longer to load than a trial to check, so only where asked."""
    from scipy import stats

    return stats.t


@dataclass(frozen=True, slots=True)
class Note:
    """Something worth saying beside a result.

    Attributes
    ----------
    code : str
        Subject and function of `trialkit.words` that say it, such as "design.single_strips".
    values : mapping
        The function's arguments by name: plain numbers, texts, tuples of them.
    """

    code: str
    values: Mapping[str, Any] = field(default_factory=dict)


class Ends(NamedTuple):
    """An estimate with the low and the high end of its interval; not numbers where unknown."""

    value: float
    low: float = _MISSING
    high: float = _MISSING

    @property
    def known(self) -> bool:
        """Whether all three are numbers."""
        return all(map(math.isfinite, self))

    @property
    def apart(self) -> bool:
        """Whether the interval leaves out zero."""
        return self.low > 0 or self.high < 0

    def times(self, factor: float) -> Ends:
        """In another unit, or told from the other side where the factor is below zero."""
        value, low, high = (factor * v for v in self)
        return Ends(value, high, low) if factor < 0 else Ends(value, low, high)


UNKNOWN = Ends(_MISSING)


class Grade(Enum):
    """How far the evidence for a difference goes; the value is its word in a table."""

    CLEAR = "clear"
    GOOD = "good"
    LEANING = "leaning"
    OPEN = "open"

    @property
    def strength(self) -> int:
        """0 (open) to 3 (clear)."""
        return [Grade.OPEN, Grade.LEANING, Grade.GOOD, Grade.CLEAR].index(self)

    @property
    def found(self) -> bool:
        """Whether it may be told as a difference, without a "probably"."""
        return self.strength >= Grade.GOOD.strength

    @property
    def word(self) -> str:
        """One word for a column of a table."""
        return self.value


def grade(p: float, low: float, high: float) -> Grade:
    """Grade of a difference with two-sided p-value `p` and interval `low` to `high`."""
    if not all(math.isfinite(x) for x in (p, low, high)):
        return Grade.OPEN
    apart = low > 0 or high < 0
    if apart and p < 0.01:
        return Grade.CLEAR
    if apart and p < 0.05:
        return Grade.GOOD
    return Grade.LEANING if p < 0.15 else Grade.OPEN


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in a unit, with its interval where it has one.

    Attributes
    ----------
    value : float
    unit : str
        "kg/ha", "bu/ac", "%", "km/h", ...
    low, high : float
        Not numbers where there is no interval.
    """

    value: float
    unit: str
    low: float = _MISSING
    high: float = _MISSING

    @property
    def ends(self) -> Ends:
        """Value and interval without the unit."""
        return Ends(self.value, self.low, self.high)

    def in_units(self, system: str) -> Quantity:
        """The same in the unit that a trial of this system ("US" or "SI") prints."""
        return self.in_both(system)[0]

    def in_both(self, system: str) -> tuple[Quantity, ...]:
        """The same in each unit it is printed in, the system's own first."""
        return tuple(
            Quantity(self.value * own.factor, own.unit, self.low * own.factor,
                     self.high * own.factor)
            for own in scales(self.unit, system)
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value known as value + se x t with `df` degrees of freedom; an `se` of zero is certainty.

    Attributes
    ----------
    value, se : float
        In one unit.
    df : float
        Above zero; infinite for a normal distribution.
    skew : float
        Below the value the standard error is ``se (1 - skew)``, above it ``se (1 + skew)``, so
        that the interval is the printed one, whose ends need not lie at one distance.
    """

    value: float
    se: float = 0.0
    df: float = math.inf
    skew: float = 0.0

    @classmethod
    def from_interval(
        cls, value: float, low: float, high: float, df: float, level: float
    ) -> Estimate:
        """The estimate that has this `level` interval."""
        half = float((high - low) / 2)
        skew = float((high + low - 2 * value) / (high - low)) if half > 0 else 0.0
        return cls(value, half / float(_t().ppf(0.5 + level / 2, df)), df, skew)

    def quantile(self, p: Any) -> Any:
        """Value below which it lies with probability `p` (float or array)."""
        t = _t().ppf(p, self.df)
        return self.value + self.se * t * (1 + self.skew * np.sign(t))

    def interval(self, level: float) -> tuple[float, float]:
        """Central interval at `level`."""
        tail = (1 - level) / 2
        return float(self.quantile(tail)), float(self.quantile(1 - tail))

    def above(self, limit: float) -> float:
        """Probability that it lies above `limit`."""
        if self.se == 0:
            return float(self.value > limit)
        away = limit - self.value
        se = self.se * (1 + self.skew * float(np.sign(away)))
        return float(_t().sf(away / se, self.df))


_NO_MEAN = Estimate(_MISSING, _MISSING)


@dataclass(frozen=True, slots=True)
class Comparison:
    """A level of a setup factor against its reference in one response.

    Whatever is printed, drawn or decided by a comparison is read from here; a row of a contrasts
    table is a view of it (`from_row`).

    Attributes
    ----------
    response, unit, better : str
        `better` is the response's better end, "lower" or "higher".
    factor, level, reference, label, reference_label : str
    difference : Ends
        Level less reference, in `unit`.
    ratio : Ends
        Level over reference; not numbers where the model gives none.
    p, p_adjusted, df : float
        The model's p of this comparison alone and among the others, its degrees of freedom.
    p_classical, p_classical_adjusted, df_classical : float
        Of the classical test of the same strips; not numbers where there is none.
    classical : str
        What that test is.
    primary : bool
        Whether the trial is first of all about this response.
    mean, reference_mean : Estimate
        Adjusted means in `unit`.
    confidence : float
        Level of the intervals.
    bought : bool
        Whether the trial's option is bought for this level.
    most : Grade or None
        The strongest grade that may be told, where strips were lost or effects of many trials
        taken to be alike; None without a limit.
    n_trials : int
        How many trials it is the mean of.
    """

    response: str
    unit: str
    better: str
    factor: str
    level: str
    reference: str
    label: str
    reference_label: str
    difference: Ends
    ratio: Ends = UNKNOWN
    p: float = _MISSING
    p_adjusted: float = _MISSING
    df: float = math.inf
    p_classical: float = _MISSING
    p_classical_adjusted: float = _MISSING
    df_classical: float = _MISSING
    classical: str = ""
    primary: bool = True
    mean: Estimate = _NO_MEAN
    reference_mean: Estimate = _NO_MEAN
    confidence: float = 0.95
    bought: bool = False
    most: Grade | None = None
    n_trials: int = 1

    @classmethod
    def from_row(
        cls, response: str, row: Mapping[str, Any], reference_label: str, unit: str,
        better: str = "lower", *, mean: Estimate = _NO_MEAN, reference_mean: Estimate = _NO_MEAN,
        confidence: float = 0.95, bought: bool = False,
    ) -> Comparison:  # fmt: skip
        """From a row of a contrasts table; a column it does not have is not known.

        Parameters
        ----------
        response : str
        row : mapping
            With ``label`` at least; ``difference`` and ``ratio`` with ``_low, _high``, ``p``,
            ``p_adjusted``, ``df``, ``p_classical``, ...
        reference_label, unit, better : str
        mean, reference_mean, confidence, bought
            As the attributes.
        """
        label = str(row["label"])
        numbers = ("p", "p_adjusted", "p_classical", "p_classical_adjusted", "df_classical")
        known: dict[str, Any] = {name: float(row.get(name, _MISSING)) for name in numbers}
        return cls(
            response, unit, better, str(row.get("factor", "")), str(row.get("level", label)),
            str(row.get("reference", reference_label)), label, reference_label,
            ends(row, "difference"), ends(row, "ratio"),
            **known,
            df=float(row.get("df", math.inf)), classical=str(row.get("classical", "")),
            primary=bool(row.get("primary", True)), mean=mean, reference_mean=reference_mean,
            confidence=confidence, bought=bought,
            most=Grade(row["at_most"]) if row.get("at_most") else None,
        )  # fmt: skip

    @property
    def evidence(self) -> float:
        """The p that it is told by: the larger of its adjusted ones that are known; not a number
        where the model's own is not."""
        model, classical = self.p_adjusted, self.p_classical_adjusted
        return model if math.isnan(classical) else max(model, classical)  # nan stays nan

    @property
    def grade(self) -> Grade:
        """How far the evidence goes; all that is told of it follows this."""
        return self.graded_by(self.evidence)

    def graded_by(self, p: float) -> Grade:
        """What it would come to by another p-value."""
        found = self._unlimited(p)
        if self.most is not None and found.strength > self.most.strength:
            found = self.most
        return Grade.OPEN if found is Grade.LEANING and not self.primary else found

    @property
    def held_down(self) -> bool:
        """Whether it is told no stronger than `most` where p alone would."""
        by_p = self._unlimited(self.evidence)
        return self.most is not None and by_p.strength > self.most.strength

    def _unlimited(self, p: float) -> Grade:
        """Grade by p and interval alone."""
        value, low, high = self.difference
        if not low <= value <= high:  # also where the estimate is missing
            return Grade.OPEN
        return grade(p, low, high)

    @property
    def falls(self) -> bool:
        """Whether the estimate lies below the reference."""
        return self.difference.value < 0

    @property
    def is_better(self) -> bool:
        """Whether the estimate goes to the better end of the response."""
        return self.falls == (self.better == "lower")

    @property
    def distribution(self) -> Estimate:
        """The distribution behind the printed interval of the difference."""
        return Estimate.from_interval(*self.difference, self.df, self.confidence)

    @property
    def log_ratio(self) -> Estimate | None:
        """Likewise of the logarithm of the ratio; None where a mean is too near zero for one."""
        if not math.isfinite(self.ratio.value):
            return None
        value, low, high = (float(np.log(v)) for v in self.ratio)
        return Estimate.from_interval(value, low, high, self.df, self.confidence)

    @property
    def amount(self) -> Quantity:
        """The difference with its unit."""
        return Quantity(self.difference.value, self.unit, *self.difference[1:])

    def in_units(self, system: str) -> Comparison:
        """The same in the unit that a trial of this system ("US" or "SI") prints."""
        own = scales(self.unit, system)[0]

        def scaled(mean: Estimate) -> Estimate:
            return replace(mean, value=mean.value * own.factor, se=mean.se * own.factor)

        return replace(
            self, unit=own.unit, difference=self.difference.times(own.factor),
            mean=scaled(self.mean), reference_mean=scaled(self.reference_mean),
        )  # fmt: skip

    def turned(self) -> Comparison:
        """The same comparison told from the other side: the reference against the level."""
        ratio, least, most = (1 / v if v else _MISSING for v in self.ratio)
        return replace(
            self, level=self.reference, reference=self.level, label=self.reference_label,
            reference_label=self.label, difference=self.difference.times(-1.0),
            ratio=Ends(ratio, most, least), mean=self.reference_mean, reference_mean=self.mean,
        )  # fmt: skip


def ends(row: Mapping[str, Any], name: str) -> Ends:
    """A row's estimate of this name with ``_low`` and ``_high``; not numbers where it has none."""
    return Ends(*(float(row.get(f"{name}{end}", _MISSING)) for end in ("", "_low", "_high")))
