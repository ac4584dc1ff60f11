"""The partial budget of an option: what it saves, what it costs, what is left.

Per hectare and year::

    saving = grain kept x price + discount avoided - extra time
    net    = saving - annual cost / area,   annual cost = capital recovery + running cost

A partial budget counts only what changes with the choice (Kay, Edwards & Duffy, *Farm Management*:
from memory).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.decide import cost
from trialkit.decide.comparison import comparison
from trialkit.decide.words import CAUTION_MORE
from trialkit.display import card, paragraphs, table
from trialkit.errors import DesignError

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis


@dataclass(frozen=True, slots=True)
class Budget:
    """What goes into the balance of an option; every number may also be an array.

    Attributes
    ----------
    saved : float
        Grain kept by the option, kg/ha.
    price : float
        Net price of grain per t.
    area : float
        Harvested with the option in a year, ha.
    option_price : float
        What the option costs to buy.
    years : float
        Its life.
    interest : float
        Rate per year as a fraction.
    salvage : float
        Its value at the end of its life.
    running_cost : float
        Upkeep, insurance, housing: a year.
    discount_avoided : float
        Price discount the option avoids, per ha.
    time_cost : float
        Cost of the extra time it takes, per ha.
    """

    saved: Any
    price: Any
    area: Any
    option_price: float
    years: float
    interest: float
    salvage: float = 0.0
    running_cost: Any = 0.0
    discount_avoided: Any = 0.0
    time_cost: Any = 0.0

    @property
    def annual_cost(self) -> Any:
        """Capital recovery and running cost, a year."""
        capital = cost.annual_cost(self.option_price, self.years, self.interest, self.salvage)
        return capital + self.running_cost

    @property
    def other_per_ha(self) -> Any:
        """Discount avoided less extra time, per ha."""
        return self.discount_avoided - self.time_cost

    @property
    def saving_per_ha(self) -> Any:
        """Grain kept at its price, discount avoided, less extra time, per ha."""
        return self.saved * self.price / 1000.0 + self.other_per_ha

    @property
    def net_per_year(self) -> Any:
        """Saving over the area less the annual cost."""
        return self.saving_per_ha * self.area - self.annual_cost

    @property
    def net_per_ha(self) -> Any:
        """Net per year over the area."""
        return self.saving_per_ha - self.annual_cost / self.area

    def _repr_html_(self) -> str:
        rows = (
            ("Grain kept", self.saved, "kg/ha"),
            ("Grain price", self.price, "per t"),
            ("Discount avoided", self.discount_avoided, "per ha"),
            ("Extra time", self.time_cost, "per ha"),
            ("Saving", self.saving_per_ha, "per ha"),
            ("Yearly cost of the option", self.annual_cost, "a year"),
            ("Area", self.area, "ha a year"),
            ("Left", self.net_per_ha, "per ha"),
            ("Left", self.net_per_year, "a year"),
        )
        shown = pd.DataFrame(
            [
                {"": what, "amount": float(np.median(value)), "unit": unit}
                for what, value, unit in rows
            ]
        )
        many = max(np.size(value) for _, value, _ in rows)
        return card(
            "Partial budget",
            [
                f"An option of {self.option_price:,.0f}, {self.years:g} years at "
                f"{100 * self.interest:g} % interest, kept on "
                f"{float(np.median(self.area)):,.0f} ha a year.",
                f"Medians of {many:,} draws." if many > 1 else "",
            ],
            table(shown),
            paragraphs([CAUTION_MORE]),
        )


NAMES = tuple(field.name for field in dataclasses.fields(Budget))


def budget(
    analysis: TrialAnalysis, factor: str | None = None, level: str | None = None, **changes: Any
) -> Budget:
    """The budget a trial states: its estimate of the grain kept, its price and its option.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor, level : str, optional
        As in `comparison`.
    **changes
        Fields of `Budget` to state or to put in place of the trial's own.

    Raises
    ------
    DesignError
        When the header loss was not analysed or a number is stated neither by the trial nor in
        `changes`; the message names it.
    """
    if unknown := set(changes) - set(NAMES):
        raise TypeError(f"not part of a budget: {', '.join(sorted(unknown))}; use {NAMES}.")
    config = analysis.trial.config
    found = comparison(analysis, "header_loss", factor, level)
    given: dict[str, Any] = {"price": config.price_per_t}
    if found is not None:
        given["saved"] = -found.difference.value
    if found is not None and found.bought and config.option is not None:
        option = config.option
        given |= {
            "area": option.area_per_year,
            "option_price": option.cost,
            "years": option.life_years,
            "interest": option.interest,
        }
    given |= changes
    needed = ("saved", "price", "area", "option_price", "years", "interest")
    if missing := [name for name in needed if given.get(name) is None]:
        raise DesignError(
            f"A budget needs {', '.join(missing)}, which the trial does not state for this "
            "comparison: give them as arguments."
        )
    return Budget(**given)
