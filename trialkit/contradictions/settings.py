"""Speeds and gaps of strips that contradict the setup, or one another."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.contradictions.places import level_values, places, speed
from trialkit.facts import Note
from trialkit.intake.halves import NEAR_HALF, half_gaps, half_questions, length
from trialkit.quantities import number
from trialkit.units import convert

if TYPE_CHECKING:
    from trialkit.trial import Trial

FAR_SHARE = 0.15
"""A speed is far from another where it is off by more than this share of it and by more than
`FAR_SPEED` (common practice)."""
FAR_SPEED = float(convert(0.5, "mph", "km/h"))
FAR_GAP = 3.2
"""mm, 1/8 in: a gap further than this, and than `FAR_GAP_SHARE`, from its level is another one
(common practice)."""
FAR_GAP_SHARE = 0.10
NEAR_WHOLE = 0.7
"""Share of the header's gap from which a setup's is taken as measured from edge to edge (common
practice)."""
NEARER = 0.25
"""What is called another level lies this much nearer to it than to its own, as a share of the
distance between both."""


def far_speed(one: pd.Series, other: pd.Series | float) -> pd.Series:
    """Whether speeds (km/h) are far from those they should be."""
    off = (one - other).abs()
    return (off > FAR_SHARE * other) & (off > FAR_SPEED)


def of_speeds(trial: Trial) -> Iterator[Note]:
    """Speed set against the setup's, then speed measured against that set."""
    strips, config = trial.strips, trial.config
    for factor in config.setups:
        values = level_values(factor, ("mph", "km/h"))
        for level, value in values.items():
            own = strips[strips[factor.name].astype(str) == level]
            wrong = far_speed(own["speed_set"], value)
            wrong |= _nearer_another(own["speed_set"], value, list(values.values()))
            for read, those in own[wrong].groupby("speed_set"):
                yield Note(
                    "contradictions.level_and_speed",
                    {"level": factor.in_words(level), "column": "speed_set",
                     "read": speed(float(str(read)), config), "places": places(those)},
                )  # fmt: skip
            unset = own[own["speed_set"].isna()]
            if (far := far_speed(unset["speed_measured"], value)).any():
                yield _measured(trial, unset[far], value)
    far = far_speed(strips["speed_measured"], strips["speed_set"])
    for meant, those in strips[far].groupby("speed_set"):
        yield _measured(trial, those, float(str(meant)))


def _measured(trial: Trial, strips: pd.DataFrame, meant: float) -> Note:
    us = trial.config.units == "US"
    least = number(float(convert(FAR_SPEED, "km/h", "mph" if us else "km/h")), 1)
    strips = strips.sort_values("speed_measured", kind="stable")
    read = tuple(speed(float(v), trial.config) for v in strips["speed_measured"])
    values = {
        "meant": speed(meant, trial.config), "read": read,
        "places": places(strips), "percent": round(100 * FAR_SHARE),
        "least": f"{least} {'mph' if us else 'km/h'}",
    }  # fmt: skip
    return Note("contradictions.measured_speed", values)


def _nearer_another(read: pd.Series, value: float, every: list[float]) -> pd.Series:
    """Whether what was set is clearly another level's."""
    out = pd.Series(False, index=read.index)
    for other in every:
        apart = abs(other - value)
        if apart > 0:
            out |= (read - value).abs() - (read - other).abs() > NEARER * apart
    return out


def of_gaps(trial: Trial) -> Iterator[Note]:
    """Gaps near half of what they should be, and gaps of strips against the setup's."""
    strips, config = trial.strips, trial.config
    asked = half_questions(half_gaps(trial.header_check), config.units)
    yield from (Note("contradictions.as_read", {"text": text}) for text in asked)
    factor, meant = None, pd.Series(np.nan, index=strips.index)
    for one in config.setups:
        named = "gap" in f"{one.name} {one.label}".casefold()
        if named and (values := level_values(one, ("in", "mm", "cm"))):
            factor, meant = one, strips[one.name].astype(str).map(values).astype(float)
            break
    halves = _halves(trial, meant)
    for (column, against, expected), own in halves.groupby(
        ["column", "against", "expected"], sort=False
    ):
        read = (length(float(own["reading"].min()), config.units),
                length(float(own["reading"].max()), config.units))  # fmt: skip
        yield Note(
            "contradictions.half_gap",
            {"column": column, "read": read, "gap": length(float(expected), config.units),
             "against": against, "places": places(strips.loc[own["at"]])},
        )  # fmt: skip
    if factor is None:
        return
    yield from _half_levels(trial, factor.label, meant)
    told = strips.index.isin(halves["at"])
    ends = strips[["gap_front", "gap_rear"]].astype(float)
    ends["middle"] = ends.mean(axis=1)
    limit = np.maximum(FAR_GAP, FAR_GAP_SHARE * meant)
    known = ends[["gap_front", "gap_rear"]].notna().any(axis=1) & meant.notna()
    off = ends.sub(meant, axis=0).abs()
    inside = off.le(limit, axis=0).any(axis=1)
    wrong = strips[known & ~inside & ~told]
    for (level, front, rear), own in wrong.groupby(
        [factor.name, "gap_front", "gap_rear"], sort=False, dropna=False, observed=True
    ):
        both = [length(float(v), config.units) for v in (front, rear) if pd.notna(v)]
        yield Note(
            "contradictions.level_and_gap",
            {"level": factor.in_words(level), "read": tuple(dict.fromkeys(both)),
             "places": places(own)},
        )  # fmt: skip


def _halves(trial: Trial, meant: pd.Series) -> pd.DataFrame:
    """Gaps of strips near half of the setup's, or of what strips of one setup read."""
    strips = trial.strips
    setups = [f.name for f in trial.config.setups]
    group = strips.groupby(setups, dropna=False, observed=True).ngroup() if setups else 0
    rows = pd.DataFrame(
        {"header": group, "row": np.arange(len(strips)), "gap_front": strips["gap_front"],
         "gap_rear": strips["gap_rear"], "set_front": meant, "set_rear": meant}
    )  # fmt: skip
    found = half_gaps(rows)
    found["at"] = strips.index[found["row"].astype(int)] if len(found) else []
    return found


def _half_levels(trial: Trial, label: str, meant: pd.Series) -> Iterator[Note]:
    """The setups' gaps against what the header's rows read: half of it where one is near half and
    none near the whole."""
    checked = trial.header_check
    read = checked[["set_front", "gap_front"]].median().dropna()
    if read.empty or meant.isna().all():
        return
    gap = float(read.iloc[0])
    share = meant.dropna() / gap
    if share.max() < NEAR_WHOLE and share.between(*NEAR_HALF).any():
        ends = tuple(length(float(v), trial.config.units) for v in (meant.min(), meant.max()))
        values = {"factor": label, "read": ends, "gap": length(gap, trial.config.units)}
        yield Note("contradictions.half_levels", values)
