"""Lengths and speeds of a machine as text, in the units of a system; shares as percent."""

from __future__ import annotations

import math
from collections.abc import Callable

from trialkit import units
from trialkit.display import number
from trialkit.quantities import inches, inches_both


class Lengths:
    """Lengths in mm and speeds in km/h as text in the units of a system."""

    def __init__(self, system: str) -> None:
        self.us = system == "US"
        self.system = system
        self.length_unit, self.places = ("in", 2) if self.us else ("mm", 1)
        self.speed_unit = "mph" if self.us else "km/h"

    def value(self, mm: float, places: int | None = None) -> str:
        """The number alone, in decimals."""
        length = float(units.convert(mm, "mm", self.length_unit))
        # A half rounds up as a tape is read, though 1-3/8 in comes back from mm as 1.37499...
        places = self.places if places is None else places
        return number(length + math.copysign(1e-9, length), places)

    def length(self, mm: float) -> str:
        """A reading: in US units the trade's fraction and the decimals, "3/16 in (0.19)".

        No finer than a gauge tells: what rounds to nothing is "under 0.01 in".
        """
        decimals = float(self.value(abs(mm)).replace(",", ""))
        if decimals == 0 and mm != 0:
            return f"under {10.0**-self.places:g} {self.length_unit}"
        if not self.us or decimals < 1 / 32:
            return self.short(mm)
        return inches_both(mm)

    def exact(self, mm: float) -> str:
        """A length as finely as it is kept: "1-3/8 in (1.375)", "34.9 mm"."""
        # A half rounds up, as in `value`.
        return inches_both(mm) if self.us else f"{number(mm + 1e-9, 1)} mm"

    def short(self, mm: float) -> str:
        """A reading in decimals with its unit, where there is little room."""
        value = self.value(mm)
        return f"{value if self.us else value.removesuffix('.0')} {self.length_unit}"

    def trade(self, mm: float) -> str:
        """A length to set, as a tape reads it: "1-1/4 in", "32 mm"."""
        return inches(mm) if self.us else f"{number(mm, 0)} mm"

    def between(self, low: float, high: float, text: Callable[[float], str] | None = None) -> str:
        """A range of readings, "1/4 to 3/8 in"; one length where both read alike."""
        plain, text = text is None, text or (inches if self.us else self.short)
        one, other = text(low), text(high)
        if one == other:
            return self.length(low) if plain else one
        return f"{one.rpartition(' ')[0]} to {other}"

    def roll(self, mm: float) -> str:
        """A length along the rolls, read with a tape: to a quarter of an inch, or whole mm."""
        return inches(mm, 4) if self.us else f"{number(mm, 0)} mm"

    def given(self, mm: float) -> str:
        """A limit as it was meant: "3/8 in", "5 in", "127 mm"."""
        length = float(units.convert(mm, "mm", self.length_unit))
        # Limits are kept in whole hundredths of a millimetre or so: 4.76 mm was meant as 3/16 in.
        if self.us and abs(32 * length - round(32 * length)) < 0.03:
            return inches(mm, 32)
        return f"{length if self.us else round(length, 1):.3g} {self.length_unit}"

    def speed(self, kmh: float, places: int = 1) -> str:
        """A speed with its unit."""
        speed = float(units.convert(kmh, "km/h", self.speed_unit))
        return f"{number(speed, places)} {self.speed_unit}"

    def up_to(self, low: float, high: float) -> str:
        """A highest speed in a range of what it may be: "up to 3.2 mph at worst, 11.3 at best"."""
        one, other = self.speed(low), self.speed(high)
        if one == other:
            return f"up to {one}"
        return f"up to {one} at worst, {other.split()[0]} at best"


def percent_of(share: float) -> str:
    """A share as a whole percentage."""
    return f"{number(100 * share, 0)} %"
