"""From an interval and a p-value to words that are never stronger than the numbers.

One ladder of four grades serves headlines, captions and handouts:

============  ==========================================  =================================
grade         when                                        how it reads
============  ==========================================  =================================
clear         p < 0.01 and the interval leaves out zero   "left clearly fewer ..."
good          p < 0.05 and the interval leaves out zero   "left fewer ..."
leaning       p < 0.15                                    "probably left fewer ..."
open          otherwise                                   "this trial cannot tell ..."
============  ==========================================  =================================

p is the two-sided p-value after adjustment for the number of comparisons
(`trialkit.analysis.family`): the model's, or that of the classical test beside it where that is the
larger, so that the weaker of the two is told. A lean of a response that the trial is not first of
all about is not told: it is open. The cuts are this project's choice, the same for every trial and
every response (`terms`); 0.15 two-sided is 0.075 one-sided, odds of about 12 to 1 on the sign for a
reader who held both signs equally likely before.

Chances and fields stand in `chances`, margins in `margins`, what figures show in `captions`, what
to do about it in `advice`; they all speak by these grades.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

from trialkit.analysis.family import evidence, strongest_first
from trialkit.display import p_text
from trialkit.quantities import (
    Scale,
    lower_first,
    number,
    places_in,
    scales,
    span,
    upper_first,
)
from trialkit.report.terms import TERMS

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis


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


def grade_of(row: Mapping[str, Any]) -> Grade:
    """Grade of a row of ``ResponseAnalysis.contrasts``; all that is said of one follows it."""
    return _graded(row, evidence(row))


def _graded(row: Mapping[str, Any], p: float) -> Grade:
    value, low, high = (float(row[f"difference{end}"]) for end in ("", "_low", "_high"))
    if not low <= value <= high:  # also where the estimate is missing
        return Grade.OPEN
    verdict = grade(p, low, high)
    return Grade.OPEN if verdict is Grade.LEANING and not row.get("primary", True) else verdict


_FINDS = {
    Grade.CLEAR: "clear evidence",
    Grade.GOOD: "good evidence",
    Grade.LEANING: "no more than a tendency",
    Grade.OPEN: "no difference",
}


def why_weaker(row: Mapping[str, Any]) -> str:
    """Why less is told of a comparison than one test of it finds, in sentences; else "".

    Two tests may differ by a grade, and one among many comparisons counts for less than alone.
    """
    out = []
    model, simple = (float(row.get(c, math.nan)) for c in ("p_adjusted", "p_classical_adjusted"))
    if math.isfinite(model) and math.isfinite(simple):
        by_model, by_simple = _graded(row, model), _graded(row, simple)
        df = float(row.get("df_classical", math.nan))
        reach = f", {number(df, 0)} degrees of freedom" if math.isfinite(df) else ""
        more = "finds more" if by_simple.strength > by_model.strength else "finds less"
        if by_model is not by_simple:
            out.append(
                f"The model finds {_FINDS[by_model]} (p {_is(model)}); the simpler test of the "
                f"same strips, {row['classical']}{reach}, {more}: {_FINDS[by_simple]} (p "
                f"{_is(simple)}); the weaker of the two is told."
            )
    alone = max((float(row.get(c, math.nan)) for c in ("p", "p_classical")), key=_known)
    if not row.get("primary", True) and grade_of(row) is Grade.OPEN and _graded(row, alone).found:
        out.append(
            f"Looked at alone it would be told as a difference (p {_is(alone)}); among all that "
            f"was looked at it may be luck (p {_is(evidence(row))})."
        )
    return " ".join(out)


def _known(p: float) -> float:
    return -1.0 if math.isnan(p) else p


def _is(p: float) -> str:
    text = p_text(p)
    return text if text.startswith("below") else f"= {text}"


def compared(response: str, label: str, reference: str, verdict: Grade, falls: bool) -> str:
    """One sentence comparing a level with its reference, as strong as the grade and no more."""
    words = TERMS[response]
    label, reference = lower_first(label), lower_first(reference)
    if verdict is Grade.OPEN:
        return f"This trial cannot tell {label} from {reference} in {words.subject}."
    noun = (words.less if falls else words.more).format(
        "clearly " if verdict is Grade.CLEAR else ""
    )
    verb = f"probably {words.verb}" if verdict is Grade.LEANING else words.verb
    return upper_first(f"{label} {verb} {noun} than {reference}.")


def of_difference(unit: str, system: str, short: bool = False) -> tuple[Scale, ...]:
    """Units to print a difference in, the trial's own first: percentages differ by points."""
    points = {"%": "points" if short else "percentage points", "score": "steps"}
    return tuple(Scale(points.get(s.unit, s.unit), s.factor) for s in scales(unit, system))


