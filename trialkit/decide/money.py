"""What the grain a setup saves is worth against the yearly cost of the option that saves it.

Break-even both ways: the area a year at the saving found, and the saving per area at the area a
year that the trial states. Prices are net of drying, hauling and
shrink if the user makes them so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from trialkit import units
from trialkit.decide.break_even import area_to_break_even
from trialkit.decide.budget import Budget, of_option
from trialkit.decide.comparison import comparison
from trialkit.decide.cost import HECTARES_PER_ACRE
from trialkit.decide.words import CAUTION, amount, area_unit, interval_of_saving, whole_places
from trialkit.display import card
from trialkit.errors import DesignError
from trialkit.quantities import lower_first, upper_first

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis


@dataclass(frozen=True, slots=True)
class Money:
    """Value of the grain one setup saves against another, and the cost of having it.

    Attributes
    ----------
    factor, level, reference : str
        The comparison: `level` against `reference`.
    label, reference_label : str
        The same two levels in words.
    currency : str
    system : {"US", "SI"}
        Units the sentences speak in.
    price_per_t : float
        Price of grain.
    confidence : float
        Level of the intervals, 0.95 unless the analysis was asked for another.
    value_per_ha, value_per_ha_low, value_per_ha_high : float
        Value saved per ha and its interval; negative where the level loses more.
    balance : Budget or None
        What it saves and costs, per ha and per year; None where the trial states no option, or one
        for another setup.
    """

    factor: str
    level: str
    reference: str
    label: str
    reference_label: str
    currency: str
    system: str
    price_per_t: float
    confidence: float
    value_per_ha: float
    value_per_ha_low: float
    value_per_ha_high: float
    balance: Budget | None

    @property
    def annual_cost(self) -> float | None:
        """Cost per year on the user's area; None without an option."""
        return None if self.balance is None else float(self.balance.annual_cost)

    @property
    def area_per_year(self) -> float | None:
        """The user's harvested area (ha a year)."""
        return None if self.balance is None else float(self.balance.area)

    @property
    def value_per_year(self) -> float | None:
        """`value_per_ha` over the user's area."""
        return None if self.balance is None else self.value_per_ha * float(self.balance.area)

    @property
    def net_per_year(self) -> float | None:
        """What is left of it in a year, the cost paid."""
        return None if self.balance is None else self._net(self.value_per_ha, self.balance.area)

    def net_at(self, area: Any) -> tuple[Any, Any, Any]:
        """Net per year on other areas (ha, float or array): estimate, low and high end.

        Raises
        ------
        DesignError
            Where the trial states no option cost.
        """
        values = (self.value_per_ha, self.value_per_ha_low, self.value_per_ha_high)
        at, low, high = (self._net(value, area) for value in values)
        return at, low, high

    def _net(self, value_per_ha: float, area: Any) -> Any:
        if self.balance is None:
            raise DesignError("The trial states no option cost, so there is no balance.")
        return value_per_ha * area - replace(self.balance, area=area).annual_cost

    @property
    def price_per_bu(self) -> float:
        """Price per standard bushel (56 lb)."""
        return units.price_per_tonne_to_per_bushel(self.price_per_t)

    @property
    def value_per_ac(self) -> float:
        """Value saved per acre."""
        return self.value_per_ha * HECTARES_PER_ACRE

    @property
    def value_per_ac_low(self) -> float:
        """Low end of the interval of `value_per_ac`."""
        return self.value_per_ha_low * HECTARES_PER_ACRE

    @property
    def value_per_ac_high(self) -> float:
        """High end of the interval of `value_per_ac`."""
        return self.value_per_ha_high * HECTARES_PER_ACRE

    @property
    def cost_per_ha(self) -> float | None:
        """Annual cost over the user's area, per ha."""
        return None if self.balance is None else float(self.balance.cost_per_ha)

    @property
    def cost_per_ac(self) -> float | None:
        """Annual cost over the user's area, per acre."""
        return None if self.cost_per_ha is None else self.cost_per_ha * HECTARES_PER_ACRE

    @property
    def break_even_ha(self) -> float | None:
        """Area (ha a year) at which the option pays; infinite where nothing is saved."""
        return self._break_even(self.value_per_ha)

    @property
    def break_even_ha_low(self) -> float | None:
        """The same at the high end of the value saved."""
        return self._break_even(self.value_per_ha_high)

    @property
    def break_even_ha_high(self) -> float | None:
        """The same at the low end of the value saved."""
        return self._break_even(self.value_per_ha_low)

    @property
    def break_even_ac(self) -> float | None:
        """Area (acres a year) at which the option pays; infinite where nothing is saved."""
        return _in_acres(self.break_even_ha)

    @property
    def break_even_ac_low(self) -> float | None:
        """The same at the high end of the value saved."""
        return _in_acres(self.break_even_ha_low)

    @property
    def break_even_ac_high(self) -> float | None:
        """The same at the low end of the value saved."""
        return _in_acres(self.break_even_ha_high)

    def _break_even(self, value: float) -> float | None:
        if self.balance is None:
            return None
        saved = 1000.0 * value / self.price_per_t if self.price_per_t else 0.0
        return area_to_break_even(replace(self.balance, saved=saved))

    @property
    def sentences(self) -> tuple[str, ...]:
        """The above in words, in the trial's own units; the caution last."""
        unit, per = area_unit(self.system)
        value, low, high = (
            v * per for v in (self.value_per_ha, self.value_per_ha_low, self.value_per_ha_high)
        )
        done = "saved" if value >= 0 else "lost"
        out = [
            f"{upper_first(self.label)} against {lower_first(self.reference_label)}, at the "
            f"header: loose grain worth {self.currency} {amount(abs(value))} {done} per {unit} "
            f"({100 * self.confidence:g} % {interval_of_saving(low, high)})."
        ]
        if self.balance is not None:
            out.append(self._costs(self.balance, unit, per))
            out.append(self._pays(self.balance, unit, per))
        return (*out, CAUTION)

    def _costs(self, balance: Budget, unit: str, per: float) -> str:
        """Cost, saving and what is left, per area and per year."""
        value, cost = self.value_per_ha * per, float(balance.cost_per_ha) * per
        year = tuple(map(float, self.net_at(balance.area)))
        word = "less" if cost <= value else "more"
        needed = units.kg_ha_to_bu_ac(balance.needed) if self.system == "US" else balance.needed
        grain, places = ("bu/ac", 2) if self.system == "US" else ("kg/ha", 1)
        return (
            f"On {balance.area / per:,.0f} {unit} a year {lower_first(self.label)} lasts "
            f"{balance.life_in_words(self.system)} and costs {self.currency} "
            f"{amount(float(balance.annual_cost), 0)} a year, {self.currency} {amount(cost)} per "
            f"{unit}. That is {self.currency} {amount(abs(value - cost))} per {unit}, "
            f"{self.currency} {amount(abs(year[0]), whole_places(*year))} a year, {word} than the "
            "grain it saves is estimated to be worth; it pays where it saves more than "
            f"{amount(float(needed), places)} {grain}."
        )

    def _pays(self, balance: Budget, unit: str, per: float) -> str:
        areas = (self.break_even_ha, self.break_even_ha_low, self.break_even_ha_high)
        even, least, most = (math.inf if a is None else a / per for a in areas)
        wear = balance.wear_per_ha * per
        worn = f"wear and repair alone cost {self.currency} {amount(wear)} per {unit}"
        if math.isinf(even):
            if self.value_per_ha > 0:
                return f"No area a year pays for it at this saving: {worn}."
            return "The estimate shows no saving to pay for it on any area."
        places = whole_places(even, least, most)
        span = f"at least {amount(least, places)}"
        if math.isfinite(most):
            span = f"{amount(least, places)} to {amount(most, places)}"
        return (
            f"The saving pays for it from {amount(even, places)} {unit} a year "
            f"({100 * self.confidence:g} % interval {span} {unit}"
            f"{f'; {worn} on any area' if wear > 0 else ''})."
        )

    def _repr_html_(self) -> str:
        head = f"What the grain is worth: {self.label} against {lower_first(self.reference_label)}"
        return card(head, self.sentences)


