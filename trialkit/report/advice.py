"""What to try: rules from the grade of the evidence to a sentence, never from the estimate alone.

===============  ======================================================================
grade            what is advised
===============  ======================================================================
clear, good      better: try it on some passes of your own and count behind both;
                 worse: stay with the reference
leaning, open    what a trial would need in order to tell (`ResponseAnalysis.power`)
===============  ======================================================================
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from trialkit.quantities import lower_first, number
from trialkit.report.terms import TERMS
from trialkit.report.wording import Finding, Grade, counted, listed, of_difference

if TYPE_CHECKING:
    from trialkit.analysis.power import PowerAttained


def is_better(found: Finding, better: str) -> bool:
    """Whether the estimate goes to the better end of the response, "lower" or "higher"."""
    return found.falls == (better == "lower")


def to_try(found: Sequence[Finding], better: str) -> list[str]:
    """What to try and what to stay with, from what was found of one response.

    Parameters
    ----------
    found : sequence of Finding
        Levels of one setup factor.
    better : {"lower", "higher"}
        The response's better end.
    """
    known = [f for f in found if f.grade.found]
    good = [f for f in known if is_better(f, better)]
    bad = [f for f in known if not is_better(f, better)]
    out = []
    if good:
        labels = " or ".join(lower_first(f.label) for f in good)
        out.append(
            f"Try {labels} on some passes of your own, next to {lower_first(good[0].reference)} "
            f"in the same field on the same day, and {TERMS[good[0].response].count}."
        )
    if bad:
        labels = " or ".join(lower_first(f.label) for f in bad)
        terms = TERMS[bad[0].response]
        noun = (terms.less if bad[0].falls else terms.more).format("")
        out.append(
            f"Stay with {lower_first(bad[0].reference)} rather than {labels}, which "
            f"{terms.verb} {noun} here."
        )
    return out


def to_test(found: Sequence[Finding], needs: Sequence[str]) -> list[str]:
    """What is not settled, and what a trial would need to settle it.

    Parameters
    ----------
    found : sequence of Finding
        Levels of one setup factor.
    needs : sequence of str
        As `needed` tells it, one for each of `found`; "" where it cannot be told.
    """
    out = []
    for grade in (Grade.LEANING, Grade.OPEN):
        chosen = [(f, n) for f, n in zip(found, needs, strict=True) if f.grade is grade]
        if not chosen:
            continue
        labels = listed([lower_first(f.label) for f, _ in chosen])
        reference = lower_first(chosen[0][0].reference)
        if grade is Grade.LEANING:
            said = f"Not settled yet: {labels} against {reference}."
        else:
            said = f"Nothing here speaks for a change between {reference} and {labels}."
        out.append(" ".join([said, *dict.fromkeys(n for _, n in chosen[:1] if n)]))
    return out


def needed(power: PowerAttained, pairs: int, fields: int, word: str, system: str) -> str:
    """The next finer difference a trial like this could tell, and the pairs or fields it takes.

    Parameters
    ----------
    power : PowerAttained
    pairs, fields : int
        Of the trial.
    word : str
        "pair" or "block".
    system : str
        Units the trial declares.
    """
    table = power.needed
    aims = table[table["aim"] != "half-width"]
    if aims.empty:
        return ""
    # From the largest difference to the smallest; the first the trial was too small for.
    far = aims["value"].map(lambda v: abs(math.log(v)) if power.scale == "ratio" else abs(v))
    aims = aims.loc[far.sort_values(ascending=False, kind="stable").index]
    row = next(
        (r for r in aims.to_dict("records") if not r["pairs"] <= pairs), aims.iloc[-1].to_dict()
    )
    if power.scale == "ratio":
        size = f"of {abs(1 - row['value']) * 100:.0f} %"
    else:
        own = of_difference(power.unit, system)[0]
        size = f"of {abs(row['value']) * own.factor:.2g} {own.unit}"
    ways = []
    if row["pairs"] == row["pairs"]:
        ways.append(f"about {counted(int(row['pairs']), word)} of strips")
    if row["fields"] == row["fields"]:
        ways.append(f"about {counted(int(row['fields']), 'field')} like these")
    often = Fraction(power.power).limit_denominator(20)
    seen = f"in {often.numerator} trials of {often.denominator}"
    if not ways:
        return f"No trial of this kind would see a difference {size} {seen}."
    had = counted(pairs, word) + (f" on {counted(fields, 'field')}" if fields > 1 else "")
    return f"To see a difference {size} {seen} takes {' or '.join(ways)} (this trial had {had})."


def to_watch(others: Mapping[str, Sequence[Finding]], better: Mapping[str, str]) -> list[str]:
    """What rose the wrong way with the setups, by response.

    Parameters
    ----------
    others : mapping of str to sequence of Finding
        Findings of the other responses, by heading; those with a difference are told.
    better : mapping of str to str
        The better end of each, "lower" or "higher", by heading.
    """
    out = []
    for title, found in others.items():
        worse = [f for f in found if f.grade.found and not is_better(f, better[title])]
        if worse:
            side = "down" if worse[0].falls else "up"
            labels = listed([lower_first(f.label) for f in worse])
            out.append(f"Watch {title}: {side} with {labels} in this trial.")
    return out


def holds_for(moisture: tuple[float, float] | None, speed: tuple[float, float] | None,
              unit: str) -> str:  # fmt: skip
    """Grain moisture (%) and ground speed (`unit`) the trial covers; "" where neither was read."""
    parts = []
    if moisture is not None:
        parts.append(f"grain at {between(moisture, 0)} % moisture")
    if speed is not None:
        parts.append(f"{between(speed, 1)} {unit}")
    return f"This holds for {' and '.join(parts)}; elsewhere, count first." if parts else ""


def between(ends: tuple[float, float], places: int) -> str:
    """ "16 to 19", or one number where both round to it."""
    low, high = (number(float(end), places) for end in ends)
    return low if low == high else f"{low} to {high}"


def in_lines(others: Mapping[str, Sequence[Finding]]) -> list[str]:
    """Other responses, by heading, a line each; those that tell nothing apart share the last.

    What the trial is not first of all about is told where a difference is found, never on a lean.
    """
    out: list[str] = []
    untold: list[str] = []
    setups: set[str] = set()
    for title, found in others.items():
        known = [f for f in found if f.grade.found]
        if known:
            out.append(" ".join(f"{f.sentence.rstrip('.')}: {f.absolute[0]}." for f in known))
        elif found:
            untold.append(title)
            setups.update(f.level for f in found)
    if untold:
        which = "the two" if len(setups) == 1 else "the setups"
        out.append(f"This trial cannot tell {which} apart in {listed(untold)}.")
    return out
