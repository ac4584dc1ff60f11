"""Conversions and trade constants of corn, each with its source.

Inside the program everything is SI; these functions stand at its edges. All of them take a float
or an array (or a pandas Series) and return the same.

Sources
-------
The inch (25.4 mm), the pound (0.45359237 kg) and what follows from them are exact by the
international yard and pound agreement of 1959. The bushel of corn as a mass is 56 lb at 15.5 %
moisture (USDA standard weight); the bushel as a volume is 2150.42 in3.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

import numpy as np

from trialkit.errors import TrialkitError

KG_PER_POUND = 0.45359237
METRES_PER_FOOT = 0.3048
METRES_PER_MILE = 1609.344
SQUARE_METRES_PER_SQUARE_FOOT = METRES_PER_FOOT**2
SQUARE_METRES_PER_ACRE = 43_560 * SQUARE_METRES_PER_SQUARE_FOOT
SQUARE_METRES_PER_HECTARE = 10_000.0
HECTARES_PER_ACRE = SQUARE_METRES_PER_ACRE / SQUARE_METRES_PER_HECTARE
LITRES_PER_BUSHEL = 2150.42 * 0.0254**3 * 1000

POUNDS_PER_BUSHEL = 56.0
"""Mass of the standard bushel of shelled corn, lb at 15.5 % moisture."""
KG_PER_BUSHEL = POUNDS_PER_BUSHEL * KG_PER_POUND
BASE_MOISTURE = 15.5
"""Moisture (%, wet basis) at which the standard bushel is defined. Many buyers use 15."""
DEFAULT_THOUSAND_KERNEL_MASS = 335.0
"""g per 1000 kernels at base moisture, taken where a trial states none: 75,800 kernels per bushel.

