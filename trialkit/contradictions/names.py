"""Fields that may be a slip of another field's name, and strips left out without a reason."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from trialkit.facts import Note
from trialkit.responses.fate import FATES, left_out

if TYPE_CHECKING:
    from trialkit.trial import Trial

FEW = 2
"""Strips at most of a field whose name is doubted."""
_SHORTEST = 3


def of_fields(trial: Trial) -> Iterator[Note]:
    """Fields of one or two strips called nearly as a field of more."""
    strips = trial.strips["field"].astype(str).value_counts()
    for field, few in strips[strips <= FEW].items():
        near = [f for f, n in strips.items() if n > FEW and near_name(str(field), str(f))]
        if near:
            yield Note(
                "contradictions.near_field",
                {"field": str(field), "strips": int(few), "other": str(near[0]),
                 "others": int(strips[near[0]])},
            )  # fmt: skip


def near_name(one: str, other: str) -> bool:
    """Whether two names differ by one letter that is left out, put in, changed or swapped.

    Figures are no slip, nor are words of one or two letters: field A is not field B.

    Examples
    --------
    >>> near_name("Hil", "Hill"), near_name("Field A", "Field B"), near_name("East", "West")
    (True, False, False)
    """
    words = [re.findall(r"\w+", name.casefold()) for name in (one, other)]
    if "".join(words[0]) == "".join(words[1]):
        return True
    if len(words[0]) != len(words[1]):
        return False
    differ = [(a, b) for a, b in zip(*words, strict=True) if a != b]
    if len(differ) != 1 or min(map(len, differ[0])) < _SHORTEST:
        return False
    a, b = differ[0]
    while a and b and a[0] == b[0]:
        a, b = a[1:], b[1:]
    while a and b and a[-1] == b[-1]:
        a, b = a[:-1], b[:-1]
    swapped = len(a) == 2 and a == b[::-1]
    return (a + b).isalpha() and (swapped or max(len(a), len(b)) == 1)


def without_reason(trial: Trial) -> Iterator[Note]:
    """Strips that their status leaves out and nobody said why."""
    out = left_out(trial.strips)
    if "reason" in out:
        out = out[out["reason"].isna()]
    told = tuple(
        (status, tuple(own["strip"].astype(str)))
        for status in FATES[1:]
        if len(own := out[out["status"].eq(status)])
    )
    if told:
        yield Note("contradictions.no_reason", {"strips": told})