def change(
    value: float, low: float, high: float, scale: Scale, less: str = "less", more: str = "more"
) -> str:
    """A difference and its interval in words: "1.4 bu/ac less (0.9 to 1.9 less)".

    Parameters
    ----------
    value, low, high : float
        Difference (level minus reference) and its interval, in SI.
    less, more : str
        Words for a fall and a rise: "fewer", "higher".
    """
    unit = scale.unit
    if not all(math.isfinite(x) for x in (value, low, high)):
        return "not known"
    if high <= 0:
        s = span(-value, -high, -low, scale)
        return f"{s.value} {unit} {less} ({s.interval})"
    if low >= 0:
        s = span(value, low, high, scale)
        return f"{s.value} {unit} {more} ({s.interval})"
    places = places_in(scale, (high - low) / 2 * scale.factor)
    middle, least, most = (number(abs(x) * scale.factor, places) for x in (value, low, high))
    # A difference that rounds to nothing has no side.
    side = "" if middle == number(0.0, places) else f" {less if value < 0 else more}"
    return f"{middle} {unit}{side} (from {least} {less} to {most} {more})"


@dataclass(frozen=True, slots=True)
class Finding:
    """One level of a setup factor against its reference, ready to be printed as plain text.

    `sentence` is the comparison in words, `grade` how sure it is, `falls` whether the estimate
    lies below the reference, `absolute` the difference in each unit (the trial's own first),
    `percent` the same as a share of the reference ("" where the model gives no ratio), `weaker`
    why less is told than the model alone finds, or than a simpler test does ("" where both agree).
    """

    response: str
    factor: str
    level: str
    sentence: str
    grade: Grade
    falls: bool
    label: str
    reference: str
    absolute: tuple[str, ...]
    percent: str
    weaker: str = ""

    @property
    def told(self) -> str:
        """How sure it is, in a sentence, and why no surer where two tests differ."""
        return f"{self.grade.value} {self.weaker}".rstrip()

    @property
    def extent(self) -> str:
        """How large, in the trial's own unit and as a share, with "Best guess" where the evidence
        is no more than that."""
        text = self.absolute[0] + (f", that is {self.percent}" if self.percent else "")
        return upper_first(text) if self.grade.found else f"Best guess: {text}"


def finding(
    response: str, row: Mapping[str, Any], reference: str, *, unit: str, system: str
) -> Finding:
    """Put one row of a contrasts table into words.

    Parameters
    ----------
    row : mapping
        A row of ``ResponseAnalysis.contrasts``.
    reference : str
        Label of the reference level.
    unit, system : str
        Unit of the differences ("kg/ha" or "%") and the units the trial declares.
    """
    words = TERMS[response]
    value, low, high = (float(row[f"difference{end}"]) for end in ("", "_low", "_high"))
    verdict = grade_of(row)
    label = str(row["label"])
    share, least, most = (
        (float(row.get(f"ratio{end}", math.nan)) - 1) * 100 for end in ("", "_low", "_high")
    )
    percent = ""
    if all(map(math.isfinite, (share, least, most))):
        percent = change(share, least, most, Scale("%", 1.0), words.smaller, words.larger)
    return Finding(
        response=response,
        factor=str(row.get("factor", "")),
        level=str(row.get("level", label)),
        sentence=compared(response, label, reference, verdict, value < 0),
        grade=verdict,
        falls=value < 0,
        label=label,
        reference=reference,
        absolute=tuple(
            change(value, low, high, s, *words.by_amount) for s in of_difference(unit, system)
        ),
        percent=percent,
        weaker=why_weaker(row),
    )


def findings(
    result: ResponseAnalysis, system: str, factor: str | None = None, first: str | None = None
) -> list[Finding]:
    """Every level of the setup factors, or of one, against its reference.

    Parameters
    ----------
    result : ResponseAnalysis
    system : str
        Units the trial declares.
    factor : str, optional
    first : str, optional
        Level told first, such as the one money is spent on; the others follow by the strength of
        the evidence. Without it they stand as analysed.
    """
    rows = result.contrasts
    if factor is not None:
        rows = rows[rows["factor"] == factor]
        rows = strongest_first(rows)
        rows = rows.iloc[(rows["level"] != first).to_numpy().argsort(kind="stable")]
    labels = {
        f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in result.design.factors
    }
    return [
        finding(result.response, row, labels[row["factor"]][row["reference"]],
                unit=result.unit, system=system)
        for row in rows.to_dict("records")
    ]  # fmt: skip


def listed(words: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def counted(n: int, one: str, many: str | None = None) -> str:
    """ "1 strip", "12 strips"."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"
