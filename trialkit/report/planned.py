"""What was planned against what was run: strips, setups, order, pairs, counting, df.

Read from the record a plan leaves in its folder (`trialkit.plan.read_plan`); nothing is estimated.
Strips are known by their names, whatever their capitals and spaces.
"""

from __future__ import annotations

from bisect import bisect_right
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.display import freedom
from trialkit.errors import TrialError
from trialkit.plan import planned_tables, read_plan
from trialkit.quantities import lower_first
from trialkit.report.fragments import bullets, paragraph, table
from trialkit.report.wording import counted, listed

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.plan import PlannedTrial
    from trialkit.report.letters import Letters

NAMED = 8
LAYOUTS = {"pairs": "paired strips", "blocks": "complete blocks", "split": "split-strips"}
ZONES = {
    "preharvest": "frames in standing corn", "header": "frames behind the header",
    "total": "frames behind the machine",
}  # fmt: skip
COUNTED = {
    "ears": "ear searches", "grain": "grain samples", "ear_butt_damage": "groups of ears",
    "residue": "residue readings",
}  # fmt: skip
_MEASURED = ["speed_measured", "moisture", "test_weight", "yield"]


def planned_against_run(analysis: TrialAnalysis, letters: Letters) -> str:
    """HTML of the comparison; empty where the trial was not planned here."""
    source = analysis.trial.source
    if source is None:
        return ""
    heading = "<h3>Planned and run</h3>"
    try:
        plan = read_plan(source)
    except TrialError as error:
        # The folder's name may be a farm's.
        words = str(error).replace(f"{Path(source)}/", "")
        return heading + paragraph(
            letters.text(f"The plan of this trial cannot be compared with the run: {words}")
        )
    if plan is None:
        return ""
    found = _Planned(analysis, plan, letters)
    return "".join(
        [
            heading,
            paragraph(letters.text(found.lead())),
            bullets([letters.text(item) for item in found.departures()]),
            found.counting(),
            found.freedom(),
        ]
    )


