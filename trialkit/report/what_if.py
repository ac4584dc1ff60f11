"""The part of a page where readers put in their own numbers.

Words and default figures stand in the page as text. Its script (``templates/page/grower.js``) shows
the controls and works the figures out again from the quantiles that travel with the page as JSON;
`Figures.lines` of `trialkit.decide.what_if` says the same in Python.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Any

from trialkit import units
from trialkit.decide.budget import Budget
from trialkit.decide.what_if import PROBABILITIES, Figures, Scenario, figures
from trialkit.decide.words import amount, area_unit
from trialkit.quantities import lower_first, number, upper_first

# Years of what only area wears out: more than any is kept.
NO_END = 100.0


@dataclass(frozen=True, slots=True)
class Control:
    """One number a reader may put in, in the trial's own units."""

    name: str
    label: str
    value: float
    above_zero: bool

    @property
    def text(self) -> str:
        """The default as it stands in an input."""
        return f"{self.value:.9g}"


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
    def controls(self) -> tuple[Control, ...]:
        """The numbers a reader may change."""
        unit, size = area_unit(self.system)
        us = self.system == "US"
        price = self.given.price
        price = float(units.price_per_tonne_to_per_bushel(price)) if us else float(price)
        bushel = "bu" if us else "t"
        life, years = float(self.given.life_area) / size, float(self.given.years)
        life = life if math.isfinite(life) else 0.0
        years = years if math.isfinite(years) else NO_END
        repair, change = float(self.given.repair) * size, float(self.given.change_cost)
        often = "one change" if self.given.changes else "fitting it"
        first = self.scenarios[0].label if self.given.option_price else "the change"
        bought = self.text(lower_first(first))
        return (
            Control("price", f"Grain price, {self.currency} per {bushel}", price, True),
            Control("area", f"Corn harvested, {unit} a year", float(self.given.area) / size, True),
            Control("cost", f"Price of {bought}, {self.currency}", self.given.option_price, False),
            Control("years", "Years it lasts at the most", years, True),
            Control("life", f"Corn it lasts, {unit} (0: years alone)", life, False),
            Control("interest", "Interest, % a year", 100 * self.given.interest, False),
            Control("repair", f"Repair, {self.currency} per {unit}", repair, False),
            Control("change", f"Labour of {often}, {self.currency}", change, False),
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
        out = [("", "as the trial was run")]
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

    def figures(self, level: str | None = None, speed: str = "", **values: float) -> Figures:
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
        return figures(chosen, budget, self.confidence, self.currency, self.system)

    def wrong(self, values: Mapping[str, float]) -> list[str]:
        """What to change in numbers no figures can be worked out from; the script says the same."""
        out = []
        for control in self.controls:
            value = values[control.name]
            if not math.isfinite(value) or value < 0 or (control.above_zero and value == 0):
                which = "a number above zero" if control.above_zero else "zero or a number above it"
                out.append(f"{control.label}: give {which}.")
        return out

    # ------------------------------------------------------------ HTML
    def given_in_words(self) -> str:
        """What the default figures rest on, in a sentence."""
        unit, size = area_unit(self.system)
        price, _, cost, _, _, interest, repair, change = self.controls
        per = "bu" if self.system == "US" else "t"
        words = (
            f"Worked out with corn at {self.currency} {amount(price.value)} per {per} on "
            f"{amount(self.given.area / size, 0)} {unit} a year"
        )
        if cost.value == 0:
            return f"{words}; the setup is taken to cost nothing."
        more = []
        if repair.value:
            more.append(f"repair at {self.currency} {amount(repair.value)} per {unit}")
        if change.value:
            times = number(self.given.changes, 1).removesuffix(".0")
            often = f"each of {times} changes a year" if self.given.changes else "fitting it"
            more.append(f"{self.currency} {amount(change.value, 0)} of labour for {often}")
        also = f", {' and '.join(more)}" if more else ""
        return (
            f"{words}; {lower_first(self.scenarios[0].label)} at {self.currency} "
            f"{amount(cost.value, 0)}, which lasts {self.given.life_in_words(self.system)}, at "
            f"{interest.text} % interest{also}: {self.currency} "
            f"{amount(self.given.annual_cost, 0)} a year, {self.currency} "
            f"{amount(self.given.cost_per_ha * size)} per {unit}."
        )

    def html(self) -> str:
        """Controls (shown by the script), figures as text, and the data of both."""
        shown = self.figures().lines
        return (
            '<form class="what-if screen">'
            f'<fieldset class="controls" hidden><legend>Put in your own numbers</legend>'
            f"{self._selects()}{''.join(map(_input, self.controls))}"
            '<button type="reset">Back to the first numbers</button></fieldset>'
            f'<output class="figures" aria-live="polite" for="{self._ids()}">'
            f"{' '.join(_figure(name, line) for name, line in shown.items())}</output>"
            f'<script type="application/json">{script_json(self.data())}</script></form>'
            f"{self.plain_html()}"
        )

    def plain_html(self, shown: Figures | None = None, kind: str = "paper") -> str:
        """The figures as a table without controls; by default for paper alone."""
        rows = "".join(
            f'<tr><th scope="row">{escape(name)}</th><td>{escape(value)}</td>'
            f"<td>{escape(reach)}</td></tr>"
            for name, value, reach in (shown or self.figures()).lines.values()
        )
        hide = ' style="display:none"' if kind == "paper" else ""
        return (
            f'<table class="{kind}"{hide}><caption>With these numbers</caption><thead><tr>'
            '<th scope="col">what</th><th scope="col">estimate</th><th scope="col">range</th>'
            f"</tr></thead><tbody>{rows}</tbody></table>"
        )

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
                        "quantiles": [float(f"{v * unit:.8g}") for v in s.quantiles()],
                    }
                )  # fmt: skip
        return {
            "currency": self.currency, "unit": area_unit(self.system)[0],
            "interval": f"{100 * self.confidence:g} % interval",
            "probabilities": [round(float(p), 6) for p in PROBABILITIES], "scenarios": each,
            "changes": self.given.changes, "salvage": self.given.salvage,
            "running": self.given.running_cost,
            "grain": ["bu/ac", 1, 2] if self.system == "US" else ["kg/ha", 1000, 1],
        }  # fmt: skip

    def _ids(self) -> str:
        names = [c.name for c in self.controls]
        names += ["level"] * (len(self.levels) > 1) + ["speed"] * self.varied
        return " ".join(f"what-if-{name}" for name in names)

    @property
    def varied(self) -> bool:
        """Whether figures are known at more than one ground speed."""
        return any(len(self.speeds(level)) > 1 for level, _ in self.levels)

    def _selects(self) -> str:
        out = ""
        if len(self.levels) > 1:
            words = [(level, self.text(label)) for level, label in self.levels]
            instead = lower_first(self.scenarios[0].reference_label)
            out += _select("level", self.text(f"Setup, instead of {instead}"), words)
        if self.varied:
            out += _select("speed", "Ground speed", self.speeds(self.scenarios[0].level))
        return out


def script_json(data: Any) -> str:
    """JSON that may stand inside a script element: nothing in it can end the element."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _input(control: Control) -> str:
    least = "any" if control.above_zero else "zero"
    return (
        f'<label for="what-if-{control.name}">{escape(control.label)}</label>'
        f'<input id="what-if-{control.name}" name="{control.name}" type="number" step="any" '
        f'min="0" inputmode="decimal" autocomplete="off" data-least="{least}" '
        f'value="{control.text}">'
    )


def _select(name: str, label: str, options: Sequence[tuple[str, str]]) -> str:
    inside = "".join(
        f'<option value="{escape(value)}">{escape(words)}</option>' for value, words in options
    )
    return (
        f'<label for="what-if-{name}">{escape(label)}</label>'
        f'<select id="what-if-{name}" name="{name}" autocomplete="off">{inside}</select>'
    )


def _figure(name: str, line: tuple[str, str, str]) -> str:
    what, value, reach = (escape(text) for text in line)
    return (
        f'<span class="item" data-figure="{name}"><span class="name">{what}</span> '
        f'<strong class="amount">{value}</strong> <span class="range">{reach}</span></span>'
    )
