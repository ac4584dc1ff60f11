"""Strips of one pair that were harvested days apart."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.facts import Note

if TYPE_CHECKING:
    from trialkit.trial import Trial

APART = pd.Timedelta(hours=12)
"""Strips harvested on two dates are days apart from this time on: one evening's work that ends
after midnight is not (common practice). A date without a time counts as the whole day."""
MOISTURE = 0.5
"""Points: a difference of moisture from which on it is told."""


def of_days(trial: Trial) -> Iterator[Note]:
    """Pairs harvested days apart, by field, with the moisture of the first and the last day."""
    dated = trial.strips.dropna(subset=["harvested_at"])
    if dated.empty:
        return
    day = dated["harvested_at"].dt.normalize()
    dated = dated.assign(_day=day, _timed=dated["harvested_at"] != day)
    blocks = dated.groupby(["field", "pair"], sort=False)
    ends = blocks.agg(
        first=("harvested_at", "min"), last=("harvested_at", "max"), timed=("_timed", "all")
    )
    apart = (ends["last"].dt.normalize() - ends["first"].dt.normalize()).dt.days
    far = (apart > 0) & (~ends["timed"] | (ends["last"] - ends["first"] >= APART))
    found = ends[far].assign(days=apart[far]).reset_index()
    for (field, days), rows in found.groupby(["field", "days"], sort=False):
        wet = []
        for pair in rows["pair"]:
            own = blocks.get_group((field, pair)).sort_values("_day")
            on = own.groupby("_day")["moisture"].mean()
            first, last = float(on.iloc[0]), float(on.iloc[-1])
            if abs(last - first) >= MOISTURE:
                wet.append((str(pair), first, last))
        yield Note(
            "contradictions.days_apart",
            {"pairs": tuple(map(str, rows["pair"])), "field": str(field), "days": int(str(days)),
             "first": str(rows["first"].min().date()), "last": str(rows["last"].max().date()),
             "moisture": tuple(wet)},
        )  # fmt: skip
