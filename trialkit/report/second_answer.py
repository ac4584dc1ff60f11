"""Where the second answer (`trialkit.analysis.at_same`) reads otherwise than the first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.quantities import lower_first
from trialkit.report.wording import Finding, Grade, finding

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis


def apart(
    result: ResponseAnalysis, system: str, factor: str | None = None, level: str | None = None
) -> list[str]:
    """A sentence for every comparison whose grade or direction is another at the same speed.

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
        return []
    labels = {
        f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in result.design.factors
    }

    def told(row: dict) -> Finding:
        reference = labels[row["factor"]][row["reference"]]
        return finding(result.response, row, reference, unit=result.unit, system=system)

    out = []
    rows = (table.to_dict("records") for table in (result.contrasts, second.contrasts))
    for first, then in zip(*rows, strict=False):  # the second has no row where it has no fit
        if factor is not None and (first["factor"], first["level"]) != (factor, level):
            continue
        one, other = told(first), told(then)
        turned = one.falls is not other.falls and Grade.OPEN not in (one.grade, other.grade)
        if one.grade is not other.grade or turned:
            out.append(f"{second.title} the answer reads: {lower_first(other.sentence)}")
    return out
