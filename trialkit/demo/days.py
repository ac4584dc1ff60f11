"""The days of harvest: an order of work laid over working days.

Passes begin at ten, when dew is off the crop, and end by half past six; a change of the setup may
begin at eight: common practice. What would not end in time waits for the next day.
"""

from __future__ import annotations

import pandas as pd

DAY = pd.Timedelta(days=1)
CHANGES_FROM, PASSES_FROM, UNTIL = (pd.Timedelta(hours=h) for h in (8.0, 10.0, 18.5))


def harvested_at(order: pd.DataFrame, first_day: str, days_apart: int = 1) -> pd.Series:
    """When each strip is run.

    Parameters
    ----------
    order : DataFrame
        Steps of a plan's work: ``what`` ("pass" or a change), ``field, strip, minutes``; see
        `trialkit.plan.work.order_of_work`.
    first_day : str
        As 2025-10-03.
    days_apart : int
        Every further field begins on a day of its own, so many after the one before began or, where
        that takes longer, on the day after it ended.

    Returns
    -------
    Series
        Index strip: when its pass begins, to the minute.
    """
    out = {}
    day = pd.Timestamp(first_day)
    for _, steps in order.groupby("field", sort=False):
        clock = began = day
        for step in steps.itertuples():
            clock = _fits(clock, step.what == "pass", pd.Timedelta(minutes=float(step.minutes)))
            if step.what == "pass":
                out[step.strip] = clock.floor("min")
            clock += pd.Timedelta(minutes=float(step.minutes))
        day = max(began + days_apart * DAY, clock.normalize() + DAY)
    return pd.Series(out, name="harvested_at")


def _fits(clock: pd.Timestamp, is_pass: bool, length: pd.Timedelta) -> pd.Timestamp:
    """The first time from `clock` on at which a step begins and ends within a working day."""
    begins = PASSES_FROM if is_pass else CHANGES_FROM
    day = clock.normalize()
    start = max(clock, day + begins)
    if start + length <= day + UNTIL or length > UNTIL - begins:
        return start
    return day + DAY + begins
