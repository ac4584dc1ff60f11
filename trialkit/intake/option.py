"""What a setup costs that has to be bought: [option] of trial.toml.

Price, life and area are the user's own: nothing here has a usual value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit import units

if TYPE_CHECKING:
    from trialkit.intake.config import SectionReader, SetupFactor


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
    reader: SectionReader | None, setups: tuple[SetupFactor, ...], unit: str
) -> OptionCost | None:
    """What [option] states, in SI; None where it is left out."""
    if reader is None:
        return None
    factor = reader.choice("factor", tuple(s.name for s in setups))
    levels = next((s.levels for s in setups if s.name == factor), ())
    given = set(reader.data)
    size = float(units.convert(1.0, unit, "ha"))
    # One of the two ends its life; years alone is what older settings state.
    ends = {} if "life_area" not in given else {"default": math.inf}
    area = reader.number("life_area", 0.1, 1e7, f"the area it lasts in {unit}", math.inf)
    cost = reader.number("cost", 0, 1e9, "a price")
    sums = "a sum that is not negative"
    option = OptionCost(
        factor=factor,
        level=reader.choice("level", levels),
        cost=cost,
        life_years=reader.number(
            "life_years", 0.5, 100, f"years (or life_area in {unit}, or both)", **ends
        ),
        interest=reader.number("interest", 0, 1, "a share, as in 0.08 for 8 %"),
        area_per_year=size * reader.number("area_per_year", 0.1, 1e6, f"area a year in {unit}"),
        life_area=size * area,
        salvage=reader.number("salvage", 0, cost, "what it brings at its end", 0.0),
        repair_per_ha=reader.number("repair_per_area", 0, 1e6, f"{sums}, per {unit}", 0.0) / size,
        change_cost=reader.number("change_cost", 0, 1e9, sums, 0.0),
        change_hours=reader.number("change_hours", 0, 1000, "hours of labour of a change", 0.0),
        wage=reader.number("wage", 0, 1e6, "what an hour of labour costs", 0.0),
        changes_per_year=reader.number("changes_per_year", 0, 1000, "changes in a year", 0.0),
    )
    if "change_cost" in given and given & {"change_hours", "wage"}:
        both = "change_hours and wage, or change_cost, not both"
        reader.fault("change_cost", both, option.change_cost)
    elif len(given & {"change_hours", "wage"}) == 1:
        missing = "wage" if "change_hours" in given else "change_hours"
        reader.fault(missing, "change_hours and wage together, or change_cost")
    elif "changes_per_year" in given and not given & {"change_cost", "change_hours"}:
        reader.fault("change_cost", "what one change costs, or change_hours and wage")
    reader.close()
    return option
