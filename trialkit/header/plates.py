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
from trialkit.intake.halves import half_gaps
from trialkit.words import header as words

GAPS = ("gap_front", "gap_middle", "gap_rear")
ENDS = ("front", "rear")
PLATES = tuple(f"plate_{side}_{end}" for side in ("left", "right") for end in ENDS)
STATIONS = tuple(f"clearance_{k}" for k in range(1, 6))
PLACES = ("front", "second", "middle", "fourth", "rear")
"""Stations of the guides in words, front to rear."""
# A median stands for the other rows from so many readings on.
FEWEST = 3


class GapTarget(NamedTuple):
    """Front and rear gap to aim at (mm), and what it rests on.

    ``stalks`` measured, ``stalk`` their percentile, ``by_stalks`` the front gap they alone ask for
    (NaN without any), ``least`` the narrowest front gap that is still no reason to open: all mm,
    each with the cushion's widening in it where one is fitted.
    """

    front: float
    rear: float
    stalks: int
    stalk: float
    by_stalks: float
    least: float

    @property
    def by_thick_stalks(self) -> bool:
        """Whether the stalks ask for more than the widest published start."""
        return self.by_stalks >= self.front

    def _repr_html_(self) -> str:
        basis = words.target_by_start()
        if self.stalks:
            basis = words.target_by_stalks(
                self.stalks, self.stalk, self.by_stalks, self.by_thick_stalks
            )
        return card(words.target_heading(), [words.target(self.front, self.rear), basis])


def gap_target(
    diameters: Any = (), *, cushion: bool = False, limits: HeaderLimits | None = None
) -> GapTarget:
    """Gap to aim at: the usual published start, or what thick stalks need where that is more.

    The stalks alone ask for the percentile of their diameters plus the clearance. Where that is
    less than the published start, it is told beside it and no reason to close further: the
    clearance over a stalk is one university's advice, the start that of three. Rear: the taper
    more. Both wider by the cushion's widening where one is fitted. Keep it narrower than the butts
    of the ears.

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
    wider = limits.cushion if cushion else 0.0
    stalk = by_stalks = math.nan
    front, least = limits.start_gap + wider, min(limits.start_least, limits.start_gap) + wider
    if sample.size:
        stalk = float(np.percentile(sample, limits.stalk_percentile))
        least = by_stalks = stalk + limits.stalk_clearance + wider
        front = max(front, by_stalks)
    return GapTarget(front, front + limits.taper, int(sample.size), stalk, by_stalks, least)


def plate_gaps(checked: pd.DataFrame, limits: HeaderLimits | None = None) -> pd.DataFrame:
    """Gap of every row unit from its readings, and what is out in it.

    Parameters
    ----------
    checked : DataFrame
        Rows of ``header_check`` of one header.

    Returns
    -------
    DataFrame
        Index as `checked`, mm, front and rear each: ``gap_front, gap_middle, gap_rear`` (readings,
        but missing where asked about; where only the two plates were read, both together); ``gap``
        (mean of front and rear); ``taper`` (rear less front); ``own_front, own_rear`` (less the
        median of the rows; less the setting where fewer than three rows were read; 0 where there is
        nothing to compare with), ``own_gap`` (their mean); ``aside_front, aside_rear`` (right
        plate less left, from the row's centre); ``bowed`` (middle less the line between the ends);
        ``asked_front, asked_middle, asked_rear`` (a reading near half of what it should be, see
        `half_gaps`, else NaN); ``unlike_front, unlike_rear`` (both plates together less the gap,
        where that is over the limit; no plate is judged then). True or False: ``off_front,
        off_rear, off_taper, crooked, bent``, over the limit; ``off``, any of the first three.
    """
    limits = limits or HeaderLimits()
    out = checked[list(GAPS)].astype(float)
    # Nothing is judged by a reading that may be half of the gap: of what was set, or of what the
    # other rows read, which may be far from it.
    unset = checked.drop(columns=["set_front", "set_rear"], errors="ignore")
    near = pd.concat([half_gaps(checked), half_gaps(unset)])
    for column in GAPS:
        asked = checked["row"].astype(str).isin(near.loc[near["column"] == column, "row"])
        out[column.replace("gap", "asked")] = out[column].where(asked)
        out[column] = out[column].mask(asked)
    for end in ENDS:
        column, setting = f"gap_{end}", _setting(checked, end)
        plates = checked[[f"plate_left_{end}", f"plate_right_{end}"]].astype(float)
        both = plates.sum(axis=1, skipna=False)
        out[column] = out[column].fillna(both.where(checked[column].isna()))
        known = out[column].dropna()
        middle = known.median() if len(known) >= FEWEST else setting
        own = out[column] - middle
        out[f"own_{end}"] = own.where(own.notna() | out[column].isna(), 0.0)
        out[f"off_{end}"] = over(out[f"own_{end}"].abs(), limits.own_gap)
        unlike = both - out[column]
        out[f"unlike_{end}"] = unlike.where(over(unlike.abs(), limits.crooked))
        aside = plates.iloc[:, 1] - plates.iloc[:, 0]
        sure = out[f"unlike_{end}"].isna() & out[f"asked_{end}"].isna()
        out[f"aside_{end}"] = aside.where(sure)
    out["gap"] = (out["gap_front"] + out["gap_rear"]) / 2
    out["taper"] = out["gap_rear"] - out["gap_front"]
    out["own_gap"] = (out["own_front"] + out["own_rear"]) / 2
    out["bowed"] = out["gap_middle"] - out["gap"]
    out["off_taper"] = over((out["taper"] - limits.taper).abs(), limits.taper_off)
    out["crooked"] = over(out[["aside_front", "aside_rear"]].abs().max(axis=1), limits.crooked)
    out["bent"] = over(out["bowed"].abs(), limits.crooked)
    out["off"] = out[["off_front", "off_rear", "off_taper"]].any(axis=1)
    return out


def over(values: pd.Series, limit: float) -> pd.Series:
    """Above the limit; readings in inches come back from mm with the last bit changed."""
    return values > limit * (1 + 1e-9)


def _setting(checked: pd.DataFrame, end: str) -> float:
    known = checked[f"set_{end}"].dropna() if f"set_{end}" in checked else pd.Series(dtype=float)
    return float(known.median()) if len(known) else math.nan


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
    """The pinched stations in words, front to rear: "front, second"; empty where there is none."""
    return ", ".join(place for place, yes in zip(PLACES, pinched, strict=True) if yes)


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
