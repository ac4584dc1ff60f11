"""Sheets to fill in: a row for every frame, ear search and sample a planned trial will take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.responses import TABLES, schema
from trialkit.responses.drawing import by_strip

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
        Every table that something is measured in (`trialkit.responses`), with all its columns, SI.
        Frames are named P1, P2, ... ahead of harvest, H1, ... behind the header and T1, ...
        behind the machine, on each strip from 1; samples 1, 2, ..., those of residue behind the
        machine B1, B2, ... .
    """
    names = [str(name) for name in strips["strip"]]
    tables = {
        name: layout.sheet.rows(names, effort)
        for name, layout in TABLES.items()
        if layout.sheet is not None
    }
    return {
        name: by_strip(table, names).reindex(columns=schema.column_names(name))
        for name, table in tables.items()
    }
