"""Ground speed: the time it takes, and the speed at which grain lost and time cost least."""

from __future__ import annotations

from trialkit.display import number, p_is
from trialkit.facts import Ends
from trialkit.quantities import listed
from trialkit.units import convert
from trialkit.words.money import amount, area_unit, percent

HEADINGS = {
    "best": "The ground speed that costs least",
    "curve": "Loss against ground speed",
    "time": "Extra time",
}


def speed_unit(system: str) -> str:
    """ "mph" or "km/h"."""
    return "mph" if system == "US" else "km/h"


def speed(value: float, system: str) -> str:
    """A speed (km/h) in the unit of the system, without it."""
    return number(float(convert(value, "km/h", speed_unit(system))), 1)


def extra_time(
    at: tuple[float, float], capacity: tuple[float, float], hours: float, cost: float,
    cost_per_hour: float, currency: str, system: str,
) -> str:  # fmt: skip
    """What another ground speed takes in time and money.

    Parameters
    ----------
    at, capacity : (float, float)
        Speed (km/h) and area an hour (ha) of the level and of the reference.
    hours, cost : float
        More per ha.
    cost_per_hour : float
    currency, system : str
    """
    area, size = area_unit(system)
    unit, word = speed_unit(system), "more" if hours >= 0 else "less"
    return (
        f"At {speed(at[0], system)} {unit} the combine covers {number(capacity[0] / size, 1)} "
        f"{area} an hour, at {speed(at[1], system)} {unit} {number(capacity[1] / size, 1)}: "
        f"{number(60 * abs(hours) * size, 1)} minutes per {area} {word}, {currency} "
        f"{amount(abs(cost) * size)} per {area} {word} at {currency} {amount(cost_per_hour)} an "
        "hour."
    )


def least_cost(
    best: Ends, looked: tuple[float, float], end: str, confidence: float, system: str
) -> str:
    """The cheapest speed, or that it lies at an end of those run.

    Parameters
    ----------
    best : Ends
        km/h.
    looked : (float, float)
        Slowest and fastest speed looked at.
    end : str
        "lowest" or "highest" where the cheapest is that one, else "".
    confidence : float
    system : str
    """
    unit, area = speed_unit(system), area_unit(system)[0]
    at, low, high, least, most = (speed(v, system) for v in (*best, *looked))
    if not end:
        return (
            f"Grain lost and time together cost least at {at} {unit} ({100 * confidence:g} % "
            f"interval {low} to {high}, looked for between {least} and {most})."
        )
    way, beyond = {"highest": ("faster", "beyond"), "lowest": ("slower", "below")}[end]
    return (
        f"Within the speeds run ({least} to {most} {unit}), going {way} cost less per {area} if "
        f"only loose kernels and hours are counted. Nothing here was measured {beyond} {at} "
        f"{unit}: do not drive {way} on this page's word. Dropped ears, damage, plugging and "
        "whether the rolls still pull are not in it."
    )


def nearly_as_cheap(low: float, high: float, within: float, currency: str, system: str) -> str:
    """The speeds (km/h) whose cost stays near the least (`within`, per ha)."""
    area, size = area_unit(system)
    return (
        f"From {speed(low, system)} to {speed(high, system)} {speed_unit(system)} the cost stays "
        f"within {currency} {amount(within * size)} per {area} of the least."
    )


def at_an_end(lowest: float, highest: float) -> str:
    """The probability that the cheapest speed is one of the ends; "" where it hardly is."""
    ends = [
        f"{percent(share)} that it is at the {word} of these speeds"
        for share, word in ((lowest, "lowest"), (highest, "highest"))
        if share > 0.05
    ]
    return f"The probability is {listed(ends)}." if ends else ""


def off_the_curve(form: str, p: float) -> str:
    """That the losses do not follow the curve."""
    return (
        f"The losses do not lie well on the {form} curve (p {p_is(p)}); read the least cost with "
        "care."
    )


def curve_from(form: str, source: str, misfit: float, df: int) -> str:
    """What a curve of loss is drawn from, and how well it fits."""
    fit = "It goes through every mean."
    if df:
        fit = f"Squared distance of the means from it {misfit:.3g} on {df} df."
    return f"{form.capitalize()} curve from {source}. {fit}"
