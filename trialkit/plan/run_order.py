"""The order strips were run in, by their times of harvest, against the order that was planned."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping

import pandas as pd

from trialkit.errors import TrialError
from trialkit.facts import Note
from trialkit.plan.record import PlannedTrial, read_plan
from trialkit.trial import Trial


def key(name: object) -> str:
    """A strip's or a pair's name without regard to capitals and spaces."""
    return " ".join(str(name).split()).casefold()


def longest_in_order(values: Iterable[object]) -> int:
    """Length of the longest part, in its order, that never falls: the rest had to be moved."""
    tails: list = []
    for value in values:
        at = bisect_right(tails, value)
        tails[at : at + 1] = [value]
    return len(tails)


def timed_strips(plan: PlannedTrial, trial: Trial) -> pd.DataFrame:
    """Planned strips that carry a time, in planned order: ``field, pair, when, strip, planned``;
    the index is their `key`."""
    run = trial.strips.assign(key=trial.strips["strip"].map(key)).set_index("key")
    meant = plan.strips.assign(key=plan.strips["strip"].map(key)).set_index("key")
    both = [name for name in meant.index if name in run.index]
    known = run.loc[both, ["strip", "field", "pair", "harvested_at"]]
    known = known.rename(columns={"harvested_at": "when"})
    known["planned"] = meant.loc[both, "run"].astype(float)
    return known.dropna(subset=["when"]).sort_values("planned", kind="stable")


def departures_from_order(
    timed: pd.DataFrame, called: Mapping[str, str] | None = None
) -> list[Note]:
    """Fields whose strips, or that themselves, were run in another order than planned.

    Parameters
    ----------
    timed : DataFrame
        Of `timed_strips`.
    called : mapping, optional
        What to call a field instead of its name.
    """
    names = called or {}
    out = []
    for field, own in timed.groupby("field", sort=False):
        moved = len(own) - longest_in_order(list(own["when"]))
        if moved:
            values = {"field": names.get(str(field), str(field)), "moved": moved,
                      "strips": len(own)}  # fmt: skip
            out.append(Note("planned.out_of_order", values))
    first = timed.groupby("field", sort=False)["when"].min()
    if not first.is_monotonic_increasing:
        went = tuple(names.get(str(f), str(f)) for f in first.sort_values().index)
        out.append(Note("planned.fields_in_order", {"fields": went}))
    return out


def against_plan(trial: Trial, called: Mapping[str, str] | None = None) -> list[Note]:
    """`departures_from_order` of a trial in its folder; empty where it has no plan that can be
    read, which the comparison with the plan tells."""
    if trial.source is None:
        return []
    try:
        plan = read_plan(trial.source)
    except TrialError:
        return []
    return [] if plan is None else departures_from_order(timed_strips(plan, trial), called)
