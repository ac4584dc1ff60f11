"""Stripper plates and guides: gap, taper, crookedness, target, pinches; lengths in mm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from trialkit.display import card
from trialkit.errors import TrialkitError
from trialkit.header.limits import HeaderLimits

GAPS = ("gap_front_left", "gap_front_right", "gap_rear_left", "gap_rear_right")
STATIONS = tuple(f"clearance_{k}" for k in range(1, 6))


class GapTarget(NamedTuple):
    """Front and rear gap to set (mm), how many stalks it rests on and their percentile (mm)."""

    front: float
    rear: float
    stalks: int
    stalk: float

    def _repr_html_(self) -> str:
        basis = (
            f"From {self.stalks} stalks; their percentile is {self.stalk:.1f} mm."
            if self.stalks
            else "The usual start, for no stalk was measured."
        )
        aim = f"Front {self.front:.1f} mm, rear {self.rear:.1f} mm."
        return card("Gap to set", [aim, basis])


def gap_target(
    diameters: Any = (), *, cushion: bool = False, limits: HeaderLimits | None = None
) -> GapTarget:
    """Gap to set from a sample of stalk diameters, else the usual start.

    Front: the percentile of the diameters plus the clearance. Rear: the taper more. Both wider by
    the cushion's widening where one is fitted. Keep it narrower than the butts of the ears.

    Parameters
    ----------
    diameters : array, optional
        mm, at the height of the plates; missing ones are left out.
    cushion : bool
    limits : HeaderLimits, optional

    Raises
    ------
    TrialkitError
        For a diameter that is not above zero.
    """
    limits = limits or HeaderLimits()
    sample = np.asarray(diameters, dtype=float)
    sample = sample[~np.isnan(sample)]
    if (sample <= 0).any():
        raise TrialkitError("a stalk's diameter must be above zero (mm).")
    stalk = math.nan
    front = limits.start_gap
    if sample.size:
        stalk = float(np.percentile(sample, limits.stalk_percentile))
        front = stalk + limits.stalk_clearance
    front += limits.cushion if cushion else 0.0
    return GapTarget(front, front + limits.taper, int(sample.size), stalk)


def plate_gaps(checked: pd.DataFrame, limits: HeaderLimits | None = None) -> pd.DataFrame:
    """Gap of every row unit from its four readings.

    Parameters
    ----------
    checked : DataFrame
        Rows of ``header_check`` of one header.

    Returns
    -------
    DataFrame
        Index as `checked`, mm: ``gap_front, gap_rear`` (mean over the two sides), ``gap`` (mean of
        both ends), ``taper`` (rear less front), ``crooked_front, crooked_rear`` (right less left),
        ``own_gap`` (gap less the median of the rows); ``crooked``, ``off``: over the limit.
    """
    limits = limits or HeaderLimits()
    out = pd.DataFrame(index=checked.index)
    for end in ("front", "rear"):
        sides = checked[[f"gap_{end}_left", f"gap_{end}_right"]].astype(float)
        out[f"gap_{end}"] = sides.mean(axis=1)
        out[f"crooked_{end}"] = sides.iloc[:, 1] - sides.iloc[:, 0]
    out["gap"] = (out["gap_front"] + out["gap_rear"]) / 2
    out["taper"] = out["gap_rear"] - out["gap_front"]
    out["own_gap"] = out["gap"] - out["gap"].median()
    worst = out[["crooked_front", "crooked_rear"]].abs().max(axis=1)
    out["crooked"] = worst > limits.crooked * (1 + 1e-9)
    out["off"] = out["own_gap"].abs() > limits.own_gap * (1 + 1e-9)
    return out


def pinches(clearance: Any, limit: float = HeaderLimits().guide_clearance) -> np.ndarray:
    """Which stations of the guides are pinched.

    Parameters
    ----------
    clearance : array, (stations,) or (rows, stations)
        mm, front to rear; missing stations are no pinch.
    limit : float
        mm; a station that reads less is pinched. 5 in, common practice.

    Examples
    --------
    >>> import numpy as np
    >>> pinches(25.4 * np.array([4.75, 4.5, 4.375, 5, 6])).tolist()
    [True, True, True, False, False]
    """
    # Readings in inches come back from mm with the last bit changed.
    return np.asarray(clearance, dtype=float) < limit * (1 - 1e-9)


def station_words(pinched: Sequence[bool]) -> str:
    """Numbers of the pinched stations from the front: "1, 2, 3"; empty where there is none."""
    return ", ".join(str(k) for k, yes in enumerate(pinched, start=1) if yes)


def repairs(rows: Sequence[Any], gap: Any) -> pd.DataFrame:
    """How far the rows' gaps would draw together, repairing the row farthest out first.

    A repair sets a row's gap to the median of the rows as measured. No repair of this order makes
    the variance larger.

    Parameters
    ----------
    rows : sequence
        Labels of the row units.
    gap : array, (rows,)
        Mean gap of each, mm; missing ones are left out.

    Returns
    -------
    DataFrame
        One row per repair, after all those above it: ``row``, ``own_gap`` (mm from the median),
        ``sd_before``, ``sd`` (between rows, mm), ``share_removed`` of the variance between rows as
        measured, hence of the variance of a mean over rows taken at random. No rows where fewer
        than two were measured or none differs.
    """
    values = np.asarray(gap, dtype=float)
    known = ~np.isnan(values)
    labels, values = np.asarray(rows, dtype=object)[known], values[known]
    columns = ["row", "own_gap", "sd_before", "sd", "share_removed"]
    if len(values) < 2 or not (whole := values.var(ddof=1)) > 1e-18:
        return pd.DataFrame(columns=columns)
    middle = float(np.median(values))
    order = np.argsort(-np.abs(values - middle), kind="stable")
    out, now, before = [], values.copy(), whole
    for k in order:
        now[k] = middle
        after = now.var(ddof=1)
        out.append((labels[k], values[k] - middle, before**0.5, after**0.5, 1 - after / whole))
        before = after
    return pd.DataFrame(out, columns=columns)
