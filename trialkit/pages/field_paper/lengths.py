"""Row lengths of an area and what a kernel in a frame is worth: the arithmetic of a count card."""

from __future__ import annotations

from typing import NamedTuple

from trialkit import units
from trialkit.display import number
from trialkit.responses import schema
from trialkit.words import ENGLISH, spoken
from trialkit.words.numerals import localised

# Row lengths of 1/1000 and 1/100 acre (40.5 m2) are the trade's; metric sheets take the hectare's.
AREAS = {
    "US": {"1/1000 ac": units.SQUARE_METRES_PER_ACRE / 1000,
           "1/100 ac": units.SQUARE_METRES_PER_ACRE / 100},
    "SI": {"1/1000 ha": units.SQUARE_METRES_PER_HECTARE / 1000,
           "1/100 ha": units.SQUARE_METRES_PER_HECTARE / 100},
}  # fmt: skip
COUNTS = (1, 10, 20, 40, 80)
RULE = 2 * units.SQUARE_METRES_PER_ACRE / units.SQUARE_METRES_PER_SQUARE_FOOT
"""Kernels per bushel at which 2 kernels/ft2 are exactly 1 bu/ac: 87,120."""

USUAL_FRAME = {"US": 10 * units.SQUARE_METRES_PER_SQUARE_FOOT, "SI": 1.0}
"""Area (m2) of a frame where none is planned."""


class Length(NamedTuple):
    """One line of a table of row lengths, as printed: what for, along one row, along all rows."""

    what: str
    one: str
    all: str


def row_lengths(
    spacing: float, frame_area: float, rows: int, system: schema.System, ear_area: float = 0.0,
    language: str = ENGLISH,
) -> list[Length]:  # fmt: skip
    """Length along the row that a frame, 1/1000 and 1/100 of an acre (hectare) take.

    Parameters
    ----------
    spacing : float
        Between rows (m); the area is one row wide, half a spacing to each side.
    frame_area : float
        m2.
    rows : int
        Rows of the pass, for the last column.
    system : {"US", "SI"}
    ear_area : float
        Area of an ear search (m2); a line of its own where it is none of the usual ones.
    language : str
    """
    small, *_ = areas = dict(AREAS[system])
    if ear_area > 0 and all(abs(ear_area - a) > 1e-3 * a for a in areas.values()):
        own = area_words(ear_area, system, language)
        areas[spoken("cards", "ear_search", language)(own)] = ear_area
    out = [Length(spoken("cards", "frame", language)(area_words(frame_area, system, language)),
                  localised(_short(frame_area / spacing, system), language), "")]  # fmt: skip
    for what, area in areas.items():
        along = area / spacing
        one, every = _long(along, system), _long(along / rows, system)
        if what == small:  # a stand count, in one row; to the inch
            one, every = feet_and_inches(along) if system == "US" else one, ""
        out.append(Length(what, localised(one, language), localised(every, language)))
    return out


def area_words(area: float, system: schema.System, language: str = ENGLISH) -> str:
    """An area in the trial's own units, at most three decimals."""
    unit = "ft2" if system == "US" else "m2"
    value = float(units.convert(area, "m2", unit))
    said = spoken("cards", "area_unit", language)(unit)
    return localised(f"{value:,.3f}".rstrip("0").rstrip("."), language) + f" {said}"


def spacing_words(spacing: float, system: schema.System, language: str = ENGLISH) -> str:
    """A row spacing: 30 in, 75 cm."""
    if system == "US":
        return localised(f"{float(units.convert(spacing, 'm', 'in')):.3g}", language) + " in"
    return localised(f"{100 * spacing:.3g}", language) + " cm"


def feet_and_inches(metres: float) -> str:
    """17 ft 5 in, to the nearest inch."""
    feet, inches = divmod(round(float(units.convert(metres, "m", "in"))), 12)
    return f"{feet} ft {inches} in"


def _short(metres: float, system: schema.System) -> str:
    inches, cm = float(units.convert(metres, "m", "in")), 100 * metres
    us, si = f"{inches:.1f}".removesuffix(".0") + " in", f"{cm:.0f} cm"
    return f"{us} ({si})" if system == "US" else f"{si} ({us})"


def _long(metres: float, system: schema.System) -> str:
    if system == "US":
        return f"{float(units.convert(metres, 'm', 'ft')):.1f} ft"
    return f"{metres:.2f} m"


class Worth(NamedTuple):
    """Loss that one kernel in a frame stands for."""

    kg_ha: float
    bu_ac: float


def kernel_worth(frame_area: float, thousand_kernel_mass: float) -> Worth:
    """Loss per kernel found in a frame of so many m2, at the moisture the mass (g) is stated at."""
    kg_ha = float(units.kernels_per_m2_to_kg_ha(1 / frame_area, thousand_kernel_mass))
    return Worth(kg_ha, float(units.kg_ha_to_bu_ac(kg_ha)))


def worth_words(
    frame_area: float, mass: float, system: schema.System, stated: bool = True,
    language: str = ENGLISH,
) -> str:  # fmt: skip
    """How kernels become loss on the spot, and what the rule of thumb takes for granted."""
    worth = kernel_worth(frame_area, mass)
    feet = float(units.convert(frame_area, "m2", "ft2"))
    divisor = 1 / worth.bu_ac if system == "US" else None
    return str(spoken("cards", "worth", language)(
        area_words(frame_area, system, language), divisor, worth.kg_ha, mass,
        float(units.kernels_per_bushel(mass)), feet, RULE, stated,
    ))  # fmt: skip


def worth_table(
    frame_area: float, mass: float, system: schema.System, language: str = ENGLISH
) -> list[tuple[str, ...]]:
    """Kernels in the frame and the loss they stand for, the trial's own units first."""
    worth = kernel_worth(frame_area, mass)
    out: list[tuple[str, ...]] = []
    for count in COUNTS:
        us = localised(number(count * worth.bu_ac, 2 if count * worth.bu_ac < 1 else 1), language)
        si = localised(number(count * worth.kg_ha, 0 if count * worth.kg_ha >= 10 else 1), language)
        out.append((f"{count}", us, si) if system == "US" else (f"{count}", si, us))
    return out


def usual_spacings(system: schema.System) -> list[float]:
    """Row spacings (m) to print where the field states none."""
    if system == "US":
        return [float(units.convert(inches, "in", "m")) for inches in (20, 30, 36)]
    return [0.5, 0.7, 0.75]
