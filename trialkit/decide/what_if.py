"""What an option leaves with a user's own numbers, in a form that a page can work out again.

The saving is known as a t distribution (`Comparison.difference`, or the difference at one ground
speed). A page gets its quantiles at fixed probabilities, so that its script needs no t
distribution: value and balance are linear in the saving, their intervals are those of the saving,
and the chance that it pays is the share of quantiles above the saving that would break even, read
off the polygon through them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats

from trialkit import units
from trialkit.analysis.at_levels import effects_at
from trialkit.analysis.curves import Line
from trialkit.decide.break_even import BreakEven, break_even
from trialkit.decide.budget import Budget, of_option
from trialkit.decide.comparison import Estimate, comparison
from trialkit.decide.words import amount, area_unit, percent, whole_places
from trialkit.errors import DesignError

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.analysis.curves import EffectCurve

PROBABILITIES = np.array([0.0005, *(i / 400 for i in range(1, 400)), 0.9995])
# Where the trial states no area: a round one, said to be an example.
EXAMPLE_AREA = 100.0
NO_OPTION = {"option_price": 0.0, "years": 10.0, "interest": 0.08}


@dataclass(frozen=True, slots=True)
class Scenario:
    """One setup against its reference, as the trial ran or at one ground speed.

    Attributes
    ----------
    factor, level, label, reference_label : str
    speed : float or None
        km/h; None: all strips as they were run, or a level of a speed that was set.
    saved : Estimate
        Grain kept by the level, kg/ha.
    setting : str
        Words for the level of the set speed, where it is one.
    """

    factor: str
    level: str
    label: str
    reference_label: str
    speed: float | None
    saved: Estimate
    setting: str = ""

    @property
    def as_run(self) -> bool:
        """Whether all strips count, at whatever speed they were run."""
        return self.speed is None and not self.setting

    def quantiles(self) -> np.ndarray:
        """Grain kept (kg/ha) at `PROBABILITIES`, six digits."""
        exact = np.asarray(self.saved.quantile(PROBABILITIES), dtype=float)
        return np.array([float(f"{value:.6g}") for value in exact])


@dataclass(frozen=True, slots=True)
class Figures:
    """What a scenario comes to.

    Attributes
    ----------
    value_per_ha, net_per_ha, value_per_year, net_per_year : (float, float, float)
        Estimate and interval.
    area : BreakEven
    given : Budget
        With the scenario's saving.
    probability : float
        That the value of the grain kept exceeds the annual cost.
    confidence : float
    currency, system : str
    """

    value_per_ha: tuple[float, float, float]
    net_per_ha: tuple[float, float, float]
    value_per_year: tuple[float, float, float]
    net_per_year: tuple[float, float, float]
    area: BreakEven
    given: Budget
    probability: float
    confidence: float
    currency: str
    system: str

    @property
    def annual_cost(self) -> float:
        """What the option costs a year."""
        return float(self.given.annual_cost)

    @property
    def lines(self) -> dict[str, tuple[str, str, str]]:
        """Name, amount and range of each figure in words; a page's script says the same."""
        unit, size = area_unit(self.system)
        level = f"{100 * self.confidence:g} % interval"
        value = self.value_per_ha[0]
        even, fewest, widest = self.area.in_system
        places = whole_places(even, fewest, widest)
        if self.annual_cost == 0:
            area = "no cost to cover" if value >= 0 else "never: it loses grain"
            reach = ""
        elif math.isinf(even):
            area = "none at this estimate"
            reach = "" if math.isinf(fewest) else f"{level} from {amount(fewest, 0)} {unit} up"
        else:
            area = f"{amount(even, places)} {unit} a year"
            reach = f"{level} {amount(fewest, places)} to {amount(widest, places)}"
        pays = "Chance that it pays" if self.annual_cost else "Chance that it saves grain"
        name, turned = ("Grain saved", 1) if value >= 0 else ("Grain lost", -1)

        def told(three: tuple[float, float, float], places: int | None = None) -> tuple[str, str]:
            at, low, high = three
            places = whole_places(at, low, high) if places is None else places
            reach = f"{level} {amount(low, places)} to {amount(high, places)}"
            return f"{self.currency} {amount(at, places)}", reach

        def worth(three: tuple[float, float, float]) -> tuple[float, float, float]:
            at, *ends = (turned * v for v in three)
            return (at, *sorted(ends))  # type: ignore[return-value]

        def per_area(three: tuple[float, float, float]) -> tuple[float, float, float]:
            return three[0] * size, three[1] * size, three[2] * size

        here = f"on {amount(self.given.area / size, 0)} {unit} a year"
        cost = (f"{self.currency} {amount(self.annual_cost / self.given.area * size)}",
                f"{self.currency} {amount(self.annual_cost, 0)} a year; it lasts "
                f"{self.given.life_in_words(self.system)} and is covered by "
                f"{self._needed}")  # fmt: skip
        if self.annual_cost == 0:
            cost = ("nothing", "")
        per, year = f"Left per {unit}, cost paid", "Left in a year, cost paid"
        left, net = per_area(self.net_per_ha), self.net_per_year
        if self.annual_cost == 0:  # nothing is paid
            side = "Gain" if value >= 0 else "Loss"
            per, year, left, net = f"{side} per {unit}", f"{side} a year", worth(left), worth(net)
        return {
            "value": (f"{name}, per {unit}", *told(worth(per_area(self.value_per_ha)), 2)),
            "cost": (f"What it costs, per {unit}", *cost),
            "left": (per, *told(left, 2)),
            "year": (f"{name}, a year", *told(worth(self.value_per_year))),
            "net": (year, *told(net)),
            "even": ("Pays for itself from", area, reach),
            "chance": (pays, percent(self.probability), here),
        }

    @property
    def _needed(self) -> str:
        """The grain that covers the cost, per area: "0.37 bu/ac"."""
        needed = float(self.given.needed)
        if self.system == "US":
            return f"{amount(float(units.kg_ha_to_bu_ac(needed)))} bu/ac"
        return f"{amount(needed, 1)} kg/ha"


