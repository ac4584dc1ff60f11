"""How the balance of an option moves with its inputs: one at a time, and two together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.decide.budget import NAMES, Budget
from trialkit.decide.cost import HECTARES_PER_ACRE
from trialkit.decide.words import amount, area_unit, whole_places
from trialkit.display import card, table
from trialkit.quantities import lower_first

PER_BU = float(units.price_per_tonne_to_per_bushel(1.0))
# Field of a budget: words; unit and size of an SI value in it, for US and for SI; decimals.
_INPUTS: dict[str, tuple[str, dict[str, tuple[str, float, int]]]] = {
    "saved": (
        "Grain kept",
        {"US": ("bu/ac", float(units.kg_ha_to_bu_ac(1.0)), 2), "SI": ("kg/ha", 1.0, 0)},
    ),
    "price": ("Grain price", {"US": ("per bu", PER_BU, 2), "SI": ("per t", 1.0, 0)}),
    "area": ("Area a year", {"US": ("ac", 1 / HECTARES_PER_ACRE, 0), "SI": ("ha", 1.0, 0)}),
    "option_price": ("Price", dict.fromkeys(("US", "SI"), ("", 1.0, 0))),
    "life_area": (
        "Life in area",
        {"US": ("ac", 1 / HECTARES_PER_ACRE, 0), "SI": ("ha", 1.0, 0)},
    ),
    "repair": (
        "Repair",
        {"US": ("per ac", HECTARES_PER_ACRE, 2), "SI": ("per ha", 1.0, 2)},
    ),
    "change_cost": ("Labour of one change", dict.fromkeys(("US", "SI"), ("", 1.0, 0))),
    "changes": ("Changes", dict.fromkeys(("US", "SI"), ("a year", 1.0, 1))),
    "years": ("Life in years", dict.fromkeys(("US", "SI"), ("years", 1.0, 0))),
    "interest": ("Interest", dict.fromkeys(("US", "SI"), ("%", 100.0, 1))),
    "salvage": ("Salvage value", dict.fromkeys(("US", "SI"), ("", 1.0, 0))),
    "running_cost": ("Running cost a year", dict.fromkeys(("US", "SI"), ("", 1.0, 0))),
    "discount_avoided": (
        "Discount avoided",
        {"US": ("per ac", HECTARES_PER_ACRE, 2), "SI": ("per ha", 1.0, 2)},
    ),
    "time_cost": (
        "Extra time",
        {"US": ("per ac", HECTARES_PER_ACRE, 2), "SI": ("per ha", 1.0, 2)},
    ),
}


def input_value(name: str, value: float, system: str) -> str:
    """A value of a field of `Budget` in the units of `system`."""
    unit, size, places = _INPUTS[name][1][system]
    return f"{amount(value * size, places)} {unit}".strip()


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """Net per year at the low and high end of each input, the others at their base.

    Attributes
    ----------
    base : Budget
    net : float
        Per year at the base.
    table : DataFrame
        Index input, widest swing first: ``label, low, base, high`` (SI), ``net_low, net_high``
        (at those values), ``swing``, ``crosses`` (whether the net changes sign).
    currency, system : str
    """

    base: Budget
    net: float
    table: pd.DataFrame
    currency: str
    system: str

    def left(self, net: float) -> str:
        """A balance of a year, rounded as its interval allows where `saved` was given one."""
        ends = () if "saved" not in self.table.index else (
            self.table.loc["saved", ["net_low", "net_high"]])
        return amount(net, whole_places(self.net, *map(float, ends)) if len(ends) else 0)

    @property
    def sentences(self) -> tuple[str, ...]:
        """What moves the balance most, and what turns it, in words."""
        first = self.table.iloc[0]
        name = str(self.table.index[0])
        low, high = (input_value(name, first[end], self.system) for end in ("low", "high"))
        out = [
            f"{first['label']} moves the balance most: {self.currency} "
            f"{self.left(first['net_low'])} a year at {low}, {self.left(first['net_high'])} at "
            f"{high}."
        ]
        turning = self.table.index[self.table["crosses"]]
        if len(turning):
            words = ", ".join(lower_first(str(self.table.at[n, "label"])) for n in turning)
            out.append(f"Within its range each of these alone decides whether it pays: {words}.")
        else:
            out.append("No single input within its range decides whether it pays.")
        return tuple(out)

    def _repr_html_(self) -> str:
        rows = []
        for name, row in self.table.iterrows():
            ends = (
                input_value(str(name), row[end], self.system) for end in ("low", "base", "high")
            )
            left = (self.left(row[f"net_{end}"]) for end in ("low", "high"))
            rows.append((row["label"], *ends, *left))
        columns = ["", "low end", "base", "high end", "left at low", "left at high"]
        shown = table(
            pd.DataFrame(rows, columns=columns),
            f"{self.currency} a year, one input moved at a time",
        )
        base = f"At the base {self.currency} {self.left(self.net)} a year is left."
        return card("What moves the balance", [base, *self.sentences], shown)


def sensitivity(
    base: Budget,
    ranges: Mapping[str, tuple[float, float]],
    *,
    currency: str = "USD",
    system: str = "SI",
    bought: str = "what is bought",
) -> Sensitivity:
    """Net per year under each input's low and high value, one at a time.

    Parameters
    ----------
    base : Budget
        Of single numbers.
    ranges : mapping of str to (float, float)
        Field of `Budget` to its low and high value, SI.
    currency, system : str
    bought : str
        Name of what the price is paid for: "cushioned chain".

    Raises
    ------
    ValueError
        For an unknown field, or a range that does not rise.
    """
    if not ranges:
        raise ValueError("give a range for at least one input.")
    net = float(base.net_per_year)
    rows: dict[str, dict[str, Any]] = {}
    for name, (low, high) in ranges.items():
        if name not in NAMES:
            raise ValueError(f"{name!r} is not part of a budget; use {', '.join(NAMES)}.")
        if not low <= high:
            raise ValueError(f"the range of {name} must rise, not {low!r} to {high!r}.")
        at_low, at_high = (
            float(replace(base, **{name: value}).net_per_year) for value in (low, high)
        )
        rows[name] = {
            "label": _INPUTS[name][0] + f" of {bought}" * (name == "option_price"),
            "low": float(low),
            "base": float(getattr(base, name)),
            "high": float(high),
            "net_low": at_low,
            "net_high": at_high,
            "swing": abs(at_high - at_low),
            "crosses": bool(min(at_low, at_high, net) < 0 < max(at_low, at_high, net)),
        }
    table = pd.DataFrame.from_dict(rows, orient="index")
    table = table.sort_values("swing", ascending=False, kind="stable")
    return Sensitivity(base, net, table, currency, system)


@dataclass(frozen=True, slots=True)
class BalanceMap:
    """Net per year over a grid of areas and prices.

    Attributes
    ----------
    area : ndarray, shape (a,)
        ha a year.
    price : ndarray, shape (p,)
        Per t.
    net : ndarray, shape (p, a)
        Per year.
    base : Budget
    currency, system : str
    """

    area: np.ndarray
    price: np.ndarray
    net: np.ndarray
    base: Budget
    currency: str
    system: str

    def break_even_price(self, area: float) -> float:
        """Price per t at which the net is zero on this area (ha); not finite where none is.

        With grain kept the net is above zero at higher prices, with grain lost at lower ones.
        """
        saved = float(self.base.saved)
        here = replace(self.base, area=area)
        needed = float(here.cost_per_ha - here.other_per_ha)
        if saved == 0 or (saved < 0 < needed):
            return float("inf")
        return 1000.0 * needed / saved

    @property
    def sentences(self) -> tuple[str, ...]:
        """Share of the grid that pays, and where the edge runs, in words."""
        unit, size = area_unit(self.system)
        parts = []
        for area in (self.area[0], self.area[-1]):
            price = self.break_even_price(float(area))
            here = replace(self.base, area=float(area))
            at_zero = here.cost_per_ha < here.other_per_ha
            if not np.isfinite(price):
                words = "every grain price pays" if at_zero else "no grain price pays"
            elif self.base.saved < 0:
                words = f"it pays below {self.currency} {input_value('price', price, self.system)}"
            elif price <= 0:
                words = "every grain price pays"
            else:
                found = input_value("price", price, self.system)
                words = f"it pays above {self.currency} {found}"
            parts.append(f"on {amount(area / size, 0)} {unit} a year {words}")
        pays = float((self.net > 0).mean())
        return (
            f"The balance is above zero on {100 * pays:.0f} % of the grid; {', '.join(parts)}.",
        )

    def _repr_html_(self) -> str:
        def some(values: np.ndarray) -> np.ndarray:
            return np.unique(np.linspace(0, len(values) - 1, 4).round().astype(int))

        unit, size = area_unit(self.system)
        rows = [
            {"grain price": input_value("price", self.price[p], self.system),
             **{f"{amount(self.area[a] / size, 0)} {unit}": amount(self.net[p, a], 0)
                for a in some(self.area)}}
            for p in some(self.price)
        ]  # fmt: skip
        shown = table(pd.DataFrame(rows), f"{self.currency} left in a year")
        return card("The balance by area and grain price", self.sentences, shown)


def balance_map(
    base: Budget,
    area: Sequence[float] | np.ndarray,
    price: Sequence[float] | np.ndarray,
    *,
    currency: str = "USD",
    system: str = "SI",
) -> BalanceMap:
    """Net per year for every combination of area (ha a year) and price (per t).

    Raises
    ------
    ValueError
        For fewer than two values, values that do not rise, or an area not above zero.
    """
    areas, prices = np.asarray(area, dtype=float), np.asarray(price, dtype=float)
    for values in (areas, prices):
        if values.ndim != 1 or len(values) < 2 or (np.diff(values) <= 0).any() or values[0] <= 0:
            raise ValueError("areas and prices must rise from above zero, at least two of each.")
    grid = replace(base, area=areas[None, :], price=prices[:, None])
    return BalanceMap(areas, prices, np.asarray(grid.net_per_year), base, currency, system)
