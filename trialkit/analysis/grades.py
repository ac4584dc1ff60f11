"""How far the evidence for a difference goes: one ladder of four grades for all that is said of it.

============  ==========================================  =================================
grade         when                                        how it reads
============  ==========================================  =================================
clear         p < 0.01 and the interval leaves out zero   "left clearly fewer ..."
good          p < 0.05 and the interval leaves out zero   "left fewer ..."
leaning       p < 0.15                                    "probably left fewer ..."
open          otherwise                                   "this trial cannot tell ..."
============  ==========================================  =================================

p is the two-sided p-value after adjustment for the number of comparisons (`family`): the model's,
or that of the classical test beside it where that is the larger, so that the weaker of the two is
told. A lean of a response that the trial is not first of all about is not told: it is open. The
cuts are this project's choice, the same for every trial and every response; 0.15 two-sided is 0.075
one-sided, odds of about 12 to 1 on the sign for a reader who held both signs equally likely before.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.analysis.family import evidence, strongest_first

if TYPE_CHECKING:
    from trialkit.analysis.result import ResponseAnalysis

Ends = tuple[float, float, float]
"""An estimate with the low and the high end of its interval."""
UNKNOWN: Ends = (math.nan, math.nan, math.nan)


class Grade(Enum):
    """How far the evidence for a difference goes; the value says it in a sentence."""

    CLEAR = "The evidence for a difference is clear."
    GOOD = "The evidence for a difference is good."
    LEANING = "The counts lean this way; no difference at all is still possible."
    OPEN = "These counts cannot tell the two apart; that is not the same as being equal."

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
        return self.name.lower()


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


def grade_of(row: Mapping[str, Any], p: float | None = None) -> Grade:
    """Grade of a row of ``ResponseAnalysis.contrasts``; all that is said of one follows it.

    Parameters
    ----------
    row : mapping
    p : float, optional
        Another p-value than the one the row is told by, to say what it would have come to.
    """
    value, low, high = ends_of(row, "difference")
    if not low <= value <= high:  # also where the estimate is missing
        return Grade.OPEN
    verdict = grade(evidence(row) if p is None else p, low, high)
    return Grade.OPEN if verdict is Grade.LEANING and not row.get("primary", True) else verdict


def ends_of(row: Mapping[str, Any], name: str) -> Ends:
    """A row's estimate of this name with its interval; not numbers where it has none."""
    value, low, high = (float(row.get(f"{name}{end}", math.nan)) for end in ("", "_low", "_high"))
    return value, low, high


@dataclass(frozen=True, slots=True)
class Compared:
    """A level of a setup factor against its reference in one response, graded.

    Whatever is printed of a comparison is read from here.

    Attributes
    ----------
    response, unit, better : str
        `better` is the response's better end, "lower" or "higher".
    factor, level, reference, label, reference_label : str
    difference : (float, float, float)
        Level less reference and its interval, in `unit` (SI).
    ratio : (float, float, float)
        Level over reference; not numbers where the model gives none.
    grade : Grade
    row : mapping
        The row of ``ResponseAnalysis.contrasts`` it stands for.
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
    ratio: Ends
    grade: Grade
    row: Mapping[str, Any]

    @classmethod
    def of_row(
        cls, response: str, row: Mapping[str, Any], reference_label: str, unit: str,
        better: str = "lower",
    ) -> Compared:  # fmt: skip
        """From a row of a contrasts table."""
        label = str(row["label"])
        return cls(
            response, unit, better, str(row.get("factor", "")), str(row.get("level", label)),
            str(row.get("reference", reference_label)), label, reference_label,
            ends_of(row, "difference"), ends_of(row, "ratio"), grade_of(row), row,
        )  # fmt: skip

    @property
    def falls(self) -> bool:
        """Whether the estimate lies below the reference."""
        return self.difference[0] < 0

    @property
    def is_better(self) -> bool:
        """Whether the estimate goes to the better end of the response."""
        return self.falls == (self.better == "lower")

    def turned(self) -> Compared:
        """The same comparison told from the other side: the reference against the level."""
        value, low, high = self.difference
        ratio, least, most = (1 / v if v else math.nan for v in self.ratio)
        return Compared(
            self.response, self.unit, self.better, self.factor, self.reference, self.level,
            self.reference_label, self.label, (-value, -high, -low), (ratio, most, least),
            self.grade, self.row,
        )  # fmt: skip


def all_compared(result: ResponseAnalysis, at_same: bool = False) -> list[Compared]:
    """Every comparison of a response in the order of its contrasts, or of its second answer's."""
    labels = {
        f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in result.design.factors
    }
    second = result.at_same if at_same else None
    table = result.contrasts
    if second is not None:  # a response is primary or not in both answers
        table = second.contrasts.assign(primary=bool(table.get("primary", pd.Series([True])).all()))
    return [
        Compared.of_row(
            result.response, row, labels[row["factor"]][row["reference"]], result.unit,
            result.specification.better,
        )
        for row in table.to_dict("records")
    ]  # fmt: skip


def in_order(every: Sequence[Compared], first: str | None = None) -> list[Compared]:
    """Comparisons by the strength of their evidence, that of the level `first` before all."""
    if not every:
        return []
    rows = pd.DataFrame([dict(own.row) for own in every])
    order = [int(i) for i in strongest_first(rows).index]
    return sorted((every[i] for i in order), key=lambda own: own.level != first)