def figures(
    scenario: Scenario, given: Budget, confidence: float, currency: str, system: str
) -> Figures:
    """The figures of a scenario under a budget of single numbers.

    Raises
    ------
    ValueError
        For a price, area or life that is not above zero, or a cost or rate below it.
    """
    if not (given.price > 0 and given.area > 0 and given.years > 0):
        raise ValueError("price, area and years must be above zero.")
    costs = (given.option_price, given.interest, given.repair, given.change_cost)
    if not (all(c >= 0 for c in costs) and given.life_area > 0):
        raise ValueError(
            "cost, interest, repair and labour must not be below zero, the life above it."
        )
    own = replace(given, saved=scenario.saved.value)
    ends = scenario.saved.interval(confidence)
    each = [replace(own, saved=saved) for saved in (scenario.saved.value, *ends)]

    def three(name: str) -> tuple[float, float, float]:
        at, low, high = (float(getattr(one, name)) for one in each)
        return at, low, high

    quantiles = scenario.quantiles()
    below = float(np.interp(needed_saving(own), quantiles, PROBABILITIES, left=0.0, right=1.0))
    return Figures(
        three("saving_per_ha"), three("net_per_ha"), three("saving_per_year"),
        three("net_per_year"), break_even(own, "area", ends, confidence, currency, system),
        own, 1.0 - below, confidence, currency, system,
    )  # fmt: skip


def needed_saving(given: Budget) -> float:
    """Grain kept (kg/ha) from which a budget of single numbers leaves something."""
    return float(given.needed)


def scenarios(
    analysis: TrialAnalysis, factor: str | None = None, *, curve: EffectCurve | None = None,
    speed: str | None = None,
) -> tuple[Scenario, ...]:  # fmt: skip
    """Every level of the factor a decision is about against its reference.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor : str, optional
        As in `comparison`; the level it names comes first.
    curve : EffectCurve, optional
        Effect of that factor along ground speed: each level is then also told at round speeds that
        it and the reference were both run near.
    speed : str, optional
        Setup factor that is a ground speed, in place of a curve: each level is then also told at
        its levels.

    Raises
    ------
    DesignError
        When the header loss, or the option's comparison in it, was not analysed.
    """
    first = comparison(analysis, "header_loss", factor)
    if first is None:
        reason = analysis.skipped.get("header_loss", "")
        raise DesignError(f"Header loss was not analysed for this comparison. {reason}".strip())
    rows = analysis["header_loss"].contrasts
    levels = rows.loc[rows["factor"].eq(first.factor), "level"].tolist()
    levels.sort(key=lambda level: level != first.level)
    out: list[Scenario] = []
    for level in levels:
        found = comparison(analysis, "header_loss", first.factor, level)
        assert found is not None
        own = (found.factor, found.level, found.label, found.reference_label)
        out.append(Scenario(*own, None, _minus(found.difference)))
        if speed is not None:
            table = effects_at(analysis["header_loss"], found.factor, level, speed)
            for row in table.itertuples():
                away = Estimate(float(row.difference), float(row.se), float(row.df))
                out.append(Scenario(*own, None, _minus(away), str(row.label)))
        elif curve is not None:
            line = Line(curve.fit, curve.result, found.factor, level, found.reference, curve.along)
            for pace in _speeds(curve, level, analysis.trial.config.units):
                at = line.told(np.array([pace]))
                df = float(at.df[0])
                ends = at.interval("difference", stats.t.ppf(0.5 + analysis.level / 2, df))
                value, low, high = (float(end[0]) for end in ends)
                away = Estimate.from_interval(value, low, high, df, analysis.level)
                out.append(Scenario(*own, pace, _minus(away)))
    return tuple(out)


def inputs(analysis: TrialAnalysis, scenario: Scenario, **changes: float | None) -> Budget:
    """The trial's own numbers for a scenario, those of `changes` that are given in their place.

    A setup that is no bought option costs nothing; without a stated area it is `EXAMPLE_AREA` of
    the trial's unit of area.

    Raises
    ------
    DesignError
        When no price of grain is stated.
    """
    config = analysis.trial.config
    option = config.option
    given: dict[str, Any] = {"price": config.price_per_t}
    given |= {"area": EXAMPLE_AREA * area_unit(config.units)[1], **NO_OPTION}
    if option is not None and (option.factor, option.level) == (scenario.factor, scenario.level):
        given |= of_option(option)
    given |= {name: value for name, value in changes.items() if value is not None}
    if given["price"] is None:
        raise DesignError("The trial gives no price of grain.")
    return Budget(saved=scenario.saved.value, **given)


def _minus(difference: Estimate) -> Estimate:
    return replace(difference, value=-difference.value, skew=-difference.skew)


def _speeds(curve: EffectCurve, level: str, system: str) -> Sequence[float]:
    """Round speeds (km/h) that strips of both setups lie near."""
    step = 0.5 * float(units.convert(1.0, "mph" if system == "US" else "km/h", "km/h"))
    strips = curve.result.design.strips
    x = curve.table["x"].to_numpy()
    reach = (x[-1] - x[0]) / 6
    out = []
    for speed in step * np.arange(math.ceil(x[0] / step), math.floor(x[-1] / step) + 1):
        near = strips[(strips[curve.along].astype(float) - speed).abs() <= reach]
        counts = near[curve.factor.name].astype(str).value_counts()
        if min(counts.get(level, 0), counts.get(curve.reference, 0)) >= 2:
            out.append(float(speed))
    return out
