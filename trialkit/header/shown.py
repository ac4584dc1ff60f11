"""A header report as a notebook shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit import units
from trialkit.display import card, folded, table
from trialkit.header.words import Lengths

if TYPE_CHECKING:
    from trialkit.header.check import HeaderReport


def html(report: HeaderReport) -> str:
    """Heading, sentences, rows with verdicts; readings, fields and repairs folded."""
    say = Lengths(report.system)
    unit, rows = say.length_unit, report.rows

    def lengths(column: str) -> list[str]:
        return ["" if pd.isna(v) else say.value(v) for v in rows[column]]

    main = pd.DataFrame(
        {
            "row": rows["row"],
            "repair": ["" if pd.isna(r) else f"{r:.0f}." for r in rows["rank"]],
            f"front, {unit}": lengths("gap_front"),
            f"rear, {unit}": lengths("gap_rear"),
            f"taper, {unit}": lengths("taper"),
            f"guides, least, {unit}": lengths("least_clearance"),
            f"{report.unit.roll_column[0]}, {unit}": lengths(report.unit.roll_column[1]),
            "found": rows["verdict"],
        }
    )
    notes = [f"{note[:1].upper()}{note[1:]}." for note in report.notes]
    parts = [table(main, rows=len(main))]
    if len(report.fields):
        parts.append(folded("Field by field", table(_fields(report, say), rows=len(report.fields))))
    if len(report.repairs):
        repaired = report.repairs
        shown = pd.DataFrame(
            {
                "row": repaired["row"],
                f"from the median, {unit}": repaired["own_gap"].map(say.value),
                f"spread left, {unit}": repaired["sd"].map(say.value),
                "variance removed, %": [f"{100 * v:.0f}" for v in repaired["share_removed"]],
            }
        )
        title = "Spread of the gap, one row repaired after the other"
        parts.append(folded(title, table(shown, rows=len(shown))))
    return card(f"Header {report.header}", [*report.sentences, *notes], *parts)


def _fields(report: HeaderReport, say: Lengths) -> pd.DataFrame:
    fields = report.fields
    us = report.system == "US"
    area = "ac" if us else "ha"

    def text(column: str, places: int, start: str = "", end: str = "") -> list[str]:
        values = units.convert(fields[column], start, end) if start else fields[column]
        return ["" if pd.isna(v) else f"{v:,.{places}f}" for v in values]

    hours = fields["hours_per_ha"] * 60
    if us:
        hours = hours * units.SQUARE_METRES_PER_ACRE / units.SQUARE_METRES_PER_HECTARE
    return pd.DataFrame(
        {
            "field": fields["field"],
            "strips": fields["strips"],
            f"plants/{area}": text("population", 0, "plants/ha", f"plants/{area}"),
            f"speed, {say.speed_unit}": text("speed", 1, "km/h", say.speed_unit),
            "plants/s, row": text("feed_row", 1),
            "plants/s, header": text("feed_header", 0),
            f"aim front, {say.length_unit}": fields["target_front"].map(say.value),
            f"aim rear, {say.length_unit}": fields["target_rear"].map(say.value),
            "stalks": fields["stalks"],
            f"minutes per {area}": ["" if pd.isna(v) else f"{v:.1f}" for v in hours],
        }
    )
