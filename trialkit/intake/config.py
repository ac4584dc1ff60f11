"""The trial's settings: trial.toml, or the workbook's sheet "trial", checked as a whole.

Every fault is reported at once, with its key and what is expected there. Quantities are given in
the trial's declared system (US or SI) and held in SI.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import pandas as pd

from trialkit import schema
from trialkit import units as u
from trialkit.display import card, table
from trialkit.errors import TrialError
from trialkit.intake.level_names import labels_of, level_number, usual_unit
from trialkit.intake.option import OptionCost, take_option

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
    trial is first of all about, of `schema.RESPONSES`. `prior` is for the chances told with money;
    None takes every saving as equally believable.
    """

    adjust_for: tuple[str, ...] | None = None
    primary: str = "header_loss"
    prior: Prior | None = None


@dataclass(frozen=True, slots=True)
class TrialConfig:
    """Settings of one trial; `price_per_t` is the net grain price per tonne, None if not given.

    `hour_cost` is what an hour more of combining costs (machine, operator, or its hire), None if
    not given: without it nothing that takes time is advised for or against.
    `units` is the system of the trial's files. `season` is the year of harvest. `date_order` says
    how dates written like 10/03/2026 are meant; None refuses those that could be read both ways.
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
        settings = {
            "Files in units of": self.units,
            "Grain price": price,
            "Base moisture": f"{self.base_moisture:g} %",
            "Thousand-kernel mass": f"{self.thousand_kernel_mass:g} g"
            + ("" if self.kernel_mass_stated else " (none was given)"),
            "Growers agreed to be named": "yes" if self.growers_agreed else "no",
            "Comparisons adjusted for": _asked(self.model.adjust_for),
            **{f"Setup: {f.label}": ", ".join(f.level_labels) for f in self.setups},
        }
        shown = pd.DataFrame(settings.items(), columns=["setting", "value"])
        return card(f"{self.title} ({self.season})", [self.notes], table(shown))


def _asked(adjust_for: tuple[str, ...] | None) -> str:
    if adjust_for is None:
        return "what was fixed before the setup was applied"
    return ", ".join(adjust_for).replace("_", " ") or "nothing that was measured"


def read_toml(text: str, name: str = "trial.toml") -> TrialConfig:
    """Settings from the text of a trial.toml.

    Raises
    ------
    TrialError
        Listing every fault: the key, the value found, what is expected.
    """
    return check_config(toml_data(text, name), name)


def toml_data(text: str, name: str) -> dict[str, Any]:
    """What a TOML file holds; a `TrialError` names the file where it is none."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise TrialError(
            f"{name} is not valid TOML: {error}. Text stands in quotation marks, "
            'as in title = "Chain trial"; lists in brackets, as in levels = ["narrow", "wide"].'
        ) from None


def check_config(data: Mapping[str, Any], name: str = "trial.toml") -> TrialConfig:
    """Settings from the nested mapping a trial.toml holds; raises as `read_toml`."""
    reader = SectionReader(dict(data), "", [])
    config = take_config(reader)
    if config is None or reader.faults:
        raise faulty(name, reader.faults)
    return config


def faulty(name: str, faults: list[str]) -> TrialError:
    """The refusal of settings that have these faults."""
    listed = "\n".join(f"  {fault}" for fault in faults)
    count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    return TrialError(f"{name} has {count}; correct it and read again:\n{listed}")


ABSENT = object()


