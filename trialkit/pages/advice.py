"""What to do, as every page and the terminal print it: `trialkit.decide.advised`, said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from trialkit.decide.advised import advised, advised_of_level, next_finer
from trialkit.decide.verdict import LevelVerdict, Verdict
from trialkit.pages.wording import Finding
from trialkit.words import comparisons, said
from trialkit.words.advice import between as between
from trialkit.words.advice import holds_for as holds_for

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.analysis.questions.power_attained import PowerAttained


def told(verdict: Verdict, analysis: TrialAnalysis | None = None) -> list[str]:
    """What to do about every level of every setup factor, a text each."""
    return [" ".join(said(notes)) for notes in advised(verdict, analysis)]


def of_level(own: LevelVerdict, verdict: Verdict) -> str:
    """What to do about one level, in sentences."""
    return " ".join(said(advised_of_level(own, verdict)))


def needed(power: PowerAttained, pairs: int, fields: int, word: str, system: str) -> str:
    """What the next finer difference takes, see `trialkit.decide.advised.next_finer`."""
    note = next_finer(power, pairs, fields, word, system)
    return "" if note is None else " ".join(said([note]))


def in_lines(others: Mapping[str, Sequence[Finding]]) -> list[str]:
    """Other responses, by heading, a line each."""
    system = next((f.system for found in others.values() for f in found), "SI")
    every = {title: [f.own for f in found] for title, found in others.items()}
    return comparisons.in_lines(every, system)
