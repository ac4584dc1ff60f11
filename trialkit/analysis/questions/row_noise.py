"""How much of a trial's noise the uneven gaps of its header can account for.

Everything but the arithmetic (`trialkit.header.noise`) is read off the trial's own model of header
loss: variances between strips and frames, frames per strip, the chance of counting, and the share
of the kernels in the header zone that the header lost.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.questions.pairwise import pairwise
from trialkit.analysis.result import ResponseResult
from trialkit.errors import DesignError
from trialkit.header import HeaderReport, row_noise
from trialkit.header.noise import RowNoise

# Two settings of the gap nearer than this are not told apart: a gauge reads to about 1 mm.
LEAST = 2.0


@dataclass(frozen=True, slots=True)
class GapEffect:
    """How loss went with the gap in a trial that ran several gaps.

    Attributes
    ----------
    log_ratio, low, high : float
        Log ratio of header losses per mm between the narrowest and the widest setting, taken for a
        straight line; with the trial's interval.
    factor, narrow, wide : str
        Factor and labels of the two settings.
    narrow_gap, wide_gap : float
        mm.
    confidence : float
    """

    log_ratio: float
    low: float
    high: float
    factor: str
    narrow: str
    wide: str
    narrow_gap: float
    wide_gap: float
    confidence: float


def gap_effect(result: ResponseResult) -> GapEffect:
    """The trial's own ratio of losses per mm of gap, between its outermost settings.

    Raises
    ------
    DesignError
        Where no setup factor sets the gap alone, or the ratio is not known.
    """
    strips = result.design.strips
    gap = (strips["gap_front"] + strips["gap_rear"]) / 2
    for factor in result.design.factors:
        by_level = gap.groupby(strips[factor.name].astype(str))
        settings = by_level.mean().dropna()
        if by_level.apply(np.ptp).max() > LEAST / 2 or len(settings) < 2:
            continue
        if np.ptp(settings) < LEAST:
            continue
        narrow, wide = str(settings.idxmin()), str(settings.idxmax())
        table = pairwise(result, factor.name, adjust="none", level=result.level).table
        row, sign = _pair(table, narrow, wide)
        logs = np.log(row[["ratio", "ratio_low", "ratio_high"]].astype(float)) * sign
        if logs.isna().any():
            raise DesignError("a mean is too near zero for a ratio of losses between two gaps.")
        estimate, *ends = (logs / (settings[wide] - settings[narrow])).tolist()
        labels = result.design.labels(factor.name)
        return GapEffect(
            estimate, min(ends), max(ends), factor.name, labels[narrow], labels[wide],
            float(settings[narrow]), float(settings[wide]), result.level,
        )  # fmt: skip
    raise DesignError("the trial did not run several gaps.")


def _pair(table: pd.DataFrame, narrow: str, wide: str) -> tuple[pd.Series, int]:
    for one, other, sign in ((wide, narrow, 1), (narrow, wide, -1)):
        rows = table[(table["level"] == one) & (table["against"] == other)]
        if len(rows):
            return rows.iloc[0], sign
    raise DesignError("the two gaps were not compared.")


def trial_noise(
    result: ResponseResult,
    report: HeaderReport,
    log_ratio: float,
    *,
    rows_per_frame: float = 1.0,
) -> RowNoise:
    """What the header's uneven gaps make of the noise this trial has in its header loss.

    Repaired are the rows whose plates are crooked or off.

    Parameters
    ----------
    result : ResponseAnalysis
        Of ``header_loss``, counted in frames.
    report : HeaderReport
    log_ratio : float
        Log of the ratio of losses per mm of gap: of `gap_effect`, or assumed.
    rows_per_frame : float

    Raises
    ------
    DesignError
        Where header loss was not counted in frames.
    """
    table = result.variances
    levels = table[table["term"] == "Intercept"].groupby("level")["variance"].sum()
    if "frame" not in result.data or "frame" not in levels:
        raise DesignError("header loss was not counted in frames with a variance of their own.")
    counts = result.data[result.specification.response]
    own = result.data.groupby("strip")[result.specification.response]
    mean = float(counts.mean())
    if not mean > 0:
        raise DesignError("no kernels were counted.")
    rate = result.scale * counts.sum() / result.data[result.specification.size].sum()
    ahead = result.reading.taken_off.value
    share = float(np.clip(1 - ahead / rate, 0.0, 1.0)) if math.isfinite(rate) else 1.0
    return row_noise(
        report.rows["gap"], log_ratio, repaired=report.plates_out, rows_per_frame=rows_per_frame,
        header_share=share, frame_variance=1 / mean + float(levels["frame"]),
        strip_variance=float(levels.get("strip", 0.0)), frames=float(own.size().mean()),
    )  # fmt: skip
