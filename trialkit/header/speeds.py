"""A header at several ground speeds: what feeds it, what it pulls, how long it takes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trialkit.header import arithmetic as a
from trialkit.header.capacity import field_capacity
from trialkit.header.report import HeaderReport

PULLING = ("every", "some", "new only", "not new", "not known")
"""Where pulling finishes at a speed, without slip: on every roll, on some, on new rolls only, not
even on those. "Not known" where it hangs on sizes of the row
unit no one measured: where both ends of what they may be agree, it is told."""


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
        rows where that is not enough, with the sizes as they stand), ``pulling`` (one of
        `PULLING`), ``roll_ratio, chain_ratio`` (over ground speed), ``capacity`` (ha/h),
        ``hours_per_ha``. NaN where something it needs is not known.
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
    rows = report.rows
    out["rows_short"] = [rows.loc[rows["top_speed"] < v, "row"].tolist() for v in chosen]
    out["pulling"] = [_pulling(report, v) for v in chosen]
    out["roll_ratio"] = a.speed_ratio(report.pull_speed / unit.grip, out["speed"])
    chain = np.nan if unit.chain_speed is None else unit.chain_speed
    out["chain_ratio"] = a.speed_ratio(chain, out["speed"])
    out["capacity"] = np.nan
    if len(out):
        out["capacity"] = field_capacity(out["speed"], report.width, report.efficiency)
    out["hours_per_ha"] = 1 / out["capacity"]
    return out


def _pulling(report: HeaderReport, speed: float) -> str:
    told = set()
    for end, new in zip(("", "_low", "_high"), report.new_speeds, strict=True):
        tops = report.rows[f"top_speed{end}"].dropna()
        if not new > 0:
            told.add(PULLING[4])
        elif speed > new:
            told.add(PULLING[3])
        elif tops.empty:
            told.add(PULLING[4])
        else:
            short = int((tops < speed).sum())
            told.add(PULLING[0] if not short else PULLING[1 if short < len(tops) else 2])
    return told.pop() if len(told) == 1 else PULLING[4]
