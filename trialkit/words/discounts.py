"""Price discounts for damaged kernels."""

from __future__ import annotations

import math
from collections.abc import Sequence

from trialkit.display import number
from trialkit.facts import Ends
from trialkit.quantities import listed
from trialkit.units import price_per_tonne_to_per_bushel
from trialkit.words.money import amount, area_unit, percent

CAUTION = (
    "The buyer's inspector judges damage by other rules than this trial's count: kernels only "
    "chipped may not be damaged kernels to him, or may be broken corn. Ask how he would grade them."
)
HEADINGS = {
    "table": "Discounts for damaged kernels",
    "shares": "Shares of loads by the US limits of damaged kernels alone",
}
KINDS = {
    "step": "Above a limit the discount is its amount.",
    "point": "Above a limit every begun point costs its amount, on top of the bands below.",
    "prorated": "Above a limit each point costs its amount in proportion, on top of the bands "
    "below.",
}
"""How a buyer's table reckons."""


def _sum(value: float, system: str) -> str:
    """A price per t as it is spoken of."""
    if system == "US":
        return amount(value * float(price_per_tonne_to_per_bushel(1.0)), 3)
    return amount(value, 2)


def expected(
    rows: Sequence[tuple[str, float, Ends]], load_sd: float, currency: str, system: str
) -> str:
    """Label, damage (%) and expected discount (per t) of each setup."""
    unit = "bu" if system == "US" else "t"
    parts = [
        f"{label}: {number(damaged, 1)} % damaged, expected discount {currency} "
        f"{_sum(found.value, system)} per {unit} ({_sum(found.low, system)} to "
        f"{_sum(found.high, system)})"
        for label, damaged, found in rows
    ]
    loads = f"loads varying by {load_sd:g} points about the mean" if load_sd else "all loads alike"
    return f"{'; '.join(parts)}; {loads}."


def avoided(
    found: Ends, per_ha: float | None, confidence: float, currency: str, system: str
) -> str:
    """The discount avoided (per t), or added, and per area where the yield is known."""
    unit, word = "bu" if system == "US" else "t", "avoided" if found.value >= 0 else "added"
    worth = ""
    if per_ha is not None:
        area, size = area_unit(system)
        worth = f", {currency} {amount(abs(per_ha) * size)} per {area} at the yield given"
    return (
        f"Discount {word}: {currency} {_sum(abs(found.value), system)} per {unit} "
        f"({100 * confidence:g} % interval of the discount avoided {_sum(found.low, system)} to "
        f"{_sum(found.high, system)}){worth}."
    )


def refused(shares: Sequence[tuple[str, float]]) -> str:
    """Shares of loads above what a buyer takes, by setup."""
    told = listed([f"{percent(share)} under {label}" for label, share in shares])
    return f"Of all loads {told} would be above what the buyer takes."


def may_be_refused(above: float) -> str:
    """From which damage (%) a load may be refused; "" for none."""
    return f"A load above {above:g} % may be refused." if math.isfinite(above) else ""
