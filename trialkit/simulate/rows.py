"""What is taken on every strip, before anything is measured: frames, ear searches, samples.

Simulated trials and the sheets of a planned one get their rows and names here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from trialkit.simulate.tables import Effort

EAR_ZONES = ("preharvest", "header")


def repeated(strips: int, times: int) -> tuple[np.ndarray, np.ndarray]:
    """Place of the strip and running number from 1, for `times` samples on each of `strips`."""
    return np.repeat(np.arange(strips), times), np.tile(np.arange(1, times + 1), strips)


def zone_frames(effort: Effort) -> dict[str, int]:
    """Frames per strip, by zone in the order they are laid."""
    return {
        "preharvest": effort.preharvest_frames,
        "header": effort.header_frames,
        "total": effort.total_frames,
    }


def frame_rows(strips: Sequence[str], zone: str, times: int, area: float) -> pd.DataFrame:
    """Frames of one zone: ``frame, strip, zone, area``; named by the zone's letter, P1, H1, T1."""
    place, number = repeated(len(strips), times)
    return pd.DataFrame(
        {
            "frame": [f"{zone[0].upper()}{i}" for i in number],
            "strip": np.asarray(strips, dtype=object)[place],
            "zone": zone,
            "area": area,
        }
    )


def search_rows(strips: Sequence[str], zone: str, area: float) -> pd.DataFrame:
    """One ear search a strip in one zone: ``strip, zone, area``."""
    return pd.DataFrame({"strip": np.asarray(strips, dtype=object), "zone": zone, "area": area})


def sample_rows(strips: Sequence[str], times: int) -> pd.DataFrame:
    """Samples of grain or residue: ``strip, sample``, numbered from 1 on every strip."""
    place, number = repeated(len(strips), times)
    return pd.DataFrame(
        {"strip": np.asarray(strips, dtype=object)[place], "sample": number.astype(str)}
    )


def behind_rows(strips: Sequence[str], times: int) -> pd.DataFrame:
    """Samples of residue behind the machine, named B1, B2, ... beside those of the tank."""
    rows = sample_rows(strips, times)
    return rows.assign(sample="B" + rows["sample"], taken_at="behind")


def by_strip(table: pd.DataFrame, strips: Sequence[str]) -> pd.DataFrame:
    """Rows in the order they would be written down: strip by strip."""
    order = table["strip"].map({name: i for i, name in enumerate(strips)})
    return table.loc[order.sort_values(kind="stable").index].reset_index(drop=True)
