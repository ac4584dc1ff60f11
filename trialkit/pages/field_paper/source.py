"""What field paper is made from: a trial's settings and strips, its plan, what is to be counted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from trialkit.errors import ReportError
from trialkit.intake import TrialConfig
from trialkit.intake.read import read_trial
from trialkit.plan import PlannedTrial, read_plan
from trialkit.plan.sheets import planned_tables
from trialkit.responses import ZONES, schema
from trialkit.simulate import Effort, Work
from trialkit.trial import Trial
from trialkit.words import ENGLISH, languages, spoken


@dataclass(frozen=True, slots=True, eq=False)
class FieldTrial:
    """A trial about to be counted.

    Attributes
    ----------
    config : TrialConfig
    fields, strips, header_check : DataFrame
        SI, as the trial has them; strips in the order of work where there is a plan.
    counted : dict of str to DataFrame
        Every table that something is measured in: a row for everything to be taken (ids and
        areas).
    counted_from : str
        Where these rows come from: "effort", "plan", "tables" or "usual".
    plan : PlannedTrial or None
    folder : Path or None
        Where the trial is.
    language : str
        What is printed is said in it, as far as `trialkit.words` has it.
    """

    config: TrialConfig
    fields: pd.DataFrame
    strips: pd.DataFrame
    header_check: pd.DataFrame
    counted: dict[str, pd.DataFrame]
    counted_from: str
    plan: PlannedTrial | None
    folder: Path | None
    language: str = ENGLISH

    def say(self, code: str, *values: Any) -> Any:
        """What a function of `trialkit.words` says, "cards.drive", in the language of the paper."""
        subject, _, name = code.partition(".")
        return spoken(subject, name, self.language)(*values)

    def planned(self, strip: str) -> dict[str, Any]:
        """What the plan says of a strip; empty without one."""
        if self.plan is None:
            return {}
        own = self.plan.strips[self.plan.strips["strip"].astype(str) == strip]
        return {str(k): v for k, v in own.iloc[0].items()} if len(own) else {}

    def rows(self, strip: str) -> int:
        """Rows of the strip's pass."""
        plan = self.planned(strip)
        whole = self.config.header.rows
        return int(plan["last_row"]) - int(plan["first_row"]) + 1 if plan else whole

    def minutes(self) -> float:
        """Minutes at the stop of a strip that has most to count, by the plan's own pace of work."""
        work = Work() if self.plan is None else Work.recorded(self.plan.arguments)
        most = {n: t.groupby("strip").size().max() for n, t in self.counted.items() if len(t)}
        sheets = {name: schema.TABLES[name].sheet for name in most}
        return work.stop_minutes + sum(
            work.of_rows(sheet.minutes, int(most[name]))
            for name, sheet in sheets.items()
            if sheet is not None and sheet.at_stop
        )

    def back_up(self) -> float:
        """How far (m) the longest ear search between machine and standing corn reaches."""
        ears = self.counted["ears"]
        area = ears.loc[ears["zone"].eq("header")].groupby("strip")["area"].max()
        wide = self.config.header.width / self.config.header.rows
        return max((float(a) / (wide * self.rows(str(s))) for s, a in area.items()), default=0.0)

    def spacings(self) -> dict[str, float]:
        """Row spacing (m) of every field that states one."""
        known = self.fields.dropna(subset=["row_spacing"])
        return dict(zip(known["field"].astype(str), known["row_spacing"].astype(float),
                        strict=True))  # fmt: skip


def field_trial(
    trial: Trial | str | Path, effort: Effort | None = None, language: str = ENGLISH
) -> FieldTrial:
    """Read what is to be counted.

    A trial needs no counts yet: its settings and strips are enough. What is to be taken comes from
    `effort`, else from the effort of the plan, else from the rows the trial's tables hold, else it
    is the usual one (`trialkit.simulate.Effort`).

    Raises
    ------
    TrialError
        When the settings or the plan cannot be read.
    ReportError
        When the trial has no strips, or nothing is said in that language.
    """
    if language not in languages():
        raise ReportError(
            f"There are no words in language {language!r}; choose from {', '.join(languages())}."
        )
    if isinstance(trial, Trial):
        config, tables, folder = trial.config, trial.tables, trial.source
    else:
        intake = read_trial(trial)
        config, tables, folder = intake.config, intake.tables, Path(trial)
    strips = tables["strips"]
    if strips.empty:
        raise ReportError(
            "There is no strip to print a card for: fill in the strips table, or plan the trial."
        )
    plan = read_plan(folder) if folder is not None else None
    if plan is not None:
        run = dict(zip(plan.strips["strip"].astype(str), plan.strips["run"], strict=True))
        # A strip that was added by hand comes last.
        order = strips["strip"].astype(str).map(run).astype(float).fillna(float("inf"))
        strips = strips.loc[order.sort_values(kind="stable").index].reset_index(drop=True)
    counted, origin = _counted(tables, strips, plan, effort, config)
    return FieldTrial(config, tables["fields"], strips, tables["header_check"], counted, origin,
                      plan, folder, language)  # fmt: skip


def _counted(
    tables: Mapping[str, pd.DataFrame], strips: pd.DataFrame, plan: PlannedTrial | None,
    effort: Effort | None, config: TrialConfig,
) -> tuple[dict[str, pd.DataFrame], str]:  # fmt: skip
    if effort is not None:
        return planned_tables(strips, effort), "effort"
    if plan is not None and plan.effort is not None:
        return planned_tables(strips, plan.effort), "plan"
    own = {name: tables[name] for name, layout in schema.TABLES.items() if layout.response}
    if any(map(len, own.values())):
        return own, "tables"
    return planned_tables(strips, Effort.usual(config.units, config.header.width)), "usual"


def zone_order(frames: pd.DataFrame) -> list[str]:
    """Zones with frames, in the order the ground is walked."""
    present = set(frames["zone"])
    return [zone for zone in ZONES if zone in present]


def zone_number(zone: str) -> int:
    """Number of a zone on card and drawing: its place in the order the ground is walked."""
    return list(ZONES).index(zone) + 1


def folder_for(trial: FieldTrial, out: str | Path | None) -> Path:
    """Where to write: `out`, else the trial's own folder, or that of its workbook."""
    if out is not None:
        return Path(out)
    if trial.folder is None:
        raise ReportError("Say where to write: this trial is not on disk (out=...).")
    return trial.folder if trial.folder.is_dir() else trial.folder.parent
