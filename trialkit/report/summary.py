"""Every comparison of a trial in one table of words, in the trial's own units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.display import p_text
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
        reference; empty where ratios have no meaning), ``p`` (of the comparison alone), ``p
        adjusted`` (`trialkit.analysis.family`) and ``evidence``, the grade of
        `trialkit.report.wording` in a word.
    """
    letters = Letters(analysis.trial)
    system = analysis.trial.config.units
    rows = []
    for result in analysis.responses.values():
        shown = of_difference(result.unit, system, short=True)[0]
        for found, row in zip(
            findings(result, system), result.contrasts.to_dict("records"), strict=True
        ):
            value, low, high = (row[f"difference{end}"] for end in ("", "_low", "_high"))
            rows.append(
                {
                    "response": result.title,
                    "comparison": letters.text(
                        f"{found.label} against {lower_first(found.reference)}"
                    ),
                    "difference": change(value, low, high, shown),
                    "in per cent": found.percent,
                    "p": p_text(row["p"]),
                    "p adjusted": p_text(row["p_adjusted"]),
                    "evidence": found.grade.word,
                }
            )
    return pd.DataFrame(rows)
