"""The part of a page where readers put in their own numbers.

Words and default figures stand in the page as text. Its script (``templates/page/grower.js``) shows
the controls and works the figures out again from the quantiles that travel with the page as JSON;
`Balance.lines` of `trialkit.decide.balance` says the same in Python, with the same texts
(`trialkit.words.what_if`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from trialkit import units
from trialkit.decide.balance import PROBABILITIES, Balance
from trialkit.decide.budget import Budget
from trialkit.decide.what_if import Scenario, figures
from trialkit.pages.elements import Choice, Form, Number, Table
from trialkit.quantities import lower_first, number, upper_first
from trialkit.words import what_if as words
from trialkit.words.balance import interval
from trialkit.words.money import area_unit

# Years of what only area wears out: more than any is kept.
NO_END = 100.0


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Scenarios, the numbers they start from, and their HTML.

    Attributes
    ----------
    scenarios : sequence of Scenario
        The one that is shown first comes first.
    given : Budget
        Of single numbers, SI; `saved` is not used.
    confidence : float
    currency, system : str
    text : callable
        What running text passes through before it is shown (`Letters.text`).
    """

    scenarios: Sequence[Scenario]
    given: Budget
    confidence: float
    currency: str
    system: str
    text: Callable[[object], str] = str

    @property
    def controls(self) -> tuple[Number, ...]:
        """The numbers a reader may change."""
        size = area_unit(self.system)[1]
        us = self.system == "US"
        price = self.given.price
        price = float(units.price_per_tonne_to_per_bushel(price)) if us else float(price)
        life, years = float(self.given.life_area) / size, float(self.given.years)
        life = life if math.isfinite(life) else 0.0
        years = years if math.isfinite(years) else NO_END
        repair, change = float(self.given.repair) * size, float(self.given.change_cost)
        first = lower_first(self.scenarios[0].label)
        bought = self.text(first if self.given.option_price else words.FRAME["change"])
        labels = words.controls(self.currency, self.system, bought, bool(self.given.changes))
        values = {
            "price": price, "area": float(self.given.area) / size, "cost": self.given.option_price,
            "years": years, "life": life, "interest": 100 * self.given.interest, "repair": repair,
            "change": change,
        }  # fmt: skip
        return tuple(
            Number(name, label, values[name], name in ("price", "area", "years"))
            for name, label in labels.items()
        )

    @property
    def levels(self) -> list[tuple[str, str]]:
        """Levels to choose from, each with its words."""
        return [(s.level, s.label) for s in self.scenarios if s.as_run]

    @property
    def title(self) -> str:
        """The comparison that is shown first, in words."""
        first = self.scenarios[0]
        return f"{upper_first(first.label)} instead of {lower_first(first.reference_label)}"

    def speeds(self, level: str) -> list[tuple[str, str]]:
        """Ground speeds to choose from, the first as the trial was run."""
        unit = "mph" if self.system == "US" else "km/h"
        out = [("", words.FRAME["as_run"])]
        for s in self.scenarios:
            if s.level == level and s.setting:
                out.append((s.setting, s.setting))
            elif s.level == level and s.speed is not None:
                shown = number(float(units.convert(s.speed, "km/h", unit)), 1)
                out.append((shown, f"{shown} {unit}"))
        return out

    def scenario(self, level: str, speed: str = "") -> Scenario:
        """The scenario of a level and one of its `speeds`."""
        own = [s for s in self.scenarios if s.level == level]
        keys = [key for key, _ in self.speeds(level)]
        return own[keys.index(speed)]

    def figures(self, level: str | None = None, speed: str = "", **values: float) -> Balance:
        """Figures of a scenario with some of the `controls` changed (own units)."""
        chosen = self.scenarios[0] if level is None else self.scenario(level, speed)
        every = {c.name: c.value for c in self.controls} | values
        _, size = area_unit(self.system)
        price = every["price"]
        if self.system == "US":
            price = float(units.price_per_bushel_to_per_tonne(price))
        budget = replace(
            self.given, saved=chosen.saved.value, price=price, area=every["area"] * size,
            option_price=every["cost"], years=every["years"], interest=every["interest"] / 100,
            life_area=every["life"] * size if every["life"] else math.inf,
            repair=every["repair"] / size, change_cost=every["change"],
        )  # fmt: skip
        return self._balance(chosen, budget)

    def _balance(self, chosen: Scenario, given: Budget | None = None) -> Balance:
        """The balance of a scenario, by the first numbers where no others are given."""
        own = self.given if given is None else given
        return figures(chosen, own, self.confidence, self.currency, self.system)

    def wrong(self, values: Mapping[str, float]) -> list[str]:
        """What to change in numbers no figures can be worked out from; the script says the same."""
        out = []
        for control in self.controls:
            value = values[control.name]
            if not math.isfinite(value) or value < 0 or (control.above_zero and value == 0):
                which = "above_zero" if control.above_zero else "from_zero"
                out.append(words.TEXTS[which].format(label=control.label))
        return out

    def given_in_words(self) -> str:
        """What the default figures rest on, in a sentence."""
        size = area_unit(self.system)[1]
        price, _, cost, _, _, interest, repair, change = self.controls
        return words.first_numbers(
            self.scenarios[0].label, price=price.value, area=float(self.given.area) / size,
            cost=cost.value, life=self.given.life_in_words(self.system), interest=interest.text,
            repair=repair.value, change=change.value, changes=self.given.changes,
            annual_cost=float(self.given.annual_cost),
            cost_per_area=float(self.given.cost_per_ha) * size, currency=self.currency,
            system=self.system,
        )  # fmt: skip

    def form(self) -> Form:
        """Controls, figures as text, and the data of both."""
        return Form(
            "what-if", words.FRAME["legend"], words.FRAME["reset"],
            (*self._choices(), *self.controls), tuple(self.figures().lines.items()), self.data(),
            self.table(kind="paper"),
        )  # fmt: skip

    def table(self, shown: Balance | None = None, kind: str = "") -> Table:
        """Figures without controls."""
        return Table(
            words.FRAME["caption"], ("what", "estimate", "range"),
            tuple((shown or self.figures()).lines.values()), kind=kind,
        )  # fmt: skip

    def data(self) -> dict[str, Any]:
        """What the script needs: saved grain in the price's unit per unit of area."""
        unit = float(units.kg_ha_to_bu_ac(1.0)) if self.system == "US" else 1e-3
        each = []
        for level, _ in self.levels:
            for speed, label in self.speeds(level):
                s = self.scenario(level, speed)
                low, high = s.saved.interval(self.confidence)
                each.append(
                    {
                        "level": level, "speed": speed, "label": label,
                        "saved": [v * unit for v in (s.saved.value, low, high)],
                        "quantiles": [
                            float(f"{v * unit:.8g}") for v in self._balance(s).quantiles()
                        ],
                    }
                )  # fmt: skip
        return {
            "texts": dict(words.TEXTS), "currency": self.currency,
            "unit": area_unit(self.system)[0],
            "interval": interval(self.confidence),
            "probabilities": [round(float(p), 6) for p in PROBABILITIES], "scenarios": each,
            "changes": self.given.changes, "salvage": self.given.salvage,
            "running": self.given.running_cost,
            "grain": ["bu/ac", 1, 2] if self.system == "US" else ["kg/ha", 1000, 1],
        }  # fmt: skip

    @property
    def varied(self) -> bool:
        """Whether figures are known at more than one ground speed."""
        return any(len(self.speeds(level)) > 1 for level, _ in self.levels)

    def _choices(self) -> list[Choice]:
        out = []
        if len(self.levels) > 1:
            labels = tuple((level, self.text(label)) for level, label in self.levels)
            reference = lower_first(self.scenarios[0].reference_label)
            instead = words.FRAME["instead"].format(reference=reference)
            out.append(Choice("level", self.text(instead), labels))
        if self.varied:
            speeds = tuple(self.speeds(self.scenarios[0].level))
            out.append(Choice("speed", "Ground speed", speeds))
        return out
