"""The dimensions of a row unit: measured, or plausible and then with both ends of what may be."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Self

from trialkit.errors import TrialkitError
from trialkit.header.limits import INCH, settings_card
from trialkit.words import header_limits as words


class Assumed(float):
    """A plausible size that no one measured, with the ends of the range it may lie in."""

    low: float
    high: float

    def __new__(cls, value: float, low: float, high: float) -> Self:
        size = super().__new__(cls, value)
        size.low, size.high = low, high
        return size

    def __reduce__(self) -> tuple[type[Assumed], tuple[float, float, float]]:
        return Assumed, (float(self), self.low, self.high)


@dataclass(frozen=True, slots=True)
class RowUnit:
    """Dimensions of a row unit: measure them, the defaults are only plausible.

    What is left at its default is an `Assumed`: no verdict that needs it is an order, and what
    follows from it is told for both ends of the range.

    Attributes
    ----------
    roll_length : float
        Length of the stalk rolls' fluted part when new, mm; 20 in, may be 16 to 24.
    roll_diameter : float
        Diameter at which the rolls pull, mm: between that over the flutes and that of the core. 78
        mm makes 3.7 m/s at 900 1/min, the 12 ft/s that Penn State Extension (*Guarding Against Corn
        Harvesting Incidents*, 2023) gives for snapping rolls; may be 3 to 4-1/2 in. A maker's
        figure, reprinted, is higher: 15 to 18 mph at the plates.
    pulled_length : float
        Stalk that passes until the ear lies on the plates, mm: height of the ear less the height at
        which the rolls grip; 30 in (ears at about 42 in, a grip at 12), may be 24 to 36.
    grip : float
        Share of the rolls' surface speed the stalk takes, above 0 to 1; 1 is no slip, the best.
    chain_speed : float or None
        Speed of the gathering chain, m/s.
    """

    roll_length: float = Assumed(20 * INCH, 16 * INCH, 24 * INCH)
    roll_diameter: float = Assumed(78.0, 3 * INCH, 4.5 * INCH)
    pulled_length: float = Assumed(30 * INCH, 24 * INCH, 36 * INCH)
    grip: float = 1.0
    chain_speed: float | None = None

    def __post_init__(self) -> None:
        for name in ("roll_length", "roll_diameter", "pulled_length"):
            if not getattr(self, name) > 0:
                raise TrialkitError(f"{name} must be above zero (mm).")
        if not 0 < self.grip <= 1:
            raise TrialkitError("grip is a share: above 0, at most 1.")
        if self.chain_speed is not None and not self.chain_speed > 0:
            raise TrialkitError("chain_speed must be above zero (m/s).")

    @property
    def assumed(self) -> tuple[str, ...]:
        """Names of the dimensions no one measured."""
        return tuple(f.name for f in fields(self) if isinstance(getattr(self, f.name), Assumed))

    @property
    def roll_column(self) -> str:
        """Column of a report's rows that tells of the rolls: ``effective_length``, or ``wear``
        while no one measured their fluted length."""
        return "wear" if "roll_length" in self.assumed else "effective_length"

    @property
    def ends(self) -> tuple[RowUnit, RowUnit]:
        """The unit that finishes pulling at the lowest speed within the ranges, and at the highest.

        Short, thin rolls and much stalk to pull are the lowest.
        """
        ends = []
        for low in (True, False):
            sizes = {
                name: size.low if low != (name == "pulled_length") else size.high
                for name in self.assumed
                if isinstance(size := getattr(self, name), Assumed)
            }
            ends.append(replace(self, **sizes))
        return ends[0], ends[1]

    def _repr_html_(self) -> str:
        return settings_card(words.sizes_heading(), self)