def longest_in_order(values: list[object]) -> int:
    """Length of the longest part, in its order, that never falls: the rest had to be moved."""
    tails: list = []
    for value in values:
        at = bisect_right(tails, value)
        tails[at : at + 1] = [value]
    return len(tails)


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
        plan, strips = self.plan, self.plan.strips
        layout = LAYOUTS.get(plan.layout, plan.layout)
        fields = strips["field"].nunique()
        blocks = strips.groupby(["field", "pair"]).ngroups
        where = "one field" if fields == 1 else f"{fields} fields"
        unit = "pair" if plan.layout == "pairs" else "block"
        return (
            f"Planned as {layout}: {counted(len(strips), 'strip')} in {counted(blocks, unit)} on "
            f"{where}, setups drawn at random from seed {plan.seed}."
        )

    # ------------------------------------------------------------ sentences
    def departures(self) -> list[str]:
        """What was not run as planned, in sentences; that nothing differs is said too."""
        if not self.both:
            return [
                "No strip of the strips table has the name of a planned one, so the two cannot be "
                "held against each other strip by strip."
            ]
        return [*self._strips(), *self._setups(), *self._places(), *self._order(), *self._pairs(),
                *self._changes()]  # fmt: skip

    def _strips(self) -> list[str]:
        out = []
        missing = [self.meant.at[k, "strip"] for k in self.meant.index if k not in self.run.index]
        added = [self.run.at[k, "strip"] for k in self.run.index if k not in self.meant.index]
        idle = [self.run.at[k, "strip"] for k in self._idle() if k in self.meant.index]
        if missing:
            refused = self.trial.read.loc[self.trial.read["table"].eq("strips"), "rows_refused"]
            rows = int(refused.sum())
            more = (
                f" ({counted(rows, 'row')} of the strips table {'was' if rows == 1 else 'were'} "
                "refused when it was read, and may be among them)"
                if rows
                else ""
            )
            out.append(f"Planned, but not in the strips table: {_named(missing)}{more}.")
        if idle:
            out.append(f"In the strips table, but nothing says it was run: {_named(idle)}.")
        if added:
            out.append(f"Run, but not planned: {_named(added)}.")
        if not out:
            out.append(f"All {len(self.meant)} planned strips were run, and no other.")
        return out

    def _idle(self) -> list[str]:
        """Strips of the table without a time of harvest and without anything measured on them."""
        own = self.run
        touched = own["harvested_at"].notna() | own[_MEASURED].notna().any(axis=1)
        for name in ("frames", *COUNTED):
            touched |= own["strip"].isin(getattr(self.trial, name)["strip"])
        return list(own.index[~touched])

    def _setups(self) -> list[str]:
        out = []
        unplanned = [f.label for f in self.trial.config.setups if f not in self.factors]
        if unplanned:
            out.append(f"The plan knows nothing of {listed([lower_first(u) for u in unplanned])}.")
        changed = []
        for f in self.factors:
            for key in self.both:
                meant, ran = (str(t.at[key, f.name]) for t in (self.meant, self.run))
                if meant != ran and pd.notna(self.run.at[key, f.name]):
                    was, now = (self.labels[f.name].get(v, v) for v in (meant, ran))
                    changed.append(
                        f"{self.run.at[key, 'strip']} ({now} instead of {lower_first(was)})"
                    )
        if changed:
            more = f" and {len(changed) - NAMED} more" if len(changed) > NAMED else ""
            out.append(
                f"Another setup than planned on {counted(len(changed), 'strip')}: "
                f"{', '.join(changed[:NAMED])}{more}. The strips are analysed as run, and their "
                "setups are no longer those the lot gave them."
            )
        elif self.factors:
            out.append("Every strip that was run had its planned setup.")
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
        words = {"field": "field", "pair": "pair (block)", "main_strip": "main strip"}
        return [
            f"Put to another {words[column]} than planned: {_named(strips)}."
            for column, strips in moved.items()
            if strips
        ]

    # ------------------------------------------------------------ order
    def _timed(self) -> pd.DataFrame:
        """Planned strips that carry a time, in planned order: ``field, pair, when, strip``."""
        known = self.run.loc[self.both, ["strip", "field", "pair", "harvested_at"]]
        known = known.rename(columns={"harvested_at": "when"})
        known["planned"] = self.meant.loc[self.both, "run"].astype(float)
        return known.dropna(subset=["when"]).sort_values("planned", kind="stable")

    def _order(self) -> list[str]:
        timed = self._timed()
        undated = len(self.both) - len(timed)
        if timed.empty:
            return ["No strip carries a time of harvest, so the order of work cannot be told."]
        out = []
        if undated:
            out.append(
                f"{counted(undated, 'planned strip')} without a time of harvest: "
                f"{'its' if undated == 1 else 'their'} place in the order of work is not known."
            )
        if not self._ordered(timed):
            out.append(
                "Several strips of a field carry the same time of harvest, so the order of work "
                "inside it is known only as far as times differ."
            )
        off = {}
        for field, own in timed.groupby("field", sort=False):
            moved = len(own) - longest_in_order(list(own["when"]))
            if moved:
                off[str(field)] = (moved, len(own))
        for field, (moved, strips) in off.items():
            out.append(
                f"On {self.letters.fields.get(field, field)} the order of harvest was not the "
                f"planned one: {moved} of {strips} strips would have to be moved to make it so."
            )
        first = timed.groupby("field", sort=False)["when"].min()
        if not off:
            out.append("Strips were harvested in the planned order, as far as times are known.")
        if not first.is_monotonic_increasing:
            went = [self.letters.fields.get(str(f), str(f)) for f in first.sort_values().index]
            out.append(f"Fields were taken in another order than planned: {listed(went)}.")
        return out

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
        for words, which in (
            ("lost a strip or more", (left < size) & (left > 0)), ("was not run at all", left == 0),
        ):  # fmt: skip
            if which.any():
                out.append(f"{self._told(list(size.index[which]), words)}.")
        timed = self._timed()
        days = timed.assign(day=timed["when"].dt.date).groupby(["field", "pair"], sort=False)
        over = days["day"].nunique()
        if (over > 1).any():
            split = list(over.index[over > 1])
            out.append(f"{self._told(split, 'was split over more than one day')}.")
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
            out.append(
                f"{self._told(torn, 'was not harvested in one go')}: strips of others came in "
                "between, and what changed meanwhile is part of the comparison there."
            )
        return out

    def _told(self, pairs: list[tuple[object, object]], words: str) -> str:
        shown = [f"{pair} of {self.letters.fields.get(str(field), field)}" for field, pair in pairs]
        if len(shown) > NAMED:
            shown[NAMED:] = [f"{len(shown) - NAMED} more"]
        verb = words if len(pairs) == 1 else words.replace("was ", "were ")
        return f"{counted(len(pairs), 'pair (block)', 'pairs (blocks)')} {verb}: {listed(shown)}"

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
                out.append(
                    f"{f.label} was changed {counted(ran, 'time')} by the times of harvest; "
                    f"planned were {meant}."
                )
        return out

    # ------------------------------------------------------------ tables
    def counting(self) -> str:
        """One row per kind of count: planned and counted, in all and per strip."""
        if self.plan.effort is None:
            return paragraph("The plan does not say how much was to be counted.")
        planned = planned_tables(self.plan.strips, self.plan.effort)
        rows = []
        frames, own = planned["frames"], self.trial.frames
        for zone, words in ZONES.items():
            rows.append(
                self._counted(words, frames[frames["zone"] == zone], own[own["zone"] == zone])
            )
        for name, words in COUNTED.items():
            rows.append(self._counted(words, planned[name], getattr(self.trial, name)))
        rows = [row for row in rows if row[1] != "0" or row[2] != "0"]
        if not rows:
            return paragraph("The plan asked for no counts, and none were made.")
        head = ["what", "planned", "counted", "strips as planned", "with fewer", "with none",
                "with more"]  # fmt: skip
        return table("Counts planned and made; strips are those planned", head, rows)

    def _counted(self, words: str, meant: pd.DataFrame, made: pd.DataFrame) -> list[str]:
        want = meant["strip"].map(_key).value_counts().reindex(self.meant.index, fill_value=0)
        have = made["strip"].map(_key).value_counts().reindex(self.meant.index, fill_value=0)
        asked = want > 0
        none = asked & (have == 0)
        cells = [len(meant), len(made), int((asked & (have == want)).sum()),
                 int((asked & (have < want) & ~none).sum()), int(none.sum()),
                 int((have > want).sum())]  # fmt: skip
        return [words, *(str(cell) for cell in cells)]

    def freedom(self) -> str:
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
                 str(int(planned.at[f.name, "error_df"])) if known else "not planned",
                 str(result.design.strata[f.name].df), " to ".join(ends)]
            )  # fmt: skip
        head = ["setup factor", "planned", "left by the layout as run", "used by the model"]
        return table(
            f"Degrees of freedom for error, planned and run ({lower_first(result.title)})", head,
            rows,
        )  # fmt: skip


def _key(name: object) -> str:
    return " ".join(str(name).split()).casefold()


def _named(strips: list[str]) -> str:
    """ "strip a", "strips a and b", "12 strips (a, b, ...)"."""
    if len(strips) == 1:
        return f"strip {strips[0]}"
    if len(strips) <= NAMED:
        return f"strips {listed([str(s) for s in strips])}"
    return f"{len(strips)} strips ({', '.join(map(str, strips[:NAMED]))}, …)"
