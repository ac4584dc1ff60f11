"""The responses of a trial, one entry each: where the data stand, the model, how it is reported.

Families, and why:

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
from typing import TYPE_CHECKING, Literal

import pandas as pd

from trialkit import schema, units
from trialkit.analysis.reading import Offset, Reading
from trialkit.behind_machine import (
    cobs_counted,
    cobs_left_out,
    discharge_width,
    width_assumed,
)
from trialkit.ear_mass import kernel_mass_per_ear

if TYPE_CHECKING:
    from trialkit.trial import Trial

Family = Literal["poisson", "binomial", "lognormal", "normal"]
Better = Literal["lower", "higher"]

STILL = "Each strip's own value can still be read; only the comparison of setups is missing."
"""What is left when the layout allows no comparison."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Result units per unit of the response's mean, the unit, and what had to be assumed."""

    value: float
    unit: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Specification:
    """One response.

    Attributes
    ----------
    name, title : str
        Key in ``TrialAnalysis.responses``, and heading.
    table, response : str
        Table of the trial and its column modelled.
    family : {"poisson", "binomial", "lognormal", "normal"}
    scale : callable
        Takes the trial and the rows used; how a mean on the response's scale becomes the result.
    row, thing, distribution : str
        What a row is called; what is counted or weighed, in the singular; the model's
        distribution in words.
    absent : str
        Sentence for data that are given but hold nothing to analyse.
    size : str or None
        Column of area (poisson), number examined (binomial) or sample mass (lognormal).
    also : str
        Column of counts added to the response where every row that should have it does
        (`trialkit.behind_machine.cobs_counted`).
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
    """

    name: str
    title: str
    table: str
    response: str
    family: Family
    scale: Callable[[Trial, pd.DataFrame], Scale]
    row: str
    thing: str
    distribution: str
    absent: str
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

    def rows(self, trial: Trial) -> pd.DataFrame:
        """Rows of the trial that carry this response."""
        table = self.own(trial)
        if self.zones:
            table = table[table["zone"].isin(list(self.zones))]
        if self.also and cobs_counted(trial.frames):
            more = table[self.also].fillna(0).astype(table[self.response].dtype)
            table = table.assign(**{self.response: table[self.response] + more})
        needed = [self.response, *([self.size] if self.size else [])]
        rows = table.dropna(subset=needed)
        if self.rest:
            rows = rows.assign(**{str(self.size): rows[self.size] - rows[self.response]})
        if self.size:  # a sample of nothing says nothing
            rows = rows[rows[self.size] > 0]
        if len(self.zones) > 1:  # a difference between zones needs each of them on the strip
            zones = rows.groupby("strip")["zone"].transform("nunique")
            rows = rows[zones == len(self.zones)]
        return rows

    def own(self, trial: Trial) -> pd.DataFrame:
        """The table, less the rows that were taken elsewhere."""
        table: pd.DataFrame = getattr(trial, self.table)
        if self.only is None:
            return table
        column, choice = self.only
        first = schema.table(self.table).column(column).levels[0]
        return table[table[column].fillna(first).eq(choice)]

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

    def reading(self, scale: float, offset: Offset | None) -> Reading:
        """How means are read off a fit: `scale` result units per unit of the response's mean."""
        return Reading(scale, offset, self.compared_zones, self.family == "lognormal", self.ratios)

    def given(self, trial: Trial) -> bool:
        """Whether the trial holds data meant for this response."""
        table = self.own(trial)
        if self.given_by:
            table = table[table["zone"].isin(self.given_by)]
        return bool(table[self.response].notna().any())


def _per_kernel(trial: Trial, rows: pd.DataFrame) -> Scale:
    del rows
    value = units.kernels_per_m2_to_kg_ha(1.0, trial.config.thousand_kernel_mass)
    return Scale(float(value), "kg/ha")


