"""The balance of an option: what it saves, what it costs, what is left; per ha and per year.

Per hectare::

    saving = grain kept x price + discount avoided - extra time
    cost   = annual cost / area
    left   = saving - cost

    annual cost = capital recovery over its life + running cost + repair x area + changes a year
    life        = years, or life area / area a year where that ends first

Every page reads these numbers from here. A partial budget counts only what changes with the choice
(Kay, Edwards & Duffy, *Farm Management*: from memory).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypedDict, Unpack

import numpy as np
import pandas as pd

from trialkit.decide import cost
from trialkit.decide.comparison import comparison
from trialkit.display import card, paragraphs, table
from trialkit.errors import DesignError
from trialkit.words import balance as words
from trialkit.words.money import CAUTION_MORE, area_unit

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.intake import OptionCost, TrialConfig


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
        Its life in years; infinite where only area ends it.
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
    life_area : float
        Its life in area, ha; infinite where only years end it.
    repair : float
        Upkeep that goes with the area, per ha.
    change_cost : float
        Labour of fitting it or of taking it off, once.
    changes : float
        How often a year; 0: fitted once in its life, so that the labour goes with its price.
    """

    saved: Any
    price: Any
    area: Any
    option_price: float
    years: Any
    interest: float
    salvage: float = 0.0
    running_cost: Any = 0.0
    discount_avoided: Any = 0.0
    time_cost: Any = 0.0
    life_area: Any = math.inf
    repair: Any = 0.0
    change_cost: Any = 0.0
    changes: float = 0.0

    @property
    def life(self) -> Any:
        """Years it lasts at this area a year."""
        return cost.life_in_years(self.years, self.life_area, self.area)

    @property
    def worn_out(self) -> Any:
        """Whether area ends its life before the years do."""
        # Both ends at once count as years, whatever the last digit says.
        return np.asarray(self.life_area) / self.area < np.asarray(self.years) * (1 - 1e-9)

    @property
    def outlay(self) -> Any:
        """Price, and the labour of fitting it once where it is not changed every year."""
        return self.option_price + (0.0 if self.changes else self.change_cost)

    @property
    def yearly_cost(self) -> Any:
        """What keeping it costs a year, capital not counted: running, repair, changes."""
        return self.running_cost + self.repair * self.area + self.changes * self.change_cost

    @property
    def capital_cost(self) -> Any:
        """What recovers the outlay with interest over its life, a year."""
        return cost.annual_cost(self.outlay, self.life, self.interest, self.salvage)

    @property
    def annual_cost(self) -> Any:
        """Capital recovery, running cost, repair and changes, a year."""
        return self.capital_cost + self.yearly_cost

    @property
    def cost_per_ha(self) -> Any:
        """`annual_cost` over the area: the saving per ha from which something is left."""
        return self.annual_cost / self.area

    @property
    def wear_per_ha(self) -> float:
        """Cost per ha that stays however large the area is; for single numbers."""
        wear = cost.wear_per_area(self.outlay, self.life_area, self.interest, self.salvage)
        return float(wear + self.repair)

    @property
    def other_per_ha(self) -> Any:
        """Discount avoided less extra time, per ha."""
        return self.discount_avoided - self.time_cost

    @property
    def grain_per_ha(self) -> Any:
        """Grain kept at its price, per ha."""
        return self.saved * self.price / 1000.0

    @property
    def saving_per_ha(self) -> Any:
        """Grain kept at its price, discount avoided, less extra time, per ha."""
        return self.grain_per_ha + self.other_per_ha

    @property
    def saving_per_year(self) -> Any:
        """`saving_per_ha` over the area."""
        return self.saving_per_ha * self.area

    @property
    def needed(self) -> Any:
        """Grain kept (kg/ha) from which something is left, at this price and area."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.divide(1000.0 * (self.cost_per_ha - self.other_per_ha), self.price)

    @property
    def net_per_year(self) -> Any:
        """Saving over the area less the annual cost."""
        return self.saving_per_year - self.annual_cost

    @property
    def net_per_ha(self) -> Any:
        """Net per year over the area."""
        return self.saving_per_ha - self.cost_per_ha

    def table(self, system: str = "SI") -> pd.DataFrame:
        """The balance line by line, medians where there are draws.

        Returns
        -------
        DataFrame
            Index ``grain, discount, time, saving, capital, running, repair, changes, cost, net``;
            ``label, per_area`` (per acre for "US", else per ha), ``per_year``. Costs and extra
            time are negative; lines that are nil are left out, but for the three sums.
        """
        unit, size = area_unit(system)
        lines = {
            "grain": ("Grain kept", self.grain_per_ha * self.area),
            "discount": ("Discount avoided", self.discount_avoided * self.area),
            "time": ("Extra time", -self.time_cost * self.area),
            "saving": ("Saving", self.saving_per_year),
            "capital": ("Price and interest", -self.capital_cost),
            "running": ("Running cost", -self.running_cost),
            "repair": (f"Repair, by the {unit}", -self.repair * self.area),
            "changes": ("Changing it", -self.changes * self.change_cost),
            "cost": ("Cost in all", -self.annual_cost),
            "net": ("Left", self.net_per_year),
        }
        rows = {}
        for name, (label, value) in lines.items():
            year = float(np.median(value))
            if year or name in ("saving", "cost", "net"):
                rows[name] = {
                    "label": label,
                    "per_area": float(np.median(value / self.area)) * size,
                    "per_year": year,
                }
        return pd.DataFrame.from_dict(rows, orient="index")

    def life_in_words(self, system: str = "SI") -> str:
        """How long it lasts: "10 years", "2.5 years (5,000 ac)" where area ends its life."""
        area = float(np.median(self.life_area)) if np.median(self.worn_out) else None
        return words.lasts(float(np.median(self.life)), area, system)

    def _repr_html_(self) -> str:
        many = max(np.size(getattr(self, name)) for name in NAMES)
        shown = self.table().rename(
            columns={"label": "", "per_area": "per ha", "per_year": "a year"}
        )
        return card(
            "Partial budget",
            words.partial_budget(
                self.option_price, self.life_in_words(), self.interest,
                float(np.median(self.area)), float(np.median(self.needed)),
                float(np.median(self.saved)), many,
            ),
            table(shown),
            paragraphs([CAUTION_MORE]),
        )  # fmt: skip


NAMES = tuple(field.name for field in dataclasses.fields(Budget))


EXAMPLE_AREA = 100.0
"""Where the trial states no area: a round one in its own unit, said to be an example."""
NO_OPTION = {"option_price": 0.0, "years": 10.0, "interest": 0.08}


class Given(TypedDict, total=False):
    """Fields of `Budget` that may be given in place of a trial's own; SI."""

    saved: Any
    price: Any
    area: Any
    option_price: float
    years: Any
    interest: float
    salvage: float
    running_cost: Any
    discount_avoided: Any
    time_cost: Any
    life_area: Any
    repair: Any
    change_cost: Any
    changes: float


