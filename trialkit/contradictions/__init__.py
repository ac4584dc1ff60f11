"""What contradicts itself in a trial's tables, found once and told alike by every reader.

Facts of the tables alone, no model: `trialkit check` tells them before anything is fitted,
`analyse` keeps them with its warnings, and the pages print those. Nothing found here is left out
of an analysis, nor changes a number; strips that are lost limit how strongly it is told (`lost`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.contradictions.areas import of_areas
from trialkit.contradictions.counts import far_counts
from trialkit.contradictions.days import of_days
from trialkit.contradictions.lost import Lost, lost_strips
from trialkit.contradictions.names import of_fields, without_reason
from trialkit.contradictions.places import places
from trialkit.contradictions.settings import far_speed, of_gaps, of_speeds
from trialkit.contradictions.yields import of_yields
from trialkit.facts import Note

if TYPE_CHECKING:
    from trialkit.trial import Trial

__all__ = ["Lost", "contradictions", "far_counts", "far_speed", "first_lines", "lost_strips"]

SHOWN = 10


def contradictions(trial: Trial) -> tuple[Note, ...]:
    """Contradictions between columns and tables of a trial, each with its place.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    tuple of Note
        Speeds and gaps against the setup and against one another, gaps near half of what they
        should be, yields in another unit or ten times off, pairs harvested days apart, frames of
        another area, counts far from the others of their strip; fields called nearly as another,
        strips left out without a reason.
    """
    return (
        *of_speeds(trial), *of_gaps(trial), *of_yields(trial), *of_days(trial), *of_areas(trial),
        *_of_counts(trial), *of_fields(trial), *without_reason(trial),
    )  # fmt: skip


def first_lines(trial: Trial) -> tuple[Note, ...]:
    """What is to be said first of a trial that lost a third or more of its strips: those of its
    primary response, where it was counted at all, else those on which nothing was measured."""
    own, whole = lost_strips(trial, trial.config.model.primary), lost_strips(trial)
    if whole.without == len(trial.strips):  # nothing is measured yet
        return ()
    return (own.notes if own.without < len(trial.strips) else ()) or whole.notes


def _of_counts(trial: Trial) -> list[Note]:
    found = far_counts(trial.frames)
    where = {place[0]: place for place in places(trial.strips)} if len(found) else {}
    out = []
    for row in found.iloc[:SHOWN].itertuples():
        strip = str(row.strip)
        values = {
            "place": where.get(strip, (strip, "", "")), "frame": _frame(row.frame),
            "zone": str(row.zone), "kernels": int(row.kernels), "expected": float(row.expected),
            "others": tuple(row.others),
        }  # fmt: skip
        out.append(Note("contradictions.far_count", values))
    if len(found) > SHOWN:
        out.append(Note("contradictions.more_counts", {"frames": len(found) - SHOWN}))
    return out


def _frame(name: object) -> str:
    return "" if pd.isna(name) else str(name)
