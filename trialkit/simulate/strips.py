"""What is read on every strip of a simulated trial: settings, speed, moisture, yield, time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.responses.drawing import as_written, setup_shift
from trialkit.simulate.truth import Truth

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.simulate.effort import Effort

A_DAY = 24
"""Strips of 20 minutes from ten to six."""


def with_settings(
    strips: pd.DataFrame,
    config: TrialConfig,
    truth: Truth,
    effort: Effort,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Add settings, measured speed, moisture, test weight, yield and time of harvest.

    Times that `strips` does not bring follow its order, 20 minutes a strip from ten to six, a field
    every second day. Moisture falls by ``truth.dry_down`` a day about the trial's mean time.
    """
    out = strips.copy()
    if "harvested_at" not in out or out["harvested_at"].isna().any():
        out["harvested_at"] = _times(out, config.season)
    system = config.units
    names = list(dict.fromkeys(out["field"]))
    n, k = len(out), len(names)
    place = out["field"].map({name: i for i, name in enumerate(names)}).to_numpy()
    span = np.linspace(0.0, 1.0, k) if k > 1 else np.array([0.5])

    def field_means(low_high: tuple[float, float]) -> np.ndarray:
        low, high = low_high
        return (low + (high - low) * rng.permutation(span))[place]

    moisture = field_means(truth.moisture) + rng.normal(0.0, truth.moisture_sd, n)
    speed = field_means(truth.speed)
    for column in ("gap_front", "gap_rear", "speed_set", "roll_rpm"):
        out[column] = np.nan
    for factor, levels in effort.settings.items():
        for level, values in levels.items():
            for column, value in values.items():
                out.loc[out[factor].eq(level), column] = value
    if out["speed_set"].isna().all():
        out["speed_set"] = as_written(np.full(n, np.mean(truth.speed)), "km/h", "mph", 1, system)
    else:
        speed = out["speed_set"].to_numpy(dtype=float)
    out["speed_measured"] = as_written(
        speed + rng.normal(0.0, truth.speed_sd, n), "km/h", "mph", 1, system
    )
    out["roll_rpm"] = out["roll_rpm"].fillna(900.0)
    shift = {
        column: setup_shift(truth.strip_shifts.get(column, {}), out)
        for column in ("moisture", "test_weight", "yield")
    }
    days = (out["harvested_at"] - out["harvested_at"].mean()) / pd.Timedelta(days=1)
    moisture = moisture - truth.dry_down * days.to_numpy()
    out["moisture"] = np.round(moisture + shift["moisture"], 1)
    weight = 74.0 - 0.35 * (moisture - 18.0) + rng.normal(0.0, 0.5, n) + shift["test_weight"]
    out["test_weight"] = as_written(weight, "kg/hL", "lb/bu", 1, system)
    pair = pd.factorize(out["field"] + "/" + out["pair"])[0]
    grain = (
        truth.yield_mean
        + truth.yield_sd * rng.normal(size=k)[place]
        + truth.yield_sd / 2 * rng.normal(size=pair.max() + 1)[pair]
        + truth.yield_sd / 4 * rng.normal(size=n)
        + shift["yield"]
    )
    out["yield"] = as_written(grain, "kg/ha", "bu/ac", 1, system)
    return out


def _times(strips: pd.DataFrame, season: int) -> pd.Series:
    """Time of harvest of strips in their order, `A_DAY` a day."""
    start = pd.Timestamp(season, 10, 3, 10)
    days, step = np.divmod(strips.groupby("field").cumcount().to_numpy(), A_DAY)
    field_days = np.maximum(2, -(-strips.groupby("field").size() // A_DAY))
    names = list(dict.fromkeys(strips["field"]))
    first = dict(zip(names, np.cumsum([0, *field_days[names][:-1]]), strict=True))
    days = days + strips["field"].map(first).to_numpy()
    return start + pd.to_timedelta(days, "D") + pd.to_timedelta(20 * step, "min")
