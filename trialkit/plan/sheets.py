"""Sheets to fill in: a row for every frame, ear search and sample a planned trial will take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit import schema
from trialkit.simulate.rows import (
    EAR_ZONES,
    behind_rows,
    by_strip,
    frame_rows,
    sample_rows,
    search_rows,
    zone_frames,
)

if TYPE_CHECKING:
    from trialkit.simulate import Effort


def planned_tables(strips: pd.DataFrame, effort: Effort) -> dict[str, pd.DataFrame]:
    """Tables of what is to be counted, with what is measured left missing.

    Parameters
    ----------
    strips : DataFrame
        With a column ``strip``; rows come in its order.
    effort : Effort
        Frames, ear searches and samples per strip, and the areas (m2).

    Returns
    -------
    dict of DataFrame
        ``frames, ears, grain, ear_butt_damage, residue`` with every column of `trialkit.schema`,
        SI. Frames are named P1, P2, ... ahead of harvest, H1, ... behind the header and T1, ...
        behind the machine, on each strip from 1; samples 1, 2, ..., those of residue behind the
        machine B1, B2, ... .
    """
    names = [str(name) for name in strips["strip"]]
    frames = [frame_rows(names, z, n, effort.frame_area) for z, n in zone_frames(effort).items()]
    searches = [search_rows(names, z, effort.ear_area) for z in EAR_ZONES if effort.ear_area > 0]
    tables = {
        "frames": pd.concat(frames, ignore_index=True),
        "ears": pd.concat(searches, ignore_index=True) if searches else search_rows([], "", 0.0),
        "grain": sample_rows(names, effort.grain_samples),
        "ear_butt_damage": sample_rows(names, effort.butt_samples),
        "residue": pd.concat(
            [sample_rows(names, effort.residue_samples).assign(taken_at="tank"),
             behind_rows(names, effort.intake_samples)], ignore_index=True,
        ),
    }
    return {
        name: by_strip(table, names).reindex(columns=schema.column_names(name))
        for name, table in tables.items()
    }