@dataclass(slots=True)
class SectionReader:
    """Takes keys out of one section, one check each; what is left at the end is unknown."""

    data: dict[str, Any]
    where: str
    faults: list[str]
    known: list[str] = field(default_factory=list)

    def fault(self, key: str, expected: str, value: Any = ABSENT) -> None:
        found = "is missing" if value is ABSENT else f"is {_show(value)}"
        self.faults.append(f"{self.where}{key} {found}; expected {expected}")

    def take(self, key: str) -> Any:
        self.known.append(key)
        return self.data.pop(key, ABSENT)

    def text(self, key: str, expected: str, default: str | None = None) -> str:
        value = self.take(key)
        if isinstance(value, str) and (value.strip() or default is not None):
            return value.strip()
        if value is ABSENT and default is not None:
            return default
        self.fault(key, expected, value)
        return ""

    def number(
        self, key: str, low: float, high: float, expected: str, default: float | None = None
    ) -> float:
        value = self.take(key)
        if value is ABSENT and default is not None:
            return default
        if isinstance(value, (int, float)) and not isinstance(value, bool) and low <= value <= high:
            return float(value)
        self.fault(key, f"{expected}, {low:g} to {high:g}", value)
        return low

    def whole(self, key: str, low: int, high: int, expected: str) -> int:
        before = len(self.faults)
        value = self.number(key, low, high, expected)
        if value % 1 and len(self.faults) == before:
            self.fault(key, f"{expected}, a whole number", value)
        return int(value)

    def flag(self, key: str, default: bool) -> bool:
        value = self.take(key)
        if value is ABSENT:
            return default
        if not isinstance(value, bool):
            self.fault(key, "true or false", value)
            return default
        return value

    def choice(self, key: str, options: tuple[str, ...], default: str | None = None) -> str:
        value = self.take(key)
        if value is ABSENT and default is not None:
            return default
        for option in options:
            if isinstance(value, str) and value.strip().casefold() == option.casefold():
                return option
        self.fault(key, "one of " + ", ".join(map(repr, options)), value)
        return options[0] if options else ""

    def labels(self, key: str, default: tuple[str, ...] | None = None) -> tuple[str, ...]:
        """A list of distinct texts; numbers become their text."""
        value = self.take(key)
        if value is ABSENT and default is not None:
            return default
        good = isinstance(value, (list, tuple)) and all(
            isinstance(v, (str, int, float)) and not isinstance(v, bool) and str(v).strip()
            for v in value
        )
        if not good or not value:
            self.fault(key, 'a list of texts, as in ["narrow", "wide"]', value)
            return default or ()
        texts = tuple(" ".join(str(v).split()) for v in value)
        if len({t.casefold() for t in texts}) < len(texts):
            self.fault(key, "entries that differ, also when capitals are ignored", value)
        return texts

    def names(self, key: str, options: tuple[str, ...]) -> tuple[str, ...] | None:
        """A list of these options, in their order; empty also as "none", None where left out."""
        value = self.take(key)
        if value is ABSENT:
            return None
        given = value if isinstance(value, (list, tuple)) else [value]
        told = [v.strip().casefold() if isinstance(v, str) else None for v in given]
        if told == ["none"]:
            told = []
        if not set(told) <= set(options) or len(set(told)) < len(told):
            known = ", ".join(map(repr, options))
            self.fault(key, f"a list of {known}, each once, or an empty list", value)
            return None
        return tuple(option for option in options if option in told)

    def section(self, key: str, required: bool = False) -> SectionReader | None:
        value = self.take(key)
        if isinstance(value, dict):
            return SectionReader(dict(value), f"{self.where}{key}.", self.faults)
        if value is not ABSENT or required:
            self.fault(key, f"a section [{key}]", value)
        return None

    def close(self) -> None:
        for key in self.data:
            near = difflib.get_close_matches(key, self.known, 1)
            hint = f"perhaps {near[0]!r} is meant; " if near else ""
            self.faults.append(
                f"{self.where}{key} is not a key here; {hint}known are {', '.join(self.known)}"
            )


