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

p is the two-sided p-value after adjustment for the number of comparisons. The cuts are this
project's choice, the same for every trial; 0.15 two-sided is 0.075 one-sided, odds of about 12 to
1 on the sign for a reader who held both signs equally likely before.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Any

from trialkit.quantities import (
    Scale,
    lower_first,
    number,
    places_in,
    scales,
    span,
    upper_first,
)


class Grade(Enum):
    """How far the evidence for a difference goes; the value says it in a sentence."""

    CLEAR = "The evidence for a difference is clear."
    GOOD = "The evidence for a difference is good."
    LEANING = "The counts lean this way; no difference at all is still possible."
    OPEN = "These counts cannot tell the two apart; that is not the same as being equal."


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


# Verb, noun with a slot for {how} ("fewer", "more"), word for a smaller amount, what is compared.
_VERBS = {
    "header_loss": (
        "left",
        "{how} loose kernels at the header",
        "less",
        "loose kernels left at the header",
    ),
    "kernel_damage": ("had", "{how} damaged kernels", "fewer", "damaged kernels"),
}


def compared(response: str, label: str, reference: str, verdict: Grade, falls: bool) -> str:
    """One sentence comparing a level with its reference, as strong as the grade and no more."""
    verb, noun, _, subject = _VERBS[response]
    label, reference = lower_first(label), lower_first(reference)
    if verdict is Grade.OPEN:
        return f"This trial cannot tell {label} from {reference} in {subject}."
    how = "fewer" if falls else "more"
    if verdict is Grade.CLEAR:
        how = f"clearly {how}"
    if verdict is Grade.LEANING:
        verb = f"probably {verb}"
    return upper_first(f"{label} {verb} {noun.format(how=how)} than {reference}.")


def change(value: float, low: float, high: float, scale: Scale, less: str = "less") -> str:
    """A difference and its interval in words: "1.4 bu/ac less (0.9 to 1.9 less)".

    Parameters
    ----------
    value, low, high : float
        Difference (level minus reference) and its interval, in SI.
    less : str
        Word for a fall, "less" or "fewer".
    """
    unit = scale.unit
    if not all(math.isfinite(x) for x in (value, low, high)):
        return "not known"
    if high <= 0:
        s = span(-value, -high, -low, scale)
        return f"{s.value} {unit} {less} ({s.interval})"
    if low >= 0:
        s = span(value, low, high, scale)
        return f"{s.value} {unit} more ({s.interval})"
    places = places_in(scale, (high - low) / 2 * scale.factor)
    middle, least, most = (number(abs(x) * scale.factor, places) for x in (value, low, high))
    side = less if value < 0 else "more"
    return f"{middle} {unit} {side} (from {least} {less} to {most} more)"


@dataclass(frozen=True, slots=True)
class Finding:
    """One level of a setup factor against its reference, ready to be printed as plain text.

    `sentence` is the comparison in words, `grade` how sure it is, `absolute` the difference in
    each unit (the trial's own first), `percent` the same as a share of the reference ("" where
    the model gives no ratio).
    """

    sentence: str
    grade: Grade
    label: str
    reference: str
    absolute: tuple[str, ...]
    percent: str


def finding(
    response: str,
    row: Mapping[str, Any],
    reference: str,
    *,
    unit: str,
    system: str,
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
    value, low, high = (float(row[f"difference{end}"]) for end in ("", "_low", "_high"))
    verdict = grade(float(row["p_adjusted"]), low, high)
    label = str(row["label"])
    less = _VERBS[response][2]
    shown = [
        Scale("percentage points" if s.unit == "%" else s.unit, s.factor)
        for s in scales(unit, system)
    ]
    ratios = [(float(row.get(f"ratio{end}", math.nan)) - 1) * 100 for end in ("", "_low", "_high")]
    percent = ""
    if all(math.isfinite(r) for r in ratios):
        percent = change(ratios[0], ratios[1], ratios[2], Scale("%", 1.0), less)
    return Finding(
        sentence=compared(response, label, reference, verdict, value < 0),
        grade=verdict,
        label=label,
        reference=reference,
        absolute=tuple(change(value, low, high, s, less) for s in shown),
        percent=percent,
    )


def listed(words: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def counted(n: int, one: str, many: str | None = None) -> str:
    """ "1 strip", "12 strips"."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"
