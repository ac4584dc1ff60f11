"""What planning gives: strips with their place, the order of work, what can be compared."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.display import card, folded, table
from trialkit.facts import Note
from trialkit.intake.config import TrialConfig
from trialkit.intake.files import write_all
from trialkit.intake.template import header_rows
from trialkit.intake.write import filled_files
from trialkit.plan.geo import Corner, feature_collection
from trialkit.plan.ground import Ground, joints
from trialkit.plan.notes import described, to_know
from trialkit.plan.sheets import planned_tables
from trialkit.plan.work import hours_of_work, order_of_work
from trialkit.quantities import upper_first
from trialkit.responses import schema
from trialkit.simulate import Effort, Work
from trialkit.words import plan as words
from trialkit.words import said, say

if TYPE_CHECKING:
    from trialkit.analysis.design import Design
    from trialkit.plan.arrange import Layout

SHOWN = ["strip", "field", "pair", "main_strip", "setup", "direction", "first_row", "last_row",
          "count_rows"]  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Plan:
    """A randomised strip trial, ready to be run.

    Attributes
    ----------
    config : TrialConfig
        Settings of the trial to be.
    layout : {"pairs", "blocks", "split"}
    seed : int
        With the same arguments it gives this plan again, on any machine.
    grounds : tuple of Ground
    design : Design
        What the analysis will find.
    strips : DataFrame
        In order of position: ``strip, field, pair, main_strip``, a column per setup factor,
        ``setup`` (letter), ``run`` (place in the order of work, from 1), ``direction`` ("up", the
        way ``y`` grows, or "down"), ``first_row, last_row``, ``left, right, start, end`` (m),
        ``count_rows`` (rows of the pass that are not beside a joint of planter passes, counted from
        the left in the direction of travel).
    passes : DataFrame
        Everything the combine takes across each field, borders, buffers and rows left included:
        ``field, pass, kind, strip, first_row, last_row, left, right``.
    order : DataFrame
        Steps of the work: ``step, what, field, pair, strip, setup, words, direction, minutes,
        begins``; see `work.order_of_work`.
    changeovers : DataFrame
        ``factor, label, changes, minutes_each, hours``.
    variance : DataFrame
        The analysis of variance to be: ``stratum, term, source, df, role``.
    degrees_of_freedom : DataFrame
        Per factor: ``factor, label, levels, compared_on, df, error_df``.
    arguments : dict
        What `plan_trial` was called with, the seed and the settings of the trial left out.
    work : Work
        How long things take, with the plan's own length of strips and order.
    effort : Effort
        What is counted on every strip.
    """

    config: TrialConfig
    layout: Layout
    seed: int
    grounds: tuple[Ground, ...]
    design: Design
    strips: pd.DataFrame
    passes: pd.DataFrame
    order: pd.DataFrame
    changeovers: pd.DataFrame
    variance: pd.DataFrame
    degrees_of_freedom: pd.DataFrame
    arguments: Mapping[str, Any]
    work: Work
    effort: Effort

    @property
    def described(self) -> tuple[Note, ...]:
        """What the plan is: size, ground, order and time."""
        return described(
            self.layout, self.seed, self.config.units, self.grounds, self.strips, self.passes,
            self.changeovers, self.hours, self.arguments,
        )  # fmt: skip

    @property
    def notes(self) -> tuple[Note, ...]:
        """What to know of it, beside the notes of the design."""
        return to_know(
            self.layout, self.config.units, self.grounds, self.strips, self.degrees_of_freedom,
            self.effort, self.arguments["pass_rows"],
        )  # fmt: skip

    @property
    def words(self) -> tuple[str, ...]:
        """The plan in sentences."""
        return tuple(said(self.described))

    @property
    def to_know(self) -> tuple[str, ...]:
        """What to know of it in sentences, those of the design to be among them."""
        design = [n if isinstance(n, str) else say(n) for n in self.design.notes]
        return (*said(self.notes), *design)

    @property
    def hours_table(self) -> pd.DataFrame:
        """What the work comes to; see `work.hours_of_work`."""
        return hours_of_work(self.order, self.changeovers, self.work, self.effort)

    @property
    def hours(self) -> float:
        """Hours of all the work."""
        return float(self.hours_table["hours"].iloc[-1])

    def counting(self, effort: Effort) -> Plan:
        """The same plan when this is counted on every strip; only its times differ."""
        if effort == self.effort:
            return self
        run = self.strips["run"].argsort().tolist()
        return dataclasses.replace(
            self, effort=effort,
            order=order_of_work(self.config, self.strips, run, self.work, effort),
            arguments={**self.arguments, "effort": effort.as_dict()},
        )  # fmt: skip

    @property
    def setups(self) -> pd.DataFrame:
        """Letters: ``setup``, a column per factor with the level in words, ``strips``."""
        return setups_of(self.strips, self.config)

    @property
    def places(self) -> pd.DataFrame:
        """How often each setup stands at each place of its block and goes each way."""
        place = self.strips.groupby(["field", "pair"]).cumcount() + 1
        by_place = pd.crosstab(self.strips["setup"], place.map("place {}".format))
        return by_place.join(pd.crosstab(self.strips["setup"], self.strips["direction"]))

    def joints(self, field: str) -> list[float]:
        """Where planter passes of a field meet (m from the left edge), outer edges included."""
        ground = next(g for g in self.grounds if g.field == field)
        own = self.passes[self.passes["field"] == field]
        return joints(ground, float(own["right"].iloc[-1]))

    def tables(self) -> dict[str, pd.DataFrame]:
        """The trial's ``fields`` and ``strips`` tables (SI) with what planning knows of them."""
        fields = pd.DataFrame(
            {
                "field": [g.field for g in self.grounds],
                "grower": [g.grower or None for g in self.grounds],
                "row_spacing": [g.row_spacing for g in self.grounds],
            }
        )
        own = schema.column_names("strips", self.config.setups)
        strips = self.strips[[c for c in self.strips.columns if c in own]]
        return {"fields": schema.tidy(fields, "fields"),
                "strips": schema.tidy(strips, "strips", self.config.setups)}  # fmt: skip

    def geojson(
        self, corner: Corner | Mapping[str, Corner], heading: float | Mapping[str, float]
    ) -> dict[str, Any]:
        """Every pass as a polygon, by the GeoJSON format (RFC 7946).

        Parameters
        ----------
        corner : (latitude, longitude), or mapping of field to it
            Degrees, WGS 84: where the left edge of the trial meets the near end of the field,
            looking along the rows.
        heading : float, or mapping of field to it
            Direction of "up" along the rows, degrees clockwise from north.

        Returns
        -------
        dict
            A FeatureCollection; each feature has the pass's ``kind`` and, for a strip, its name,
            pair, setup and direction. Within 2 km of the corner a point is within 1 m of its place
            on the ellipsoid up to 60 degrees of latitude.

        Raises
        ------
        DesignError
            For a place that is none, or a field without one.
        """
        return feature_collection(
            self.grounds, self.passes, self.strips, [f.name for f in self.config.setups], corner,
            heading,
        )  # fmt: skip

    def write(
        self,
        folder: str | Path,
        effort: Effort | None = None,
        more: Mapping[str, bytes] | None = None,
    ) -> Path:
        """Write the trial as a folder, ready to fill.

        ``trial.toml``, ``fields.csv`` and ``strips.csv`` hold what is planned, ``header_check.csv``
        the header's row units, every other table its header, ``plan.json`` the seed, the
        arguments, every pass and the order of work. All files are written, or none.

        Parameters
        ----------
        folder : path
        effort : Effort, optional
            What is to be counted: its frames, ear searches and samples then stand in their tables,
            a row each, with what is measured left blank, and it stands in ``plan.json``.
        more : mapping, optional
            Further files to write with them, by name.

        Raises
        ------
        FileExistsRefusal
            When one of the files is there already; nothing is ever overwritten.
        """
        return write_all(folder, {**self.files(effort), **(more or {})})

    def files(self, effort: Effort | None = None) -> dict[str, bytes]:
        """The files that `write` writes, by name.

        Parameters
        ----------
        effort : Effort, optional
            As for `write`.
        """
        if effort is not None and effort != self.effort:
            return self.counting(effort).files(effort)
        tables = self.tables() | {"header_check": header_rows(self.config.header.rows)}
        if effort is not None:
            tables |= planned_tables(self.strips, effort)
        contents = filled_files(self.config, tables)
        record = {
            "seed": self.seed,
            "generator": "numpy PCG64, raw output",
            "layout": self.layout,
            "arguments": self.arguments,
            "words": [*self.words, *self.to_know],
            "strips": _records(self.strips),
            "passes": _records(self.passes),
            "order": _records(self.order),
            "changeovers": _records(self.changeovers),
            "degrees_of_freedom": _records(self.degrees_of_freedom),
            "effort": None if effort is None else effort.as_dict(),
        }
        text = json.dumps(record, indent=1, ensure_ascii=False)
        contents["plan.json"] = f"{text}\n".encode()
        return contents

    def __repr__(self) -> str:
        return f"Plan({self.design.kind}: {len(self.strips)} strips, seed {self.seed})"

    def _repr_html_(self) -> str:
        judged = self.degrees_of_freedom.drop(columns="factor")
        names = {"df": "degrees of freedom", "error df": "for error"}
        many = 400
        strips = self.strips[[c for c in SHOWN if self.strips[c].notna().any()]]
        return card(
            upper_first(self.design.kind),
            [*self.words, *self.to_know],
            table(self.setups, "Setups"),
            table(judged, words.what_judges(), names=names),
            folded("Strips by position", table(strips, rows=many)),
            folded("Order of work", table(self.order, rows=many)),
            folded("Changeovers", table(self.changeovers.drop(columns="factor"))),
            folded("Analysis of variance", table(self.variance.drop(columns="term"))),
            folded(words.places_and_directions(), table(self.places)),
        )


def setups_of(strips: pd.DataFrame, config: TrialConfig) -> pd.DataFrame:
    """Letters of setups on these strips: ``setup``, a column per factor in words, ``strips``."""
    names = [f.name for f in config.setups]
    out = strips.groupby(["setup", *names], as_index=False).size()
    out = out.sort_values("setup", key=lambda s: s.str.zfill(3), ignore_index=True)
    for f in config.setups:
        out[f.name] = [f.in_words(level) for level in out[f.name]]
    return out.rename(columns={"size": "strips"})


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain values, missing as null."""
    return json.loads(frame.to_json(orient="records", double_precision=6))
