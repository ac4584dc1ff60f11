"""A header at several ground speeds: what feeds it, what it pulls, how long it takes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.header import arithmetic as a
from trialkit.header.capacity import field_capacity

if TYPE_CHECKING:
    from trialkit.header.check import HeaderReport

PULLING = ("on every roll", "on some rolls", "on new rolls only", "not even on new rolls",
           "not known")  # fmt: skip
"""Where pulling finishes at a speed, without slip."""


def at_speeds(report: HeaderReport, speeds: Sequence[float] = ()) -> pd.DataFrame:
    """Feed rate, pulling and field capacity at each of several ground speeds.

    Parameters
    ----------
    report : HeaderReport
    speeds : sequence of float, optional
        km/h; else ``report.speeds``, those its strips were run at.

    Returns
    -------
    DataFrame
        One row per speed, slowest first: ``speed`` (km/h), ``feed_row, feed_header`` (plants/s,
        mean over the fields by their strips), ``pull_through`` (mm of roll while an ear is pulled
        down), ``left`` (mm, of the row whose rolls have least left), ``rows_short`` (labels of the
        rows where that is not enough), ``pulling`` (one of `PULLING`), ``roll_ratio``,
        ``chain_ratio`` (over ground speed), ``capacity`` (ha/h), ``hours_per_ha``. NaN where
        something it needs is not known.
    """
    chosen = np.unique(np.asarray([*speeds] or [*report.speeds], dtype=float))
    fields, unit = report.fields, report.unit
    density = fields["population"] * fields["row_spacing"]
    known = density.notna().to_numpy()
    plants = np.nan
    if known.any():
        plants = float(np.average(density[known], weights=report.weights[known]))
    out = pd.DataFrame({"speed": chosen})
    out["feed_row"] = a.feed_rate(plants, 1.0, out["speed"])
    out["feed_header"] = out["feed_row"] * report.row_units
    out["pull_through"] = a.pull_through(out["speed"], unit.pulled_length, report.pull_speed)
    left = report.rows["effective_length"]
    out["left"] = left.min()
    short = [report.rows.loc[left < need, "row"].tolist() for need in out["pull_through"]]
    out["rows_short"] = short
    out["pulling"] = [
        _pulling(need, len(rows), int(left.notna().sum()), unit.roll_length)
        for need, rows in zip(out["pull_through"], short, strict=True)
    ]
    out["roll_ratio"] = a.speed_ratio(report.pull_speed / unit.grip, out["speed"])
    chain = np.nan if unit.chain_speed is None else unit.chain_speed
    out["chain_ratio"] = a.speed_ratio(chain, out["speed"])
    out["capacity"] = np.nan
    if len(out):
        out["capacity"] = field_capacity(out["speed"], report.width, report.efficiency)
    out["hours_per_ha"] = 1 / out["capacity"]
    return out


def _pulling(need: float, short: int, measured: int, new: float) -> str:
    if np.isnan(need):
        return PULLING[4]
    if need > new:
        return PULLING[3]
    if not measured:
        return PULLING[4]
    return PULLING[0] if not short else PULLING[1] if short < measured else PULLING[2]
