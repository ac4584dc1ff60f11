"""What a response is: one record, read by every room above.

Families of a response, and why:

* ``poisson``: counts on known areas, log link; a normal effect of every row takes up what counts
  vary beyond chance.
* ``binomial``: so many of those examined, logit link; likewise.
* ``lognormal``: shares by mass. The logarithm of the share is Gaussian: amounts vary in proportion
  to their size and ratios of setups come out directly. The bound at 100 %, which a logit would
  keep, is out of sight: at a share of 5 % logarithm and logit differ by 0.05.
* ``normal``: quantities with a unit of their own (yield, moisture, test weight), and strip means of
  a score, modelled as they stand; differences only. A score has beside it a test of its ranks,
  which does not take its steps to be equal (`ranks`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import pandas as pd

from trialkit.responses.behind_machine import cobs_counted
from trialkit.responses.columns import Table
from trialkit.responses.drawing import Drawn
from trialkit.words.terms import ENGLISH, Terms

Family = Literal["poisson", "binomial", "lognormal", "normal"]
Better = Literal["lower", "higher"]
Tables = Mapping[str, pd.DataFrame]

STILL = "Each strip's own value can still be read; only the comparison of setups is missing."
"""What is left when the layout allows no comparison."""


@dataclass(frozen=True, slots=True)
class InUnit:
    """Result units per unit of the response's mean, the unit, and what had to be assumed."""

    value: float
    unit: str
    notes: tuple[str, ...] = ()


def fixed(value: float, unit: str) -> Callable[[pd.DataFrame, Tables, Any], InUnit]:
    """A scale that hangs on nothing in the trial."""
    return lambda rows, tables, config: InUnit(value, unit)


@dataclass(frozen=True, slots=True)
class Unlocked:
    """A part of the analysis that the data of a trial unlock, as users are told.

    Attributes
    ----------
    part : str
        What it is called.
    rank : float
        Its place in the list.
    column : str
        Column that must hold something; the response's own unless told.
    missing : str
        What is missing where there are no such rows; "column ..." unless told.
    judge : callable, optional
        Takes the trial's tables and settings, where more than a column decides: whether it is
        unlocked, and why; an empty reason where the rows are missing.
    usual : bool
        Whether a trial as such is about it; the others are what else was measured.
    """

    part: str
    rank: float = 150.0
    column: str = ""
    missing: str = ""
    judge: Callable[[Tables, Any], tuple[bool, str]] | None = None
    usual: bool = False


