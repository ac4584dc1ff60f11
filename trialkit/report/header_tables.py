"""Tables of a header check in words: verdicts, what to repair, the limits used."""

from __future__ import annotations

import math
from dataclasses import fields as settings_of
from typing import Any

import pandas as pd

from trialkit.header import HeaderLimits, HeaderReport, RowUnit
from trialkit.header.advice import repair_list
from trialkit.header.limits import SOURCES
from trialkit.header.words import Lengths
from trialkit.report.fragments import table


def short_verdict(row: dict[str, Any]) -> str:
    """A verdict in a word or two; the table of findings has it in full."""
    parts = {
        "plates": row["crooked"] or row["off"], "guides": row["pinched"] != "",
        "rolls": row["rolls"] == "worn too short",
    }  # fmt: skip
    out = [part for part, faulty in parts.items() if faulty]
    if out:
        return f"{row['rank']:.0f}. repair {', '.join(out)}"
    verdict = str(row["verdict"])
    return "rolls worn" if verdict.startswith("rolls worn") else verdict


def settings_table(report: HeaderReport) -> str:
    """Every limit and every size of the row unit used, with its source, or that it was given."""
    say = Lengths(report.system)
    rows = []
    for used, default in ((report.limits, HeaderLimits()), (report.unit, RowUnit())):
        for setting in settings_of(used):
            value, about = getattr(used, setting.name), SOURCES[setting.name]
            if value is None:
                continue
            own = value != getattr(default, setting.name)
            source = "given" if own else about.source
            rows.append([about.words, _setting(value, about.kind, say), source])
    return table("Limits and sizes used", ["setting", "value", "source"], rows)


def _setting(value: Any, kind: str, say: Lengths) -> str:
    low, high = value if isinstance(value, tuple) else (value, None)
    to = "" if high is None else f" to {high:g}"
    if kind == "length":
        return say.given(low)
    if kind == "percent":
        return f"{low:g} %"
    if kind == "share":
        return f"{100 * low:g} %"
    return f"{low:g}{to}"


def verdict_table(report: HeaderReport) -> pd.DataFrame:
    """Every row unit's verdict as a table of words, for a terminal."""
    say, rows = Lengths(report.system), report.rows
    out = pd.DataFrame({"row": rows["row"]})
    for name, column in (
        ("front", "gap_front"), ("rear", "gap_rear"), ("taper", "taper"),
        ("guide", "least_clearance"), ("roll left", "effective_length"),
    ):  # fmt: skip
        out[name] = ["" if math.isnan(v) else say.value(v) for v in rows[column]]
    out["verdict"] = [short_verdict(row) for row in rows.to_dict("records")]
    return out


def fix_table(report: HeaderReport) -> pd.DataFrame:
    """What to repair, first things first, as a table of words, for a terminal."""
    return pd.DataFrame(
        [
            {"order": r.rank, "row": r.row, "found": "; ".join(r.found), "do": "; ".join(r.do)}
            for r in repair_list(report)
        ],
        columns=["order", "row", "found", "do"],
    )
