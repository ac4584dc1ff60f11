"""Area and price at which an option's saving equals its cost, with their intervals.

The cost over a saving that is known to an interval: the set of areas (prices) for which the saving
that would break even lies inside the interval of the difference. Where that interval reaches zero
the set has no upper end; where it lies below zero the set is empty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from trialkit import units
from trialkit.decide.budget import Budget
from trialkit.decide.words import amount, area_unit
from trialkit.display import card


@dataclass(frozen=True, slots=True)
class BreakEven:
    """An area or price at which a budget's net is zero.

    Attributes
    ----------
    what : {"area", "price"}
    value, low, high : float
        In ha a year or per t; infinite where no area (price) is enough. `low` belongs to the high
        end of the saving.
    confidence : float
    currency, system : str
    """

    what: str
    value: float
    low: float
    high: float
    confidence: float
    currency: str
    system: str

    @property
    def in_system(self) -> tuple[float, float, float]:
        """Value, low and high in acres or per bushel for "US", else as they are."""
        if self.system != "US":
            return self.value, self.low, self.high
        size = (
            1.0 / area_unit("US")[1]
            if self.what == "area"
            else float(units.price_per_tonne_to_per_bushel(1.0))
        )
        return self.value * size, self.low * size, self.high * size

    @property
    def sentence(self) -> str:
        """The above in words."""
        value, low, high = self.in_system
        level = f"{100 * self.confidence:g} %"
        if self.what == "area":
            unit = f"{area_unit(self.system)[0]} a year"
            name, first, places = "area", "", 0
        else:
            unit = "per bu" if self.system == "US" else "per t"
            name, first, places = "grain price", f"{self.currency} ", 2
        if self.what == "price" and value == 0:
            more = (
                " At the low end of the interval of the saving it loses grain, and pays at low "
                "prices only."
                if math.isinf(high)
                else ""
            )
            return (
                "Break-even grain price: none needed at the estimate; what else the option saves "
                f"covers its cost.{more}"
            )
        if math.isinf(low):
            return (
                f"Break-even {name}: none. The whole {level} interval of the saving is too low for "
                f"any {name} to cover the cost."
            )
        if math.isinf(value):
            return (
                f"Break-even {name}: none at the estimate, which shows no saving; the {level} "
                f"interval runs from {first}{amount(low, places)} {unit} with no upper limit, "
                "because the interval of the saving includes zero."
            )
        if math.isinf(high):
            return (
                f"Break-even {name}: {first}{amount(value, places)} {unit} ({level} interval from "
                f"{first}{amount(low, places)} with no upper limit, because the interval of the "
                "saving includes zero)."
            )
        return (
            f"Break-even {name}: {first}{amount(value, places)} {unit} ({level} interval "
            f"{amount(low, places)} to {amount(high, places)})."
        )

    def _repr_html_(self) -> str:
        return card(
            f"Break-even {'area' if self.what == 'area' else 'grain price'}", [self.sentence]
        )


def break_even(
    budget: Budget,
    what: str,
    saved: tuple[float, float],
    confidence: float,
    currency: str = "USD",
    system: str = "SI",
) -> BreakEven:
    """Area or price at which `budget` leaves nothing, and its interval.

    Parameters
    ----------
    budget : Budget
        Of single numbers.
    what : {"area", "price"}
    saved : (float, float)
        Interval of the grain kept, kg/ha.
    confidence : float
        Its level.
    currency, system : str

    Returns
    -------
    BreakEven
        The other parts of the budget at their value: discount, time, running cost; for the area
        the price, for the price the area.
    """
    if what not in ("area", "price"):
        raise ValueError(f"what is 'area' or 'price', not {what!r}.")
    find = _area if what == "area" else _price
    low, high = saved
    value, least, most = (find(replace(budget, saved=kg)) for kg in (budget.saved, high, low))
    return BreakEven(what, value, least, most, confidence, currency, system)


def _area(budget: Budget) -> float:
    saving = float(budget.saving_per_ha)
    return float(budget.annual_cost) / saving if saving > 0 else math.inf


def _price(budget: Budget) -> float:
    """Price per t; zero where discount and time already cover the cost."""
    needed: Any = budget.annual_cost / budget.area - budget.other_per_ha
    if needed <= 0:
        return 0.0 if budget.saved >= 0 else math.inf
    return float(1000.0 * needed / budget.saved) if budget.saved > 0 else math.inf
