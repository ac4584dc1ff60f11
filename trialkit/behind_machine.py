"""The ground behind the machine: kernels still on pieces of cob, and the width residue fell on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import units

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig


def cobs_counted(frames: pd.DataFrame) -> bool:
    """Whether every frame behind the machine says how many kernels are still on pieces of cob.

    Where some do not, these kernels are left out of all of them: strips are counted alike.
    """
    return _with_cobs(frames) == int(frames["zone"].eq("total").sum()) > 0


def _with_cobs(frames: pd.DataFrame) -> int:
    if "kernels_on_cobs" not in frames:
        return 0
    return int(frames.loc[frames["zone"].eq("total"), "kernels_on_cobs"].notna().sum())


def cobs_left_out(frames: pd.DataFrame) -> str:
    """What it means that kernels on pieces of cob were counted in some frames only; else empty."""
    told, behind = _with_cobs(frames), int(frames["zone"].eq("total").sum())
    if told in (0, behind):
        return ""
    return (
        f"Kernels on pieces of cob were counted in {told} of {behind} frames behind the machine "
        "only. They are left out, so that strips are counted alike; where there were none, write 0."
    )


def discharge_width(strips: pd.DataFrame, config: TrialConfig) -> pd.Series:
    """Width (m) the residue fell on behind the machine: the strip's own, else the settings'."""
    usual = config.header.discharge_width
    if "discharge_width" not in strips:
        return pd.Series(usual, index=strips.index)
    return strips["discharge_width"].astype(float).fillna(usual)


def width_assumed(frames: pd.DataFrame, strips: pd.DataFrame, config: TrialConfig) -> str:
    """What it means that nobody gave the width the residue fell on; empty where it is given."""
    behind = strips["strip"].isin(frames.loc[frames["zone"].eq("total"), "strip"])
    if config.header.discharge_stated or not behind.any():
        return ""
    own = strips.get("discharge_width", pd.Series(np.nan, index=strips.index))
    lacking = int((behind & own.isna()).sum())
    if not lacking:
        return ""
    unit = "ft" if config.units == "US" else "m"
    width = float(units.convert(config.header.width, "m", unit))
    where = "" if lacking == int(behind.sum()) else f" on {lacking} strips"
    return (
        f"The width that residue fell on behind the machine was not given{where} (discharge_width) "
        f"and is assumed to be the header's, {width:.3g} {unit}. Where it fell on less, loss in "
        "threshing and cleaning is overstated."
    )
