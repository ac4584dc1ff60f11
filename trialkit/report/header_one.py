"""The parts of the header page that belong to one header."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from html import escape
from typing import Any

from trialkit import plots, units
from trialkit.header import HeaderReport, at_speeds
from trialkit.header.advice import Repair, repair_list
from trialkit.header.plates import GAPS, STATIONS
from trialkit.header.words import Lengths, told
from trialkit.plots import Plot
from trialkit.quantities import number, upper_first
from trialkit.report.field_day_more import folded
from trialkit.report.fragments import Fragment, bullets, figure, paragraph, section, table
from trialkit.report.header_noise import noise_words
from trialkit.report.header_tables import short_verdict
from trialkit.report.letters import Letters

LONG = {"in": "inches", "mm": "mm"}
# A strip measured this much faster than any was set to stands in the table of speeds too.
FASTER = 1.02


class OneHeader:
    """One header's parts, in reading order.

    Parameters
    ----------
    report : HeaderReport
    letters : Letters
    loss : callable
        Gives the analysis of header loss, or None.
    loss_ratio : float or None
        See `HeaderPage`.
    own_gaps : bool
        Whether strips were run at gaps of their own, so that none is the header's.
    key : str
        Ends the ids of its headings; empty where it is the only header.
    """

    def __init__(
        self, report: HeaderReport, letters: Letters, loss: Callable[[], Any],
        loss_ratio: float | None = None, own_gaps: bool = False, key: str = "",
    ) -> None:  # fmt: skip
        self.report, self.letters, self.key = report, letters, key
        self.say = Lengths(report.system)
        self._loss, self._ratio, self._own_gaps = loss, loss_ratio, own_gaps
        self._said: list[str] | None = None
        self._words = {k: letters.text(words) for k, words in told(report).items()}

    def title(self) -> Fragment:
        """The header's name, where there are several."""
        if not self.key:
            return Fragment("")
        name = self.letters.text(f"Header {self.report.header}")
        return Fragment(f'<div class="one"><h2 id="header{self.key}">{escape(name)}</h2></div>')

    def fix_first(self) -> Fragment:
        """What to repair, first things first: which row, what, by how much, why."""
        repairs = repair_list(self.report)
        items = "".join(f"<li>{self._repair(repair, repairs)}</li>" for repair in repairs)
        words = f"<ol>{items}</ol>" if items else self._p(self._words["first"])
        whole = self.whole()
        if whole:
            words += f"<h{self._level + 1}>Then the header as a whole</h{self._level + 1}>"
            words += bullets([_tied(self.letters.text(text)) for text in whole])
        words += self._p(self._noise[0], "quiet")
        plot = plots.header_plan(self.report)
        picture = self._figure(
            plot, f"{plot.summary} All of it to one scale; white: the room between the guides, "
            "black: the gap between the plates."
        )  # fmt: skip
        return self._section("fix", "What to fix first", picture, words)

    def _repair(self, repair: Repair, every: list[Repair]) -> str:
        found = upper_first("; ".join(repair.found))
        row, found = (escape(_tied(self.letters.text(text))) for text in (repair.row, found))
        text = f"<p><strong>Row {row}.</strong> {found}.</p>"
        alike = next(r for r in every if (r.do, r.why) == (repair.do, repair.why))
        if alike is repair:
            text += (
                f"<p><strong>Do:</strong> {escape('; '.join(repair.do))}.</p>"
                f"<p><strong>Why:</strong> {escape('; '.join(repair.why))}."
            )
        else:
            first = escape(self.letters.text(alike.row))
            text += f"<p>Do the same, and for the same reason, as for row {first}."
        if not math.isnan(repair.removed):
            text += escape(_tied(
                f" The gap then differs less from row to row: a standard deviation of "
                f"{self.say.length(repair.spread)} at best."
            ))  # fmt: skip
        return text + "</p>"

    @property
    def to_fix(self) -> bool:
        """Whether a row has something to repair, or the header as a whole is out."""
        return bool(len(self.report.first) or self.whole())

    def whole(self) -> list[str]:
        """What is out on all rows alike, so that no single row stands out."""
        report, items = self.report, []
        off = float(((report.rows["departure_front"] + report.rows["departure_rear"]) / 2).median())
        if abs(off) > report.limits.own_gap and not self._own_gaps:
            way = "Close" if off > 0 else "Open"
            why = "the stalks measured" if report.target.stalks else "the usual start"
            usual = self.say.given(report.limits.start_gap)
            other = (
                f" Advice differs: whatever the stalks, {usual} at the front is a usual start."
                if report.target.stalks and not report.cushion
                else ""
            )
            items.append(
                f"{way} the gap of all rows by {self.say.value(abs(off))} {self.say.length_unit}, "
                f"to {self.say.value(report.target.front)} at the front and "
                f"{self.say.length(report.target.rear)} at the rear, if you follow {why}; keep it "
                f"narrower than the butts of the ears.{other}"
            )
        fast = at_speeds(report, [report.fastest]) if not math.isnan(report.fastest) else None
        if fast is not None and fast["pulling"].iloc[0] == "not even on new rolls":
            new = self._new_limit()
            items.append(
                f"Drive slower than {self.say.speed(new)}: at {self.say.speed(report.fastest)}, "
                "the fastest, pulling does not finish even on new rolls, so this is the speed, "
                "not wear. Slip lowers the limit further."
            )
        return items

    def _new_limit(self) -> float:
        unit = self.report.unit
        return unit.roll_length * self.report.pull_speed / unit.pulled_length * 3.6

    def drawing(self) -> Fragment:
        """Every row unit from above, with gap, taper, clearance and verdict."""
        drawn = plots.header_parts(self.report)
        rows = self.report.rows["row"].astype(str).tolist()
        pictures, start = [], 0
        for plot in drawn:
            part = rows[start : start + _lanes(plot)]
            start += len(part)
            which = f"Rows {part[0]} to {part[-1]}" if len(part) > 1 else f"Row {part[0]}"
            pictures.append(self._figure(
                plot, f"{which}, driving to the right. Across the slot all rows have one scale, "
                "that of the bar."
            ))  # fmt: skip
        found = self._table(
            f"Header {self.report.header}: what was found", ["row", "found"],
            [[str(r), _tied(str(v))] for r, v in zip(self.report.rows["row"],
                                                     self.report.rows["verdict"], strict=True)],
        )  # fmt: skip
        found = f'<div class="found">{found}</div>'
        if len(pictures) == 1:
            return self._section("drawing", "The rows, drawn to scale", found, picture=pictures[0])
        pictures_ = f'<div class="pictures">{"".join(pictures)}</div>'
        return self._section("drawing", "The rows, drawn to scale", pictures_, found)

    def verdicts(self) -> Fragment:
        """One row of a table for every row unit, and every reading below it."""
        report, say, rule = self.report, self.say, self.report.limits
        aim = f"{say.value(report.target.front)} front, {say.length(report.target.rear)} rear"
        rows, gaps, others = [], [], []
        for row in report.rows.to_dict("records"):
            label = str(row["row"])
            crooked = max(
                (row["crooked_front"], row["crooked_rear"]),
                key=lambda v: -1.0 if math.isnan(v) else abs(v),
            )
            least = self._cell(row["least_clearance"])
            if row["pinched"]:
                least += f", pinched at {row['pinched']}"
            rows.append([
                label, *(self._cell(row[c]) for c in ("gap_front", "gap_rear", "taper")),
                self._cell(crooked, True), least, self._roll(row["effective_length"]),
                short_verdict(row),
            ])  # fmt: skip
            off = (row["departure_front"] + row["departure_rear"]) / 2
            gaps.append([label, *(self._cell(row[c]) for c in GAPS), self._cell(off, True),
                         self._cell(row["own_gap"], True)])  # fmt: skip
            others.append(
                [
                    label,
                    *(self._cell(row[c]) for c in STATIONS),
                    self._roll(row["roll_wear_length"]),
                    self._speed(row["top_speed"]),
                ]
            )
        unit = LONG[say.length_unit]
        words = self._p(
            f"Gap to aim at: {aim}. Crooked: right side less left at the worse end; over "
            f"{say.given(rule.crooked)} is crooked. A station of the guides under "
            f"{say.given(rule.guide_clearance)} is a pinch; station 1 is the front. Roll left: "
            "the length that still grips."
        )
        head = ["row", "gap front", "gap rear", "taper", "crooked", "least guide", "roll left",
                "verdict"]  # fmt: skip
        name = f"Header {report.header}"
        main = self._table(f"{name}, row by row from the left; {unit}", head, rows)
        gap_head = ["row", "front left", "front right", "rear left", "rear right", "off the aim",
                    "off the median"]  # fmt: skip
        stations = [f"guide {k}" for k in range(1, len(STATIONS) + 1)]
        more = folded(
            "All readings",
            self._table(
                f"{name}: gaps, {unit}; off: mean gap less the aim, and less the median row",
                gap_head, gaps,
            ),
            self._table(
                f"{name}: guides and rolls, {unit}; enough to: speed at which the roll left still "
                f"does without slip, {say.speed_unit}",
                ["row", *stations, "roll worn", "enough to"], others,
            ),
        )  # fmt: skip
        return self._section("verdicts", "Row by row", main, words, more)

    def target(self) -> Fragment:
        """The gap to aim at, from the stalks of each field."""
        report, say = self.report, self.say
        words = [self._p(text) for text in (self._words["gap"],) if text]
        if self._own_gaps:
            words.append(paragraph(
                "Strips of this trial were run at gaps of their own; the readings are those of the "
                "setting the header was measured at."
            ))  # fmt: skip
        wider = (
            f" The aim is {say.given(report.limits.cushion)} wider for the cushion."
            if report.cushion
            else f" A chain with a cushion takes {say.given(report.limits.cushion)} more."
        )
        words.append(self._p(
            f"Front: {report.limits.stalk_percentile:g} % of the stalks pass with "
            f"{say.given(report.limits.stalk_clearance)} to spare; rear: "
            f"{say.given(report.limits.taper)} more.{wider} Keep it narrower than the butts of the "
            "ears, and measure stalks again when the crop changes."
        ))  # fmt: skip
        rows = [
            [self._field(r.field), f"{r.stalks:.0f}", self._cell(r.target_front),
             self._cell(r.target_rear)]
            for r in report.fields.itertuples() if r.stalks
        ]  # fmt: skip
        shown = ""
        if rows:
            caption = f"{self._named}gap to aim at, field by field, {LONG[say.length_unit]}"
            shown = self._table(caption, ["field", "stalks", "front", "rear"], rows)
        return self._section("target", "The gap to aim at", *words, shown)

    def feeding(self) -> Fragment:
        """What feeds the header, what it pulls and how long it takes, speed by speed."""
        report, say, us = self.report, self.say, self.report.system == "US"
        title = "Feeding and pulling, speed by speed"
        speeds = list(report.speeds)
        if report.fastest > FASTER * max(speeds, default=0.0):
            speeds.append(report.fastest)
        if not speeds:
            return self._section("feeding", title, paragraph(
                "No ground speed is known yet; give some: trialkit header FOLDER --speed 4 "
                "--speed 5."
            ))  # fmt: skip
        at = at_speeds(report, speeds)
        area, capacity = ("ac", "ac/h") if us else ("ha", "ha/h")
        size = units.SQUARE_METRES_PER_ACRE / units.SQUARE_METRES_PER_HECTARE if us else 1.0
        rows = []
        for r in at.itertuples():
            verdict = str(r.pulling)
            if verdict == "on some rolls":
                verdict = f"not on row{'s' * (len(r.rows_short) > 1)} {', '.join(r.rows_short)}"
            rows.append([
                self._speed(r.speed), _plain(r.feed_row, 1), _plain(r.feed_header, 0),
                self._roll(r.pull_through), self._roll(r.left), verdict, _plain(r.roll_ratio, 2),
                _plain(r.chain_ratio, 2), _plain(r.capacity / size, 1),
                _plain(60 * r.hours_per_ha * size, 1),
            ])  # fmt: skip
        unit = say.length_unit
        head = [f"speed, {say.speed_unit}", "plants/s, row", "plants/s, header",
                f"travel while a stalk is pulled, {unit}", f"least roll left, {unit}",
                "pulling finishes", "roll over ground", "chain over ground", capacity,
                f"min/{area}"]  # fmt: skip
        empty = [k for k in range(len(head)) if not any(row[k] for row in rows)]
        head = [h for k, h in enumerate(head) if k not in empty]
        rows = [[c for k, c in enumerate(row) if k not in empty] for row in rows]
        words = [self._p(self._words[k]) for k in ("pulling", "fed", "ratios", "time")
                 if self._words[k]]  # fmt: skip
        return self._section(
            "feeding",
            title,
            self._table(f"{self._named}at the speeds used", head, rows),
            *words,
        )

    def noise(self) -> Fragment:
        """How much repairs narrow the trial's noise."""
        answer, *more = self._noise
        spread = self._words["spread"].partition(" Frames laid")[0]
        return self._section(
            "noise",
            "How much repairs narrow the trial's noise",
            self._p(answer, "summary"),
            *(self._p(text) for text in (spread, *more) if text),
        )

    @property
    def _noise(self) -> list[str]:
        if self._said is None:
            self._said = noise_words(self.report, self._loss(), self._ratio)
        return self._said

    # ------------------------------------------------------------ shared by the parts
    @property
    def _named(self) -> str:
        """The start of a caption that would be another header's too."""
        return f"Header {self.report.header}: "

    @property
    def _level(self) -> int:
        return 3 if self.key else 2

    def _section(self, name: str, title: str, *parts: str, picture: str = "") -> Fragment:
        made = section(name, title, *parts, picture=picture, level=self._level, key=self.key)
        if not self.key:
            return made
        # Two headers have parts of the same name: each is named with its header.
        own = f'aria-labelledby="{name}{self.key}"'
        return Fragment(
            made.html.replace(own, f'aria-labelledby="header{self.key} {name}{self.key}"')
        )

    def _figure(self, plot: Plot, caption: str) -> str:
        plot.alt_text = self.letters.text(plot.alt_text)
        return figure(plot, _tied(self.letters.text(caption)))

    def _table(self, caption: str, head: list[str], rows: list[list[str]]) -> str:
        text = self.letters.text
        return table(text(caption), head, [[_tied(text(cell)) for cell in row] for row in rows])

    def _p(self, text: str, kind: str = "") -> str:
        return paragraph(_tied(self.letters.text(text)), kind)

    def _field(self, field: object) -> str:
        return self.letters.fields.get(str(field), self.letters.text(field))

    def _cell(self, mm: float, signed: bool = False) -> str:
        """A length, "" where it is missing; with its sign where that matters."""
        if math.isnan(mm):
            return ""
        text = self.say.value(mm)
        return f"+{text}" if signed and mm > 0 and float(text) != 0 else text

    def _roll(self, mm: float) -> str:
        return "" if math.isnan(mm) else self.say.roll(mm).split()[0]

    def _speed(self, kmh: float) -> str:
        return "" if math.isnan(kmh) else self.say.speed(kmh).split()[0]


def _tied(text: str) -> str:
    """Numbers and the units after them on one line."""
    return re.sub(r"(?<=\d) (?=(?:%|in|mm|mph|km/h|ft)\b|%)", "\N{NO-BREAK SPACE}", text)


def _plain(value: float, places: int) -> str:
    return "" if math.isnan(value) else number(value, places)


def _lanes(plot: Plot) -> int:
    return sum(1 for line in plot.axes[0].lines if line.get_gid() == "aim left")
