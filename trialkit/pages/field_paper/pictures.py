"""Pictures of the sheets: the zones, the map of the passes, a row unit; all of them grey."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, cast

import pandas as pd

from trialkit import plots
from trialkit.errors import TrialError
from trialkit.intake import TrialConfig
from trialkit.pages.field_paper.source import FieldTrial
from trialkit.plan import Ground, PlannedTrial
from trialkit.plan.ground import joints
from trialkit.plan.result import setups_of


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG and what it shows, in words."""

    svg: bytes
    alt: str
    summary: str


def picture(figure: plots.Plot) -> Picture:
    """A figure for paper: every colour as the grey of the same lightness."""
    return Picture(greyed(figure.svg()).encode(), figure.alt_text, figure.summary)


def greyed(svg: str) -> str:
    """SVG with each colour as a grey of the same luma (ITU-R BT.601)."""

    def grey(match: re.Match[str]) -> str:
        red, green, blue = (int(match[1][i : i + 2], 16) for i in (0, 2, 4))
        level = round(0.299 * red + 0.587 * green + 0.114 * blue)
        return f"#{level:02x}{level:02x}{level:02x}"

    return re.sub(r"#([0-9a-fA-F]{6})\b", grey, svg)


@dataclass(frozen=True, slots=True)
class _OnOneField:
    """What the map takes of a plan, for one field of it, from the plan's record."""

    trial: FieldTrial
    plan: PlannedTrial
    ground: Ground

    @property
    def config(self) -> TrialConfig:
        return self.trial.config

    @property
    def grounds(self) -> tuple[Ground, ...]:
        return (self.ground,)

    @property
    def layout(self) -> str:
        return self.plan.layout

    @property
    def strips(self) -> pd.DataFrame:
        return self._own(self.plan.strips)

    @property
    def passes(self) -> pd.DataFrame:
        return self._own(self.plan.passes)

    @property
    def setups(self) -> pd.DataFrame:
        return setups_of(self.strips, self.config)

    def joints(self, field: str) -> list[float]:
        return joints(self.ground, float(self.passes["right"].iloc[-1]))

    def _own(self, table: pd.DataFrame) -> pd.DataFrame:
        return table[table["field"].astype(str) == self.ground.field].reset_index(drop=True)


def maps(trial: FieldTrial) -> dict[str, Picture]:
    """A map of the passes for every field of the plan; none without a plan.

    Raises
    ------
    TrialError
        When the plan's record does not say how its fields lie.
    """
    if trial.plan is None:
        return {}
    try:
        grounds = [Ground(**ground) for ground in trial.plan.arguments["grounds"]]
        return {
            g.field: picture(plots.pass_map(cast("Any", _OnOneField(trial, trial.plan, g)),
                                            language=trial.language))
            for g in grounds
        }  # fmt: skip
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise TrialError(f"plan.json of {trial.folder} cannot be drawn as a map: {error}") from None
