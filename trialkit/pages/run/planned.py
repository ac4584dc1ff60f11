"""What was planned against what was run: strips, setups, order, pairs, counting, df.

Read from the record a plan leaves in its folder (`trialkit.plan.read_plan`); nothing is estimated.
Strips are known by their names, whatever their capitals and spaces.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.display import freedom
from trialkit.errors import TrialError
from trialkit.pages.elements import Element, Heading, Sentence, Table, bullets, table
from trialkit.plan import planned_tables, read_plan
from trialkit.plan.run_order import departures_from_order, timed_strips
from trialkit.plan.run_order import key as _key
from trialkit.quantities import lower_first
from trialkit.responses import RESPONSES, TABLES, ZONES
from trialkit.responses.fate import FATES, NOT_HARVESTED, fates
from trialkit.words import fates as fate_words
from trialkit.words import planned as words
from trialkit.words import said

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.pages.letters import Letters
    from trialkit.plan import PlannedTrial



def planned_against_run(analysis: TrialAnalysis, letters: Letters) -> tuple[Element, ...]:
    """The comparison; empty where the trial was not planned here."""
    source = analysis.trial.source
    if source is None:
        return ()
    heading = Heading(words.title(), 3)
    try:
        plan = read_plan(source)
    except TrialError as error:
        # The name of the folder or workbook may be a farm's.
        why = str(error).replace(f"{Path(source)}/", "").replace(str(Path(source)), "the workbook")
        return heading, Sentence(letters.text(words.not_compared(why)))
    if plan is None:
        return ()
    found = _Planned(analysis, plan, letters)
    return (
        heading,
        Sentence(letters.text(found.lead())),
        bullets(letters.text(item) for item in found.departures()),
        found.counting(),
        found.freedom(),
    )


class _Planned:
    def __init__(self, analysis: TrialAnalysis, plan: PlannedTrial, letters: Letters) -> None:
        self.analysis, self.plan, self.letters = analysis, plan, letters
        self.trial = analysis.trial
        strips = self.trial.strips
        self.run = strips.assign(key=strips["strip"].map(_key)).set_index("key")
        self.meant = plan.strips.assign(key=plan.strips["strip"].map(_key)).set_index("key")
        self.both = [key for key in self.meant.index if key in self.run.index]
        self.factors = [f for f in self.trial.config.setups if f.name in self.meant]
        self.labels = {
            f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in self.factors
        }

    def lead(self) -> str:
        strips = self.plan.strips
        blocks = strips.groupby(["field", "pair"]).ngroups
        return words.laid_out(
            self.plan.layout, len(strips), blocks, strips["field"].nunique(), self.plan.seed
        )

    # ------------------------------------------------------------ sentences
    def departures(self) -> list[str]:
        """What was not run as planned, in sentences; that nothing differs is said too."""
        if not self.both:
            return [words.no_common_strip()]
        return [*self._strips(), *self._setups(), *self._places(), *self._order(), *self._pairs(),
                *self._changes()]  # fmt: skip

    def _strips(self) -> list[str]:
        out = []
        missing = [self.meant.at[k, "strip"] for k in self.meant.index if k not in self.run.index]
        added = [self.run.at[k, "strip"] for k in self.run.index if k not in self.meant.index]
        said = fates(self.run)
        standing = set(self.run.index[said.eq(NOT_HARVESTED)])
        idle = [self.run.at[k, "strip"] for k in self._idle()
                if k in self.meant.index and k not in standing]  # fmt: skip
        for status in FATES[1:]:
            own = self.run.loc[said.eq(status) & self.run.index.isin(self.meant.index), "strip"]
            if len(own):
                out.append(fate_words.as_said(status, list(own.astype(str))))
        if missing:
            refused = self.trial.read.loc[self.trial.read["table"].eq("strips"), "rows_refused"]
            out.append(words.not_run(missing, int(refused.sum())))
        if idle:
            out.append(words.idle(idle))
        if added:
            out.append(words.not_planned(added))
        return out or [words.all_run(len(self.meant))]

    def _idle(self) -> list[str]:
        """Strips of the table that were not harvested: by their status, or for want of a time of
        harvest and of anything measured on them."""
        own = self.run
        read = ["speed_measured", *(r.response for r in RESPONSES.values() if r.table == "strips")]
        touched = own["harvested_at"].notna() | own[read].notna().any(axis=1)
        for name in (name for name, layout in TABLES.items() if layout.response):
            touched |= own["strip"].isin(self.trial.tables[name]["strip"])
        return list(own.index[~touched | fates(own).eq(NOT_HARVESTED)])

    def _setups(self) -> list[str]:
        out = []
        unplanned = [f.label for f in self.trial.config.setups if f not in self.factors]
        if unplanned:
            out.append(words.unknown_factors(unplanned))
        changed = []
        for f in self.factors:
            for key in self.both:
                meant, ran = (str(t.at[key, f.name]) for t in (self.meant, self.run))
                if meant != ran and pd.notna(self.run.at[key, f.name]):
                    was, now = (self.labels[f.name].get(v, v) for v in (meant, ran))
                    changed.append((str(self.run.at[key, "strip"]), now, was))
        if changed:
            out.append(words.other_setups(changed))
        elif self.factors:
            out.append(words.setups_as_planned())
        return out

    def _places(self) -> list[str]:
        """Strips that count to another field, pair or main strip than planned."""
        moved: dict[str, list[str]] = {"field": [], "pair": [], "main_strip": []}
        for key in self.both:
            for column, strips in moved.items():
                meant, ran = (t.at[key, column] for t in (self.meant, self.run))
                if pd.isna(meant) and pd.isna(ran):
                    continue
                if pd.isna(meant) or pd.isna(ran) or _key(meant) != _key(ran):
                    strips.append(self.run.at[key, "strip"])
                    break
        return [words.moved(unit, strips) for unit, strips in moved.items() if strips]

    # ------------------------------------------------------------ order
    def _timed(self) -> pd.DataFrame:
        return timed_strips(self.plan, self.trial)

    def _order(self) -> list[str]:
        timed = self._timed()
        undated = len(self.both) - len(timed)
        if timed.empty:
            return [words.no_times()]
        out = []
        if undated:
            out.append(words.some_without_time(undated))
        if not self._ordered(timed):
            out.append(words.same_times())
        notes = departures_from_order(timed, self.letters.fields)
        if not any(note.code == "planned.out_of_order" for note in notes):
            out.append(words.in_order())
        return out + said(notes)

    @staticmethod
    def _ordered(timed: pd.DataFrame) -> bool:
        """Whether times tell the order of all strips of a field."""
        return not timed.duplicated(["field", "when"]).any()

    def _pairs(self) -> list[str]:
        """Planned pairs that lost a strip, were run over several days, or not in one go."""
        idle = set(self._idle())
        ran = self.meant.index.isin([k for k in self.both if k not in idle])
        planned = self.meant.assign(ran=ran).groupby(["field", "pair"], sort=False)["ran"]
        size, left = planned.size(), planned.sum()
        out = []
        for what, which in (("lost", (left < size) & (left > 0)), ("none", left == 0)):
            if which.any():
                out.append(self._told(list(size.index[which]), what))
        timed = self._timed()
        days = timed.assign(day=timed["when"].dt.date).groupby(["field", "pair"], sort=False)
        over = days["day"].nunique()
        if (over > 1).any():
            out.append(self._told(list(over.index[over > 1]), "days"))
        torn = []
        for field, own in timed.groupby("field", sort=False):
            if own["when"].duplicated().any():
                continue
            by_time = own.sort_values("when")["pair"].reset_index(drop=True)
            for pair in dict.fromkeys(by_time):
                at = by_time.index[by_time == pair]
                if at[-1] - at[0] >= len(at):
                    torn.append((field, pair))
        if torn:
            out.append(self._told(torn, "torn"))
        return out

    def _told(self, pairs: list[tuple[object, object]], what: str) -> str:
        fields = self.letters.fields
        named = [(self.letters.pair(p, f), fields.get(str(f), str(f))) for f, p in pairs]
        return words.pairs_did(named, what)

    def _changes(self) -> list[str]:
        """How often a factor that takes time to change was changed, where times tell it."""
        timed = self._timed()
        if len(timed) < len(self.meant) or timed["when"].duplicated().any():
            return []
        by_time = self.run.loc[timed.sort_values("when").index]
        planned = self.plan.changeovers.set_index("factor")
        out = []
        for f in self.factors:
            if f.name not in planned.index or not planned.at[f.name, "minutes_each"]:
                continue
            levels = by_time[f.name].astype(str).to_numpy()
            ran, meant = int((levels[1:] != levels[:-1]).sum()), int(planned.at[f.name, "changes"])
            if ran != meant:
                out.append(words.changes(f.label, ran, meant))
        return out

    # ------------------------------------------------------------ tables
    def counting(self) -> Element:
        """One row per kind of count: planned and counted, in all and per strip."""
        if self.plan.effort is None:
            return Sentence(words.no_effort())
        planned = planned_tables(self.plan.strips, self.plan.effort)
        rows = []
        frames, own = planned["frames"], self.trial.frames
        for zone, record in ZONES.items():
            told = words.frames_at(record.ground().at)
            rows.append(
                self._counted(told, frames[frames["zone"] == zone], own[own["zone"] == zone])
            )
        for name, layout in TABLES.items():
            if layout.sheet is not None and name != "frames":
                made = self.trial.tables[name]
                rows.append(self._counted(layout.sheet.counted, planned[name], made))
        rows = [row for row in rows if row[1] != "0" or row[2] != "0"]
        if not rows:
            return Sentence(words.nothing_counted())
        return table(words.counts_caption(), words.COUNTS_HEAD, rows)

    def _counted(self, what: str, meant: pd.DataFrame, made: pd.DataFrame) -> list[str]:
        want = meant["strip"].map(_key).value_counts().reindex(self.meant.index, fill_value=0)
        have = made["strip"].map(_key).value_counts().reindex(self.meant.index, fill_value=0)
        asked = want > 0
        none = asked & (have == 0)
        cells = [len(meant), len(made), int((asked & (have == want)).sum()),
                 int((asked & (have < want) & ~none).sum()), int(none.sum()),
                 int((have > want).sum())]  # fmt: skip
        return [what, *(str(cell) for cell in cells)]

    def freedom(self) -> Table:
        """Degrees of freedom planned for each factor, left by the layout as run, and used."""
        result = next(iter(self.analysis.responses.values()))
        planned = self.plan.degrees_of_freedom.set_index("factor")
        rows = []
        for f in result.design.factors:
            used = result.contrasts.loc[result.contrasts["factor"] == f.name, "df"]
            ends = dict.fromkeys(freedom(float(v)) for v in (used.min(), used.max()))
            known = f.name in planned.index
            rows.append(
                [self.letters.text(f.label),
                 str(int(planned.at[f.name, "error_df"])) if known
                 else words.freedom_not_planned(),
                 str(result.design.strata[f.name].df), " to ".join(ends)]
            )  # fmt: skip
        caption = words.freedom_caption(lower_first(result.title))
        return table(caption, words.FREEDOM_HEAD, rows)
