"""What an option leaves with a user's own numbers: each setup as run, and at one ground speed.

The grain kept is known as a t distribution (`Comparison.distribution`, or the difference at one
speed). A page works the balance of it out again in its script.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from trialkit import units
from trialkit.analysis.questions.at_levels import effects_at
from trialkit.analysis.questions.curve_line import Line
from trialkit.decide.balance import Balance
from trialkit.decide.budget import Budget, stated
from trialkit.decide.comparison import comparison
from trialkit.errors import DesignError
from trialkit.facts import Estimate

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.analysis.questions.curves import EffectCurve


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


def figures(
    scenario: Scenario, given: Budget, confidence: float, currency: str, system: str
) -> Balance:
    """The balance of a scenario under a budget of single numbers.

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
    return Balance(
        scenario.factor, scenario.level, scenario.label, scenario.reference_label,
        replace(given, saved=scenario.saved.value), scenario.saved, confidence, currency, system,
        bought=bool(given.annual_cost),
    )  # fmt: skip


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
        out.append(Scenario(*own, None, _minus(found.distribution)))
        if speed is not None:
            table = effects_at(analysis["header_loss"], found.factor, level, speed)
            for row in table.itertuples():
                away = Estimate(float(row.difference), float(row.se), float(row.df))
                out.append(Scenario(*own, None, _minus(away), str(row.label)))
        elif curve is not None:
            line = Line(curve.fit, curve.result, found.factor, level, found.reference, curve.along)
            for pace in _speeds(curve, level, analysis.trial.config.units):
                at = line.compared(np.array([pace]))
                df = float(at.df[0])
                ends = at.interval("difference", stats.t.ppf(0.5 + analysis.level / 2, df))
                value, low, high = (float(end[0]) for end in ends)
                away = Estimate.from_interval(value, low, high, df, analysis.level)
                out.append(Scenario(*own, pace, _minus(away)))
    return tuple(out)


def inputs(analysis: TrialAnalysis, scenario: Scenario, area: float | None = None) -> Budget:
    """The trial's own numbers for a scenario, on another area (ha a year) where one is given.

    A setup that is no bought option costs nothing; without a stated area it is `EXAMPLE_AREA` of
    the trial's unit of area.

    Raises
    ------
    DesignError
        When no price of grain is stated.
    """
    config = analysis.trial.config
    option = config.option
    own = (scenario.factor, scenario.level)
    given = stated(config, option is not None and (option.factor, option.level) == own)
    if area is not None:
        given["area"] = area
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
