"""What an analysis of a simulated trial says that its truth denies."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.simulate import Truth, truths

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis

TOLD = 0.05
"""Below it a difference may be told as one, where its interval leaves out zero."""


def denied(analysis: TrialAnalysis, truth: Truth) -> list[str]:
    """Comparisons that the truth denies, a line each; empty where all agree with it.

    A true effect is denied by an interval of its difference that does not cover it; where there is
    none, by one that leaves out zero with a p-value, adjusted for the number of comparisons, below
    `TOLD`.

    Raises
    ------
    KeyError
        For a response without a stated truth.
    """
    out = []
    known = truths(truth, analysis.trial)
    for response, result in analysis.responses.items():
        true = known[response].set_index(["factor", "level"])["difference"]
        for row in result.contrasts.itertuples():
            effect = float(true[(row.factor, row.level)])
            low, high = row.difference_low, row.difference_high
            where = f"{response}, {row.factor} {row.level}"
            told = f"{where}: {row.difference:.3g} ({low:.3g} to {high:.3g})"
            if effect:
                if not low <= effect <= high:
                    out.append(f"{told} does not cover {effect:.3g}")
            elif row.p_adjusted < TOLD and not low <= 0 <= high:
                out.append(f"{told} where there is no effect")
    return out
