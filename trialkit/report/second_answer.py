"""Where the second answer (`trialkit.analysis.at_same`) reads otherwise than the first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.covariates import WORDS
from trialkit.analysis.grades import Grade, all_compared
from trialkit.quantities import lower_first
from trialkit.report.wording import finding

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
        return [
            f"Setups are compared at the same {WORDS[MEASURED]}, as the trial's settings ask: this "
            "is not the whole effect of choosing a setup."
        ] * (MEASURED in result.design.covariates)
    out = []
    # The second has no row where it has no fit.
    for first, then in zip(all_compared(result), all_compared(result, at_same=True), strict=False):
        if factor is not None and (first.factor, first.level) != (factor, level):
            continue
        one, other = finding(first, system), finding(then, system)
        turned = one.falls is not other.falls and Grade.OPEN not in (one.grade, other.grade)
        if one.grade is not other.grade or turned:
            out.append(f"{second.title} the answer reads: {lower_first(other.sentence)}")
    return out
