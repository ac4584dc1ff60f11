"""What became of a strip, by the user's own word, and what follows for the analysis.

The column ``status`` of the strips table says it, ``reason`` why; blank is "harvested".

* "not harvested": there is nothing to measure. The strip takes part in nothing, and rows laid out
  for it that are still blank wait for nobody.
* "damaged": the strip was harvested, but what stood on it or what was done to it makes it no fair
  witness. It stands in the tables and takes part in no comparison, loss or expectation.
* "spoilt count": what was counted, weighed or judged in samples of the strip is not to be used.
  What the strip itself carries (yield, moisture, test weight) stays.

The rows stay in the trial's tables. `used` is the one place that leaves them out; whatever analyses
a trial reads `trialkit.Trial.used`, which rests on it.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from trialkit.words import fates as words

HARVESTED, NOT_HARVESTED, DAMAGED, SPOILT = FATES = (
    "harvested", "not harvested", "damaged", words.SPOILT,
)  # fmt: skip
_SAID = {
    HARVESTED: ("yes", "y", "ok", "okay", "done", "good", "fine", "cut", "combined", "run",
                "as planned", "normal"),
    NOT_HARVESTED: ("no", "n", "not cut", "not run", "not combined", "not done", "unharvested",
                    "not_harvested", "not-harvested", "nonharvested", "skipped", "left standing"),
    DAMAGED: ("damage", "strip damaged", "damaged strip"),
    SPOILT: ("spoilt", "spoiled", "spoiled count", "spoilt_count", "spoilt-count", "spoilt counts",
             "spoiled counts", "count spoilt", "count spoiled", "counts spoilt", "counts spoiled",
             "bad count", "miscount", "miscounted"),
}  # fmt: skip
ALIASES = tuple((alias, fate) for fate, own in _SAID.items() for alias in own)
"""What people write for a status, in small letters, and the status."""
REMARKS = ("status", "reason", "counted_by", "written_by", "key_held_by", "note")
"""Columns of the strips table that say how it went; no model reads them."""


def fates(strips: pd.DataFrame) -> pd.Series:
    """Status of every strip, "harvested" where nothing is said; index as `strips`."""
    if "status" not in strips or strips["status"].isna().all():
        return pd.Series(HARVESTED, index=strips.index, dtype=object)
    return strips["status"].astype(object).fillna(HARVESTED)


def left_out(strips: pd.DataFrame) -> pd.DataFrame:
    """Strips left out by the user's word, with their ``status``, in full or for their counts."""
    return strips[fates(strips).ne(HARVESTED)]


def told(strips: pd.DataFrame) -> str:
    """How many strips their status leaves out, in a sentence; empty for none."""
    counts = left_out(strips)["status"].value_counts() if "status" in strips else {}
    given = [(status, int(counts[status])) for status in FATES[1:] if status in counts]
    return words.left_out(given, len(strips)) if given else ""


def used(tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame] | None:
    """The tables of a trial less what is left out by its users' word.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Every table of a trial, in SI.

    Returns
    -------
    dict of DataFrame or None
        Without strips that are "not harvested" or "damaged", without rows of other tables that hang
        on these, and without rows counted on strips whose count is "spoilt". None where no strip is
        left out, so that such a trial stays what it is.
    """
    strips = tables["strips"]
    if "status" not in strips or strips["status"].isna().all():
        return None
    out = left_out(strips)
    if out.empty:
        return None
    gone = set(out.loc[out["status"].ne(SPOILT), "strip"])
    uncounted = set(out["strip"])
    kept = {"strips": _without(strips, gone)}
    for name, table in tables.items():
        if name != "strips":
            kept[name] = _without(table, uncounted) if "strip" in table else table
    return {name: kept[name] for name in tables}


def _without(table: pd.DataFrame, strips: set[str]) -> pd.DataFrame:
    return table[~table["strip"].isin(strips)].reset_index(drop=True)
