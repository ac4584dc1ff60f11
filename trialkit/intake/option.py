"""What a setup costs that has to be bought: [option] of trial.toml.

Price, life and area are the user's own: nothing here has a usual value.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from trialkit import units
from trialkit.intake.sections import SectionReader
from trialkit.words import settings
from trialkit.words.settings import expected


@dataclass(frozen=True, slots=True)
class OptionCost:
    """What a level of a factor costs.

    Attributes
    ----------
    factor, level : str
    cost : float
        Price to buy it, less that of what it stands in for where that is saved.
    life_years : float
        Years after which it is replaced whatever it has done; infinite where only area wears it.
    interest : float
        A share a year.
    area_per_year : float
        Harvested with it in a year, ha.
    life_area : float
        Area (ha) after which it is worn out; infinite where only years end it.
    salvage : float
        What it still brings at the end of its life.
    repair_per_ha : float
    change_cost : float
        A stated sum for one change: fitting it, or taking it off; 0 where labour is told by hours.
    change_hours, wage : float
        Hours of labour of one change, and what an hour costs.
    changes_per_year : float
        How often it is put on or taken off in a year; 0: fitted once in its life.
    """

    factor: str
    level: str
    cost: float
    life_years: float
    interest: float
    area_per_year: float
    life_area: float = math.inf
    salvage: float = 0.0
    repair_per_ha: float = 0.0
    change_cost: float = 0.0
    change_hours: float = 0.0
    wage: float = 0.0
    changes_per_year: float = 0.0

    @property
    def per_change(self) -> float:
        """Labour of one change."""
        return self.change_cost + self.change_hours * self.wage


def take_option(
    reader: SectionReader | None, setups: Mapping[str, tuple[str, ...]], unit: str
) -> OptionCost | None:
    """What [option] states, in SI; None where it is left out. `setups` are factors' levels."""
    if reader is None:
        return None
    factor = reader.choice("factor", tuple(setups))
    levels = setups.get(factor, ())
    given = set(reader.data)
    size = float(units.convert(1.0, unit, "ha"))
    # One of the two ends its life; years alone is what older settings state.
    ends = {} if "life_area" not in given else {"default": math.inf}
    area = reader.number("life_area", 0.1, 1e7, expected("option.life_area", unit), math.inf)
    cost = reader.number("cost", 0, 1e9, expected("option.cost"))
    option = OptionCost(
        factor=factor,
        level=reader.choice("level", levels),
        cost=cost,
        life_years=reader.number(
            "life_years", 0.5, 100, expected("option.life_years", unit), **ends
        ),
        interest=reader.number("interest", 0, 1, expected("option.interest")),
        area_per_year=size
        * reader.number("area_per_year", 0.1, 1e6, expected("option.area_per_year", unit)),
        life_area=size * area,
        salvage=reader.number("salvage", 0, cost, expected("option.salvage"), 0.0),
        repair_per_ha=reader.number(
            "repair_per_area", 0, 1e6, expected("option.repair_per_area", unit), 0.0
        )
        / size,
        change_cost=reader.number("change_cost", 0, 1e9, expected("option.change_cost"), 0.0),
        change_hours=reader.number("change_hours", 0, 1000, expected("option.change_hours"), 0.0),
        wage=reader.number("wage", 0, 1e6, expected("option.wage"), 0.0),
        changes_per_year=reader.number(
            "changes_per_year", 0, 1000, expected("option.changes_per_year"), 0.0
        ),
    )
    if "change_cost" in given and given & {"change_hours", "wage"}:
        reader.fault("change_cost", settings.change_stated_twice(), option.change_cost)
    elif len(given & {"change_hours", "wage"}) == 1:
        missing = "wage" if "change_hours" in given else "change_hours"
        reader.fault(missing, settings.change_stated_half())
    elif "changes_per_year" in given and not given & {"change_cost", "change_hours"}:
        reader.fault("change_cost", settings.change_without_price())
    reader.close()
    return option
