"""A header report in words, in the trial's own units."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from trialkit import units
from trialkit.display import number
from trialkit.header.arithmetic import rows_fed, speed_fed
from trialkit.header.limits import source_of
from trialkit.quantities import inches, inches_both, listed

if TYPE_CHECKING:
    from trialkit.header.check import HeaderReport

MEASURING = (
    "Measure with the engine off, the key out and with you, all movement stopped and the header's "
    "lift locked; never reach into a row unit that can turn."
)
CAUTION = (
    f"{MEASURING} The operator's manual and qualified service people come before anything said "
    "here."
)
NOT_MEASURED = "not measured"
_NAMED = 4  # entries of the list a sentence names


class Lengths:
    """Lengths in mm and speeds in km/h as text in the units of a system."""

    def __init__(self, system: str) -> None:
        self.us = system == "US"
        self.system = system
        self.length_unit, self.places = ("in", 2) if self.us else ("mm", 1)
        self.speed_unit = "mph" if self.us else "km/h"

    def value(self, mm: float, places: int | None = None) -> str:
        """The number alone, in decimals."""
        length = float(units.convert(mm, "mm", self.length_unit))
        # A half rounds up as a tape is read, though 1-3/8 in comes back from mm as 1.37499...
        places = self.places if places is None else places
        return number(length + math.copysign(1e-9, length), places)

    def length(self, mm: float) -> str:
        """A reading: in US units the trade's fraction and the decimals, "3/16 in (0.19)".

        No finer than a gauge tells: what rounds to nothing is "under 0.01 in".
        """
        decimals = float(self.value(abs(mm)).replace(",", ""))
        if decimals == 0 and mm != 0:
            return f"under {10.0**-self.places:g} {self.length_unit}"
        if not self.us or decimals < 1 / 32:
            return self.short(mm)
        return inches_both(mm)

    def short(self, mm: float) -> str:
        """A reading in decimals with its unit, where there is little room."""
        value = self.value(mm)
        return f"{value if self.us else value.removesuffix('.0')} {self.length_unit}"

    def trade(self, mm: float) -> str:
        """A length to set, as a tape reads it: "1-1/4 in", "32 mm"."""
        return inches(mm) if self.us else f"{number(mm, 0)} mm"

    def between(self, low: float, high: float, text: Callable[[float], str] | None = None) -> str:
        """A range of readings, "1/4 to 3/8 in"; one length where both read alike."""
        plain, text = text is None, text or (inches if self.us else self.short)
        one, other = text(low), text(high)
        if one == other:
            return self.length(low) if plain else one
        return f"{one.rpartition(' ')[0]} to {other}"

    def roll(self, mm: float) -> str:
        """A length along the rolls, read with a tape: to a quarter of an inch, or whole mm."""
        return inches(mm, 4) if self.us else f"{number(mm, 0)} mm"

    def given(self, mm: float) -> str:
        """A limit as it was meant: "3/8 in", "5 in", "127 mm"."""
        length = float(units.convert(mm, "mm", self.length_unit))
        # Limits are kept in whole hundredths of a millimetre or so: 4.76 mm was meant as 3/16 in.
        if self.us and abs(32 * length - round(32 * length)) < 0.03:
            return inches(mm, 32)
        return f"{length if self.us else round(length, 1):.3g} {self.length_unit}"

    def speed(self, kmh: float, places: int = 1) -> str:
        """A speed with its unit."""
        speed = float(units.convert(kmh, "km/h", self.speed_unit))
        return f"{number(speed, places)} {self.speed_unit}"

    def up_to(self, low: float, high: float) -> str:
        """A highest speed in a range of what it may be: "up to 3.2 mph at worst, 11.3 at best"."""
        one, other = self.speed(low), self.speed(high)
        if one == other:
            return f"up to {one}"
        return f"up to {one} at worst, {other.split()[0]} at best"


def percent_of(share: float) -> str:
    """A share as a whole percentage."""
    return f"{100 * share:.0f} %"


def sentences(report: HeaderReport) -> tuple[str, ...]:
    """The report in words: what to repair first, gap, spread, feed rate, pulling, time."""
    return tuple(part for part in (*told(report).values(), CAUTION) if part)


def told(report: HeaderReport) -> dict[str, str]:
    """Each of the `sentences` by what it tells; empty where nothing can be told."""
    say = Lengths(report.system)
    return {
        "first": _first(report), "gap": _gap(report, say), "spread": _spread(report, say),
        "fed": _fed(report, say), "pulling": _pulling(report, say),
        "ratios": _ratios(report, say), "time": _time(report, say),
    }  # fmt: skip


def _first(report: HeaderReport) -> str:
    items, n = report.items, len(report.rows)
    if not report.measured:
        return f"Nothing is measured yet on header {report.header}."
    if not items:
        least = report.rows["verdict"].ne("in order").sum()
        bare = "" if not least else f"; {least} of them were not measured in full"
        return f"Nothing was found in the {n} rows of header {report.header}{bare}."
    named = ". ".join(f"{i.label}: {'; '.join(i.found)}" for i in items[:_NAMED])
    more = f". And {len(items) - _NAMED} more" if len(items) > _NAMED else ""
    return f"{extent(report)}, in this order. {named}{more}."


def extent(report: HeaderReport) -> str:
    """How many rows have something of their own, and how much all of them share."""
    first, n = len(report.first), len(report.rows)
    whole = sum(item.whole for item in report.items)
    rows = f"{first} of {n} rows of header {report.header} {'has' if first == 1 else 'have'}"
    if not whole:
        return f"{rows} something to see to"
    things = "one thing is" if whole == 1 else f"{whole} things are"
    if not first:
        return f"On header {report.header} {things} to be seen to on all rows alike"
    own = "its own" if first == 1 else "their own"
    return f"{rows} something of {own}, and {things} to be seen to on all rows alike"


def _gap(report: HeaderReport, say: Lengths) -> str:
    target, limits = report.target, report.limits
    front, rear = report.medians
    if math.isnan(front) or math.isnan(rear):
        return ""
    starts = f"{say.trade(limits.start_least)} to {say.trade(limits.start_gap)}"
    named = f"{source_of(limits, 'start_least')}; {source_of(limits, 'start_gap')}"
    parts = [
        f"The median row reads {say.length(front)} at the front and {say.length(rear)} at the "
        "rear.",
        f"Published starts for the front run from {starts} ({named}).",
    ]
    if report.cushion:
        room = f"{say.given(limits.cushion)} more with a cushion is "
        parts.append(f"{room}{source_of(limits, 'cushion')}.")
    if target.stalks:
        parts.append(
            f"The {target.stalks} stalks measured, {limits.stalk_percentile:g} % of them up to "
            f"{say.length(target.stalk)}, alone ask for {say.trade(target.by_stalks)}"
            f": {say.given(limits.stalk_clearance)} more than the stalk "
            f"({source_of(limits, 'stalk_clearance')}){', and the cushion' * report.cushion}."
        )
    if target.stalks and not target.by_thick_stalks:
        parts.append(
            f"That is less than the usual start{' with a cushion' * report.cushion}, and no reason "
            "by itself to close below it: between the two, shelled kernels under the header speak "
            "for closing, wedged stalks for opening."
        )
    aim = f"{say.trade(target.front)} at the front and {say.trade(target.rear)} at the rear"
    only_room = report.cushion and not target.by_thick_stalks
    parts.append(f"With that room it would be {aim}." if only_room else f"Aim at {aim}.")
    if target.front > limits.start_gap * (1 + 1e-9):
        parts.append(
            f"That is wider than any published start ({say.trade(limits.start_gap)}): see that the "
            "butts of the ears do not reach the rolls."
        )
    return " ".join(parts)


def _spread(report: HeaderReport, say: Lengths) -> str:
    rows, parts = report.rows, []
    for end in ("front", "rear"):
        gap = rows[f"gap_{end}"].dropna()
        if len(gap) > 1:
            parts.append(f"{say.length(np.ptp(gap))} at the {end}")
    if not parts:
        return ""
    head = f"From row to row the gap differs by up to {' and '.join(parts)}."
    places = list(report.plates_out)
    labels = rows["row"].iloc[places].astype(str).tolist()
    table = report.repairs
    if not places or table.empty:
        return head + " No row stands out."
    if len(places) == len(rows):
        return f"{head} Every row is out; set all anew, and measure again what is left."
    gone = 1 - np.nanvar(report.gaps_after, ddof=1) / np.nanvar(rows["gap"], ddof=1)
    return (
        f"{head} Setting row{'s' * (len(labels) > 1)} {listed(labels)} to the median row takes off "
        f"{percent_of(gone)} of the variance between rows, and so of that of the mean gap over "
        "rows taken at random. Frames laid behind different rows would then differ less, by as "
        "much as the gap makes loss differ. How large that is beside all other noise of the trial "
        "these readings do not tell."
    )


def _mean_speed(report: HeaderReport, say: Lengths) -> str:
    """The mean speed; to a second decimal where a speed that was set would read the same."""
    mean = report.speed
    alike = any(say.speed(v) == say.speed(mean) and abs(v - mean) > 1e-6 for v in report.speeds)
    return f"a mean of {say.speed(mean, 2)}" if alike else say.speed(mean)


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
        f"At {_mean_speed(report, say)} a row takes {per_row:.1f} plants a second, the header "
        f"{summary['feed_header']:.0f}. The rule of thumb of {low:g} to {high:g} a second "
        f"({source_of(report.limits, 'feed_rule')}) would be "
        f"{rows[0]} to {rows[1]} rows together, or one row at {alone[0]} to {alone[1]}."
    )


def _pulling(report: HeaderReport, say: Lengths) -> str:
    through = report.summary["pull_through"]
    new, low, high = report.new_speeds
    if math.isnan(new):
        return ""
    rows = report.rows.dropna(subset=["effective_length"])
    words = [] if math.isnan(through) else [
        f"While an ear is pulled down its stalk runs back {say.roll(through)} along the rolls at "
        f"{_mean_speed(report, say)}."
    ]  # fmt: skip
    if len(rows):
        row = rows.loc[rows["wear"].idxmax()]
        words.append(
            f"Row {row['row']} has the least left that grips, {say.roll(row['effective_length'])}: "
            f"enough {say.up_to(row['top_speed_low'], row['top_speed_high'])}; new rolls "
            f"{say.up_to(low, high)}."
        )
    else:
        words.append(f"New rolls would do {say.up_to(low, high)}.")
    if low != high:
        words.append(
            "The range is that of sizes of the row unit that no one measured: measure them, then "
            "ask again."
        )
    return " ".join([*words, "That is without slip, so the real limit is lower."])


def _ratios(report: HeaderReport, say: Lengths) -> str:
    summary, (low, high) = report.summary, report.limits.chain_ratio
    roll, chain = summary["roll_ratio"], summary["chain_ratio"]
    parts = []
    if not math.isnan(roll):
        parts.append(f"the rolls' surface moves at {roll:.2f} times ground speed")
    if not math.isnan(chain):
        word = "in" if low <= chain <= high else "outside"
        parts.append(
            f"the chain at {chain:.2f} times, {word} the {low:g} to "
            f"{high:g} usually aimed at ({source_of(report.limits, 'chain_ratio')})"
        )
    return f"At {_mean_speed(report, say)} {', '.join(parts)}." if parts else ""


def _time(report: HeaderReport, say: Lengths) -> str:
    hours = report.summary["hours_per_ha"]
    if math.isnan(hours):
        return ""
    us = report.system == "US"
    size = units.SQUARE_METRES_PER_ACRE / units.SQUARE_METRES_PER_HECTARE if us else 1.0
    return (
        f"At {_mean_speed(report, say)} and a field efficiency of {100 * report.efficiency:.0f} % "
        f"{'an acre' if us else 'a hectare'} takes {60 * hours * size:.1f} minutes."
    )
