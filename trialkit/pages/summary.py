"""Every comparison of a trial in one table of words, in the trial's own units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.analysis.family import comparisons
from trialkit.decide.verdict import verdict
from trialkit.display import p_text
from trialkit.pages.letters import Letters
from trialkit.words.comparisons import against, amounts, share

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
        `trialkit.facts.Grade` in a word, and ``advice``, of the response the trial is judged
        by (`trialkit.decide.verdict`).
    """
    letters = Letters(analysis.trial)
    system = analysis.trial.config.units
    rows = []
    judged = verdict(analysis)
    for result in analysis.responses.values():
        for own in comparisons(result):
            advised = own.response == judged.response
            rows.append(
                {
                    "response": result.title,
                    "comparison": letters.text(against(own)),
                    "difference": amounts(own, system, short=True)[0],
                    "in per cent": share(own),
                    "p": p_text(own.p),
                    "p adjusted": p_text(own.p_adjusted),
                    "evidence": own.grade.word,
                    "advice": judged.of(own.factor, own.level).advice.value if advised else "",
                }
            )
    return pd.DataFrame(rows)
