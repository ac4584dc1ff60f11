"""`HeaderReport`: one header as measured."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.display import card, folded, number, table
from trialkit.facts import Note
from trialkit.header.advice import QUESTIONS
from trialkit.header.items import HeaderItem
from trialkit.header.limits import HeaderLimits
from trialkit.header.noise import spread_after
from trialkit.header.plates import FEWEST, GapTarget
from trialkit.header.unit import RowUnit
from trialkit.quantities import upper_first
from trialkit.words import header as words
from trialkit.words import said
from trialkit.words.header_findings import verdict
from trialkit.words.header_safety import caution
from trialkit.words.lengths import Lengths


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class HeaderReport:
    """One header as measured. Lengths mm, speeds km/h, surface speeds m/s, areas ha.

    Attributes
    ----------
    header : str
    rows : DataFrame
        One row per row unit, from the left in the direction of travel: ``row``; what `plate_gaps`
        makes of its gaps and plates; the plates' distances from the row's centre; ``target_front,
        target_rear, departure_front, departure_rear``; ``clearance_1`` to ``clearance_5``,
        ``least_clearance``, ``pinched`` (stations in words); what `judge_rolls` makes of its rolls;
        the readings of `OTHERS`; ``rank`` (1 is first, missing where the row has nothing of its
        own); ``bare`` and ``empty`` (whether something was not read in it, or nothing was).
    fields : DataFrame
        One row per field the header ran in: ``field, strips, population`` (plants/ha),
        ``row_spacing`` (m), ``speed, roll_rpm``, ``feed_row, feed_header`` (plants/s), ``stalks``,
        ``target_front, target_rear, by_stalks``, ``pull_through`` (mm of roll), ``roll_ratio,
        chain_ratio`` (over ground speed), ``capacity`` (ha/h), ``hours_per_ha``.
    repairs : DataFrame
        What each repair of a row's gap takes off the spread between rows; see `plates.repairs`.
    target : GapTarget
        From all stalks measured.
    speed, fastest, pull_speed : float
        Mean and highest ground speed (km/h), speed of the stalk through the rolls (m/s).
    rpm : float
        Of the rolls, 1/min.
    new_speeds : (float, float, float)
        Highest speed at which new rolls pull, km/h: with the sizes as they stand, and at both ends
        of those assumed.
    medians, setting : (float, float)
        Front and rear gap of the median row, and as set when it was measured; NaN where unknown.
    own_gaps : bool
        Whether its strips were run at gaps of their own, so that none is the header's.
    unit : RowUnit
    limits : HeaderLimits
    cushion : bool
    efficiency : float
    system : str
        "US" or "SI": what the words speak in.
    width : float
        Of the header, m.
    row_units : int
        Of the header, as the trial's settings say; `rows` may hold fewer.
    speeds : tuple of float
        Distinct ground speeds its strips were set to, else measured at, km/h.
    notes : tuple of Note
        What could not be told, and why.
    items : tuple of HeaderItem
        The list of what to fix: what all rows share, then row by row. Everything that is told to
        be done comes from it.
    told : mapping
        What is told of ``gap, spread, fed, pulling, ratios, time``: notes, none where nothing can
        be.
    """

    header: str
    rows: pd.DataFrame
    fields: pd.DataFrame
    repairs: pd.DataFrame
    target: GapTarget
    speed: float
    fastest: float
    pull_speed: float
    rpm: float
    new_speeds: tuple[float, float, float]
    medians: tuple[float, float]
    setting: tuple[float, float]
    own_gaps: bool
    unit: RowUnit
    limits: HeaderLimits
    cushion: bool
    efficiency: float
    system: str
    width: float
    row_units: int
    speeds: tuple[float, ...] = ()
    notes: tuple[Note, ...] = ()
    items: tuple[HeaderItem, ...] = ()
    told: Mapping[str, tuple[Note, ...]] = field(default_factory=dict)

    @property
    def summary(self) -> pd.Series:
        """The header in one line: means over its rows and over the strips it ran.

        ``rows, to_repair, gap_front, gap_rear, taper, gap_sd`` (mm), ``feed_row, feed_header``
        (plants/s), ``pull_through`` (mm, at the mean speed), ``top_speed`` (km/h, of the row with
        the shortest rolls), ``roll_ratio, chain_ratio, hours_per_ha``.
        """
        rows, weight = self.rows, self.weights

        def mean(column: str) -> float:
            values = self.fields[column].to_numpy(float)
            known = ~np.isnan(values)
            return (
                float(np.average(values[known], weights=weight[known])) if known.any() else np.nan
            )

        return pd.Series(
            {
                "rows": len(rows),
                "to_repair": len(self.items),
                "gap_front": rows["gap_front"].mean(),
                "gap_rear": rows["gap_rear"].mean(),
                "taper": rows["taper"].mean(),
                "gap_sd": rows["gap"].std(),
                "feed_row": mean("feed_row"),
                "feed_header": mean("feed_header"),
                "pull_through": mean("pull_through"),
                "top_speed": rows["top_speed"].min(),
                "roll_ratio": mean("roll_ratio"),
                "chain_ratio": mean("chain_ratio"),
                "hours_per_ha": mean("hours_per_ha"),
            }
        )

    @property
    def weights(self) -> np.ndarray:
        """What each field counts for in a mean: its strips; before there are any, all the same."""
        strips = self.fields["strips"].to_numpy(float)
        return strips if strips.any() else np.ones(len(strips))

    @property
    def first(self) -> pd.DataFrame:
        """Rows with something of their own on the list, in its order."""
        return self.rows[self.rows["rank"].notna()].sort_values("rank").reset_index(drop=True)

    @property
    def measured(self) -> bool:
        """Whether any reading stands in any row; "in order" is nothing to go by without one."""
        return not self.rows["empty"].all()

    @property
    def verdicts(self) -> tuple[str, ...]:
        """The verdict of every row in words: what is found on it."""
        out = []
        for place, (bare, empty) in enumerate(self.rows[["bare", "empty"]].to_numpy(bool)):
            its = [item for item in self.items if place in item.places]
            own = [text for item in its if not item.whole for text in said(item.found)]
            shared = any(item.whole and not QUESTIONS & {*item.kinds} for item in its)
            out.append(verdict(own, shared, bool(bare), bool(empty)))
        return tuple(out)

    @property
    def extent(self) -> str:
        """How many rows have something of their own, and how much all of them share."""
        whole = sum(item.whole for item in self.items)
        return words.extent(self.header, len(self.rows), len(self.first), whole)

    @property
    def gap_kind(self) -> str:
        """The median front gap against stalks and published starts: a kind of `ADVICE`, or "".

        "all wide", "all narrow", or "cushion" where it is narrow only by the room a cushion takes.
        Between what the stalks ask for and the widest published start nothing is ordered: to close
        further than the start on the stalks alone is the user's choice.
        """
        front, target = self.medians[0], self.target
        if self.own_gaps or math.isnan(front):
            return ""
        room = self.limits.own_gap * (1 + 1e-9)
        if front - target.front > room:
            return "all wide"
        if target.least - front <= room:
            return ""
        wider = self.limits.cushion * self.cushion
        return "all narrow" if target.least - wider - front > room else "cushion"

    @property
    def aims(self) -> tuple[float, float]:
        """Front and rear gap a row is to be set to, mm: that of the others where they are in order,
        else the setting, else the target."""
        many = self.rows["gap_front"].notna().sum() >= FEWEST
        front, rear = self.target[:2]
        if self.gap_kind not in ("all wide", "all narrow"):
            off = np.subtract(self.medians, self.setting)
            kept = many and not (np.abs(off) > self.limits.own_gap).any()
            for pair in (self.medians if kept else self.setting, self.setting, self.medians):
                if not np.isnan(pair).any():
                    front, rear = pair
                    break
        taper = self.limits.taper
        return front, rear if abs(rear - front - taper) <= self.limits.taper_off else front + taper

    @property
    def plates_out(self) -> tuple[int, ...]:
        """Places in `rows` of those whose plates are to be set: crooked, bent, or a gap off."""
        out = self.rows["crooked"] | self.rows["off"] | self.rows["bent"]
        return tuple(np.flatnonzero(out.to_numpy()).tolist())

    @property
    def gaps_after(self) -> np.ndarray:
        """Mean gap of every row (mm) once those of `plates_out` are set to the median."""
        return spread_after(self.rows["gap"], self.plates_out)

    @property
    def sentences(self) -> tuple[str, ...]:
        """The report in words, in the trial's own units: what to repair first, gap, spread, feed
        rate, pulling, time."""
        parts = (" ".join(said(notes)) for notes in self.told.values())
        return tuple(part for part in (self.first_words, *parts, caution()) if part)

    @property
    def first_words(self) -> str:
        """What to repair first, in a sentence or two."""
        if not self.measured:
            return words.nothing_measured(self.header)
        if not self.items:
            bare = int((self.rows["bare"]).sum())
            return words.nothing_found(self.header, len(self.rows), bare)
        return words.found_first(
            self.extent, [(item.label, said(item.found)) for item in self.items]
        )

    def __repr__(self) -> str:
        return f"HeaderReport({self.header!r}: {len(self.rows)} rows, {len(self.items)} to fix)"

    def _repr_html_(self) -> str:
        return _card(self)


def _card(report: HeaderReport) -> str:
    """Heading, sentences, rows with verdicts; readings, fields and repairs folded."""
    say = Lengths(report.system)
    unit, rows, column = say.length_unit, report.rows, report.unit.roll_column

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
            f"{words.roll_head(column)}, {unit}": lengths(column),
            "found": report.verdicts,
        }
    )
    notes = [f"{upper_first(note)}." for note in said(report.notes)]
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
                "variance removed, %": [number(100 * v, 0) for v in repaired["share_removed"]],
            }
        )
        parts.append(folded(words.spread_heading(), table(shown, rows=len(shown))))
    return card(words.card_heading(report.header), [*report.sentences, *notes], *parts)


def _fields(report: HeaderReport, say: Lengths) -> pd.DataFrame:
    fields = report.fields
    us = report.system == "US"
    area = "ac" if us else "ha"

    def text(column: str, places: int, start: str = "", end: str = "") -> list[str]:
        values = units.convert(fields[column], start, end) if start else fields[column]
        return ["" if pd.isna(v) else number(v, places) for v in values]

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
            f"minutes per {area}": ["" if pd.isna(v) else number(v, 1) for v in hours],
        }
    )
