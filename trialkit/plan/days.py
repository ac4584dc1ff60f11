"""An order of work laid over working days.

Passes begin at ten, when dew is off the crop, and end by half past six; a change of the setup may
begin at eight: common practice. What would not end in time waits for the next day, and every
further field begins on a day of its own.
"""

from __future__ import annotations

import pandas as pd

# Minutes after midnight.
CHANGES_FROM, PASSES_FROM, UNTIL = 480.0, 600.0, 1110.0
_DAY = 1440.0


def working_days(order: pd.DataFrame, days_apart: int = 1) -> pd.DataFrame:
    """When each step of an order of work begins.

    Parameters
    ----------
    order : DataFrame
        ``what`` ("pass" or "change"), ``field, minutes``; see `work.order_of_work`.
    days_apart : int
        Days from one field's beginning to the next one's, or more where that takes longer.

    Returns
    -------
    DataFrame
        ``day`` (from 1) and ``clock`` (minutes after midnight), a row for every step.
    """
    day, out = 0, []
    for _, steps in order.groupby("field", sort=False):
        clock = day * _DAY
        for what, minutes in zip(steps["what"], steps["minutes"].astype(float), strict=True):
            clock = _fits(clock, PASSES_FROM if what == "pass" else CHANGES_FROM, minutes)
            out.append(divmod(clock, _DAY))
            clock += minutes
        day = max(day + days_apart, int(clock // _DAY) + 1)
    table = pd.DataFrame(out, columns=["day", "clock"], index=order.index)
    return table.assign(day=table["day"].astype(int) + 1)


def _fits(clock: float, begins: float, minutes: float) -> float:
    """The first time from `clock` on at which a step begins and ends within a working day."""
    day = clock // _DAY * _DAY
    start = max(clock, day + begins)
    if start + minutes <= day + UNTIL or minutes > UNTIL - begins:
        return start
    return day + _DAY + begins
