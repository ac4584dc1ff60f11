"""Where the second answer (`analysis.questions.at_same`) reads otherwise than the first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.family import comparisons
from trialkit.words.adjusting import LABELS as WORDS
from trialkit.words.comparisons import held_alike, otherwise

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis

MEASURED = "speed_centred"
"""What a setup may change and a trial's settings may ask to be held alike."""


def apart(
    result: ResponseAnalysis, system: str, factor: str | None = None, level: str | None = None
) -> list[str]:
    """A sentence for every comparison whose grade or direction is another at the same speed, or on
    what the settings of the trial ask to be held alike though a setup may change it.

    Parameters
    ----------
    result : ResponseAnalysis
    system : str
        Units the trial declares.
    factor, level : str, optional
        One comparison alone.
    """
    second = result.at_same
    if second is None:
        return [held_alike(WORDS[MEASURED])] * (MEASURED in result.design.covariates)
    out = []
    # The second has no row where it has no fit.
    for first, then in zip(comparisons(result), comparisons(result, at_same=True), strict=False):
        if factor is not None and (first.factor, first.level) != (factor, level):
            continue
        out.append(otherwise(second.title, first, then))
    return list(filter(None, out))
