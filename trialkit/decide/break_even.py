"""Area and price at which an option's saving equals its cost, with their intervals.

The cost over a saving that is known to an interval: the set of areas (prices) for which the saving
that would break even lies inside the interval of the difference. Where that interval reaches zero
the set has no upper end; where it lies below zero the set is empty. Where what else the option
saves covers its cost, no price is needed, but an option that loses grain pays below a price only.

An option that wears by the area costs no less per ha than `Budget.wear_per_ha`, however large the
area. The cost per ha falls throughout (`cost`), so that the balance turns at one area at the most:
at none where the saving is not above that wear. The balance of a *year* is not monotone then: below
the wear it may first fall less and then more, but it never rises above zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from trialkit import units
from trialkit.decide.budget import Budget
from trialkit.display import card
from trialkit.facts import Ends
from trialkit.words import balance as words
from trialkit.words.money import area_unit


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
    limit, limit_low : float
        Price above which the grain lost outweighs what else the option saves, at the estimate and
        at the low end of the saving; infinite where no grain is lost, and for an area.
    covered : bool
        Whether what else the option saves covers its cost, so that no grain price is needed.
    wear : float
        Of an area: what every ha costs by wear and repair, however many there are; 0 where only
        years end the option's life.
    saving : float
        Of an area: what a ha saves at the estimate.
    """

    what: str
    value: float
    low: float
    high: float
    confidence: float
    currency: str
    system: str
    limit: float = math.inf
    limit_low: float = math.inf
    covered: bool = False
    wear: float = 0.0
    saving: float = 0.0

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
        return words.break_even(
            self.what, Ends(*self.in_system), confidence=self.confidence, currency=self.currency,
            system=self.system, wear=self.wear, saving=self.saving, covered=self.covered,
            limit=self.limit, limit_low=self.limit_low,
        )  # fmt: skip

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
    find = area_to_break_even if what == "area" else _price
    low, high = saved
    at, best, worst = (replace(budget, saved=kg) for kg in (budget.saved, high, low))
    value, least, most = (find(each) for each in (at, best, worst))
    if what == "area":
        return BreakEven(
            what, value, least, most, confidence, currency, system,
            wear=budget.wear_per_ha, saving=float(budget.saving_per_ha),
        )  # fmt: skip
    if value > 0:
        return BreakEven(what, value, least, most, confidence, currency, system)
    return BreakEven(
        what, value, least, most, confidence, currency, system, price_limit(at),
        price_limit(worst), covered=True,
    )  # fmt: skip


def area_to_break_even(budget: Budget) -> float:
    """The one area (ha a year) from which the saving per ha covers the cost; infinite for none."""
    saving, wear = float(budget.saving_per_ha), budget.wear_per_ha
    if saving <= wear:
        return math.inf
    # Below this area years end its life, and but for repair a year costs the same on every area.
    turn = float(np.divide(budget.life_area, budget.years))
    ageing = replace(budget, life_area=math.inf, repair=0.0)
    found = float(ageing.annual_cost) / (saving - float(budget.repair))
    if found <= turn:
        return found

    def left(per_ha: float) -> float:
        """Net per ha on an area of 1 / per_ha."""
        if per_ha == 0:
            return saving - wear
        return float(replace(budget, area=1.0 / per_ha).net_per_ha)

    most = 1.0 / turn if turn > 0 else 1.0 / float(budget.life_area)
    while left(most) > 0:  # only where no years end its life
        most *= 2.0
        if most > 1e9:
            return 0.0
    return float(1.0 / optimize.brentq(left, 0.0, most, xtol=1e-15, rtol=1e-13))


def _price(budget: Budget) -> float:
    """Price per t; zero where discount and time already cover the cost."""
    needed = _needed(budget)
    if needed <= 0:
        return 0.0
    return 1000.0 * needed / float(budget.saved) if budget.saved > 0 else math.inf


def price_limit(budget: Budget) -> float:
    """Price per t above which the grain an option loses outweighs what else it saves.

    Infinite where it loses none; zero where nothing else covers its cost either.
    """
    if budget.saved >= 0:
        return math.inf
    return 1000.0 * min(_needed(budget), 0.0) / float(budget.saved)


def _needed(budget: Budget) -> float:
    """What grain must bring per ha for the budget to leave nothing."""
    return float(budget.cost_per_ha - budget.other_per_ha)