Measured figures lie near it: about 76,000 per bushel, Purdue University's mean (as quoted by
others), is 334 g; losses and counts of 47 Nebraska fields imply 325 and 338 g (Stephens et al.
2024, *Weed Technology*, computed from them); whole kernels of the U.S. Grains Council's harvest
samples weighed 340 to 361 g in the years 2014 to 2019, at about 12 to 15 % moisture. Rules of thumb
are lighter: 90,000 per bushel is 282 g, and 2 kernels per ft2 are exactly 1 bu/ac at 291.6 g.
Tables run from 254 to 363 g (Roth, Penn State Extension, 2014). Hybrids, seasons and regions
differ: weigh it where losses by weight matter."""
PUBLISHED_KERNEL_MASS = (270.0, 379.0)
"""g per 1000 kernels at 94,000 and 67,000 per bushel, the range of Purdue University (as quoted by
others)."""

KG_HA_PER_BU_AC = KG_PER_BUSHEL * SQUARE_METRES_PER_HECTARE / SQUARE_METRES_PER_ACRE


class Unit(NamedTuple):
    """What a unit measures and its size in the coherent unit of that dimension."""

    dimension: str
    size: float


_UNITS: dict[str, Unit] = {
    "mm": Unit("length", 0.001),
    "cm": Unit("length", 0.01),
    "m": Unit("length", 1.0),
    "in": Unit("length", 0.0254),
    "ft": Unit("length", METRES_PER_FOOT),
    "m2": Unit("area", 1.0),
    "ft2": Unit("area", SQUARE_METRES_PER_SQUARE_FOOT),
    "ha": Unit("area", SQUARE_METRES_PER_HECTARE),
    "ac": Unit("area", SQUARE_METRES_PER_ACRE),
    "m/s": Unit("speed", 1.0),
    "km/h": Unit("speed", 1 / 3.6),
    "mph": Unit("speed", METRES_PER_MILE / 3600),
    "g": Unit("mass", 0.001),
    "kg": Unit("mass", 1.0),
    "t": Unit("mass", 1000.0),
    "lb": Unit("mass", KG_PER_POUND),
    "oz": Unit("mass", KG_PER_POUND / 16),
    "kg/hL": Unit("mass per volume", 10.0),
    "g/L": Unit("mass per volume", 1.0),
    "kg/m3": Unit("mass per volume", 1.0),
    "lb/bu": Unit("mass per volume", KG_PER_POUND / LITRES_PER_BUSHEL * 1000),
    "kg/ha": Unit("mass per area", 1 / SQUARE_METRES_PER_HECTARE),
    "t/ha": Unit("mass per area", 1000 / SQUARE_METRES_PER_HECTARE),
    "lb/ac": Unit("mass per area", KG_PER_POUND / SQUARE_METRES_PER_ACRE),
    "bu/ac": Unit("mass per area", KG_PER_BUSHEL / SQUARE_METRES_PER_ACRE),
    "plants/ha": Unit("number per area", 1 / SQUARE_METRES_PER_HECTARE),
    "plants/ac": Unit("number per area", 1 / SQUARE_METRES_PER_ACRE),
    "kernels/m2": Unit("number per area", 1.0),
    "kernels/ft2": Unit("number per area", 1 / SQUARE_METRES_PER_SQUARE_FOOT),
    "1/min": Unit("rotation", 1.0),
    "%": Unit("share", 1.0),
    "deg": Unit("angle", 1.0),
}

_SPELLINGS = {
    "inch": "in", "inches": "in", '"': "in", "feet": "ft", "foot": "ft",
    "sqft": "ft2", "sqfeet": "ft2", "sqm": "m2", "acre": "ac", "acres": "ac",
    "hectare": "ha", "hectares": "ha", "kph": "km/h", "kmh": "km/h", "km/hr": "km/h",
    "mi/h": "mph", "lbs": "lb", "lbs/bu": "lb/bu", "kg/hl": "kg/hL", "g/l": "g/L",
    "kg/hectare": "kg/ha", "bu/acre": "bu/ac", "lbs/ac": "lb/ac", "lb/acre": "lb/ac",
    "lbs/acre": "lb/ac", "plants/acre": "plants/ac", "rpm": "1/min", "percent": "%",
    "degrees": "deg", "°": "deg",
}  # fmt: skip


def unit_symbol(text: str) -> str | None:
    """The unit this spelling means ("sq ft", "ft^2", "Ft²" -> "ft2"), or None when unknown."""
    plain = text.strip().replace("²", "2").replace("³", "3").replace("^", "").replace("**", "")
    plain = re.sub(r"\s*(/|\bper\b)\s*", "/", plain)
    plain = re.sub(r"\bsq(uare|\.)?\s*", "sq", plain, flags=re.IGNORECASE)
    plain = plain.replace(" ", "")
    for candidate in (plain, plain.lower()):
        candidate = _SPELLINGS.get(candidate, candidate)
        if candidate in _UNITS:
            return candidate
    return None


def units_like(symbol: str) -> tuple[str, ...]:
    """Every unit that measures what `symbol` measures; for error messages."""
    dimension = _UNITS[symbol].dimension
    return tuple(name for name, unit in _UNITS.items() if unit.dimension == dimension)


def convert(values: Any, from_unit: str, to_unit: str) -> Any:
    """Convert a number or an array between two units of the same dimension.

    Parameters
    ----------
    values : float or array_like
    from_unit, to_unit : str
        As written in column headers: "in", "mm", "ft2", "m2", "mph", "km/h", "lb/bu", "kg/hL",
        "bu/ac", "kg/ha", "plants/ac", ... A bushel is 56 lb in "bu/ac" (a mass) and 2150.42 in3
        in "lb/bu" (a test weight).

    Raises
    ------
    TrialkitError
        For a unit that is not known or one that measures something else.
    """
    symbols = []
    for unit in (from_unit, to_unit):
        symbol = unit_symbol(unit)
        if symbol is None:
            raise TrialkitError(f"unit {unit!r} is not known; use one of: {', '.join(_UNITS)}")
        symbols.append(symbol)
    if symbols[0] == symbols[1]:
        return values
    start, end = (_UNITS[symbol] for symbol in symbols)
    if start.dimension != end.dimension:
        raise TrialkitError(
            f"{from_unit} ({start.dimension}) cannot be converted to {to_unit} ({end.dimension}); "
            f"use one of: {', '.join(units_like(symbols[0]))}"
        )
    return _scale(values, start.size / end.size)


def _scale(values: Any, factor: float) -> Any:
    if isinstance(values, (list, tuple)):
        values = np.asarray(values, dtype=float)
    return values * factor


def kernels_per_m2_to_kg_ha(
    density: Any, thousand_kernel_mass: Any = DEFAULT_THOUSAND_KERNEL_MASS
) -> Any:
    """Kernels per m2 to kg/ha, at the moisture at which `thousand_kernel_mass` (g) is stated.

    With the mass at base moisture the result is on that basis already: it must not be shrunk again.
    """
    return density * thousand_kernel_mass / 100


def kg_ha_to_bu_ac(values: Any) -> Any:
    """kg/ha to standard bushels (56 lb) per acre; 62.768 kg/ha is 1 bu/ac."""
    return values / KG_HA_PER_BU_AC


def bu_ac_to_kg_ha(values: Any) -> Any:
    """Standard bushels (56 lb) per acre to kg/ha."""
    return values * KG_HA_PER_BU_AC


def to_standard_moisture(mass: Any, moisture: Any, base: float = BASE_MOISTURE) -> Any:
    """Mass at `moisture` (%, wet basis) to the mass holding the same dry matter at `base`."""
    return mass * (100 - moisture) / (100 - base)


def shrink_percent(moisture: Any, base: float = BASE_MOISTURE) -> Any:
    """Water lost in drying from `moisture` to `base`, % of the wet mass; handling loss is extra.

    (M0 - Mf) 100 / (100 - Mf): Dillivan, South Dakota State University Extension, 2014.
    """
    return (moisture - base) * 100 / (100 - base)


def thousand_kernel_mass_at(mass: Any, from_moisture: Any, base: float = BASE_MOISTURE) -> Any:
    """Thousand-kernel mass (g) weighed at `from_moisture` (%) brought to `base` by dry matter."""
    return to_standard_moisture(mass, from_moisture, base)


def kernels_per_bushel(thousand_kernel_mass: Any) -> Any:
    """Kernels in a standard bushel, from the thousand-kernel mass (g) at 15.5 % moisture."""
    return KG_PER_BUSHEL * 1e6 / thousand_kernel_mass


def price_per_bushel_to_per_tonne(price: Any) -> Any:
    """Price per standard bushel (56 lb) to price per tonne; 39.368 bushels make a tonne."""
    return price * 1000 / KG_PER_BUSHEL


def price_per_tonne_to_per_bushel(price: Any) -> Any:
    """Price per tonne to price per standard bushel (56 lb)."""
    return price * KG_PER_BUSHEL / 1000
