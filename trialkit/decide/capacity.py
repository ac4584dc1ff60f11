"""What the extra time of a lower speed costs; field capacity is `trialkit.header.capacity`'s."""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.display import card
from trialkit.header.capacity import field_capacity, field_capacity_us
from trialkit.words import ground_speed as words
from trialkit.words.money import System

__all__ = ["EFFICIENCY", "ExtraTime", "extra_time", "field_capacity", "field_capacity_us"]

EFFICIENCY = 0.7
"""Share of field time at full width and speed, the middle of common practice."""


@dataclass(frozen=True, slots=True)
class ExtraTime:
    """Harvest at one speed against another.

    Attributes
    ----------
    speed, reference_speed : float
        km/h.
    capacity, reference_capacity : float
        ha/h.
    cost_per_hour : float
        Machine, operator and, where the user gives it, timeliness.
    currency, system : str
    """

    speed: float
    reference_speed: float
    capacity: float
    reference_capacity: float
    cost_per_hour: float
    currency: str = "USD"
    system: System = "SI"

    @property
    def hours_per_ha(self) -> float:
        """Extra hours per ha; below zero where the speed is the higher one."""
        return 1.0 / self.capacity - 1.0 / self.reference_capacity

    @property
    def cost_per_ha(self) -> float:
        """Cost of the extra time per ha, `Budget.time_cost`."""
        return self.hours_per_ha * self.cost_per_hour

    @property
    def sentences(self) -> tuple[str, ...]:
        """The above in words."""
        return (
            words.extra_time(
                (self.speed, self.reference_speed), (self.capacity, self.reference_capacity),
                self.hours_per_ha, self.cost_per_ha, self.cost_per_hour, self.currency, self.system,
            ),
        )  # fmt: skip

    def _repr_html_(self) -> str:
        return card(words.HEADINGS["time"], self.sentences)


def extra_time(
    speed: float,
    reference_speed: float,
    *,
    width: float,
    efficiency: float | tuple[float, float],
    machine_per_hour: float,
    operator_per_hour: float,
    timeliness_per_hour: float = 0.0,
    currency: str = "USD",
    system: System = "SI",
) -> ExtraTime:
    """Time and cost of harvesting at `speed` instead of `reference_speed`.

    Parameters
    ----------
    speed, reference_speed : float
        km/h.
    width : float
        Header width, m.
    efficiency : float or (float, float)
        Field efficiency as a share, of both speeds or of each.
    machine_per_hour, operator_per_hour : float
        What an hour more costs: fuel, wear, wages. What is paid whether or not the machine runs
        does not belong here.
    timeliness_per_hour : float
        What harvest being an hour later costs in yield, quality and risk; the user's own figure.
    currency : str
    system : {"US", "SI"}
        What the sentences speak in; arguments are SI either way.
    """
    pair = efficiency if isinstance(efficiency, tuple) else (efficiency, efficiency)
    return ExtraTime(
        speed,
        reference_speed,
        field_capacity(speed, width, pair[0]),
        field_capacity(reference_speed, width, pair[1]),
        machine_per_hour + operator_per_hour + timeliness_per_hour,
        currency,
        system,
    )