def _per_kernel_discharged(trial: Trial, rows: pd.DataFrame) -> Scale:
    """Residue lies on the discharge width; the loss is told per area the header took in.

    Where that width differs between strips, the mean of header width over discharge width serves
    all of them: of one loss everywhere, what lies behind in excess is that mean times the loss.
    """
    config, header = trial.config, trial.config.header
    strips = trial.strips[trial.strips["strip"].isin(rows["strip"])]
    widths = discharge_width(strips, config)
    spread = float((header.width / widths).mean()) if len(widths) else 1.0
    notes = [*filter(None, (width_assumed(rows, strips, config), cobs_left_out(trial.frames)))]
    if (widths != header.width).any():
        low, high = widths.min(), widths.max()
        wide = f"{low:.3g} m" if low == high else f"{low:.3g} to {high:.3g} m, by strip,"
        notes.append(
            f"Residue was spread over {wide} of the header's {header.width:.3g} m; what was found "
            "behind the machine is spread over the whole width."
        )
        if low < high:
            notes.append(
                "Setups are compared at the mean of these widths; where setups differ in it, read "
                "each strip's own value."
            )
    return Scale(_per_kernel(trial, rows).value / spread, "kg/ha", tuple(notes))


def _per_ear(trial: Trial, rows: pd.DataFrame) -> Scale:
    """Mean grain on an ear over all ears found, all setups alike; ears where nothing tells it."""
    found = kernel_mass_per_ear(trial.ears, trial.strips, trial.config, [])
    found = found[(found["ears"] > 0) & found["strip"].isin(rows["strip"])]
    if found.empty or found["mass"].isna().any():
        note = "No search gives the grain on an ear, so ears are reported, not kg/ha."
        return Scale(1e4, "ears/ha", (note,))
    mass = float((found["mass"] * found["ears"]).sum() / found["ears"].sum())
    note = (
        f"An ear counts as {mass:.0f} g of grain, the mean of all ears found, under every setup; "
        "its own uncertainty is not in the intervals."
    )
    return Scale(10.0 * mass, "kg/ha", (note,))


def _fixed(value: float, unit: str) -> Callable[[Trial, pd.DataFrame], Scale]:
    return lambda trial, rows: Scale(value, unit)


_KERNELS = "counts of loose kernels: Poisson with log link, frame area as exposure"
_SHARE = "logarithm of the share by mass: Gaussian"


def _share(
    name: str, title: str, table: str, column: str, thing: str, remark: str = "",
    near: float = 0.5, only: tuple[str, str] | None = None,
) -> Specification:  # fmt: skip
    """A share by mass in samples."""
    return Specification(
        name, title, table, column, "lognormal", _fixed(100.0, "%"), "sample", thing, _SHARE,
        f"No {table} sample gives both its mass and that of its {thing}, so {title.lower()} cannot "
        "be analysed.",
        size="sample_mass", lacking=f"{table} samples without both masses", remark=remark,
        near=near, only=only,
    )  # fmt: skip


def _strip_value(
    name: str, title: str, unit: str, near: float, better: Better = "lower"
) -> Specification:
    """A value of the whole strip, from the strips table."""
    return Specification(
        name, title, "strips", name, "normal", _fixed(1.0, unit), "strip", title.lower(),
        f"{title.lower()} of the strip: Gaussian", "", ratios=False, covariates=False,
        better=better, near=near,
    )  # fmt: skip


