"""Frames whose area is far from what is usual in their zone.

A count on such an area would be told as a far count, though it is the area that is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.contradictions.places import places
from trialkit.facts import Note
from trialkit.quantities import number
from trialkit.units import convert

if TYPE_CHECKING:
    from trialkit.trial import Trial

FAR = 3.0
"""An area is far where it is this many times, or this part, of the usual one (common practice)."""
SHARED = 0.75
"""Share of a zone's frames that must have its median area, within `ALIKE`, to call it usual
(common practice)."""
ALIKE = 0.1
SHOWN = 10


def far_areas(frames: pd.DataFrame) -> pd.Series:
    """The usual area (m2) beside each frame whose own is far from it; missing beside the others.

    Parameters
    ----------
    frames : DataFrame
        ``zone, area`` (m2).
    """
    area = frames["area"].astype(float)
    usual = area.groupby(frames["zone"], observed=True).transform("median").astype(float)
    alike = (area - usual).abs().le(ALIKE * usual).astype(float)
    shared = alike.groupby(frames["zone"], observed=True).transform("mean").ge(SHARED)
    far = area.ge(FAR * usual) | area.le(usual / FAR)
    return usual.where(shared & far & usual.gt(0) & area.gt(0))


def of_areas(trial: Trial) -> Iterator[Note]:
    """Areas far from the usual one, frame by frame."""
    usual = far_areas(trial.frames).dropna()
    found = trial.frames.loc[usual.index]
    unit = "ft2" if trial.config.units == "US" else "m2"
    where = {place[0]: place for place in places(trial.strips)} if len(found) else {}
    for at, row in found.iloc[:SHOWN].iterrows():
        strip = str(row["strip"])
        read, known = (float(convert(v, "m2", unit)) for v in (row["area"], usual[at]))
        yield Note(
            "contradictions.far_area",
            {"place": where.get(strip, (strip, "", "")), "zone": str(row["zone"]),
             "frame": "" if pd.isna(row["frame"]) else str(row["frame"]),
             "read": f"{number(read, 2 if read < 1 else 1)} {unit}",
             "usual": f"{number(known, 2 if known < 1 else 1)} {unit}"},
        )  # fmt: skip
    if len(found) > SHOWN:
        yield Note("contradictions.more_areas", {"frames": len(found) - SHOWN})
