"""Amounts of money, and the caution every decision figure carries."""

from __future__ import annotations

import math
from typing import Literal

from trialkit.display import decimals, number
from trialkit.units import HECTARES_PER_ACRE

CAUTION = (
    "An aid to a decision, not a guarantee: it carries this trial's losses over to other fields, "
    "seasons and prices, and sets grain at the header against the cost that was entered: not time, "
    "fuel or grade discounts."
)
CAUTION_MORE = (
    "An aid to a decision, not a guarantee: it carries this trial's results over to other fields, "
    "seasons and prices, and counts only what was entered."
)
System = Literal["US", "SI"]


def amount(value: float, places: int = 2) -> str:
    """A sum or an area as `display.number`; one without end has no limit."""
    return "no limit" if value == math.inf else number(value, places)


def whole_places(value: float, low: float, high: float) -> int:
    """Places (0, or -1 for tens) of a sum or an area and its interval.

    One more than the interval allows by `trialkit.display`, and tens at the coarsest, since readers
    reckon on with it: sums of a year stand beside those of an acre and the cost of a year. An end
    without limit leaves the distance to the other.
    """
    reach = (high - low) / 2 if math.isfinite(high) else value - low
    known = math.isfinite(reach) and reach > 0
    return max(-1, min(0, decimals(reach) + 1)) if known else 0


def balance_words(low: float, high: float, places: int = 2) -> str:
    """The range of a balance in words: "from 730 more than it saves to 420 left over"."""
    if low < 0 < high:
        return f"from {amount(-low, places)} more than it saves to {amount(high, places)} left over"
    least, most = sorted((abs(low), abs(high)))
    rest = "more than it saves" if high <= 0 else "left over"
    return f"from {amount(least, places)} to {amount(most, places)} {rest}"


def interval_of_saving(value: float, low: float, high: float) -> str:
    """The interval of a saving in money; where the estimate is a loss, told as one."""
    if value < 0:
        return f"interval of the loss {amount(-high)} to {amount(-low)}"
    return f"interval of the saving {amount(low)} to {amount(high)}"


def area_unit(system: str) -> tuple[str, float]:
    """Unit of area a system speaks in and its size in ha."""
    return ("ac", HECTARES_PER_ACRE) if system == "US" else ("ha", 1.0)


def percent(share: float) -> str:
    """A probability in %, never "0 %" or "100 %" where it only comes near."""
    if share < 0.01:
        return "less than 1 %"
    if share > 0.99:
        return "more than 99 %"
    return f"{100 * share:.0f} %"
