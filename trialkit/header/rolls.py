"""Worn rolls told as what they do: where a stalk is first gripped and how fast that still pulls."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.header import arithmetic as a
from trialkit.header.limits import HeaderLimits
from trialkit.header.plates import over
from trialkit.header.unit import RowUnit

SIDES = ("left", "right")
WEAR = tuple(f"roll_{side}_wear_length" for side in SIDES)
FLUTE = tuple(f"roll_{side}_flute" for side in SIDES)
ROLLS = ("sound", "sound, too fast", "worn, still pulling", "worn out", "worn, beyond new",
         "worn, not known", "not measured")  # fmt: skip
"""What a row's rolls are found to be. Whether worn rolls still pull is judged at the fastest speed:
"worn out" where pulling finishes on new rolls only ("too fast", where no more is gone than sound
rolls may have), "beyond new rolls" where not even on those, so
that the speed is in question, "not known" where it hangs on sizes of the row unit no one measured,
or on a roll speed or a ground speed no one gave."""


def top_speeds(unit: RowUnit, rpm: float, wear: object = 0.0) -> tuple[np.ndarray, ...]:
    """Highest ground speed (km/h) at which pulling finishes, with `wear` mm gone at the front.

    Returns
    -------
    tuple of three arrays
        With the unit's sizes as they stand, and at the low and the high end of those assumed. Equal
        where all were measured.
    """
    out = []
    for size in (unit, *unit.ends):
        left = a.effective_length(size.roll_length, np.asarray(wear, dtype=float))
        pull = a.surface_speed(rpm, size.roll_diameter) * size.grip
        out.append(np.asarray(a.top_speed(left, size.pulled_length, pull)))
    return tuple(out)


def judge_rolls(
    checked: pd.DataFrame, unit: RowUnit, rpm: float, fastest: float, limits: HeaderLimits
) -> pd.DataFrame:
    """What the rolls of every row do; the roll of a pair that grips later decides.

    Returns
    -------
    DataFrame
        Index as `checked`, mm and km/h: ``wear`` (of the roll worn farther), ``effective_length``,
        ``worn_share``, ``top_speed, top_speed_low, top_speed_high`` (with what is left, see
        `top_speeds`), ``pair`` (left less right wear, where that is over the limit, else NaN),
        ``flute`` (the lower of the two), ``flute_pair`` (left less right, likewise), ``flute_low``
        and ``worn`` (over the limit) and ``rolls`` (one of `ROLLS`).
    """
    out = checked[[*WEAR, *FLUTE]].astype(float)
    wear = out[list(WEAR)].max(axis=1)
    out["wear"] = wear
    out["effective_length"] = a.effective_length(unit.roll_length, wear)
    out["worn_share"] = (wear / unit.roll_length).clip(upper=1.0)
    columns = ("top_speed", "top_speed_low", "top_speed_high")
    for column, values in zip(columns, top_speeds(unit, rpm, wear), strict=True):
        out[column] = values
    for column, (left, right), limit in (
        ("pair", WEAR, limits.roll_pair), ("flute_pair", FLUTE, limits.flute_pair),
    ):  # fmt: skip
        apart = out[left] - out[right]
        out[column] = apart.where(over(apart.abs(), limit))
    out["flute"] = out[list(FLUTE)].min(axis=1)
    out["flute_low"] = False if limits.flute is None else out["flute"] < limits.flute * (1 - 1e-9)
    new = float(top_speeds(unit, rpm)[0])
    # NaN compares as false: an unknown speed makes no roll worn out.
    short = (out["top_speed"] < fastest) & (wear > 0) & (not unit.assumed)
    out["worn"] = over(wear, limits.roll_worn)
    out["rolls"] = np.select(
        [wear.isna(), ~out["worn"] & short & (new >= fastest), ~out["worn"],
         short & (new >= fastest), short, out["top_speed_low"] >= fastest],
        ["not measured", "sound, too fast", "sound", "worn out", "worn, beyond new",
         "worn, still pulling"],
        "worn, not known",
    )  # fmt: skip
    return out
