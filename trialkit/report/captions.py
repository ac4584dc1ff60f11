"""What a figure shows, in its caption and its alternative text, by the grades of `wording`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.analysis.grades import Grade
from trialkit.quantities import number, upper_first
from trialkit.report.wording import Finding

if TYPE_CHECKING:
    from trialkit.plots import Plot

_TOGETHER = {
    Grade.LEANING: (
        "All strips together lean towards {side}; no difference at all is still possible."
    ),
    Grade.OPEN: "All strips together cannot tell the two apart.",
}


def told(plot: Plot, findings: Sequence[Finding]) -> Plot:
    """The figure with the graded sentences added to its alternative text."""
    sentences = [f.sentence for f in findings if f.sentence not in plot.alt_text]
    plot.alt_text = " ".join(filter(None, [plot.alt_text, *sentences]))
    return plot


def of_means(level: float, findings: Sequence[Finding] = ()) -> str:
    """Of adjusted means with intervals and single strips."""
    key = (
        "Large mark: mean, adjusted for what else differed. Bar: where it likely lies "
        f"({number(level * 100, 0)} % interval). Rings: single strips."
    )
    if len(findings) == 1:
        return f"{findings[0].sentence} {key}"
    return key


def of_pairs(plot: Plot, findings: Sequence[Finding], word: str) -> str:
    """Of strips joined within their pair (block): the count, and what it may be taken for."""
    parts = [plot.summary]
    if len(findings) == 1 and not findings[0].grade.found:
        side = "less" if findings[0].falls else "more"
        parts.append(_TOGETHER[findings[0].grade].format(side=side))
    elif findings and not any(f.grade.found for f in findings):
        parts.append("All strips together do not tell the setups apart.")
    two = len(findings) == 1
    parts.append(f"One line is one {word}{'; dashed where it does not fall' if two else ''}.")
    return " ".join(filter(None, parts))


def of_balance(level: float, chance_words: str) -> str:
    """Of the yearly balance of an option over the area."""
    key = f"Line: value saved less the yearly cost. Band: {number(level * 100, 0)} % interval."
    return f"{upper_first(chance_words)} {key}".strip()
