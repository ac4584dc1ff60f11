"""What the grain a setup saves is worth against the yearly cost of the option that saves it.

Break-even area is that cost over the value saved per area. Prices are net of drying, hauling and
shrink if the user makes them so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit import units
from trialkit.decide.comparison import comparison
from trialkit.decide.cost import HECTARES_PER_ACRE, annual_cost, break_even_area
from trialkit.decide.words import CAUTION, amount, area_unit, interval_of_saving, whole_places
from trialkit.display import card
from trialkit.quantities import lower_first

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
    annual_cost : float or None
        Cost per year; None where the trial states no option, or one for another setup.
    area_per_year : float or None
        The user's harvested area (ha a year).
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
    annual_cost: float | None
    area_per_year: float | None

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
        if self.annual_cost is None or not self.area_per_year:
            return None
        return self.annual_cost / self.area_per_year

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
        return self._break_even(self.value_per_ac)

    @property
    def break_even_ac_low(self) -> float | None:
        """The same at the high end of the value saved."""
        return self._break_even(self.value_per_ac_high)

    @property
    def break_even_ac_high(self) -> float | None:
        """The same at the low end of the value saved."""
        return self._break_even(self.value_per_ac_low)

    def _break_even(self, value: float) -> float | None:
        return None if self.annual_cost is None else break_even_area(self.annual_cost, value)

    @property
    def sentences(self) -> tuple[str, ...]:
        """The above in words, in the trial's own units; the caution last."""
        unit, per = area_unit(self.system)
        value, low, high = (
            v * per for v in (self.value_per_ha, self.value_per_ha_low, self.value_per_ha_high)
        )
        out = [
            f"{self.label} against {lower_first(self.reference_label)}, at the header: loose grain "
            f"worth {self.currency} {amount(abs(value))} {'saved' if value >= 0 else 'lost'} per "
            f"{unit} ({100 * self.confidence:g} % {interval_of_saving(low, high)})."
        ]
        if self.annual_cost is not None:
            out.append(self._pays(unit, per))
            if self.cost_per_ha is not None and self.area_per_year:
                cost = self.cost_per_ha * per
                word = "less" if cost <= value else "more"
                out.append(
                    f"On {self.area_per_year / per:,.0f} {unit} a year it costs {self.currency} "
                    f"{amount(cost)} per {unit}, {self.currency} {amount(abs(value - cost))} "
                    f"{word} than the grain it saves is estimated to be worth."
                )
        return (*out, CAUTION)

    def _pays(self, unit: str, per: float) -> str:
        areas = (self.break_even_ha, self.break_even_ha_low, self.break_even_ha_high)
        even, least, most = (math.inf if a is None else a / per for a in areas)
        cost = f"The option costs {self.currency} {self.annual_cost:,.0f} a year"
        if math.isinf(even):
            return f"{cost}; the estimate shows no saving to pay for it."
        places = whole_places(even, least, most)
        span = f"at least {amount(least, places)}"
        if math.isfinite(most):
            span = f"{amount(least, places)} to {amount(most, places)}"
        return (
            f"{cost}; the saving pays for it from {amount(even, places)} {unit} a year "
            f"({100 * self.confidence:g} % interval {span} {unit})."
        )

    def _repr_html_(self) -> str:
        head = f"What the grain is worth: {self.label} against {lower_first(self.reference_label)}"
        return card(head, self.sentences)


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
        annual_cost=annual_cost(option.cost, option.life_years, option.interest)
        if option is not None
        else None,
        area_per_year=option.area_per_year if option is not None else None,
    )
