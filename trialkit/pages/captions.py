"""Captions of comparisons as pages ask for them; the words stand in `trialkit.words.figures`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.pages.wording import Finding
from trialkit.words import figures
from trialkit.words.figures import balance_by_area as of_balance

if TYPE_CHECKING:
    from trialkit.plots import Plot

__all__ = ["of_balance", "of_means", "of_pairs", "told"]


def told(plot: Plot, findings: Sequence[Finding]) -> Plot:
    """The figure with the graded sentences added to its alternative text."""
    sentences = [f.sentence for f in findings if f.sentence not in plot.alt_text]
    plot.alt_text = " ".join(filter(None, [plot.alt_text, *sentences]))
    return plot


def of_means(level: float, findings: Sequence[Finding] = ()) -> str:
    """Of adjusted means with intervals and single strips."""
    return figures.means_with_strips(level, findings[0].sentence if len(findings) == 1 else "")


def of_pairs(plot: Plot, findings: Sequence[Finding], word: str) -> str:
    """Of strips joined within their pair (block): the count, and what it may be taken for."""
    return figures.joined_strips(plot.summary, word, [(f.grade, f.falls) for f in findings])
