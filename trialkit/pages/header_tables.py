"""Verdicts of a header in short, and the tables a terminal prints of it."""

from __future__ import annotations

import math

import pandas as pd

from trialkit.header import HeaderReport
from trialkit.header.advice import ADVICE, GRADES
from trialkit.words import header_page as words
from trialkit.words import said
from trialkit.words.header import roll_head
from trialkit.words.lengths import Lengths


def short_verdict(report: HeaderReport, place: int) -> str:
    """A row's verdict in a word or two; the table of findings has it in full."""
    item = next((i for i in report.items if not i.whole and place in i.places), None)
    if item is None:
        return report.verdicts[place]
    # Each part of the row unit once, with the strongest of what is found on it.
    told: dict[str, list[str]] = {}
    for part in item.parts:
        grades = {ADVICE[kind].grade for kind in item.kinds if ADVICE[kind].part == part}
        told.setdefault(min(grades, key=GRADES.index), []).append(part)
    return words.short_verdict(item.rank, [(g, told[g]) for g in GRADES if g in told])


def verdict_table(report: HeaderReport) -> pd.DataFrame:
    """Every row unit's verdict as a table of words, for a terminal."""
    say, rows = Lengths(report.system), report.rows
    out = pd.DataFrame({"row": rows["row"]})
    for name, column in (
        ("front", "gap_front"), ("rear", "gap_rear"), ("taper", "taper"),
        ("least guide", "least_clearance"),
    ):  # fmt: skip
        out[name] = ["" if math.isnan(v) else say.value(v) for v in rows[column]]
    column = report.unit.roll_column
    rolls = ["" if math.isnan(v) else say.roll(v).split()[0] for v in rows[column]]
    out[roll_head(column)] = rolls
    out["verdict"] = [short_verdict(report, place) for place in range(len(rows))]
    return out


def fix_table(report: HeaderReport) -> pd.DataFrame:
    """The list of what to fix as a table of words, for a terminal."""
    return pd.DataFrame(
        [
            {"order": i.rank, "rows": i.label, "found": "; ".join(said(i.found)),
             "do": "; ".join(said(i.do))}
            for i in report.items
        ],
        columns=["order", "rows", "found", "do"],
    )  # fmt: skip
