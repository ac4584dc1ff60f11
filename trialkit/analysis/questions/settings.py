"""Numeric settings of the strips: gap, ground speed, other columns, levels that are numbers."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.design import Design
from trialkit.analysis.gaps import departures
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.quantities import scales
from trialkit.words import surface as words

# Values nearer than this part of the range count as one setting.
SAME = 0.25
# Share of a setting's variation between the levels of a factor above which the factor sets it.
SET_BY = 0.5
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Setting:
    """One numeric setting.

    Attributes
    ----------
    name, label, unit : str
    values : ndarray, shape (strips,)
        In `unit`, in the order of the design's strips.
    centre, half : float
        Coding: ``(value - centre) / half`` runs from -1 to 1.
    classes : ndarray, shape (strips,)
        Number of the distinct setting of each strip, lowest first.
    middle : ndarray, shape (strips,)
        Mean of its distinct setting.
    factors : tuple of str
        Setup factors that set it.
    covariates : tuple of str
        Covariates of the design that are the same thing.
    notes : tuple of Note
    """

    name: str
    label: str
    unit: str
    values: np.ndarray
    centre: float
    half: float
    classes: np.ndarray
    middle: np.ndarray
    factors: tuple[str, ...]
    covariates: tuple[str, ...]
    notes: tuple[Note, ...]

    @property
    def distinct(self) -> int:
        """Number of distinct settings."""
        return int(self.classes.max()) + 1

    def code(self, values: np.ndarray) -> np.ndarray:
        """From `unit` to -1..1."""
        return (np.asarray(values, dtype=float) - self.centre) / self.half

    def decode(self, coded: np.ndarray) -> np.ndarray:
        """From -1..1 to `unit`."""
        return self.centre + self.half * np.asarray(coded, dtype=float)


# Unit and the least range worth a trend (common practice; a gauge reads to about 1 mm).
KNOWN = {
    "gap": ("mm", 2.0),
    "gap_front": ("mm", 2.0),
    "gap_rear": ("mm", 2.0),
    "gap_measured": ("mm", 2.0),
    "speed": ("km/h", 1.0),
    "speed_measured": ("km/h", 1.0),
    "speed_set": ("km/h", 1.0),
    "roll_rpm": ("1/min", 25.0),
    "moisture": ("%", 1.0),
}


def read_setting(design: Design, name: str) -> Setting:
    """A numeric setting of the design's strips.

    Raises
    ------
    DesignError
        When it is unknown, not recorded on every strip, or hardly varied.
    """
    strips = design.strips
    notes: list[Note] = []
    label = words.SETTINGS.get(name, name.replace("_", " "))
    unit, least = KNOWN.get(name, ("", 0.0))
    values, own = _values(design, name, notes)
    if values is None and name == "gap_measured":
        raise DesignError(_no_measured_gap(strips))
    if values is None:
        factors = [f.name for f in design.factors if _numbers(f.levels) is not None]
        raise DesignError(
            f"{label.capitalize()} has no numbers in the strips table. Settings that may be named "
            f"are {', '.join([*KNOWN, *factors])}, if measured."
        )
    if name == "gap":
        notes += _measured_over_set(design)
    missing = int(values.isna().sum())
    if missing:
        raise DesignError(
            f"{label.capitalize()} was not recorded on {missing} of {len(values)} strips, so no "
            "trend over it can be found. The comparison of the setups stands in the analysis."
        )
    x = values.to_numpy(dtype=float)
    low, high = float(x.min()), float(x.max())
    if high - low <= max(least, 1e-9 * abs(high)) and not (own and high > low):
        shown = scales(unit, design.units)[0]
        first, last, need = (f"{v * shown.factor:.2g}" for v in (low, high, least))
        raise DesignError(
            f"{label.capitalize()} was nearly the same on every strip ({first} to {last} "
            f"{shown.unit}); a trend over it needs at least {need} {shown.unit} of difference. The "
            "comparison of the setups stands in the analysis."
        )
    classes = _classes(x)
    middle = pd.Series(x).groupby(classes).transform("mean").to_numpy()
    factors_of = [f for f in design.names if f == own or set_by(values, strips[f])]
    same = {
        "speed": "speed_centred", "speed_measured": "speed_centred", "moisture": "moisture_centred",
        "gap_measured": "gap_centred",
    }  # fmt: skip
    if name in same:
        covariates: tuple[str, ...] = (same[name],)
    else:
        covariates = ()
    if not factors_of:
        notes.append(Note("surface.observed", {"label": label}))
    return Setting(
        name, label, unit, x, (low + high) / 2, (high - low) / 2, classes, middle,
        tuple(factors_of), covariates, tuple(notes),
    )  # fmt: skip


def _no_measured_gap(strips: pd.DataFrame) -> str:
    if "gap_measured" not in strips:
        return words.no_header_check()
    return words.gap_unknown(tuple(dict.fromkeys(strips["gap_note"])))


def _measured_over_set(design: Design) -> list[Note]:
    """How far the gap measured on the headers lies from the gap set, where both are known."""
    strips = design.strips
    if "gap_measured" not in strips or (known := departures(strips)).empty:
        return []
    low, high = float(known["over"].min()), float(known["over"].max())
    values = {"low": low, "high": high, "system": design.units}
    return [Note("surface.gap_as_set", values)]


def _values(design: Design, name: str, notes: list[Note]) -> tuple[pd.Series | None, str | None]:
    """Numbers of a setting and the factor they are the levels of, if any."""
    strips = design.strips
    if name == "gap":
        ends = strips[["gap_front", "gap_rear"]].astype(float)
        known = [c for c in ends if ends[c].notna().all()]
        if len(known) == 1:
            end = known[0].removeprefix("gap_")
            notes.append(Note("surface.gap_of_one_end", {"end": end}))
        if known:
            return ends[known].mean(axis=1), None
        if ends.notna().any(axis=None):
            return ends.mean(axis=1, skipna=False), None
    if name == "speed":
        for column in ("speed_measured", "speed_set"):
            if strips[column].notna().any():
                return strips[column].astype(float), None
    for factor in design.factors:
        numbers = _numbers(factor.levels)
        if factor.name == name and numbers is not None:
            return strips[name].astype(str).map(numbers).astype(float), name
    if name in strips and pd.api.types.is_numeric_dtype(strips[name]):
        values = strips[name].astype(float)
        return (None if values.isna().all() else values), None
    return None, None


def _numbers(levels: tuple[str, ...]) -> dict[str, float] | None:
    """Levels that all hold exactly one number, and that number."""
    found = {level: _NUMBER.findall(level) for level in levels}
    if any(len(numbers) != 1 for numbers in found.values()):
        return None
    return {level: float(numbers[0]) for level, numbers in found.items()}


def _classes(x: np.ndarray) -> np.ndarray:
    """Distinct settings: from the lowest value up, those within a quarter of the range are one."""
    width = SAME * np.ptp(x)
    starts = [x.min()]
    for value in np.sort(x):
        if value > starts[-1] + width * (1 + 1e-9):
            starts.append(value)
    return np.searchsorted(np.array(starts), x, side="right") - 1


def set_by(values: pd.Series, factor: pd.Series) -> bool:
    """Whether most of what the values differ by lies between the levels of a factor."""
    within = values - values.groupby(factor.to_numpy()).transform("mean")
    return float((within**2).sum()) < (1 - SET_BY) * float(((values - values.mean()) ** 2).sum())
