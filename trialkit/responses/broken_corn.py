"""Broken corn: by mass through the sieve."""

from __future__ import annotations

from typing import Any

import pandas as pd

from trialkit.responses.kernel_damage import GRAIN, LOOK, SIEVED, damaged
from trialkit.responses.record import Unlocked
from trialkit.responses.shares import share
from trialkit.words.terms import ENGLISH, amount


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """`SIEVED` of the damaged share."""
    table = damaged(truth, strips, config)
    return table.assign(percent=SIEVED * table["percent"], difference=SIEVED * table["difference"])


BROKEN_CORN = share(
    "broken_corn", "Broken corn", 70, GRAIN, "sieve_mass", "broken corn",
    {ENGLISH: amount("had", "broken corn", "broken corn", few=False, count=LOOK)}, _true,
    Unlocked("broken corn", 70),
    remark="By mass through the sieve; whole kernels with damage are not in it.",
)  # fmt: skip
