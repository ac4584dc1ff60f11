"""The design as it was run, held against what was meant: strips, frames, speed, gaps, days.

Plain counts, means and ranges of the trial's tables; nothing is estimated.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.analysis.gaps import departures, with_measured_gaps
from trialkit.contradictions import far_speed
from trialkit.pages.elements import Bullets, Element, Sentence, Table, bullets, table
from trialkit.quantities import number
from trialkit.responses import ZONES
from trialkit.responses.fate import SPOILT, fates
from trialkit.units import convert
from trialkit.words import as_run as words

if TYPE_CHECKING:
    from trialkit.pages.letters import Letters
    from trialkit.trial import Trial

# Gaps of one level further apart than this are worth a sentence, mm.
OFF_GAP = 1.6
NAMED = 8


class AsRun:
    """Tables and sentences on the strips of a trial, in the trial's own units.

    Of the strips that are compared; those that their status leaves out are told by `left_out`.
    """

    def __init__(self, trial: Trial, letters: Letters) -> None:
        self.trial, self.letters = (trial := trial.used), letters
        self.counted = trial.strips.loc[fates(trial.strips).ne(SPOILT), "strip"]
        self.strips = with_measured_gaps(trial).strips
        us = trial.config.units == "US"
        self.speed, self.gap, self.area = ("mph", "in", "ft2") if us else ("km/h", "mm", "m2")
        self.factors = trial.config.setups
        self.labels = {
            f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in self.factors
        }

    # ------------------------------------------------------------ setups
    def setups(self) -> Table:
        """One row a level of every factor: strips, speed asked for and measured, gaps."""
        units = {"speed": ("km/h", self.speed), "gap": ("mm", self.gap), "moisture": ("%", "%")}
        shown = {
            column: (told, *units[column.partition("_")[0]])
            for column, told in words.setup_columns(self.speed, self.gap).items()
            if column in self.strips and self.strips[column].notna().any()
        }
        rows = []
        for factor in self.factors:
            for level in factor.levels:
                own = self.strips[self.strips[factor.name].astype(str) == level]
                cells = [self.labels[factor.name][level], str(len(own))]
                cells += [_spread(own[c], si, unit) for c, (_, si, unit) in shown.items()]
                rows.append(cells)
        head = words.setups_head([told for told, _, _ in shown.values()])
        return table(words.TABLES["setups"], head, rows)

    def fields(self) -> Table:
        """One row a field: pairs, strips, days, moisture."""
        rows = []
        for field, own in self.strips.groupby("field", sort=False):
            days = own["harvested_at"].dropna().dt.date
            when = words.no_day()
            if len(days):
                first, last = days.min(), days.max()
                when = str(first) if first == last else f"{first} to {last}"
            rows.append(
                [self.letters.fields[str(field)], str(own["pair"].nunique()), str(len(own)), when,
                 _spread(own["moisture"], "%", "%")]
            )  # fmt: skip
        return table(words.TABLES["fields"], words.FIELDS, rows)

    # ------------------------------------------------------------ frames
    def frames(self) -> Element:
        """One row a zone: frames, strips, frames per strip, area of a frame and in all."""
        rows = []
        frames = self.trial.frames
        for zone, record in ZONES.items():
            ground = record.ground().short
            own = frames[frames["zone"] == zone]
            if own.empty:
                continue
            each = own.groupby("strip").size()
            area = convert(own["area"], "m2", self.area)
            sizes = sorted({number(float(a), 1) for a in area}, key=float)
            size = sizes[0] if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
            per = str(each.min()) if each.min() == each.max() else f"{each.min()} to {each.max()}"
            without = len(self.strips) - len(each)
            rows.append([ground, str(len(own)), str(len(each)), str(without), per, size,
                         number(float(area.sum()), 0)])  # fmt: skip
        if not rows:
            return Sentence(words.no_frames())
        return table(words.TABLES["frames"], words.frames_head(_power(self.area)), rows)

    # ------------------------------------------------------------ sentences
    def departures(self) -> Bullets:
        """What was not as it was meant to be, in sentences."""
        items = [*self._missing(), *self._uneven(), *self._speeds(), *self._gaps(),
                 *self._measured_gaps(), *self._days()]  # fmt: skip
        if not items:
            items = [words.nothing_departs()]
        return bullets(map(self.letters.text, items))

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
                gaps.append((words.pair_of(
                    self.letters.pair(pair, field), self.letters.fields[str(field)]
                ), lacking))
        out = []
        if repeated:
            out.append(words.repeated(repeated))
        if not gaps:
            return [*out, words.complete()]
        for where, lacking in gaps[:NAMED]:
            out.append(words.lacks(where, [self._setup(names, values) for values in lacking]))
        if len(gaps) > NAMED:
            out.append(words.more_lack(len(gaps) - NAMED))
        return out

    def _setup(self, names: list[str], values: tuple[str, ...]) -> str:
        told = [self.labels[n].get(v, v) for n, v in zip(names, values, strict=True)]
        return " with ".join(told)

    def _uneven(self) -> list[str]:
        """Strips with fewer frames than the others of their zone."""
        out = []
        for zone, record in ZONES.items():
            ground = record.ground().short
            own = self.trial.frames[self.trial.frames["zone"] == zone]
            if own.empty:
                continue
            each = own.groupby("strip").size().reindex(self.counted, fill_value=0)
            usual = int(each[each > 0].mode().iloc[0])
            none, fewer = each.index[each == 0], each.index[(each > 0) & (each < usual)]
            if len(none):
                out.append(words.no_frame(ground, list(none)))
            if len(fewer):
                out.append(words.fewer_frames(usual, ground, list(fewer)))
        return out

    def _speeds(self) -> list[str]:
        both = self.strips[["strip", "speed_set", "speed_measured"]].dropna()
        if both.empty:
            return [words.no_speeds()]
        ratio = both["speed_measured"] / both["speed_set"] - 1
        mean, low, high = (100 * float(v) for v in (ratio.mean(), ratio.min(), ratio.max()))
        out = [words.speeds(mean, low, high, len(both))]
        # Those that are far off, one by one, stand with the data's contradictions.
        if off := int(far_speed(both["speed_measured"], both["speed_set"]).sum()):
            out.append(words.off_speed(off))
        return out

    def _gaps(self) -> list[str]:
        """Levels of a factor that set the gap, and strips of one level whose gaps differ."""
        if self.strips["gap_front"].notna().sum() == 0:
            return [words.no_gaps()]
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
                        label = self.labels[factor.name][str(level)]
                        shown = self._length(usual, 0)
                        out.append(words.gap_departs(label, end, shown, list(off)))
            if not out:
                out.append(words.gaps_alike(factor.label, self._length(OFF_GAP)))
        taper = (self.strips["gap_rear"] - self.strips["gap_front"]).dropna()
        if len(taper):
            low, high = (self._length(v).partition(" ")[0] for v in (taper.min(), taper.max()))
            out.append(words.taper(low, high, self.gap))
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
            away, wider = None, False
            if header in over.index:
                beyond = float(over.at[header, "over"])
                away, wider = self._length(abs(beyond)), beyond > 0
                away = "" if away == self._length(0.0) else away
            out.append(words.header_gap(header, mean, away, wider, len(own), spread))
        for reason, own in strips[strips["gap_measured"].isna()].groupby("gap_note", sort=False):
            out.append(words.gap_unknown(len(own), reason))
        return out

    def _length(self, value: float, mm: int = 1) -> str:
        places = 2 if self.gap == "in" else mm
        return f"{number(float(convert(value, 'mm', self.gap)), places)} {self.gap}"

    def _days(self) -> list[str]:
        when = self.strips["harvested_at"]
        if when.isna().all():
            return [words.no_dates()]
        days = when.dropna().dt.date
        out = [words.days(days.nunique(), days.min(), days.max())]
        dated = self.strips[when.notna()].assign(_day=days)
        split = int((dated.groupby(["field", "pair"])["_day"].nunique() > 1).sum())
        if split:
            out.append(words.over_days(split))
        if missing := int(when.isna().sum()):
            out.append(words.undated(missing))
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


def _power(unit: str) -> str:
    return {"ft2": "ft²", "m2": "m²"}.get(unit, unit)
