"""From a graded comparison (`trialkit.analysis.grades`) to words never stronger than the numbers.

Chances and fields stand in `chances`, margins in `margins`, what figures show in `captions`, what
to do about it in `advice`; they all speak by these grades.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trialkit.analysis.family import evidence
from trialkit.analysis.grades import Compared, Ends, Grade, all_compared, grade_of, in_order
from trialkit.display import freedom, p_text
from trialkit.quantities import (
    Scale,
    lower_first,
    number,
    places_in,
    scales,
    span,
    upper_first,
)
from trialkit.quantities import (
    listed as listed,
)
from trialkit.report.terms import TERMS

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis


NONE = "no difference"
_FINDS = {
    Grade.CLEAR: "clear evidence",
    Grade.GOOD: "good evidence",
    Grade.LEANING: "no more than a tendency",
    Grade.OPEN: NONE,
}


def why_weaker(row: Mapping[str, Any]) -> str:
    """Why less is told of a comparison than one test of it finds, in sentences; else "".

    Two tests may differ by a grade, and one among many comparisons counts for less than alone.
    """
    out = []
    model, simple = (float(row.get(c, math.nan)) for c in ("p_adjusted", "p_classical_adjusted"))
    if math.isfinite(model) and math.isfinite(simple):
        by_model, by_simple = grade_of(row, model), grade_of(row, simple)
        df = float(row.get("df_classical", math.nan))
        reach = f", {freedom(df, 0)} degrees of freedom" if math.isfinite(df) else ""
        more = "finds more" if by_simple.strength > by_model.strength else "finds less"
        if by_model is not by_simple:
            out.append(
                f"The model finds {_FINDS[by_model]} (p {p_is(model)}); the simpler test of the "
                f"same strips, {row['classical']}{reach}, {more}: {_FINDS[by_simple]} (p "
                f"{p_is(simple)}); this page goes by the more cautious of the two."
            )
    alone = max((float(row.get(c, math.nan)) for c in ("p", "p_classical")), key=_known)
    if not grade_of(row).found and grade_of(row, alone).found:
        range_too, among = ", as its range is,", "the setups compared"
        if not row.get("primary", True):
            range_too, among = "", "all that was looked at"
        out.append(
            f"Looked at alone{range_too} it would count as a difference (p {p_is(alone)}); among "
            f"{among} it may be luck (p {p_is(evidence(row))})."
        )
    return " ".join(out)


def _known(p: float) -> float:
    return -1.0 if math.isnan(p) else p


def p_is(p: float) -> str:
    """ "= 0.034", "below 0.001"."""
    text = p_text(p)
    return text if text.startswith("below") else f"= {text}"


def compared(response: str, label: str, reference: str, verdict: Grade, falls: bool) -> str:
    """One sentence comparing a level with its reference, as strong as the grade and no more."""
    words = TERMS[response]
    label, reference = lower_first(label), lower_first(reference)
    if verdict is Grade.OPEN:
        return f"This trial cannot tell {label} from {reference} in {words.subject}."
    noun = _noun(response, verdict, falls)
    verb = f"probably {words.verb}" if verdict is Grade.LEANING else words.verb
    return upper_first(f"{label} {verb} {noun} than {reference}.")


def _noun(response: str, verdict: Grade, falls: bool) -> str:
    words = TERMS[response]
    return (words.less if falls else words.more).format(
        "clearly " if verdict is Grade.CLEAR else ""
    )


def noun_of(own: Compared) -> str:
    """What a level had less or more of, as sure as its grade: "clearly fewer damaged kernels"."""
    return _noun(own.response, own.grade, own.falls)


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
    if middle == number(0.0, places):  # what rounds to nothing has no side
        return f"{NONE} (from {least} {unit} {less} to {most} {more})"
    return f"{middle} {unit} {less if value < 0 else more} (from {least} {less} to {most} {more})"


@dataclass(frozen=True, slots=True)
class Finding:
    """One level of a setup factor against its reference, ready to be printed as plain text.

    `own` is the comparison itself, `sentence` says it in words, `absolute` the difference in each
    unit (the trial's own first), `percent` the same as a share of the reference ("" where the model
    gives no ratio), `weaker` why less is told than the model alone finds, or than a simpler test
    does ("" where both agree).
    """

    own: Compared
    sentence: str
    absolute: tuple[str, ...]
    percent: str
    weaker: str = ""

    @property
    def response(self) -> str:
        """Name of the response."""
        return self.own.response

    @property
    def factor(self) -> str:
        """The setup factor."""
        return self.own.factor

    @property
    def level(self) -> str:
        """The level that is compared."""
        return self.own.level

    @property
    def grade(self) -> Grade:
        """How sure it is."""
        return self.own.grade

    @property
    def falls(self) -> bool:
        """Whether the estimate lies below the reference."""
        return self.own.falls

    @property
    def told(self) -> str:
        """How sure it is, in a sentence, and why no surer where two tests differ."""
        return f"{self.grade.value} {self.weaker}".rstrip()

    @property
    def extent(self) -> str:
        """How large, in the trial's own unit and as a share, with "Best guess" where the evidence
        is no more than that."""
        percent = "" if self.percent.startswith(NONE) else self.percent
        text = self.absolute[0] + (f", that is {percent}" if percent else "")
        return upper_first(text) if self.grade.found else f"Best guess: {text}"


def finding(own: Compared, system: str) -> Finding:
    """Put a comparison into words, each figure rounded once.

    Parameters
    ----------
    own : Compared
    system : str
        Units the trial declares.
    """
    words = TERMS[own.response]
    return Finding(
        own=own,
        sentence=compared(own.response, own.label, own.reference_label, own.grade, own.falls),
        absolute=tuple(
            change(*own.difference, s, *words.by_amount) for s in of_difference(own.unit, system)
        ),
        percent=share_words(own.response, own.ratio),
        weaker=why_weaker(own.row),
    )


def share_words(response: str, ratio: Ends) -> str:
    """A ratio and its interval as a share of the reference: "41 % fewer (18 to 58)"; "" where
    there is none."""
    words = TERMS[response]
    share, least, most = ((v - 1) * 100 for v in ratio)
    if not all(map(math.isfinite, (share, least, most))):
        return ""
    return change(share, least, most, Scale("%", 1.0), words.smaller, words.larger)


def brackets(level: float) -> str:
    """What stands in brackets behind an estimate, for a reader who knows no intervals."""
    return (
        "In brackets: where the true figure likely lies "
        f"({number(100 * level, 0)} % interval)."
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
    every = all_compared(result)
    if factor is not None:
        every = in_order([own for own in every if own.factor == factor], first)
    return [finding(own, system) for own in every]


def counted(n: int, one: str, many: str | None = None) -> str:
    """ "1 strip", "12 strips"."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"
