"""Comparisons as the pages read them: the words of `trialkit.words.comparisons`, rounded once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.analysis.family import comparisons, strongest_first
from trialkit.display import p_is as p_is
from trialkit.facts import Comparison, Grade
from trialkit.quantities import listed as listed
from trialkit.words import comparisons as words
from trialkit.words.comparisons import NONE as NONE
from trialkit.words.comparisons import brackets as brackets
from trialkit.words.comparisons import change as change
from trialkit.words.comparisons import difference_units as of_difference
from trialkit.words.comparisons import had as noun_of
from trialkit.words.comparisons import share_of as share_words
from trialkit.words.comparisons import why_weaker as why_weaker
from trialkit.words.counts import counted as counted

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis

__all__ = ["Finding", "brackets", "change", "counted", "finding", "findings", "listed", "noun_of",
           "of_difference", "p_is", "share_words", "why_weaker"]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """A comparison beside the units its page prints; every text of it is said when asked for."""

    own: Comparison
    system: str

    @property
    def response(self) -> str:
        """Name of the response."""
        return self.own.response

    @property
    def factor(self) -> str:
        """The setup factor."""
        return self.own.factor

    @property
    def level(self) -> str:
        """The level that is compared."""
        return self.own.level

    @property
    def grade(self) -> Grade:
        """How sure it is."""
        return self.own.grade

    @property
    def falls(self) -> bool:
        """Whether the estimate lies below the reference."""
        return self.own.falls

    @property
    def sentence(self) -> str:
        """The comparison in a sentence."""
        return words.sentence(self.own)

    @property
    def absolute(self) -> tuple[str, ...]:
        """The difference in each unit, the trial's own first."""
        return words.amounts(self.own, self.system)

    @property
    def percent(self) -> str:
        """The same as a share of the reference; "" where the model gives no ratio."""
        return words.share(self.own)

    @property
    def told(self) -> str:
        """How sure it is, in a sentence, and why no surer where two tests differ."""
        return words.how_sure(self.own)

    @property
    def evidence(self) -> str:
        """How sure it is, in a sentence."""
        return words.evidence(self.own.grade)

    @property
    def weaker(self) -> str:
        """Why less is told than one test of it finds; "" where both agree."""
        return words.why_weaker(self.own)

    @property
    def extent(self) -> str:
        """How large, in the trial's own unit and as a share."""
        return words.extent(self.own, self.system)


def finding(own: Comparison, system: str) -> Finding:
    """A comparison beside the units that the trial declares."""
    return Finding(own, system)


def findings(
    result: ResponseAnalysis, system: str, factor: str | None = None, first: str | None = None
) -> list[Finding]:
    """Every level of the setup factors, or of one, against its reference.

    Parameters
    ----------
    result : ResponseAnalysis
    system : str
        Units the trial declares.
    factor : str, optional
    first : str, optional
        Level told first, such as the one money is spent on; the others follow by the strength of
        the evidence. Without it they stand as analysed.
    """
    every = comparisons(result)
    if factor is not None:
        every = strongest_first([own for own in every if own.factor == factor], first)
    return [Finding(own, system) for own in every]
