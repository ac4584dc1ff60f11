"""Strips that trials of a comparison lost, and how strong what is left may be told.

A trial's own ceiling is that of its own pages (`trialkit.contradictions.lost`). The mean over many
trials has one where trials with a ceiling hold a third or more of the strips compared: "leaning",
or "open" where those that lost strips by their setup hold as much. The share is this project's
choice, that of a single trial.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.contradictions.lost import MANY, Lost, lost_strips
from trialkit.facts import Grade
from trialkit.responses.fate import FATES, fates
from trialkit.words import seasons_used as used_words

if TYPE_CHECKING:
    from trialkit.trial import Trial


@dataclass(frozen=True, slots=True)
class LostOfTrial:
    """What a trial lost of a response, with what its users said became of the strips."""

    lost: Lost
    fates: tuple[tuple[str, int], ...]

    @property
    def n(self) -> int:
        """Strips that are not in the comparison."""
        return self.lost.refused + self.lost.without

    @property
    def told(self) -> str:
        """In a sentence."""
        own = self.lost
        most = own.most.value if own.most else ""
        return used_words.strips_lost(self.n, own.of, own.refused, self.fates, own.setups, most)


def lost_of(trial: Trial, response: str, measured: Iterable[str]) -> LostOfTrial | None:
    """What a trial lost; None where it lost nothing.

    As on its own pages: of the response it is first of all about, strips without a row of that; of
    another, strips on which nothing was measured, for what is sampled on some strips was not lost.

    Parameters
    ----------
    trial : Trial
        As it was handed in.
    response : str
    measured : iterable of str
        Strips with a row of the response that are used.
    """
    read = trial.read
    refused = int(read.loc[read["table"] == "strips", "rows_refused"].sum()) if len(read) else 0
    if not refused and set(measured).issuperset(trial.strips["strip"]):
        return None
    own = lost_strips(trial, response if response == trial.config.model.primary else None)
    if not own.refused + own.without:
        return None
    status = fates(trial.strips)
    counts = [(fate, int(status.eq(fate).sum())) for fate in FATES[1:]]
    return LostOfTrial(own, tuple((fate, n) for fate, n in counts if n))


def ceiling(trials: pd.DataFrame) -> Grade | None:
    """The strongest grade that a mean over trials (`TrialsCompared.trials`) may be told with; None
    without a limit."""
    whole = trials["n_strips"].sum()
    for most in (Grade.OPEN, Grade.LEANING):
        held = trials["at_most"].isin([most.value, Grade.OPEN.value])
        if whole and trials.loc[held, "n_strips"].sum() / whole >= MANY:
            return most
    return None


def lost_told(trials: pd.DataFrame, names: Iterable[str]) -> str:
    """Which trials lost a third or more of their strips, and what follows for the mean over all;
    "" where none did.

    Parameters
    ----------
    trials : DataFrame
        `TrialsCompared.trials`.
    names : iterable of str
        What each is called here.
    """
    rows = trials.assign(shown=list(names))
    rows = rows[rows["at_most"].ne("")]
    if rows.empty:
        return ""
    most = ceiling(trials)
    each = list(zip(rows["shown"], rows["n_lost"], rows["n_laid"], strict=True))
    return used_words.trials_that_lost(
        each, int(rows["n_strips"].sum()), int(trials["n_strips"].sum()),
        most.value if most else "",
    )  # fmt: skip