def _show(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def take_config(top: SectionReader) -> TrialConfig | None:
    """The settings of a trial; None, with the faults on the reader, where they cannot be read.

    Sections of others are taken from the reader before, so that they count as known keys.
    """
    system: Any = top.choice("units", ("US", "SI"))
    us = system == "US"
    title = top.text("title", "a title in words")
    season = top.whole("season", 1950, 2100, "the year of harvest")
    agreed = top.flag("growers_agreed", False)
    notes = top.text("notes", "a text", "")
    order: Any = top.choice("date_order", ("month-first", "day-first"), "") or None
    header = _header(top.section("header", required=True), "ft" if us else "m")
    setups = _setups(top, system)
    mass, base, weighed = u.DEFAULT_THOUSAND_KERNEL_MASS, u.BASE_MOISTURE, False
    if grain := top.section("grain"):
        weighed = "thousand_kernel_mass" in grain.data
        mass = grain.number("thousand_kernel_mass", 100, 600, "g per 1000 kernels", mass)
        base = grain.number("base_moisture", 8, 25, "a moisture in %", base)
        grain.close()
    price, hour, currency = None, None, "USD"
    if prices := top.section("prices"):
        currency = prices.text("currency", "a currency, as in USD", "USD")
        price = prices.number("grain", 0, 1e6, f"a net price per {'bushel' if us else 'tonne'}")
        price = u.price_per_bushel_to_per_tonne(price) if us else price
        if "hour" in prices.data:
            hour = prices.number("hour", 0, 1e6, "what an hour more of combining costs")
        prices.known.append("hour")
        prices.close()
    option = take_option(top.section("option"), setups, "ac" if us else "ha")
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
    rows = reader.whole("rows", 1, 36, "the number of rows")
    width = reader.number("width", 0.5, high, f"the header's width in {unit}")
    stated = "discharge_width" in reader.data
    # A full-width spread is the case in which processing loss needs no correction.
    discharge = reader.number(
        "discharge_width", 0.3, high, f"the width residue is discharged over, in {unit}", width
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
        top.fault("setup", "sections [[setup]], one for each factor", value)
        return ()
    factors: list[SetupFactor] = []
    for number, entry in enumerate(value, start=1):
        reader = SectionReader(dict(entry), f"setup {number}: ", top.faults)
        factors.append(_setup(reader, system))
    names = [factor.name for factor in factors if factor.name]
    for name in sorted({n for n in names if names.count(n) > 1}):
        top.fault("setup", "factors with different names", name)
    return tuple(factors)


def _setup(reader: SectionReader, system: str) -> SetupFactor:
    name = reader.text("name", "a name").lower()
    if name and not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", name):
        reader.fault("name", "letters, digits and _, beginning with a letter", name)
    elif name in schema.reserved_names():
        reader.fault("name", "a name that is not already a column of the trial's tables", name)
    levels = reader.labels("levels")
    level_labels = reader.labels("labels", ())
    if levels and level_labels and len(level_labels) != len(levels):
        reader.fault("labels", f"as many labels as levels ({len(levels)})", list(level_labels))
    factor = SetupFactor(
        name=name, levels=levels, level_labels=level_labels,
        label=reader.text("label", "a text", ""),
        reference=reader.choice("reference", levels, levels[0] if levels else ""),
        hard_to_change=reader.flag("hard_to_change", False),
        unit=reader.text("unit", "a unit, as in mph", usual_unit(name, levels, system)),
    )  # fmt: skip
    reader.close()
    return factor


def _model(reader: SectionReader | None) -> ModelConfig:
    if reader is None:
        return ModelConfig()
    model = ModelConfig(
        adjust_for=reader.names("adjust_for", ADJUSTABLE),
        primary=reader.choice("primary", schema.RESPONSES, "header_loss"),
        prior=_prior(reader.section("prior")),
    )
    reader.close()
    return model


def _prior(reader: SectionReader | None) -> Prior | None:
    if reader is None:
        return None
    prior = Prior(
        ratio=reader.number("ratio", 0.1, 10, "a ratio of header losses, 1 for no effect", 1.0),
        times=reader.number("times", LEAST_TIMES, 100, "how many times off it may be, as in 1.5"),
    )
    reader.close()
    return prior
