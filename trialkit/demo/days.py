"""The days of harvest of an invented trial: its order of work laid over working days."""

from __future__ import annotations

import pandas as pd

from trialkit.plan.days import working_days


def harvested_at(order: pd.DataFrame, first_day: str, days_apart: int = 1) -> pd.Series:
    """When each strip is run, to the minute, from a day as 2025-10-03 on; index strip.

    Other parameters are those of `trialkit.plan.days.working_days`.
    """
    when = working_days(order, days_apart)
    days = pd.to_timedelta(when["day"] - 1, unit="D")
    at = pd.Timestamp(first_day) + days + pd.to_timedelta(when["clock"] // 1, unit="min")
    passes = order["what"] == "pass"
    return pd.Series(at[passes].to_numpy(), index=order.loc[passes, "strip"], name="harvested_at")