def of_option(option: OptionCost) -> dict[str, Any]:
    """Fields of `Budget` that a trial's option states."""
    return {
        "area": option.area_per_year,
        "option_price": option.cost,
        "years": option.life_years,
        "interest": option.interest,
        "salvage": option.salvage,
        "life_area": option.life_area,
        "repair": option.repair_per_ha,
        "change_cost": option.per_change,
        "changes": option.changes_per_year,
    }


def stated(config: TrialConfig, bought: bool) -> dict[str, Any]:
    """Fields of `Budget` that a trial states; what is not bought costs nothing, on `EXAMPLE_AREA`.
    """
    out: dict[str, Any] = {"price": config.price_per_t}
    out |= {"area": EXAMPLE_AREA * area_unit(config.units)[1], **NO_OPTION}
    if bought and config.option is not None:
        out |= of_option(config.option)
    return out


def budget(
    analysis: TrialAnalysis, factor: str | None = None, level: str | None = None,
    **given: Unpack[Given],
) -> Budget:  # fmt: skip
    """The budget a trial states: its estimate of the grain kept, its price and its option.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor, level : str, optional
        As in `comparison`.
    **given
        Fields of `Budget` to state or to put in place of the trial's own.

    Raises
    ------
    DesignError
        When the header loss was not analysed or a number is stated neither by the trial nor in
        `given`; the message names it.
    """
    if unknown := set(given) - set(NAMES):
        raise TypeError(f"not part of a budget: {', '.join(sorted(unknown))}; use {NAMES}.")
    config = analysis.trial.config
    found = comparison(analysis, "header_loss", factor, level)
    own: dict[str, Any] = {"price": config.price_per_t}
    if found is not None:
        own["saved"] = -found.difference.value
    if found is not None and found.bought and config.option is not None:
        own |= of_option(config.option)
    own |= given
    needed = ("saved", "price", "area", "option_price", "years", "interest")
    if missing := [name for name in needed if own.get(name) is None]:
        raise DesignError(
            f"A budget needs {', '.join(missing)}, which the trial does not state for this "
            "comparison: give them as arguments."
        )
    return Budget(**own)
