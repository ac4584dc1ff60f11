"""Where a finding lies: strips with their pair and field."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.intake.level_names import level_number
from trialkit.quantities import number
from trialkit.units import convert

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor, TrialConfig

Place = tuple[str, str, str]
"""Strip, pair and field."""

_LABELLED = re.compile(
    r"(?P<value>\d[\d.,/ -]*?)\s*(?P<unit>mph|km/h|in|mm|cm)\b\.?", re.IGNORECASE
)


def places(strips: pd.DataFrame) -> tuple[Place, ...]:
    """Where strips lie."""
    rows = strips[["strip", "pair", "field"]].astype(str)
    return tuple(rows.itertuples(index=False, name=None))


def level_values(factor: SetupFactor, units: tuple[str, ...]) -> dict[str, float]:
    """Numbers of a factor's levels (km/h, mm) by level: of their names, or of the one length or
    speed that their label holds; empty where those are in none of the units."""
    out = {}
    for level, label in zip(factor.levels, factor.level_labels, strict=True):
        value, unit = level_number(level), factor.unit
        if value is None or unit not in units:
            found = list(_LABELLED.finditer(label))
            if len(found) != 1:
                continue
            value, unit = level_number(found[0]["value"].strip()), found[0]["unit"].lower()
        if value is not None and unit in units:
            out[level] = float(convert(value, unit, "km/h" if unit in ("mph", "km/h") else "mm"))
    return out


def speed(kmh: float, config: TrialConfig) -> str:
    """A speed in the trial's own unit: "3.5 mph"."""
    unit = "mph" if config.units == "US" else "km/h"
    return f"{number(float(convert(kmh, 'km/h', unit)) + 1e-9, 1)} {unit}"
