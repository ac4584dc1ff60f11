"""Numbers and labels as people read them: own units first, digits the uncertainty allows (the
rule stands in `trialkit.display`)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from trialkit.display import decimals, number
from trialkit.units import convert, kg_ha_to_bu_ac

__all__ = [
    "Scale",
    "Span",
    "decimals",
    "difference_unit",
    "inches",
    "inches_both",
    "listed",
    "lower_first",
    "number",
    "places_in",
    "run_with",
    "scales",
    "shared_places",
    "span",
    "upper_first",
    "with_unit",
]


@dataclass(frozen=True, slots=True)
class Scale:
    """A unit to print in: a value of the SI table times `factor` is in `unit`."""

    unit: str
    factor: float


_BU_AC = Scale("bu/ac", float(kg_ha_to_bu_ac(1.0)))
_KG_HA = Scale("kg/ha", 1.0)
_LB_BU = Scale("lb/bu", float(convert(1.0, "kg/hL", "lb/bu")))
_KG_HL = Scale("kg/hL", 1.0)
_TWO_SYSTEMS = {
    "kg/ha": (_BU_AC, _KG_HA),
    "kg/hL": (_LB_BU, _KG_HL),
    "km/h": (Scale("mph", float(convert(1.0, "km/h", "mph"))), Scale("km/h", 1.0)),
    "mm": (Scale("in", float(convert(1.0, "mm", "in"))), Scale("mm", 1.0)),
}


def scales(unit: str, system: str) -> tuple[Scale, ...]:
    """Units to print a quantity in, the trial's own first.

    Parameters
    ----------
    unit : str
        Unit of the quantity inside the program, such as "kg/ha", "kg/hL", "km/h", "mm" or "%"; of
        things counted on an area, "ears/ha".
    system : str
        Units the trial declares: "US" or "SI".
    """
    if unit in _TWO_SYSTEMS:
        us, si = _TWO_SYSTEMS[unit]
    elif unit.endswith("/ha"):
        us = Scale(f"{unit[:-3]}/ac", float(convert(1.0, "plants/ha", "plants/ac")))
        si = Scale(unit, 1.0)
    else:
        return (Scale(unit, 1.0),)
    return (us, si) if system == "US" else (si, us)


def difference_unit(unit: str) -> str:
    """The unit of a difference: percentages differ by points."""
    return "percentage points" if unit == "%" else unit


def with_unit(text: str, unit: str) -> str:
    """A number and its unit: "1 percentage point", "1.0 percentage points"."""
    return f"{text} {unit[:-1] if text == '1' and unit.endswith(('points', 'steps')) else unit}"


def inches(mm: float, step: int = 16) -> str:
    """A length as a tape reads it: "1-3/8 in", "1/16 in", "5 in".

    Parameters
    ----------
    mm : float
        Length, mm; one below zero begins with a minus. A missing one is "not known".
    step : int
        Parts of an inch it is rounded to, 16 for sixteenths. A power of two, as on a tape.

    Notes
    -----
    What it prints is read back by `trialkit.intake.numbers.read_number`.
    """
    length = float(convert(mm, "mm", "in"))
    if not math.isfinite(length):
        return number(length, 0)
    whole, parts = divmod(math.floor(abs(length) * step + 0.5), step)
    part = f"{Fraction(parts, step)}" if parts else ""
    text = "-".join(filter(None, (f"{whole}" if whole or not part else "", part)))
    return f"{'−' if length < 0 and text != '0' else ''}{text} in"


def inches_both(mm: float, step: int = 16, places: int = 2) -> str:
    """The fraction and beside it the length in decimals: "1-3/8 in (1.375)", "5 in".

    A length that is no fraction of this step has `places` decimals: 34.5 mm is "1-3/8 in (1.36)".
    """
    fraction = inches(mm, step)
    length = float(convert(mm, "mm", "in"))
    if not math.isfinite(length):
        return fraction
    exact = abs(length * step - round(length * step)) < 1e-6
    places = max(step.bit_length() - 1, 1) if exact else places
    decimal = number(length + math.copysign(1e-9, length), places)  # a half up, as a tape is read
    decimal = decimal.rstrip("0").rstrip(".")
    return fraction if f"{decimal} in" == fraction else f"{fraction} ({decimal})"


def listed(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def places_in(scale: Scale, uncertainty: float) -> int:
    """Decimal places of a number in `scale`; a percentage is never coarser than whole, since its
    interval is lopsided: by the width of "-98 to +5,900 %" alone an estimate of -25 % would be 0.
    """
    places = decimals(uncertainty)
    return max(places, 0) if scale.unit == "%" else places


def lower_first(text: str) -> str:
    """A label as it stands inside a sentence: "Wide gap" becomes "wide gap", "LP gap" stays."""
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


def run_with(label: str) -> str:
    """What a strip was run with: "with wide gap"; "without cushion" says it already."""
    text = lower_first(label)
    return text if text.startswith(("with ", "without ")) else f"with {text}"


def upper_first(text: str) -> str:
    """A label as it begins a sentence; the rest stays as the user wrote it."""
    return text[:1].upper() + text[1:]


def shared_places(low: Iterable[float], high: Iterable[float], scale: Scale) -> int:
    """Decimal places of estimates (intervals in SI) that are read against one another: those the
    narrowest interval allows, so that their differences can be taken from what is printed."""
    return max(
        places_in(scale, (most - least) / 2 * scale.factor)
        for least, most in zip(low, high, strict=True)
    )


def usual_places(low: Iterable[float], high: Iterable[float], scale: Scale) -> int:
    """Decimal places of a column of estimates (intervals in SI) of which some are hardly known:
    those the median interval allows, none before the point; 1 where no interval is known."""
    halves = sorted((b - a) / 2 * scale.factor for a, b in zip(low, high, strict=True)
                    if math.isfinite(b - a) and b > a)  # fmt: skip
    n = len(halves)
    if not n:
        return 1
    return max(places_in(scale, (halves[(n - 1) // 2] + halves[n // 2]) / 2), 0)


@dataclass(frozen=True, slots=True)
class Span:
    """An estimate and its interval as text, all rounded alike."""

    value: str
    low: str
    high: str

    @property
    def interval(self) -> str:
        """The interval in words, without the unit."""
        return f"{self.low} to {self.high}"


def span(value: float, low: float, high: float, scale: Scale, places: int | None = None) -> Span:
    """Round an estimate and its interval (in SI) to what the interval allows, in `scale`, or to
    the decimal places of the estimates it stands beside (`shared_places`).

    Bounds that are not finite are printed as "not known"; the estimate then keeps one decimal.
    """
    value, low, high = (x * scale.factor for x in (value, low, high))
    if places is None:
        places = places_in(scale, (high - low) / 2)
    return Span(number(value, places), number(low, places), number(high, places))
