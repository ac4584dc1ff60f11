"""What a strip's fate means for rows that wait to be filled in, and words that do not go together.

See `trialkit.responses.fate` for what each status means.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from trialkit.intake.check import CheckedTable
from trialkit.responses import schema
from trialkit.responses.behind_machine import BEHIND
from trialkit.responses.fate import HARVESTED, NOT_HARVESTED
from trialkit.words import fates as words


def wait_for_nobody(checked: Mapping[str, CheckedTable]) -> dict[str, np.ndarray]:
    """Rows not filled in that need not be, by table (masks).

    They are laid out for a strip that its status leaves out, or for a row of a header that nobody
    measured.
    """
    excused: dict[str, np.ndarray] = {}
    out = set(_fates(checked.get("strips")))
    for name, table in checked.items():
        rows = table.waiting & ~table.refused
        if name != "header_check":
            rows = rows & _of_strips(table, out)
        excused[name] = rows
    return excused


def note_doubtful_fates(checked: Mapping[str, CheckedTable]) -> None:
    """Note a strip "not harvested" that something was measured on, and reasons without a status."""
    strips = checked.get("strips")
    if strips is None or "strip" not in strips.folded:
        return
    known = _fates(strips)
    told = "reason" in strips.data and pd.notna(np.asarray(strips.data["reason"], object)).any()
    if not known and not told:
        return
    kept = strips.kept()
    standing = {label for label, status in known.items() if status == NOT_HARVESTED}
    if standing:
        touched = _touched(checked, standing)
        own = kept[kept["status"].eq(NOT_HARVESTED)]
        read = own[["speed_measured", "moisture", "test_weight", "yield", "harvested_at"]]
        touched |= set(own.loc[read.notna().any(axis=1), "strip"])
        if touched:
            named = [str(s) for s in kept["strip"] if s in touched]
            strips.notes.append(words.standing_but_measured(named))
    bare = kept["reason"].notna() & kept["status"].fillna(HARVESTED).eq(HARVESTED)
    if bare.any():
        strips.notes.append(words.reason_without_status(list(kept.loc[bare, "strip"].astype(str))))


def _fates(strips: CheckedTable | None) -> dict[str, str]:
    """Status by folded name, of the strips that are kept and left out by it."""
    if strips is None or "strip" not in strips.folded or "status" not in strips.data:
        return {}
    status = np.asarray(strips.data["status"], object)
    rows = np.flatnonzero(pd.notna(status) & (status != HARVESTED) & ~strips.refused)
    labels = strips.labels["strip"][strips.folded["strip"]]
    return {str(labels[row]): str(status[row]) for row in rows}


def _of_strips(table: CheckedTable, labels: set[str]) -> np.ndarray:
    if not labels or "strip" not in table.folded:
        return np.zeros(len(table.lines), bool)
    return np.isin(table.labels["strip"].astype(str), list(labels))[table.folded["strip"]]


def _touched(checked: Mapping[str, CheckedTable], standing: set[str]) -> set[str]:
    """Strips with something that is found only after the machine went over them."""
    found: set[str] = set()
    for name, table in checked.items():
        if name == "strips" or not schema.TABLES[name].response:
            continue
        rows = table.sound & _of_strips(table, standing)
        if "zone" in table.data:
            zone = pd.Series(table.data["zone"]).astype(object)
            rows &= zone.isin(["header", BEHIND]).to_numpy()
        found |= set(pd.Series(table.data["strip"])[rows])
    return found