def _in_acres(area: float | None) -> float | None:
    return None if area is None else area / HECTARES_PER_ACRE


def money(
    analysis: TrialAnalysis, factor: str | None = None, level: str | None = None
) -> Money | None:
    """Value of the header loss saved by one setup against the reference.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor, level : str, optional
        The comparison; by default the one the trial's option is bought for, else the one of the
        first factor with the strongest evidence, as in a report's headline.

    Returns
    -------
    Money or None
        None when the trial states no price, or when its header loss, or the option's comparison,
        was not analysed.

    Raises
    ------
    ValueError
        When the comparison asked for is not among the contrasts.
    """
    config = analysis.trial.config
    if config.price_per_t is None:
        return None
    found = comparison(analysis, "header_loss", factor, level)
    if found is None:
        return None
    option = config.option if found.bought else None
    low, high = found.difference.interval(analysis.level)
    saved = [-kg_ha * config.price_per_t / 1000.0 for kg_ha in (found.difference.value, high, low)]
    return Money(
        factor=found.factor,
        level=found.level,
        reference=found.reference,
        label=found.label,
        reference_label=found.reference_label,
        currency=config.currency,
        system=config.units,
        price_per_t=config.price_per_t,
        confidence=analysis.level,
        value_per_ha=saved[0],
        value_per_ha_low=saved[1],
        value_per_ha_high=saved[2],
        balance=None
        if option is None
        else Budget(saved=-found.difference.value, price=config.price_per_t, **of_option(option)),
    )
