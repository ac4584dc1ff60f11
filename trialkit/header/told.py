"""What a header report tells of gap, spread, feed rate, pulling and time, as notes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from trialkit.facts import Note
from trialkit.header.arithmetic import rows_fed, speed_fed
from trialkit.header.limits import source_of
from trialkit.header.report import HeaderReport
from trialkit.words.lengths import Lengths


def told_of(report: HeaderReport) -> Mapping[str, tuple[Note, ...]]:
    """Notes by what they tell: ``gap, spread, fed, pulling, ratios, time``."""
    return {
        "gap": tuple(_gap(report)), "spread": tuple(_spread(report)), "fed": tuple(_fed(report)),
        "pulling": tuple(_pulling(report)), "ratios": tuple(_ratios(report)),
        "time": tuple(_time(report)),
    }  # fmt: skip


def _gap(report: HeaderReport) -> list[Note]:
    target, limits = report.target, report.limits
    units, cushion = {"system": report.system}, report.cushion
    front, rear = report.medians
    if math.isnan(front) or math.isnan(rear):
        return []
    starts = (source_of(limits, "start_least"), source_of(limits, "start_gap"))
    out = [Note("header.median_gap", {
        "front": front, "rear": rear, "least": limits.start_least, "most": limits.start_gap,
        "sources": starts, **units,
    })]  # fmt: skip
    if cushion:
        source = source_of(limits, "cushion")
        out.append(Note("header.cushion_room", {"room": limits.cushion, "source": source, **units}))
    if target.stalks:
        out.append(Note("header.asked_by_stalks", {
            "stalks": target.stalks, "percentile": limits.stalk_percentile, "stalk": target.stalk,
            "front": target.by_stalks, "spare": limits.stalk_clearance, "cushion": cushion,
            "source": source_of(limits, "stalk_clearance"), **units,
        }))  # fmt: skip
    if target.stalks and not target.by_thick_stalks:
        out.append(Note("header.thin_stalks", {"cushion": cushion}))
    out.append(Note("header.aim", {
        "front": target.front, "rear": target.rear,
        "room_only": cushion and not target.by_thick_stalks, **units,
    }))  # fmt: skip
    if target.front > limits.start_gap * (1 + 1e-9):
        out.append(Note("header.aim_beyond_starts", {"start": limits.start_gap, **units}))
    return out


def _spread(report: HeaderReport) -> list[Note]:
    rows = report.rows
    apart = tuple(
        (end, float(np.ptp(gap)))
        for end in ("front", "rear") if len(gap := rows[f"gap_{end}"].dropna()) > 1
    )  # fmt: skip
    if not apart:
        return []
    head = Note("header.spread", {"apart": apart, "system": report.system})
    places = list(report.plates_out)
    if not places or report.repairs.empty:
        return [head, Note("header.none_stands_out")]
    if len(places) == len(rows):
        return [head, Note("header.every_row_out")]
    gone = 1 - np.nanvar(report.gaps_after, ddof=1) / np.nanvar(rows["gap"], ddof=1)
    labels = tuple(rows["row"].iloc[places].astype(str))
    return [
        head, Note("header.repairs_draw_together", {"rows": labels, "gone": float(gone)}),
        Note("header.spread_and_frames"),
    ]  # fmt: skip


def _at(report: HeaderReport) -> dict[str, Any]:
    """The mean speed; to a second decimal where a speed that was set would read the same."""
    say, mean = Lengths(report.system), report.speed
    alike = any(say.speed(v) == say.speed(mean) and abs(v - mean) > 1e-6 for v in report.speeds)
    return {"speed": mean, "alike": alike, "system": report.system}


def _fed(report: HeaderReport) -> list[Note]:
    per_row = report.summary["feed_row"]
    if math.isnan(per_row):
        return []
    rule = report.limits.feed_rule
    fields = report.fields.dropna(subset=["feed_row"])
    density = np.average(
        fields["population"] * fields["row_spacing"], weights=report.weights[fields.index]
    )
    return [Note("header.fed", {
        "row": per_row, "header": report.summary["feed_header"], "rule": rule,
        "rows": tuple(rows_fed(rate, per_row) for rate in rule),
        "alone": tuple(speed_fed(rate, density, 1.0) for rate in rule),
        "source": source_of(report.limits, "feed_rule"), **_at(report),
    })]  # fmt: skip


def _pulling(report: HeaderReport) -> list[Note]:
    through = report.summary["pull_through"]
    new, *ends = report.new_speeds
    if math.isnan(new):
        return []
    rows, units = report.rows.dropna(subset=["effective_length"]), {"system": report.system}
    out = []
    if not math.isnan(through):
        out.append(Note("header.stalk_runs_back", {"through": through, **_at(report)}))
    if len(rows):
        row = rows.loc[rows["wear"].idxmax()]
        out.append(Note("header.least_left", {
            "row": str(row["row"]), "left": row["effective_length"],
            "up_to": (row["top_speed_low"], row["top_speed_high"]), "new": tuple(ends), **units,
        }))  # fmt: skip
    else:
        out.append(Note("header.new_rolls", {"new": tuple(ends), **units}))
    if ends[0] != ends[1]:
        out.append(Note("header.sizes_not_measured"))
    return [*out, Note("header.without_slip")]


def _ratios(report: HeaderReport) -> list[Note]:
    roll, chain = report.summary["roll_ratio"], report.summary["chain_ratio"]
    if math.isnan(roll) and math.isnan(chain):
        return []
    return [Note("header.speeds_over_ground", {
        "roll": roll, "chain": chain, "aim": report.limits.chain_ratio,
        "source": source_of(report.limits, "chain_ratio"), **_at(report),
    })]  # fmt: skip


def _time(report: HeaderReport) -> list[Note]:
    hours = report.summary["hours_per_ha"]
    if math.isnan(hours):
        return []
    return [Note("header.time_per_area", {
        "efficiency": report.efficiency, "hours_per_ha": hours, **_at(report),
    })]  # fmt: skip
