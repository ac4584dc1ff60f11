"""The ground behind the machine: kernels still on pieces of cob, and the width residue fell on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.words import losses as words

BEHIND = "total"
"""Zone behind the machine: residue falls on it, and kernels on pieces of cob lie there alone."""


def cobs_counted(frames: pd.DataFrame) -> bool:
    """Whether every frame behind the machine says how many kernels are still on pieces of cob.

    Where some do not, these kernels are left out of all of them: strips are counted alike.
    """
    return 0 < _with_cobs(frames) == int(frames["zone"].eq(BEHIND).sum())


def _with_cobs(frames: pd.DataFrame) -> int:
    if "kernels_on_cobs" not in frames or not frames["kernels_on_cobs"].notna().any():
        return 0
    return int(frames.loc[frames["zone"].eq(BEHIND), "kernels_on_cobs"].notna().sum())


def cobs_left_out(frames: pd.DataFrame) -> str:
    """What it means that kernels on pieces of cob were counted in some frames only; else empty."""
    told, behind = _with_cobs(frames), int(frames["zone"].eq(BEHIND).sum())
    return "" if told in (0, behind) else words.cobs_left_out(told, behind)


def discharge_width(strips: pd.DataFrame, config: Any) -> pd.Series:
    """Width (m) the residue fell on behind the machine: the strip's own, else the settings'."""
    usual = config.header.discharge_width
    if "discharge_width" not in strips:
        return pd.Series(usual, index=strips.index)
    return strips["discharge_width"].astype(float).fillna(usual)


def width_assumed(frames: pd.DataFrame, strips: pd.DataFrame, config: Any) -> str:
    """What it means that nobody gave the width the residue fell on; empty where it is given."""
    behind = strips["strip"].isin(frames.loc[frames["zone"].eq(BEHIND), "strip"])
    if config.header.discharge_stated or not behind.any():
        return ""
    own = strips.get("discharge_width", pd.Series(np.nan, index=strips.index))
    lacking = int((behind & own.isna()).sum())
    if not lacking:
        return ""
    unit = "ft" if config.units == "US" else "m"
    width = float(units.convert(config.header.width, "m", unit))
    return words.width_assumed(lacking, int(behind.sum()), width, unit)


def spread_of(strips: pd.DataFrame, config: Any) -> tuple[float, list[str]]:
    """Header width over the width residue fell on, the mean over these strips, and what to say.

    Of one loss everywhere, what lies behind in excess is that mean times the loss.
    """
    header = config.header
    widths = discharge_width(strips, config)
    spread = float((header.width / widths).mean()) if len(widths) else 1.0
    if not (widths != header.width).any():
        return spread, []
    return spread, words.spread_over(float(widths.min()), float(widths.max()), header.width)
