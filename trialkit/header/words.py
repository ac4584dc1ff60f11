"""A header report in words, in the trial's own units."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.display import number
from trialkit.header.arithmetic import rows_fed, speed_fed, top_speed
from trialkit.header.plates import STATIONS

if TYPE_CHECKING:
    from trialkit.header.check import HeaderReport

CAUTION = (
    "Measure with the engine off, the key out and with you, all movement stopped and the header's "
    "lift locked; never reach into a row unit that can turn. The operator's manual and qualified "
    "service people come before anything said here."
)
NOT_MEASURED = "not measured"
_NAMED = 4  # rows a sentence names


class Lengths:
    """Lengths in mm and speeds in km/h as text in the units of a system."""

    def __init__(self, system: str) -> None:
        us = system == "US"
        self.system = system
        self.length_unit, self.places = ("in", 2) if us else ("mm", 1)
        self.speed_unit = "mph" if us else "km/h"

    def value(self, mm: float, places: int | None = None) -> str:
        """The number alone."""
        length = float(units.convert(mm, "mm", self.length_unit))
        return number(length, self.places if places is None else places)

    def length(self, mm: float) -> str:
        """A length with its unit; never "0.00" for one that is not zero."""
        places = self.places + (0 < abs(float(units.convert(mm, "mm", self.length_unit))) < 0.1)
        return f"{self.value(mm, places)} {self.length_unit}"

    def roll(self, mm: float) -> str:
        """A length along the rolls, read with a tape to one digit less than a gap."""
        return f"{self.value(mm, self.places - 1)} {self.length_unit}"

    def given(self, mm: float) -> str:
        """A limit as it was meant: "3/8 in", "5 in", "127 mm"."""
        length = float(units.convert(mm, "mm", self.length_unit))
        sixteenths = round(16 * length)
        # Limits are kept in whole hundredths of a millimetre or so: 4.76 mm was meant as 3/16 in.
        if self.system == "US" and 0 < sixteenths < 16 and abs(16 * length - sixteenths) < 0.02:
            return f"{Fraction(sixteenths, 16)} {self.length_unit}"
        return f"{length if self.system == 'US' else round(length, 1):.3g} {self.length_unit}"

    def speed(self, kmh: float) -> str:
        """A speed with its unit."""
        return f"{number(float(units.convert(kmh, 'km/h', self.speed_unit)), 1)} {self.speed_unit}"


def row_verdicts(rows: pd.DataFrame, say: Lengths, roll_worn: float) -> list[str]:
    """What is found in every row, and by how much.

    Rolls too short at the fastest strip even when new are no row's fault; `sentences` tells them.
    """
    return [_verdict(row, row_findings(row, say, roll_worn)) for _, row in rows.iterrows()]


def row_findings(row: pd.Series, say: Lengths, roll_worn: float) -> list[tuple[str, str]]:
    """Kind of every finding of a row and its words: what, and by how much.

    Kinds are ``crooked, wide, narrow, pinched, short, worn``; the last is told, not repaired.
    """
    found = []
    if row["crooked"]:
        ends = {end: row[f"crooked_{end}"] for end in ("front", "rear")}
        ends = {end: 0.0 if math.isnan(by) else by for end, by in ends.items()}
        end = max(ends, key=lambda e: abs(ends[e]))
        side = "right" if ends[end] > 0 else "left"
        by = say.length(abs(ends[end]))
        found.append(("crooked", f"plates crooked: {side} side reads {by} more at the {end}"))
    if row["off"]:
        kind, word = ("wide", "wider") if row["own_gap"] > 0 else ("narrow", "narrower")
        by = say.length(abs(row["own_gap"]))
        found.append((kind, f"gap {by} {word} than the median row"))
    if row["pinched"]:
        word = "stations" if "," in row["pinched"] else "station"
        least = say.length(row["least_clearance"])
        found.append(("pinched", f"guides pinched at {word} {row['pinched']} (least {least})"))
    worn = (
        f"rolls worn over {say.roll(row['roll_wear_length'])} "
        f"({100 * row['worn_share']:.0f} % of their length)"
    )
    if row["rolls"] == "worn too short":
        found.append(("short", f"{worn}, too short above {say.speed(row['top_speed'])}"))
    elif row["worn_share"] > roll_worn:
        found.append(("worn", worn))
    return found


def _verdict(row: pd.Series, found: list[tuple[str, str]]) -> str:
    if found:
        return "; ".join(words for _, words in found)
    readings = row[["gap_front", "gap_rear", "crooked_front", "crooked_rear", *STATIONS,
                    "roll_wear_length"]].isna()  # fmt: skip
    if readings.all():
        return NOT_MEASURED
    return "in order as far as measured" if readings.any() else "in order"


def sentences(report: HeaderReport) -> tuple[str, ...]:
    """The report in words: what to repair first, gap, spread, feed rate, pulling, time."""
    return tuple(part for part in (*told(report).values(), CAUTION) if part)


def told(report: HeaderReport) -> dict[str, str]:
    """Each of the `sentences` by what it tells; empty where nothing can be told."""
    say = Lengths(report.system)
    return {
        "first": _first(report), "gap": _gap(report, say), "spread": _spread(report, say),
        "fed": _fed(report, say), "pulling": _pulling(report, say), "ratios": _ratios(report),
        "time": _time(report),
    }  # fmt: skip


def _first(report: HeaderReport) -> str:
    first, n = report.first, len(report.rows)
    if not report.measured:
        return f"Nothing is measured yet on header {report.header}."
    if first.empty:
        least = report.rows["verdict"].ne("in order").sum()
        bare = "" if not least else f"; {least} of them were not measured in full"
        return f"Nothing was found in the {n} rows of header {report.header}{bare}."
    named = ". ".join(f"Row {r.row}: {r.verdict}" for r in first.head(_NAMED).itertuples())
    more = f". And {len(first) - _NAMED} more" if len(first) > _NAMED else ""
    word = "has" if len(first) == 1 else "have"
    return (
        f"{len(first)} of {n} rows of header {report.header} {word} something to repair, the first "
        f"to repair first. {named}{more}."
    )


def _gap(report: HeaderReport, say: Lengths) -> str:
    rows, target = report.rows, report.target
    front, rear = rows["gap_front"].mean(), rows["gap_rear"].mean()
    if math.isnan(front) or math.isnan(rear):
        return ""
    if target.stalks:
        why = (
            f"{target.stalks} stalks, {report.limits.stalk_percentile:g} % of them up to "
            f"{say.length(target.stalk)}, with {say.given(report.limits.stalk_clearance)} to spare"
        )
    else:
        why = "the usual start, for no stalk was measured"
    wider = f", {say.given(report.limits.cushion)} of it for the cushion" * report.cushion
    off = (front + rear - target.front - target.rear) / 2
    against = (
        f"{say.value(abs(off))} {say.length_unit} {'wider' if off > 0 else 'narrower'}"
        if abs(off) > report.limits.own_gap
        else f"within {say.given(report.limits.own_gap)} of that"
    )
    return (
        f"The gap is on average {say.value(front)} at the front and {say.length(rear)} at the "
        f"rear; aim at {say.value(target.front)} and {say.length(target.rear)} ({why}{wider}). As "
        f"it stands the average is {against}."
    )


def _spread(report: HeaderReport, say: Lengths) -> str:
    table, rows = report.repairs, report.rows
    if table.empty:
        return ""
    sd = say.length(table["sd_before"].iloc[0])
    head = f"Between rows the gap varies with a standard deviation of {sd}."
    plates = set(rows.loc[rows["crooked"] | rows["off"], "row"])
    faulty = table["row"].isin(plates).to_numpy()
    # Repairs are counted in the order of the table, so only those up to the first sound row add up.
    k = len(faulty) if faulty.all() else int(np.argmin(faulty))
    if k == 0:
        return f"{head} No row stands out."
    if k == len(table):
        return f"{head} Every row is out; set all anew, and measure again what is left."
    which = ", ".join(map(str, table["row"].head(k)))
    at = table.iloc[k - 1]
    return (
        f"{head} Setting row{'s' * (k > 1)} {which} to the median row leaves at best "
        f"{say.length(at['sd'])}; the variance between rows, and so that of the mean gap over rows "
        f"taken at random, falls by {100 * at['share_removed']:.0f} %. Frames laid behind "
        "different rows would then differ less, by as much as the gap makes loss differ. How large "
        "that is beside all other noise of the trial these readings do not tell."
    )


def _fed(report: HeaderReport, say: Lengths) -> str:
    summary = report.summary
    per_row = summary["feed_row"]
    if math.isnan(per_row):
        return ""
    low, high = report.limits.feed_rule
    fields = report.fields.dropna(subset=["feed_row"])
    density = np.average(
        fields["population"] * fields["row_spacing"], weights=report.weights[fields.index]
    )
    alone = [say.speed(speed_fed(rate, density, 1.0)) for rate in (low, high)]
    alone[0] = alone[0].split()[0]
    rows = [number(rows_fed(rate, per_row), 1) for rate in (low, high)]
    return (
        f"At {say.speed(report.speed)} a row takes {per_row:.1f} plants a second, the header "
        f"{summary['feed_header']:.0f}. The rule of thumb of {low:g} to {high:g} a second would be "
        f"{rows[0]} to {rows[1]} rows together, or one row at {alone[0]} to {alone[1]}."
    )


def _pulling(report: HeaderReport, say: Lengths) -> str:
    summary, rows = report.summary, report.rows
    top = summary["top_speed"]
    if math.isnan(top) or math.isnan(summary["pull_through"]):
        return ""
    row = rows.loc[rows["top_speed"].idxmin()]
    new = top_speed(report.unit.roll_length, report.unit.pulled_length, report.pull_speed)
    fast = say.speed(report.fastest)
    if report.fastest <= top:
        verdict = f"the fastest strip, at {fast}, was slower"
    elif report.fastest <= new:
        verdict = f"the fastest strip, at {fast}, was beyond it, though not beyond new rolls"
    else:
        verdict = f"the fastest strip, at {fast}, was beyond it, and beyond new rolls"
    return (
        f"While an ear is pulled down its stalk runs back {say.roll(summary['pull_through'])} "
        f"along the rolls; row {row['row']} has the least left that grips, "
        f"{say.roll(row['effective_length'])}, enough up to {say.speed(top)} (new "
        f"{say.speed(new)}): {verdict}. That is without slip, so the real limit is lower."
    )


def _ratios(report: HeaderReport) -> str:
    summary, (low, high) = report.summary, report.limits.chain_ratio
    roll, chain = summary["roll_ratio"], summary["chain_ratio"]
    parts = []
    if not math.isnan(roll):
        parts.append(f"The rolls' surface moves at {roll:.2f} times ground speed")
    if not math.isnan(chain):
        word = "in" if low <= chain <= high else "outside"
        parts.append(
            f"{'the' if parts else 'The'} chain at {chain:.2f} times, {word} the {low:g} to "
            f"{high:g} usually aimed at"
        )
    return f"{', '.join(parts)}." if parts else ""


def _time(report: HeaderReport) -> str:
    hours = report.summary["hours_per_ha"]
    if math.isnan(hours):
        return ""
    us = report.system == "US"
    size = units.SQUARE_METRES_PER_ACRE / units.SQUARE_METRES_PER_HECTARE if us else 1.0
    return (
        f"At a field efficiency of {100 * report.efficiency:.0f} % "
        f"{'an acre' if us else 'a hectare'} takes {60 * hours * size:.1f} minutes."
    )
