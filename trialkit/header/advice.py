"""What to do about what a header check finds, by how much, and why: one entry per row, in order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trialkit.header.noise import spread_after
from trialkit.header.words import Lengths, row_findings

if TYPE_CHECKING:
    from trialkit.header.check import HeaderReport

# Kind of finding: what to do, and why (common practice).
DO = {
    "crooked": ("seat the plates in their guides so that both sides read alike",
                "a plate that sits crooked has most likely jumped out of its guides; at the wide "
                "end the butt of the ear reaches the rolls and is shelled"),
    "wide": ("set the gap to that of the other rows",
             "too wide, the butt of the ear reaches the rolls and is shelled"),
    "narrow": ("set the gap to that of the other rows",
               "too narrow, stalks wedge or break and more residue goes in"),
    "pinched": ("straighten or change the guides",
                "warped guides leave stalk and ear less room there than before and behind"),
    "short": ("change the rolls, or drive slower",
              "worn flutes grip late, and pulling does not finish on what is left of the roll"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Repair:
    """One row to repair.

    Attributes
    ----------
    row : str
    rank : int
        1 is first.
    found, do, why : tuple of str
        What is found and by how much; what to do; the reason; each in the words of a sentence.
    spread : float
        Standard deviation of the gap between rows (mm) after this repair and those before it; NaN
        where it touches no plates.
    removed : float
        Share of the variance between rows gone by then; NaN likewise.
    """

    row: str
    rank: int
    found: tuple[str, ...]
    do: tuple[str, ...]
    why: tuple[str, ...]
    spread: float
    removed: float


def repair_list(report: HeaderReport) -> list[Repair]:
    """Rows with something to repair, first things first, each with its share of the spread."""
    say = Lengths(report.system)
    gap = report.rows["gap"].to_numpy(float)
    whole = np.nanvar(gap, ddof=1) if np.isfinite(gap).sum() > 1 else np.nan
    done: list[int] = []
    out = []
    for place in report.rows["rank"].dropna().sort_values().index:
        row = report.rows.loc[place]
        found = row_findings(row, say, report.limits.roll_worn)
        kinds = [kind for kind, _ in found if kind in DO]
        reasons = [kind for kind in kinds if "crooked" not in kinds or kind != "wide"]
        spread = removed = np.nan
        if place in report.plates_out and whole > 1e-18:
            done.append(place)
            after = np.nanvar(spread_after(gap, done), ddof=1)
            spread, removed = float(np.sqrt(after)), float(1 - after / whole)
        out.append(Repair(
            str(row["row"]), int(row["rank"]), tuple(words for _, words in found),
            tuple(dict.fromkeys(DO[kind][0] for kind in kinds)),
            tuple(dict.fromkeys(DO[kind][1] for kind in reasons)), spread, removed,
        ))  # fmt: skip
    return out
