"""Every comparison of a trial in one table of words, in the trial's own units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.decide.verdict import verdict
from trialkit.display import p_text
from trialkit.quantities import lower_first, upper_first
from trialkit.report.letters import Letters
from trialkit.report.terms import TERMS
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
        adjusted`` (`trialkit.analysis.family`), ``evidence``, the grade of
        `trialkit.analysis.grades` in a word, and ``advice``, of the response the trial is judged
        by (`trialkit.decide.verdict`).
    """
    letters = Letters(analysis.trial)
    system = analysis.trial.config.units
    rows = []
    judged = verdict(analysis)
    for result in analysis.responses.values():
        shown = of_difference(result.unit, system, short=True)[0]
        for found in findings(result, system):
            own = found.own
            advised = own.response == judged.response
            rows.append(
                {
                    "response": result.title,
                    "comparison": letters.text(
                        f"{upper_first(own.label)} against {lower_first(own.reference_label)}"
                    ),
                    "difference": change(*own.difference, shown, *TERMS[own.response].by_amount),
                    "in per cent": found.percent,
                    "p": p_text(own.row["p"]),
                    "p adjusted": p_text(own.row["p_adjusted"]),
                    "evidence": found.grade.word,
                    "advice": judged.of(own.factor, own.level).advice.value if advised else "",
                }
            )
    return pd.DataFrame(rows)
