"""Figures of money: over the area, over the speed, by what moves the balance."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import number
from trialkit.facts import Ends


def area_axis(unit: str) -> str:
    return f"Corn harvested in a year, {unit}"


def balance_axis(currency: str) -> str:
    return f"Balance in a year, {currency}"


def break_even(area: str, least: str, most: str, unit: str) -> str:
    """Beside the point where a balance reaches zero, with the interval of that area."""
    return f"best guess: breaks even at\n{area} {unit} a year ({least} to {most})"


def area_given(area: float, unit: str) -> str:
    return f"{number(area, 0)} {unit}: the area given"


def balance_by_area(
    label: str, currency: str, unit: str, first: float, last: float, reach: float, saved: Ends,
    own: float, cost: float, even: str = "",
) -> str:  # fmt: skip
    """A yearly balance over the area harvested.

    Parameters
    ----------
    label, currency, unit : str
        Of the option, of money and of areas.
    first, last : float
        Balance at no area and at the largest drawn.
    reach : float
        That area.
    saved : Ends
        Worth of the grain saved per unit of area.
    own, cost : float
        The area given, and what the option costs a year on it.
    even : str
        Area at which the balance reaches zero; empty where it never does.
    """
    paid = f"It reaches zero at {even} {unit}." if even else "It never reaches zero."
    worth, low, high = (number(v, 2) for v in saved)
    return (
        f"Yearly balance of {label} in {currency}, from {number(first, 0)} at no area to "
        f"{number(last, 0)} at {number(reach, 0)} {unit}; the grain saved is worth {worth} per "
        f"{unit} ({low} to {high}). At {number(own, 0)} {unit} it costs {number(cost, 0)} a year. "
        f"{paid}"
    )


# ---------------------------------------------------------------- what moves a balance
LOW_INPUT, HIGH_INPUT = "input at its low value", "at its high value"


def from_to(low: str, high: str) -> str:
    return f"{low} to {high}"


def sensitivity_axis(currency: str, stated: str) -> str:
    return f"{balance_axis(currency)} (dashed: {stated} as stated)"


def sensitivity(currency: str, stated: str, inputs: Sequence[tuple[str, str, str]]) -> str:
    """The balance as stated, and of every input its name, range and the balances it leads to."""
    told = "; ".join(f"{label} {inputs_}: {balances}" for label, inputs_, balances in inputs)
    return (
        f"Yearly balance in {currency}, {stated} as stated, when one input moves from its low to "
        f"its high value. {told}."
    )


# ---------------------------------------------------------------- over the speed
COSTS = {"total": "together", "loss_cost": "grain lost", "time_cost": "time"}
"""What the curves are called."""


def least_at(speed: float, unit: str, low: float, high: float, end: str | None) -> str:
    """Beside the speed of least cost: its interval, or that it is an `end` of those looked at."""
    known = f"(interval {number(low, 1)} to {number(high, 1)})"
    if end:  # an interval cannot reach beyond the speeds looked at
        known = f"the {'fastest' if end == 'highest' else 'slowest'} looked at"
    return f"least at {number(speed, 1)} {unit}\n{known}"


def speed_axis(unit: str, within: str, currency: str, area: str) -> str:
    return f"Ground speed, {unit}\n(grey: within {currency} {within} per {area} of the least)"


def cost_axis(currency: str, area: str) -> str:
    return f"Cost, {currency} per {area}"


def cost_by_speed(
    currency: str, area: str, unit: str, speeds: tuple[float, float],
    curves: Sequence[tuple[str, float, float]], least: float, best: float, within: str,
    flat: tuple[float, float],
) -> str:  # fmt: skip
    """Cost over the speed.

    Parameters
    ----------
    currency, area, unit : str
        Of money, areas and speeds.
    speeds : (float, float)
        Slowest and fastest.
    curves : sequence of (str, float, float)
        Name and costs at both.
    least, best : float
        The least cost, and its speed.
    within : str
        Amount within which costs count as alike.
    flat : (float, float)
        Speeds between which they are.
    """
    slow, fast, best_, low, high = (number(v, 1) for v in (*speeds, best, *flat))
    told = ", ".join(
        f"{name} from {number(first, 2)} to {number(last, 2)}" for name, first, last in curves
    )
    return (
        f"Cost in {currency} per {area} against ground speeds of {slow} to {fast} {unit}: {told}; "
        f"least, {number(least, 2)}, at {best_} {unit}, within {within} of it from {low} to {high}."
    )