@dataclass(frozen=True, slots=True)
class Response:
    """One response.

    Attributes
    ----------
    name, title : str
        Key in ``TrialAnalysis.responses``, and heading.
    rank : float
        Its place in the order of analysis.
    layout : Table
        The table it stands in, with the sheet it is counted on.
    response : str
        Its column modelled.
    family : {"poisson", "binomial", "lognormal", "normal"}
    scale : callable
        Takes the rows used, the trial's tables and its settings; how a mean on the response's
        scale becomes the result.
    row, thing, distribution : str
        What a row is called; what is counted or weighed, in the singular; the model's
        distribution in words.
    terms_by : mapping
        `Terms` by language.
    true : callable
        Takes the truth of a simulated trial, its strips and its settings; what an analysis should
        estimate: ``factor, level``, the mean in a column named for its unit, ``ratio, difference``.
    absent : str
        Sentence for data that are given but hold nothing to analyse.
    size : str or None
        Column of area (poisson), number examined (binomial) or sample mass (lognormal).
    also : str
        Column of counts added to the response where every row that should have it does
        (`cobs_counted`).
    rest : bool
        Whether the size is what the response leaves of its column: an amount per amount of the
        rest, not a share of the whole.
    only : (str, str) or None
        Column and the choice in it of the rows that take part; blank is the first choice.
    zones : mapping of str to float
        Weights of the zones that make up the response; rows of other zones take no part.
    given_by : tuple of str
        Zones whose rows show that the user meant to measure it; empty: any row with a value.
    offset : str
        Zone whose mean, from a model of its own, is taken off every setup alike; "" for none.
    source : (str, str) or None
        Source and kind in ``Losses.strips`` of the strip's measured value; None: total over size.
    still : str
        Added where the layout allows no comparison.
    lacking : str
        What rows without the response are called, where they are worth a note.
    remark : str
        Sentence to read beside every result.
    ratios, covariates : bool
        Whether ratios have a meaning; whether moisture and gap may be adjusted for, and measured
        speed in the second answer.
    better : {"lower", "higher"}
        Which end of the quantity is the better one, where a best setting is looked for.
    near : float
        What is still near the best, in the result's unit: common practice.
    expected : bool
        Whether its absence is worth a sentence even when no data for it were given.
    ordinal : bool
        Strip means are modelled and ranks tested beside them.
    speaks : bool
        Whether a difference in it speaks for or against a setup.
    shown : {"full", "line", ""}
        On the field-day page: told in full, on a line with this noun beside the headline's
        (`short`), or not at all unless the trial is about it.
    short : str
        Its name inside a sentence.
    unlocked : tuple of Unlocked
        How users are told whether their data allow it; none where another part says it.
    outlook : Drawn or None
        What plans expect of it unless told otherwise: counts, and shares of those examined. None
        where its power is not simulated.
    expectation : str
        Where plans have a number of their own for it: its name in `trialkit.plan.Expected`.
    """

    name: str
    title: str
    rank: float
    layout: Table
    response: str
    family: Family
    scale: Callable[[pd.DataFrame, Tables, Any], InUnit]
    row: str
    thing: str
    distribution: str
    terms_by: Mapping[str, Terms]
    true: Callable[[Any, pd.DataFrame, Any], pd.DataFrame]
    absent: str = ""
    size: str | None = None
    also: str = ""
    rest: bool = False
    only: tuple[str, str] | None = None
    zones: Mapping[str, float] = field(default_factory=dict)
    given_by: tuple[str, ...] = ()
    offset: str = ""
    source: tuple[str, str] | None = None
    still: str = STILL
    lacking: str = ""
    remark: str = ""
    ratios: bool = True
    covariates: bool = True
    better: Better = "lower"
    near: float = 5.0
    expected: bool = False
    ordinal: bool = False
    speaks: bool = True
    shown: Literal["full", "line", ""] = ""
    short: str = ""
    unlocked: tuple[Unlocked, ...] = ()
    outlook: Drawn | None = None
    expectation: str = ""

    @property
    def table(self) -> str:
        """Name of the table it stands in."""
        return self.layout.name

    @property
    def terms(self) -> Terms:
        """Its words in English."""
        return self.terms_by[ENGLISH]

    def said(self, language: str = ENGLISH) -> Terms:
        """Its words in a language, in English where that has none."""
        return self.terms_by.get(language, self.terms)

    @property
    def effort(self) -> str:
        """The number of `trialkit.simulate.Effort` that says how many of its rows a strip."""
        return (self.layout.sheet.effort if self.layout.sheet else "") or self.table

    @property
    def look_up(self) -> str:
        """Where a value that seems odd is looked up again."""
        return self.layout.sheet.look_up if self.layout.sheet else "readings"

    def rows(self, tables: Tables) -> pd.DataFrame:
        """Rows of a trial's tables that carry this response."""
        table = self.own(tables)
        if self.also and cobs_counted(tables["frames"]):
            more = table[self.also].fillna(0).astype(table[self.response].dtype)
            table = table.assign(**{self.response: table[self.response] + more})
        if self.rest:
            table = table.assign(**{str(self.size): table[self.size] - table[self.response]})
        kept = table[self.response].notna()
        if self.zones:
            kept &= table["zone"].isin(list(self.zones))
        if self.size:  # a sample of nothing says nothing
            kept &= table[self.size] > 0
        rows = table[kept]
        if len(self.zones) > 1:  # a difference between zones needs each of them on the strip
            zones = rows.groupby("strip")["zone"].transform("nunique")
            rows = rows[zones == len(self.zones)]
        return rows

    def own(self, tables: Tables) -> pd.DataFrame:
        """The table, less the rows that were taken elsewhere."""
        table = tables[self.table]
        if self.only is None:
            return table
        column, choice = self.only
        first = self.layout.column(column).levels[0]
        return table[table[column].fillna(first).eq(choice)]

    def given(self, tables: Tables) -> bool:
        """Whether the trial holds data meant for this response."""
        table = self.own(tables)
        if self.given_by:
            table = table[table["zone"].isin(self.given_by)]
        return bool(table[self.response].notna().any())

    @property
    def compared_zones(self) -> dict[str, float]:
        """Weights of the zones that are a factor of the model; empty for one zone."""
        return dict(self.zones) if len(self.zones) > 1 else {}

    @property
    def law(self) -> dict[str, str]:
        """What a fit is told of the response: column, family, and the column of its size."""
        if self.family in ("lognormal", "normal"):
            return {"response": "value", "family": "gaussian"}
        size = "exposure" if self.family == "poisson" else "trials"
        return {"response": self.response, "family": self.family, size: str(self.size)}

    @property
    def link(self) -> str:
        """Scale of the effects: "log" (of ratios), "logit" (of odds ratios) or "identity"."""
        return {"binomial": "logit", "normal": "identity"}.get(self.family, "log")
