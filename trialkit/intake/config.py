"""The trial's settings: trial.toml, or the workbook's sheet "trial", checked as a whole.

Every fault is reported at once, with its key and what is expected there. Quantities are given in
the trial's declared system (US or SI) and held in SI.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

from trialkit import units as u
from trialkit.display import card, table
from trialkit.intake.level_names import labels_of, level_number, usual_unit
from trialkit.intake.option import OptionCost, take_option
from trialkit.intake.sections import ABSENT, SectionReader, faulty, toml_data
from trialkit.responses import RESPONSES, schema
from trialkit.words import settings
from trialkit.words.settings import expected

DateOrder = Literal["month-first", "day-first"]

# Of a normal distribution, 95 % lies within so many standard deviations of its mean (tables).
NINETEEN_IN_TWENTY = 1.959964
LEAST_TIMES = 1.01
ADJUSTABLE = ("speed", "moisture", "gap", "gap_spread")
"""What the settings may ask to adjust for, as measured on the strips or their headers."""


@dataclass(frozen=True, slots=True)
class HeaderConfig:
    """The header: number of rows, its width and the width residue is discharged over (m).

    `discharge_stated` is False where nobody gave that width and the header's was taken.
    """

    rows: int
    width: float
    discharge_width: float
    discharge_stated: bool = True


@dataclass(frozen=True, slots=True)
class SetupFactor:
    """One factor of the setup and its levels; `level_labels` are the words reports use.

    Left out, or where they are no more than yes, no or a number, they are those of `labels_of`.
    `unit` is that of numeric levels ("mph", "in"); without it a number stands behind its factor.
    """

    name: str
    levels: tuple[str, ...]
    reference: str
    label: str = ""
    level_labels: tuple[str, ...] = ()
    hard_to_change: bool = False
    unit: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "label", self.label or self.name.replace("_", " "))
        given = tuple(self.level_labels) or self.levels
        labels = labels_of(self.label, given, self.unit, self.name)
        object.__setattr__(self, "level_labels", labels)

    @property
    def spoken(self) -> str:
        """The label, for a page; "" where it is but the name in the tables and the levels have
        labels that say what they are."""
        bare = self.label.casefold() == self.name.replace("_", " ").casefold()
        return "" if bare and self.level_labels != self.levels else self.label

    def in_words(self, level: object) -> str:
        """The label of a level; one that left the settings since is shown as it was."""
        labels = dict(zip(self.levels, self.level_labels, strict=True))
        return labels.get(str(level), str(level))

    @property
    def speeds(self) -> dict[str, float]:
        """km/h of the levels whose names are ground speeds."""
        known = {level: level_number(level) for level in self.levels}
        return {
            level: float(u.convert(value, self.unit, "km/h"))
            for level, value in known.items()
            if value is not None and self.unit in ("mph", "km/h")
        }


@dataclass(frozen=True, slots=True)
class Prior:
    """What was believed of the ratio of header losses (option over reference) before the trial.

    Normal on the logarithm: the middle at `ratio`, 19 in 20 between ``ratio / times`` and
    ``ratio * times``.
    """

    ratio: float
    times: float

    @property
    def mean(self) -> float:
        """Of the logarithm of the ratio."""
        return math.log(self.ratio)

    @property
    def sd(self) -> float:
        """Of the logarithm of the ratio."""
        return math.log(self.times) / NINETEEN_IN_TWENTY

    @classmethod
    def of_sd(cls, sd: float, ratio: float = 1.0) -> Prior:
        """The prior with this standard deviation of the logarithm, to three figures."""
        return cls(ratio, float(f"{math.exp(NINETEEN_IN_TWENTY * sd):.3g}"))

    @property
    def line(self) -> str:
        """As it stands under [model] of trial.toml."""
        return f"prior = {{ratio = {self.ratio:.3g}, times = {self.times:.3g}}}"


@dataclass(frozen=True, slots=True)
class ModelConfig:
    """What the settings ask of the model.

    `adjust_for` names what comparisons are adjusted for, of `ADJUSTABLE`: none of it where the
    tuple is empty; None leaves the choice to the trial's layout. `primary` is the response the
    trial is first of all about, of `trialkit.responses.RESPONSES`. `prior` is for the chances told
    with money; None takes every saving as equally believable. `margins` are responses with what a
    setup may have of them at most, stated before the trial: a ratio to the reference above 1, or
    where a response has no ratios a difference in its own SI unit.
    """

    adjust_for: tuple[str, ...] | None = None
    primary: str = "header_loss"
    prior: Prior | None = None
    margins: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class TrialConfig:
    """Settings of one trial; `price_per_t` is the net grain price per tonne, None if not given.

    `hour_cost` is what an hour more of combining costs (machine, operator, or its hire), None if
    not given: without it nothing that takes time is advised for or against.
    `units` is the system of the trial's files. `season` is the year of harvest. `date_order` says
    how dates written like 10/03/2026 are meant; with None the other dates of a column say it, else
    they are month-first where `units` is US, and refused where it is SI.
    `kernel_mass_stated` is false where the usual thousand-kernel mass stands in for one of the
    trial's own; any other mass counts as stated.
    """

    title: str
    season: int
    units: schema.System
    header: HeaderConfig
    setups: tuple[SetupFactor, ...] = ()
    growers_agreed: bool = False
    notes: str = ""
    thousand_kernel_mass: float = u.DEFAULT_THOUSAND_KERNEL_MASS
    base_moisture: float = u.BASE_MOISTURE
    price_per_t: float | None = None
    currency: str = "USD"
    option: OptionCost | None = None
    date_order: DateOrder | None = None
    kernel_mass_stated: bool = False
    model: ModelConfig = ModelConfig()
    hour_cost: float | None = None

    def __post_init__(self) -> None:
        own = self.thousand_kernel_mass != u.DEFAULT_THOUSAND_KERNEL_MASS
        object.__setattr__(self, "kernel_mass_stated", self.kernel_mass_stated or own)

    def _repr_html_(self) -> str:
        price = "" if self.price_per_t is None else f"{self.price_per_t:,.2f} {self.currency} per t"
        shown = settings.shown(
            units=self.units, price=price, base_moisture=self.base_moisture,
            kernel_mass=self.thousand_kernel_mass, weighed=self.kernel_mass_stated,
            agreed=self.growers_agreed, adjust_for=self.model.adjust_for,
            setups=[(f.label, f.level_labels) for f in self.setups],
        )  # fmt: skip
        frame = pd.DataFrame(shown.items(), columns=["setting", "value"])
        return card(f"{self.title} ({self.season})", [self.notes], table(frame))


def read_toml(text: str, name: str = "trial.toml") -> TrialConfig:
    """Settings from the text of a trial.toml.

    Raises
    ------
    TrialError
        Listing every fault: the key, the value found, what is expected.
    """
    return check_config(toml_data(text, name), name)


def check_config(
    data: Mapping[str, Any], name: str = "trial.toml", places: Mapping[str, str] | None = None
) -> TrialConfig:
    """Settings from the nested mapping a trial.toml holds; raises as `read_toml`.

    `places` says where keys stand, as `SectionReader` names them.
    """
    reader = SectionReader(dict(data), "", [], places=places or {})
    config = take_config(reader)
    if config is None or reader.faults:
        raise faulty(name, reader.faults)
    return config


def take_config(top: SectionReader) -> TrialConfig | None:
    """The settings of a trial; None, with the faults on the reader, where they cannot be read.

    Sections of others are taken from the reader before, so that they count as known keys.
    """
    system: Any = top.choice("units", ("US", "SI"))
    us = system == "US"
    title = top.text("title", expected("title"))
    season = top.whole("season", 1950, 2100, expected("season"))
    agreed = top.flag("growers_agreed", False)
    notes = top.text("notes", settings.a_text(), "")
    order: Any = top.choice("date_order", ("month-first", "day-first"), "") or None
    header = _header(top.section("header", required=True), "ft" if us else "m")
    setups = _setups(top, system)
    mass, base, weighed = u.DEFAULT_THOUSAND_KERNEL_MASS, u.BASE_MOISTURE, False
    if grain := top.section("grain"):
        weighed = "thousand_kernel_mass" in grain.data
        weight = expected("grain.thousand_kernel_mass")
        mass = grain.number("thousand_kernel_mass", 100, 600, weight, mass)
        base = grain.number("base_moisture", 8, 25, expected("grain.base_moisture"), base)
        grain.close()
    price, hour, currency = None, None, "USD"
    if prices := top.section("prices"):
        currency = prices.text("currency", expected("prices.currency"), "USD")
        traded = expected("prices.grain", "bushel" if us else "tonne")
        price = prices.number("grain", 0, 1e6, traded)
        price = u.price_per_bushel_to_per_tonne(price) if us else price
        if "hour" in prices.data:
            hour = prices.number("hour", 0, 1e6, expected("prices.hour"))
        prices.known.append("hour")
        prices.close()
    option = take_option(
        top.section("option"), {f.name: f.levels for f in setups}, "ac" if us else "ha"
    )
    model = _model(top.section("model"))
    top.close()
    if header is None:
        return None
    return TrialConfig(
        title=title, season=season, units=system, header=header, setups=setups,
        growers_agreed=agreed, notes=notes, thousand_kernel_mass=mass, base_moisture=base,
        price_per_t=price, hour_cost=hour, currency=currency, option=option, date_order=order,
        kernel_mass_stated=weighed,
        model=model,
    )  # fmt: skip


def _header(reader: SectionReader | None, unit: str) -> HeaderConfig | None:
    if reader is None:
        return None
    high = 100.0 if unit == "ft" else 30.0
    rows = reader.whole("rows", 1, 36, expected("header.rows"))
    width = reader.number("width", 0.5, high, expected("header.width", unit))
    stated = "discharge_width" in reader.data
    # A full-width spread is the case in which processing loss needs no correction.
    discharge = reader.number(
        "discharge_width", 0.3, high, expected("header.discharge_width", unit), width
    )
    reader.close()
    return HeaderConfig(
        rows, u.convert(width, unit, "m"), u.convert(discharge, unit, "m"), stated
    )


def _setups(top: SectionReader, system: str) -> tuple[SetupFactor, ...]:
    value = top.take("setup")
    if value is ABSENT:
        return ()
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        top.fault("setup", settings.setup_sections(), value)
        return ()
    factors: list[SetupFactor] = []
    for number, entry in enumerate(value, start=1):
        reader = SectionReader(dict(entry), f"setup {number}: ", top.faults, places=top.places)
        factors.append(_setup(reader, system))
    names = [factor.name for factor in factors if factor.name]
    for name in sorted({n for n in names if names.count(n) > 1}):
        top.fault("setup", settings.factors_apart(), name)
    return tuple(factors)


def _setup(reader: SectionReader, system: str) -> SetupFactor:
    name = reader.text("name", expected("setup.name")).lower()
    if name and not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", name):
        reader.fault("name", settings.column_name(), name)
    elif name in schema.reserved_names():
        reader.fault("name", settings.free_column(), name)
    levels = reader.labels("levels")
    level_labels = reader.labels("labels", ())
    if levels and level_labels and len(level_labels) != len(levels):
        reader.fault("labels", settings.as_many_labels(len(levels)), list(level_labels))
    factor = SetupFactor(
        name=name, levels=levels, level_labels=level_labels,
        label=reader.text("label", settings.a_text(), ""),
        reference=reader.choice("reference", levels, levels[0] if levels else ""),
        hard_to_change=reader.flag("hard_to_change", False),
        unit=reader.text("unit", expected("setup.unit"), usual_unit(name, levels, system)),
    )  # fmt: skip
    reader.close()
    return factor


def _model(reader: SectionReader | None) -> ModelConfig:
    if reader is None:
        return ModelConfig()
    model = ModelConfig(
        adjust_for=reader.names("adjust_for", ADJUSTABLE),
        primary=reader.choice("primary", tuple(RESPONSES), "header_loss"),
        prior=_prior(reader.section("prior")),
        margins=_margins(reader.section("margins")),
    )
    reader.close()
    return model


def _margins(reader: SectionReader | None) -> tuple[tuple[str, float], ...]:
    if reader is None:
        return ()
    found = {
        name: reader.number(name, 0.0, 1e6, expected("model.margins"))
        for name in RESPONSES
        if name in reader.data
    }
    reader.close()
    return tuple(found.items())


def _prior(reader: SectionReader | None) -> Prior | None:
    if reader is None:
        return None
    prior = Prior(
        ratio=reader.number("ratio", 0.1, 10, expected("model.prior.ratio"), 1.0),
        times=reader.number("times", LEAST_TIMES, 100, expected("model.prior.times")),
    )
    reader.close()
    return prior
