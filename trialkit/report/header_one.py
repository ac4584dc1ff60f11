"""The parts of the header page that belong to one header."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from html import escape
from typing import Any

import pandas as pd

from trialkit import plots, units
from trialkit.header import HeaderReport, Item, at_speeds
from trialkit.header.butts import butts_reaching
from trialkit.header.check import OTHERS
from trialkit.header.limits import source_of
from trialkit.header.plates import GAPS, PLACES, PLATES, STATIONS
from trialkit.header.rolls import FLUTE, WEAR
from trialkit.header.words import Lengths, told
from trialkit.plots import Plot
from trialkit.quantities import lower_first, number, upper_first
from trialkit.report.field_day_more import folded
from trialkit.report.fragments import Fragment, figure, paragraph, section, table
from trialkit.report.header_noise import noise_words
from trialkit.report.header_tables import short_verdict
from trialkit.report.letters import Letters

LONG = {"in": "inches", "mm": "mm"}
LONG_ADVICE = 80  # letters
OPTION = re.compile(r"--[a-z-]+")
_LEAD = {"repair": "Do", "ask": "First", "watch": "Keep in mind"}
_OTHERS = ("knives apart", "edges worn", "chain slack", "chain longer, %", "flaps")
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
    ear_butts : DataFrame, optional
        Ear butts of the fields it runs in, as the trial's table has them.
    butt_damage : DataFrame, optional
        Ears looked at for damage to their butts in those fields, likewise.
    key : str
        Ends the ids of its headings; empty where it is the only header.
    """

    def __init__(
        self, report: HeaderReport, letters: Letters, loss: Callable[[], Any],
        loss_ratio: float | None = None, ear_butts: pd.DataFrame | None = None, key: str = "",
        butt_damage: pd.DataFrame | None = None,
    ) -> None:  # fmt: skip
        self.report, self.letters, self.key = report, letters, key
        self.say = Lengths(report.system)
        self._loss, self._ratio = loss, loss_ratio
        self._ear_butts = pd.DataFrame() if ear_butts is None else ear_butts
        self._butt_damage = pd.DataFrame() if butt_damage is None else butt_damage
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
        every = self.report.items
        items = "".join(f"<li>{self._item(item, every)}</li>" for item in every)
        words = f"<ol>{items}</ol>" if items else self._p(self._words["first"])
        if option := OPTION.search(items):
            words += self._p(
                "What begins with two dashes is how a figure is given to the program: trialkit "
                f"header FOLDER {option[0]} NUMBER.", "quiet",
            )  # fmt: skip
        words += self._p(self._noise[0], "quiet")
        plot = plots.header_plan(self.report)
        picture = self._figure(
            plot, f"{plot.summary} All of it to one scale; white: the room between the chain "
            "guides, black: the gap between the stripper (deck) plates."
        )  # fmt: skip
        return self._section("fix", "What to fix first", picture, words)

    def _item(self, item: Item, every: Sequence[Item]) -> str:
        label, found = (
            escape(_tied(self.letters.text(text)))
            for text in (item.label, upper_first("; ".join(item.found)))
        )
        text = f"<p><strong>{label}.</strong> {found}.</p>"
        alike = next(i for i in every if (i.do, i.why) == (item.do, item.why))
        if alike is not item:
            first = escape(self.letters.text(lower_first(alike.label)))
            return f"{text}<p>Do the same, and for the same reason, as for {first}.</p>"
        do, why = (self._told(item, every, name) for name in ("do", "why"))
        return (
            f"{text}<p><strong>{_LEAD[item.grade]}:</strong> {do}.</p>"
            f"<p><strong>Why:</strong> {why}.</p>"
        )

    def _told(self, item: Item, every: Sequence[Item], name: str) -> str:
        """What to do or why; what is long and was told above is not told again."""
        parts = []
        for text in getattr(item, name):
            first = next(i for i in every if text in getattr(i, name))
            if first is item or len(text) < LONG_ADVICE:
                # An option of the command line stays on one line.
                parts.append(OPTION.sub(r"<code>\g<0></code>", escape(_tied(text))))
            else:
                parts.append(f"as for {escape(self.letters.text(lower_first(first.label)))}")
        return "; ".join(parts)

    @property
    def to_fix(self) -> bool:
        """Whether anything stands on the list."""
        return bool(self.report.items)

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
                "that of the bar. The limit of the guides: "
                f"{source_of(self.report.limits, 'guide_clearance')}."
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
        report, say = self.report, self.say
        rows, plates, guides, others = [], [], [], []
        roll_head, rolls = report.unit.roll_column
        for row in report.rows.to_dict("records"):
            label = str(row["row"])
            aside = max(
                (row["aside_front"], row["aside_rear"]),
                key=lambda v: -1.0 if math.isnan(v) else abs(v),
            )
            rows.append([
                label, *(self._cell(row[c]) for c in ("gap_front", "gap_rear", "taper")),
                self._cell(aside, True), self._cell(row["least_clearance"]),
                self._roll(row[rolls]), short_verdict(row, report),
            ])  # fmt: skip
            plates.append([
                label, *(self._asked(row, c) for c in GAPS), *(self._cell(row[c]) for c in PLATES),
                *(self._cell(row[f"own_{end}"], True) for end in ("front", "rear")),
            ])  # fmt: skip
            guides.append([label, *(self._cell(row[c]) for c in STATIONS)])
            stretch = row["chain_stretch"]
            others.append([
                label, *(self._roll(row[c]) for c in WEAR), *(self._cell(row[c]) for c in FLUTE),
                self._speed(row["top_speed_low"]), self._speed(row["top_speed_high"]),
                *(self._cell(row[c]) for c in OTHERS[:3]),
                "" if math.isnan(stretch) else number(stretch, 1), _text(row["flaps"]),
            ])  # fmt: skip
        unit, name = LONG[say.length_unit], f"Header {report.header}"
        words = self._p(
            "Plates unlike: how much farther the right plate lies from the row's centre than the "
            f"left, at the worse end; over {self._limit('crooked')} they are crooked. A gap is out "
            f"when it lies over {self._limit('own_gap')} off the other rows, a taper over "
            f"{self._limit('taper_off')} off the {self._limit('taper')} more at the rear. A "
            f"station of the guides under {self._limit('guide_clearance')} is a pinch. "
            + (
                "Roll worn: how far back from the front, of the roll worn farther."
                if rolls == "wear"
                else "Roll that grips: its length behind the worn part, of the roll worn farther."
            )
        )
        head = ["row", "gap front", "gap rear", "taper", "plates unlike", "least guide",
                roll_head, "verdict"]  # fmt: skip
        main = self._table(f"{name}, row by row from the left; {unit}", *_filled(head, rows))
        ends = [f"{side} {end}" for side in ("left plate", "right plate") for end in
                ("front", "rear")]  # fmt: skip
        tables = [
            (f"{name}: gaps and plates, {unit}; plates from the row's centre; off: from the median "
             "row", ["row", "front", "middle", "rear", *ends, "off, front", "off, rear"], plates),
            (f"{name}: clearance of the guides, {unit}", ["row", *PLACES], guides),
            (f"{name}: rolls, edges, chain and flaps, {unit}; enough to: speed up to which the "
             f"rest of the roll does without slip, {say.speed_unit}, at worst and at best",
             ["row", "left roll worn", "right roll worn", "left flute", "right flute",
              "enough to, worst", "enough to, best", *_OTHERS], others),
        ]  # fmt: skip
        more = folded("All readings", *(
            self._table(caption, *_filled(head, cells)) for caption, head, cells in tables
        ))  # fmt: skip
        return self._section("verdicts", "Row by row", main, words, more)

    def target(self) -> Fragment:
        """The gap to aim at, from the stalks of each field."""
        report, say = self.report, self.say
        words = [self._p(text) for text in (self._words["gap"],) if text]
        if report.own_gaps:
            words.append(paragraph(
                "Strips of this trial were run at gaps of their own; the readings are those of the "
                "setting the header was measured at."
            ))  # fmt: skip
        cushion = self._limit("cushion")
        aims = (
            f"These aims are {cushion} wider for the cushion, because it fills that opening"
            if report.cushion
            else "These aims are for the standard chain. Some set the plates up to "
            f"{cushion} wider for a cushion, because the cushion fills that opening"
        )
        words.append(self._p(
            f"Stalks alone ask for a front gap that {report.limits.stalk_percentile:g} % of them "
            f"pass ({source_of(report.limits, 'stalk_percentile')}) with "
            f"{self._limit('stalk_clearance')} to spare; the rear is {self._limit('taper')} more. "
            "Measure stalks again when the crop changes."
        ))  # fmt: skip
        words.append(self._p(
            f"{aims}: measure the opening between the cushions, watch the ear butts, and follow "
            "the operator's manual."
        ))  # fmt: skip
        rows = [
            [self._field(r.field), f"{r.stalks:.0f}", self._cell(r.by_stalks),
             self._cell(r.target_front), self._cell(r.target_rear)]
            for r in report.fields.itertuples() if r.stalks
        ]  # fmt: skip
        shown = ""
        if rows:
            caption = f"{self._named}gap to aim at, field by field, {LONG[say.length_unit]}"
            head = ["field", "stalks", "stalks alone, front", "aim, front", "aim, rear"]
            shown = self._table(caption, head, rows)
        return self._section("target", "The gap to aim at", *words, shown, *self._butts())

    def _butts(self) -> list[str]:
        """How many ear butts would reach the rolls, at the gap as read and at the one to aim at."""
        report = self.report
        if self._ear_butts.empty:
            return [self._p(
                "Keep the gap narrower than the butts of the ears. How many of yours would reach "
                "the rolls is told once some are measured (table ear_butts: field, diameter)."
            )]  # fmt: skip
        read, aim = report.medians[1], report.target.rear
        gaps = {"to aim at there": aim}
        if not math.isnan(read):
            # The wider end decides; where both are nearly the same gap, one is enough.
            apart = abs(read - aim) > report.limits.own_gap
            gaps = {"as the rear reads": read} | (gaps if apart else {})
        out, more = [], ""
        for which, gap in gaps.items():
            reach = butts_reaching(self._ear_butts["diameter"], gap)
            first, *rest = reach.sentences("US" if self.say.us else "SI")
            out.append(first.replace("At a gap of", f"At the gap {which},", 1))
            more = " ".join(rest)
        return [self._p(text) for text in (*out, self._counted(), more)]

    def _counted(self) -> str:
        """What ears collected at the header tell beside their diameters."""
        counts = self._butt_damage
        if counts.empty:
            return (
                "Ears collected at the header tell more than diameters: count those with kernels "
                "missing or cracked at the butt (table ear_butt_damage)."
            )
        ears, damaged = counts["ears_examined"].sum(), counts["ears_damaged"].sum()
        return (
            f"Diameter alone does not tell; go by the counts: of {number(ears, 0)} ears collected "
            f"at the header, all setups together, {100 * damaged / ears:.0f} % were damaged at the "
            "butt."
        )

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
            if verdict == "on some rolls" and not report.unit.assumed:
                verdict = f"not on row{'s' * (len(r.rows_short) > 1)} {', '.join(r.rows_short)}"
            rows.append([
                self._speed(r.speed), _plain(r.feed_row, 1), _plain(r.feed_header, 0),
                self._roll(r.pull_through), self._roll(r.left), verdict, _plain(r.roll_ratio, 2),
                _plain(r.chain_ratio, 2), _plain(r.capacity / size, 1),
                _plain(60 * r.hours_per_ha * size, 1),
            ])  # fmt: skip
        unit = say.length_unit
        head = [f"speed, {say.speed_unit}", "plants/s, row", "plants/s, header",
                f"travel while a stalk is pulled, {unit}", f"least roll that grips, {unit}",
                "pulling finishes", "roll over ground", "chain over ground", capacity,
                f"min/{area}"]  # fmt: skip
        head, rows = _filled(head, rows)
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

    def _limit(self, name: str) -> str:
        """A limit with where it comes from: "1/8 in (common practice)"."""
        limits = self.report.limits
        return f"{self.say.given(getattr(limits, name))} ({source_of(limits, name)})"

    def _asked(self, row: dict[str, Any], column: str) -> str:
        """A gap, or with a question mark the reading nothing is judged by."""
        asked = row[column.replace("gap", "asked")]
        return self._cell(row[column]) if math.isnan(asked) else f"{self._cell(asked)}?"

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


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _filled(head: list[str], rows: list[list[str]]) -> tuple[list[str], list[list[str]]]:
    """A table without the columns in which nothing stands."""
    keep = [k for k in range(len(head)) if any(row[k] for row in rows)]
    return [head[k] for k in keep], [[row[k] for k in keep] for row in rows]


def _lanes(plot: Plot) -> int:
    return sum(1 for line in plot.axes[0].lines if line.get_gid() == "aim left")
