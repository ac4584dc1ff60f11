"""Tables of a header check in words: verdicts, what to repair, the limits used."""

from __future__ import annotations

import math
from dataclasses import fields as settings_of
from typing import Any

import pandas as pd

from trialkit.header import Assumed, HeaderReport
from trialkit.header.advice import ADVICE, GRADES
from trialkit.header.limits import SOURCES, source_of
from trialkit.header.words import Lengths
from trialkit.report.fragments import table

_TO = {"repair": "repair ", "ask": "measure first: ", "watch": "keep in mind: "}
_PART = {"readings": "gap again"}


def short_verdict(row: dict[str, Any], report: HeaderReport) -> str:
    """A verdict in a word or two; the table of findings has it in full."""
    item = next((i for i in report.items if not i.whole and i.rank == row["rank"]), None)
    if item is None:
        return str(row["verdict"])
    # Each part of the row unit once, with the strongest of what is found on it.
    told: dict[str, list[str]] = {}
    for part in item.parts:
        grades = {ADVICE[kind].grade for kind in item.kinds if ADVICE[kind].part == part}
        told.setdefault(min(grades, key=GRADES.index), []).append(_PART.get(part, part))
    what = "; ".join(_TO[grade] + ", ".join(told[grade]) for grade in GRADES if grade in told)
    return f"{item.rank}. {what}"


def settings_table(report: HeaderReport) -> str:
    """Every limit and every size of the row unit used, with its source, or that it was given."""
    say = Lengths(report.system)
    rows = []
    for used in (report.limits, report.unit):
        for setting in settings_of(used):
            value, about = getattr(used, setting.name), SOURCES[setting.name]
            if value is None:
                continue
            rows.append([
                about.words, _setting(value, about.kind, say), source_of(used, setting.name)
            ])  # fmt: skip
    return table("Limits and sizes used", ["setting", "value", "source"], rows)


def _setting(value: Any, kind: str, say: Lengths) -> str:
    low, high = value if isinstance(value, tuple) else (value, None)
    if kind == "length":
        if isinstance(value, Assumed):
            return f"{say.given(low)}, may be {say.between(value.low, value.high)}"
        return say.given(low) if high is None else say.between(low, high, say.given)
    if kind == "percent":
        return f"{low:g} %"
    if kind == "share":
        return f"{100 * low:g} %"
    if kind == "speed":
        return say.speed(3.6 * low)
    return f"{low:g}" if high is None else f"{low:g} to {high:g}"


def verdict_table(report: HeaderReport) -> pd.DataFrame:
    """Every row unit's verdict as a table of words, for a terminal."""
    say, rows = Lengths(report.system), report.rows
    out = pd.DataFrame({"row": rows["row"]})
    for name, column in (
        ("front", "gap_front"), ("rear", "gap_rear"), ("taper", "taper"),
        ("least guide", "least_clearance"),
    ):  # fmt: skip
        out[name] = ["" if math.isnan(v) else say.value(v) for v in rows[column]]
    head, column = report.unit.roll_column
    out[head] = ["" if math.isnan(v) else say.roll(v).split()[0] for v in rows[column]]
    out["verdict"] = [short_verdict(row, report) for row in rows.to_dict("records")]
    return out


def fix_table(report: HeaderReport) -> pd.DataFrame:
    """The list of what to fix as a table of words, for a terminal."""
    return pd.DataFrame(
        [
            {"order": i.rank, "rows": i.label, "found": "; ".join(i.found), "do": "; ".join(i.do)}
            for i in report.items
        ],
        columns=["order", "rows", "found", "do"],
    )