_ENTRIES = (
    Specification(
        "header_loss", "Header loss", "frames", "loose_kernels", "poisson", _per_kernel,
        "frame", "loose kernel", _KERNELS,
        "There are no frames from the header zone (ground the header crossed but the combine "
        "body did not), so header loss cannot be analysed.",
        size="area", zones={"header": 1.0}, offset="preharvest", source=("header", "kernels"),
        expected=True,
    ),
    Specification(
        "kernel_damage", "Damaged kernels", "grain", "kernels_damaged", "binomial",
        _fixed(100.0, "%"), "sample", "damaged kernel",
        "damaged among examined kernels: binomial with logit link",
        "No grain sample gives both kernels examined and kernels damaged, so kernel damage "
        "cannot be analysed.",
        size="kernels_examined", lacking="grain samples without counted kernels",
        near=0.5, expected=True,
    ),
    Specification(
        "ear_butt_damage", "Ears damaged at the butt", "ear_butt_damage", "ears_damaged",
        "binomial", _fixed(100.0, "%"), "sample", "ear damaged at the butt",
        "damaged among examined ears: binomial with logit link", "", size="ears_examined",
        remark="Ears collected at the header: what the plates and rolls did to them before "
        "threshing. It is no share of kernels, and not the damage in the tank.",
        near=2.0,
    ),
    Specification(
        "dropped_ears", "Dropped ears", "ears", "ears", "poisson", _per_ear, "search", "ear",
        "counts of ears: Poisson with log link, area searched as exposure",
        "Ears were searched for, but not on ground the header crossed, so ears dropped by the "
        "header cannot be analysed.",
        size="area", zones={"header": 1.0}, offset="preharvest", source=("header", "ears"),
    ),
    Specification(
        "preharvest_loss", "Preharvest loss", "frames", "loose_kernels", "poisson", _per_kernel,
        "frame", "loose kernel", _KERNELS, "", size="area", zones={"preharvest": 1.0},
        given_by=("preharvest",), source=("preharvest", "kernels"),
        remark="No setup can change what lies on the ground before harvest: a difference here "
        "is chance, or ground that was not alike.",
    ),
    Specification(
        "processing_loss", "Processing loss", "frames", "loose_kernels", "poisson",
        _per_kernel_discharged, "frame", "kernel", _KERNELS.replace("loose ", ""),
        "No strip has frames both behind the machine and on ground that only the header crossed, "
        "so what threshing and cleaning left cannot be told from what the header left.",
        size="area", zones={"header": -1.0, "total": 1.0}, given_by=("total",),
        source=("processing", "kernels"), also="kernels_on_cobs",
        remark="Both zones stand in one model, with a variance of frames each, so the intervals "
        "carry the chance of both counts.",
    ),
    _share("broken_corn", "Broken corn", "grain", "sieve_mass", "broken corn",
           "By mass through the sieve; whole kernels with damage are not in it."),
    _share("foreign_material", "Foreign material", "grain", "foreign_mass", "foreign material",
           near=0.1),
    _share("residue_mass", "Material other than grain", "residue", "residue_mass",
           "material other than grain", "In the tank, after cleaning: it tells what cleaning left, "
           "not what the header took in.", only=("taken_at", "tank")),
    Specification(
        "residue_score", "Score of material other than grain", "residue", "score", "normal",
        _fixed(1.0, "score"), "strip", "score", "mean score of the strip: Gaussian", "",
        remark="The score is an order, 0 none to 5 worst: its mean takes the steps to be equal, "
        "the test of ranks does not.",
        ratios=False, ordinal=True, near=0.25, only=("taken_at", "tank"),
    ),
    Specification(
        "leaf_intake", "Leaves and husks taken in", "residue", "residue_mass", "lognormal",
        _fixed(100.0, "%"), "sample", "leaves, husks and pieces of stalk",
        "logarithm of the mass per mass of cobs: Gaussian",
        "No sample from behind the machine gives both its mass and that of leaves and husks, so "
        "what was taken in cannot be analysed.",
        size="sample_mass", rest=True, only=("taken_at", "behind"),
        lacking="samples from behind without both masses",
        remark="In per cent of the mass of the cobs they lay with, for an ear brings one cob "
        "whatever comes with it. Sampled from the top of what fell behind; common practice.",
        near=5.0,
    ),
    _strip_value("yield", "Yield", "kg/ha", 100.0, "higher"),
    _strip_value("moisture", "Grain moisture", "%", 0.5),
    _strip_value("test_weight", "Test weight", "kg/hL", 0.5, "higher"),
)  # fmt: skip

SPECIFICATIONS: dict[str, Specification] = {entry.name: entry for entry in _ENTRIES}
"""Every response by name, in the order of analysis."""
