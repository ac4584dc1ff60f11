"""Gaps that read like half a gap: from the row's centre to one plate's edge."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.quantities import inches_both, number
from trialkit.responses import schema
from trialkit.words import readings

USUAL_START = 1.25 * 25.4
"""mm; Iowa State University, Integrated Crop Management News, 2010."""
NEAR_HALF = (0.425, 0.575)
"""Shares of the gap expected between which a reading is asked about (common practice)."""
GAPS = ("gap_front", "gap_middle", "gap_rear")


def half_gaps(checked: pd.DataFrame) -> pd.DataFrame:
    """Readings of the gap near half of what the row was set to, or of what the other rows read.

    Half a gap is what is read from the row's centre (the roll nip) to one plate's edge. It may as
    well be a gap that is really far too narrow, so a row named here is asked about: no target, no
    spread between rows and no advice is to be drawn from its reading until somebody has looked.

    Parameters
    ----------
    checked : DataFrame
        ``header_check`` in SI, of one header or several; `schema.tidy` columns.

    Returns
    -------
    DataFrame
        One row per reading: ``header, row, column, reading, expected`` (mm) and ``against``:
        "set" (what `set_front`, `set_rear` of the row say), "rows" (median of the header's other
        rows that are not near half themselves), or "usual" (a published start of 1-1/4 in, where
        all rows read half of it and none says what was set).
    """
    found: list[tuple[str, str, str, float, float, str]] = []
    for header, own in checked.groupby("header", sort=False):
        for column in GAPS:
            if column not in own:
                continue
            reading = own[column].to_numpy(float)
            expected, against = _expected(own, column, reading)
            with np.errstate(invalid="ignore"):
                share = reading / expected
                near = (share >= NEAR_HALF[0]) & (share <= NEAR_HALF[1])
            found += [
                (str(header), str(own["row"].iloc[k]), column, float(reading[k]),
                 float(expected[k]), against[k])
                for k in np.flatnonzero(near)
            ]  # fmt: skip
    names = ["header", "row", "column", "reading", "expected", "against"]
    return pd.DataFrame(found, columns=names)


def _expected(own: pd.DataFrame, column: str, reading: np.ndarray) -> tuple[np.ndarray, list[str]]:
    """What each row's reading is held against (mm), and what that is."""
    ends = ["set_front", "set_rear"] if column == "gap_middle" else [column.replace("gap", "set")]
    given = own.reindex(columns=ends).to_numpy(float)
    expected = given.mean(axis=1)
    against = np.where(np.isnan(expected), "", "set").astype(object)
    known = reading[~np.isnan(reading)]
    # One kind of reading is at least 1.7 times the other, so the widest tell which are whole.
    whole = known[known > NEAR_HALF[1] * known.max()] if known.size else known
    others, kind = (float(np.median(whole)), "rows") if whole.size else (np.nan, "")
    if others <= NEAR_HALF[1] * USUAL_START:
        others, kind = USUAL_START, "usual"
    bare = np.isnan(expected)
    expected = np.where(bare, others, expected)
    against[bare] = kind
    return expected, against.tolist()


def half_questions(found: pd.DataFrame, system: schema.System) -> list[str]:
    """What to ask about readings that `half_gaps` found: one sentence per column and kind."""
    out = []
    for (_, column, against), rows in found.groupby(["header", "column", "against"], sort=False):
        ends = (rows["reading"].min(), rows["reading"].max())
        shown = [length(end, system) for end in ends]
        gap = length(float(rows["expected"].median()), system)
        out.append(
            readings.half_a_gap(str(column), list(rows["row"]), shown, gap, str(against))
        )
    return out


def length(mm: float, system: schema.System) -> str:
    """A length in the trial's own unit: "1-3/8 in (1.375)" or "34.9 mm"."""
    # A half rounds up, as on the header page.
    return inches_both(mm) if system == "US" else f"{number(mm + 1e-9, 1)} mm"
