"""Margins in words: shown to be kept, not shown, or shown to be passed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from trialkit.quantities import lower_first, upper_first
from trialkit.words.comparisons import difference_units
from trialkit.words.terms import terms


def margin_words(
    response: str, row: Mapping[str, Any], reference: str, margin: tuple[float, float], *,
    scale: str, unit: str, system: str, confidence: float,
) -> str:  # fmt: skip
    """One row of ``Equivalence.table`` against its margin.

    What is said follows from the interval alone: a margin is kept where the whole interval lies
    inside it, passed where the whole interval lies outside, and otherwise the trial has not
    answered.

    Parameters
    ----------
    row : mapping
        With ``label, low, high``.
    reference : str
        Label of the reference level.
    margin : (float, float)
        Lower and upper; 0 (ratio) or minus infinity (difference) below where only more matters.
    scale : {"ratio", "difference"}
    unit, system : str
        Unit of a difference, and the units the trial declares.
    confidence : float
        One less the size of each test.
    """
    least, most = margin
    low, high = float(row["low"]), float(row["high"])
    one_sided = least == 0 if scale == "ratio" else not math.isfinite(least)
    if scale == "ratio":
        kept = f"no more than {most:.3g} times" if one_sided else f"{least:.3g} to {most:.3g} times"
        what = f"{kept} {lower_first(reference)}"
    else:
        own = difference_units(unit, system)[0]
        ends = [f"{abs(m) * own.factor:.3g}" for m in (least, most)]
        kept = f"no more than {ends[1]} {own.unit} above" if one_sided else (
            f"within {ends[0]} {own.unit} below and {ends[1]} above"
        )  # fmt: skip
        what = f"{kept} {lower_first(reference)}"
    percent = f"{100 * confidence:g} % confidence"
    equal = "be more" if one_sided else "differ by more"
    if not (math.isfinite(low) and math.isfinite(high)):
        said = "not shown"
    elif low > least and high < most:
        said = f"shown ({percent})"
    elif low > most or high < least:
        said = f"shown not to hold ({percent})"
    else:
        said = f"not shown, which is not the same as shown to {equal}"
    subject = upper_first(terms(response).subject)
    return f"{subject}, {lower_first(str(row['label']))}: {what}: {said}."
