"""Every comparison of a trial in one table of words, in the trial's own units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.quantities import Scale, lower_first, scales
from trialkit.report.letters import Letters
from trialkit.report.wording import change

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis

_IN_WORDS = {"%": "points", "score": "steps"}  # of a difference


def summary(analysis: TrialAnalysis) -> pd.DataFrame:
    """One row a level against its reference, as text.

    Returns
    -------
    DataFrame
        ``response, comparison, difference`` (with its interval), ``in per cent`` (of the
        reference; empty where ratios have no meaning) and ``p`` (adjusted by Holm within the
        factor).
    """
    letters = Letters(analysis.trial)
    rows = []
    for result in analysis.responses.values():
        labels = {
            f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in result.design.factors
        }
        own = scales(result.unit, analysis.trial.config.units)[0]
        shown = Scale(_IN_WORDS.get(own.unit, own.unit), own.factor)
        for row in result.contrasts.to_dict("records"):
            reference = lower_first(labels[row["factor"]][row["reference"]])
            ratio, low, high = (100 * (row[f"ratio{end}"] - 1) for end in ("", "_low", "_high"))
            value, least, most = (row[f"difference{end}"] for end in ("", "_low", "_high"))
            p = row["p_adjusted"]
            rows.append(
                {
                    "response": result.title,
                    "comparison": letters.text(f"{row['label']} against {reference}"),
                    "difference": change(value, least, most, shown),
                    "in per cent": change(ratio, low, high, Scale("%", 1.0))
                    if ratio == ratio
                    else "",
                    "p": f"{p:.2g}" if p >= 0.001 else "below 0.001",
                }
            )
    return pd.DataFrame(rows)
