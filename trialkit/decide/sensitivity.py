"""How the balance of an option moves with its inputs, one at a time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from trialkit import units
from trialkit.decide.budget import NAMES, Budget
from trialkit.decide.cost import HECTARES_PER_ACRE
from trialkit.display import card, table
from trialkit.words import balance as words
from trialkit.words.money import amount, whole_places

PER_BU = float(units.price_per_tonne_to_per_bushel(1.0))
# Field of a budget: unit and size of an SI value in it, for US and for SI; decimals.
_INPUTS: dict[str, dict[str, tuple[str, float, int]]] = {
    "saved": {"US": ("bu/ac", float(units.kg_ha_to_bu_ac(1.0)), 2), "SI": ("kg/ha", 1.0, 0)},
    "price": {"US": ("per bu", PER_BU, 2), "SI": ("per t", 1.0, 0)},
    "area": {"US": ("ac", 1 / HECTARES_PER_ACRE, 0), "SI": ("ha", 1.0, 0)},
    "option_price": dict.fromkeys(("US", "SI"), ("", 1.0, 0)),
    "life_area": {"US": ("ac", 1 / HECTARES_PER_ACRE, 0), "SI": ("ha", 1.0, 0)},
    "repair": {"US": ("per ac", HECTARES_PER_ACRE, 2), "SI": ("per ha", 1.0, 2)},
    "change_cost": dict.fromkeys(("US", "SI"), ("", 1.0, 0)),
    "changes": dict.fromkeys(("US", "SI"), ("a year", 1.0, 1)),
    "years": dict.fromkeys(("US", "SI"), ("years", 1.0, 0)),
    "interest": dict.fromkeys(("US", "SI"), ("%", 100.0, 1)),
    "salvage": dict.fromkeys(("US", "SI"), ("", 1.0, 0)),
    "running_cost": dict.fromkeys(("US", "SI"), ("", 1.0, 0)),
    "discount_avoided": {"US": ("per ac", HECTARES_PER_ACRE, 2), "SI": ("per ha", 1.0, 2)},
    "time_cost": {"US": ("per ac", HECTARES_PER_ACRE, 2), "SI": ("per ha", 1.0, 2)},
}


def input_value(name: str, value: float, system: str) -> str:
    """A value of a field of `Budget` in the units of `system`."""
    unit, size, places = _INPUTS[name][system]
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
        left = self.left(first["net_low"]), self.left(first["net_high"])
        turning = self.table.loc[self.table["crosses"], "label"]
        return (
            words.moves_most(str(first["label"]), low, high, left, self.currency),
            words.decides_alone([str(label) for label in turning]),
        )

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
            words.HEADINGS["moved"].format(self.currency),
        )
        base = words.at_the_base(self.currency, self.left(self.net))
        return card(words.HEADINGS["moves"], [base, *self.sentences], shown)


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
            "label": words.LABELS[name] + f" of {bought}" * (name == "option_price"),
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
