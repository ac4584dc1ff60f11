"""Every comparison of a trial in one table of words, in the trial's own units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.quantities import lower_first
from trialkit.report.letters import Letters
from trialkit.report.wording import change, findings, of_difference

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis


def summary(analysis: TrialAnalysis) -> pd.DataFrame:
    """One row a level against its reference, as text.

    Returns
    -------
    DataFrame
        ``response, comparison, difference`` (with its interval), ``in per cent`` (of the
        reference; empty where ratios have no meaning), ``p`` (adjusted by Holm within the
        factor) and ``evidence``, the grade of `trialkit.report.wording` in a word.
    """
    letters = Letters(analysis.trial)
    system = analysis.trial.config.units
    rows = []
    for result in analysis.responses.values():
        shown = of_difference(result.unit, system, short=True)[0]
        for found, row in zip(
            findings(result, system), result.contrasts.to_dict("records"), strict=True
        ):
            p = row["p_adjusted"]
            value, low, high = (row[f"difference{end}"] for end in ("", "_low", "_high"))
            rows.append(
                {
                    "response": result.title,
                    "comparison": letters.text(
                        f"{found.label} against {lower_first(found.reference)}"
                    ),
                    "difference": change(value, low, high, shown),
                    "in per cent": found.percent,
                    "p": f"{p:.2g}" if p >= 0.001 else "below 0.001",
                    "evidence": found.grade.word,
                }
            )
    return pd.DataFrame(rows)
