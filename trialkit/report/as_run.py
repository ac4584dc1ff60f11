"""The design as it was run, held against what was meant: strips, frames, speed, gaps, days.

Plain counts, means and ranges of the trial's tables; nothing is estimated.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.analysis.gaps import departures, with_measured_gaps
from trialkit.quantities import lower_first, number, upper_first
from trialkit.report.fragments import bullets, paragraph, table
from trialkit.report.wording import counted, listed
from trialkit.units import convert

if TYPE_CHECKING:
    from trialkit.report.letters import Letters
    from trialkit.trial import Trial

ZONES = {
    "preharvest": "standing corn",
    "header": "behind the header",
    "total": "behind the machine",
}
# A strip this far from the speed asked for is named.
OFF_SPEED = 0.10
# Gaps of one level further apart than this are worth a sentence, mm.
OFF_GAP = 1.6
NAMED = 8


class AsRun:
    """Tables and sentences on the strips of a trial, in the trial's own units."""

    def __init__(self, trial: Trial, letters: Letters) -> None:
        self.trial, self.letters = trial, letters
        self.strips = with_measured_gaps(trial).strips
        us = trial.config.units == "US"
        self.speed, self.gap, self.area = ("mph", "in", "ft2") if us else ("km/h", "mm", "m2")
        self.factors = trial.config.setups
        self.labels = {
            f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in self.factors
        }

    # ------------------------------------------------------------ setups
    def setups(self) -> str:
        """One row a level of every factor: strips, speed asked for and measured, gaps."""
        shown = {
            "speed_set": (f"speed set, {self.speed}", "km/h", self.speed),
            "speed_measured": (f"measured, {self.speed}", "km/h", self.speed),
            "gap_front": (f"front gap, {self.gap}", "mm", self.gap),
            "gap_rear": (f"rear gap, {self.gap}", "mm", self.gap),
            "gap_measured": (f"gap measured on the header, {self.gap}", "mm", self.gap),
            "moisture": ("moisture, %", "%", "%"),
        }
        shown = {
            c: v for c, v in shown.items() if c in self.strips and self.strips[c].notna().any()
        }
        rows = []
        for factor in self.factors:
            for level in factor.levels:
                own = self.strips[self.strips[factor.name].astype(str) == level]
                cells = [self.labels[factor.name][level], str(len(own))]
                cells += [_spread(own[c], si, unit) for c, (_, si, unit) in shown.items()]
                rows.append(cells)
        head = ["setup", "strips", *(words for words, _, _ in shown.values())]
        return table("Setups as run: mean (least to most) of the strips", head, rows)

    def fields(self) -> str:
        """One row a field: pairs, strips, days, moisture."""
        rows = []
        for field, own in self.strips.groupby("field", sort=False):
            days = own["harvested_at"].dropna().dt.date
            when = "not recorded"
            if len(days):
                first, last = days.min(), days.max()
                when = str(first) if first == last else f"{first} to {last}"
            rows.append(
                [self.letters.fields[str(field)], str(own["pair"].nunique()), str(len(own)), when,
                 _spread(own["moisture"], "%", "%")]
            )  # fmt: skip
        return table("Fields as run", ["field", "pairs", "strips", "days", "moisture, %"], rows)

    # ------------------------------------------------------------ frames
    def frames(self) -> str:
        """One row a zone: frames, strips, frames per strip, area of a frame and in all."""
        rows = []
        frames = self.trial.frames
        for zone, words in ZONES.items():
            own = frames[frames["zone"] == zone]
            if own.empty:
                continue
            each = own.groupby("strip").size()
            area = convert(own["area"], "m2", self.area)
            sizes = sorted({number(float(a), 1) for a in area}, key=float)
            size = sizes[0] if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
            per = str(each.min()) if each.min() == each.max() else f"{each.min()} to {each.max()}"
            without = len(self.strips) - len(each)
            rows.append([words, str(len(own)), str(len(each)), str(without), per, size,
                         number(float(area.sum()), 0)])  # fmt: skip
        if not rows:
            return paragraph("No frames were laid.")
        head = ["ground", "frames", "strips with", "without", "per strip",
                f"a frame, {_power(self.area)}", f"in all, {_power(self.area)}"]  # fmt: skip
        return table("Frames laid", head, rows)

    # ------------------------------------------------------------ sentences
    def departures(self) -> str:
        """What was not as it was meant to be, in sentences."""
        items = [*self._missing(), *self._uneven(), *self._speeds(), *self._gaps(),
                 *self._measured_gaps(), *self._days()]  # fmt: skip
        if not items:
            items = ["Every pair (block) holds every setup, and nothing recorded departs from it."]
        return bullets([self.letters.text(item) for item in items])

    def _missing(self) -> list[str]:
        """Setups that a pair lacks although the trial ran them elsewhere."""
        names = [f.name for f in self.factors]
        if not names:
            return []
        every = set(self.strips[names].astype(str).itertuples(index=False, name=None))
        gaps, repeated = [], 0
        for (field, pair), own in self.strips.groupby(["field", "pair"], sort=False):
            here = list(own[names].astype(str).itertuples(index=False, name=None))
            repeated += len(here) > len(set(here))
            if lacking := sorted(every - set(here)):
                gaps.append((f"pair {pair} of {self.letters.fields[str(field)]}", lacking))
        out = []
        if repeated:
            hold = "(block) holds" if repeated == 1 else "(blocks) hold"
            out.append(f"{counted(repeated, 'pair')} {hold} a setup more than once.")
        if not gaps:
            return [*out, "Every pair (block) holds every setup that was run."]
        for where, lacking in gaps[:NAMED]:
            setups = listed([self._setup(names, values) for values in lacking[:4]])
            more = f" and {len(lacking) - 4} more" if len(lacking) > 4 else ""
            out.append(f"{upper_first(where)} has no strip of {setups}{more}.")
        if len(gaps) > NAMED:
            out.append(f"{len(gaps) - NAMED} more pairs lack a setup.")
        return out

    def _setup(self, names: list[str], values: tuple[str, ...]) -> str:
        words = [self.labels[n].get(v, v) for n, v in zip(names, values, strict=True)]
        return " with ".join(words)

    def _uneven(self) -> list[str]:
        """Strips with fewer frames than the others of their zone."""
        out = []
        for zone, words in ZONES.items():
            own = self.trial.frames[self.trial.frames["zone"] == zone]
            if own.empty:
                continue
            each = own.groupby("strip").size().reindex(self.strips["strip"], fill_value=0)
            usual = int(each[each > 0].mode().iloc[0])
            none, fewer = each.index[each == 0], each.index[(each > 0) & (each < usual)]
            if len(none):
                out.append(f"No frame {words} on {_named(list(none))}.")
            if len(fewer):
                out.append(f"Fewer than the usual {usual} frames {words} on {_named(list(fewer))}.")
        return out

    def _speeds(self) -> list[str]:
        both = self.strips[["strip", "speed_set", "speed_measured"]].dropna()
        if both.empty:
            return ["Ground speed was not both set and measured on any strip."]
        ratio = both["speed_measured"] / both["speed_set"] - 1
        mean = 100 * float(ratio.mean())
        out = [
            f"Measured speed was {number(abs(mean), 1)} % {'below' if mean < 0 else 'above'} the "
            f"speed asked for on average, from {_signed(ratio.min())} to {_signed(ratio.max())} % "
            f"({counted(len(both), 'strip')})."
        ]
        off = both.loc[ratio.abs() > OFF_SPEED, "strip"]
        if len(off):
            out.append(f"More than {100 * OFF_SPEED:.0f} % off the speed asked for: "
                       f"{_named(list(off))}.")  # fmt: skip
        return out

    def _gaps(self) -> list[str]:
        """Levels of a factor that set the gap, and strips of one level whose gaps differ."""
        if self.strips["gap_front"].notna().sum() == 0:
            return ["Stripper-plate gaps were not recorded strip by strip."]
        out = []
        setters = []
        for factor in self.factors:
            means = self.strips.groupby(factor.name, observed=True)["gap_front"].mean()
            if len(means) > 1 and any(abs(a - b) > OFF_GAP for a, b in combinations(means, 2)):
                setters.append(factor)
        for factor in setters[:1]:
            for level, own in self.strips.groupby(factor.name, observed=True, sort=False):
                for column, end in (("gap_front", "front"), ("gap_rear", "rear")):
                    usual = own[column].median()
                    off = own.loc[(own[column] - usual).abs() > OFF_GAP, "strip"]
                    if len(off):
                        shown = number(float(convert(usual, "mm", self.gap)),
                                       2 if self.gap == "in" else 0)  # fmt: skip
                        out.append(
                            f"{self.labels[factor.name][str(level)]}: the {end} gap departs from "
                            f"the level's usual {shown} {self.gap} on {_named(list(off))}."
                        )
            if not out:
                within = number(float(convert(OFF_GAP, "mm", self.gap)),
                                2 if self.gap == "in" else 1)  # fmt: skip
                out.append(
                    f"Gaps measured at front and rear were alike on all strips of a level of "
                    f"{lower_first(factor.label)} (within {within} {self.gap})."
                )
        taper = (self.strips["gap_rear"] - self.strips["gap_front"]).dropna()
        if len(taper):
            places = 2 if self.gap == "in" else 1
            low, high = (
                number(float(convert(v, "mm", self.gap)), places)
                for v in (taper.min(), taper.max())
            )
            span = low if low == high else f"{low} to {high}"
            out.append(f"The rear gap was {span} {self.gap} wider than the front one.")
        return out

    def _measured_gaps(self) -> list[str]:
        """What the header's rows read, and how far that lies from the gaps set."""
        strips = self.strips
        if "gap_measured" not in strips:
            return []
        out = []
        over = departures(strips).set_index("header")
        known = strips.dropna(subset=["gap_measured", "header"])
        for header, own in known.groupby("header", sort=False):
            mean, spread = (self._length(own[c].mean()) for c in ("gap_measured", "gap_sd"))
            text = f"Header {header}: the gap measured on its rows was {mean} on average"
            if header in over.index:
                away = float(over.at[header, "over"])
                side = "wider" if away > 0 else "narrower"
                same = self._length(abs(away)) == self._length(0.0)
                text += ", as set" if same else f", {self._length(abs(away))} {side} than set"
            out.append(f"{text} ({counted(len(own), 'strip')}); rows differ by {spread} (sd).")
        for reason, own in strips[strips["gap_measured"].isna()].groupby("gap_note", sort=False):
            out.append(
                f"The gap as measured is not known for {counted(len(own), 'strip')}: {reason}."
            )
        return out

    def _length(self, value: float) -> str:
        places = 2 if self.gap == "in" else 1
        return f"{number(float(convert(value, 'mm', self.gap)), places)} {self.gap}"

    def _days(self) -> list[str]:
        when = self.strips["harvested_at"]
        if when.isna().all():
            return ["The strips carry no dates."]
        days = when.dropna().dt.date
        out = [f"Harvested on {counted(days.nunique(), 'day')}, {days.min()} to {days.max()}."]
        if days.nunique() == 1:
            out = [f"Harvested on one day, {days.min()}."]
        dated = self.strips[when.notna()].assign(_day=days)
        split = int((dated.groupby(["field", "pair"])["_day"].nunique() > 1).sum())
        if split:
            out.append(
                f"{counted(split, 'pair')} {'(block) runs' if split == 1 else '(blocks) run'} over "
                "more than one day: what days differ by is part of the comparison there."
            )
        if missing := int(when.isna().sum()):
            out.append(f"{counted(missing, 'strip')} without a date.")
        return out


def _spread(values: pd.Series, si: str, unit: str) -> str:
    """ "4.5", "4.5 (4.3 to 4.7)"."""
    known = values.dropna()
    if known.empty:
        return ""
    places = {"in": 2, "mm": 0}.get(unit, 1)
    mean, low, high = (
        number(float(convert(v, si, unit) if si != unit else v), places)
        for v in (known.mean(), known.min(), known.max())
    )
    return mean if low == high else f"{mean} ({low} to {high})"


def _signed(value: float) -> str:
    text = number(100 * float(value), 1)
    return text if value < 0 else f"+{text}"


def _named(strips: list[str]) -> str:
    """ "strip a", "strips a and b", "12 strips (a, b, ...)"."""
    if len(strips) == 1:
        return f"strip {strips[0]}"
    if len(strips) <= NAMED:
        return f"strips {listed(strips)}"
    return f"{len(strips)} strips ({', '.join(strips[:NAMED])}, …)"


def _power(unit: str) -> str:
    return {"ft2": "ft²", "m2": "m²"}.get(unit, unit)
