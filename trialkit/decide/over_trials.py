"""What many trials come to for every setup: the verdict of one trial, of their mean effects.

Money, time and cost are those one trial states, or a reader: nothing is averaged over what trials
state. No belief from before is counted: what the newest trial believed may come from the others.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from trialkit.analysis.family import strongest_first
from trialkit.analysis.questions.at_levels import APART
from trialkit.decide.balance import Balance
from trialkit.decide.budget import Budget, stated
from trialkit.decide.capacity import EFFICIENCY, ExtraTime, extra_time
from trialkit.decide.verdict import GRAIN, LevelVerdict, Verdict, advise
from trialkit.decide.what_if import Scenario
from trialkit.many.amounts import comparisons, one_family
from trialkit.many.matching import factor_name, normalised
from trialkit.responses import RESPONSES

if TYPE_CHECKING:
    from trialkit.facts import Comparison
    from trialkit.intake.config import TrialConfig
    from trialkit.many import TrialsCompared


@dataclass(frozen=True, slots=True)
class Farm:
    """What money is reckoned with: the settings of one trial, or a reader's own numbers in place.

    Attributes
    ----------
    config : TrialConfig
        Price, option, price of an hour, header and units are read from it.
    area : float or None
        ha a year, in place of what the option states.
    price : float or None
        Net price per t, in place of what the settings state.
    """

    config: TrialConfig
    area: float | None = None
    price: float | None = None

    def bought(self, aliases: Mapping[str, str]) -> tuple[str, str] | None:
        """Factor and level that money is spent on, by their common names."""
        option = self.config.option
        if option is None:
            return None
        return factor_name(option.factor, aliases), normalised(option.level, aliases)

    def budget(self, own: Comparison, **given: float) -> Budget | None:
        """The budget of a level as stated; None without a price of grain."""
        known = stated(self.config, own.bought)
        known["price"] = self.price or known["price"]
        if not known["price"]:
            return None
        if self.area is not None:
            known["area"] = self.area
        return Budget(**{**known, **given, "saved": -own.distribution.value})


def verdict_over(
    compared: Mapping[str, TrialsCompared], farm: Farm, *, efficiency: float = EFFICIENCY
) -> Verdict:
    """The verdict of many trials.

    Parameters
    ----------
    compared : mapping of str to TrialsCompared
        By response, the one to judge by first; all by the same factors and aliases.
    farm : Farm
    efficiency : float
        Field efficiency as a share, for the time a ground speed takes.
    """
    first, primary = next(iter(compared.items()))
    every = one_family(
        {name: comparisons(c, farm.bought(primary.aliases)) for name, c in compared.items()}, first
    )
    hour, config = farm.config.hour_cost, farm.config
    bought = farm.bought(primary.aliases)
    names = sorted(primary.factors, key=lambda name: bought is None or name != bought[0])
    levels = []
    for name in names:
        before = bought[1] if bought is not None and bought[0] == name else None
        for own in strongest_first([c for c in every[first] if c.factor == name], before):
            others = tuple(
                c for response, known in every.items() if response != first
                for c in known
                if RESPONSES[response].speaks and (c.factor, c.level) == (own.factor, own.level)
            )  # fmt: skip
            found = tuple(c for c in (own, *others) if c.grade.found)
            time = _time(primary, own, farm, efficiency)
            worth = _balance(own, others, found, time, farm)
            levels.append(LevelVerdict(own, others, time, worth,
                                       advise(found, time, worth, own.bought)))  # fmt: skip
    return Verdict(first, tuple(levels), hour, config.currency, config.units)


def scenarios_over(verdict: Verdict) -> tuple[Scenario, ...]:
    """Every level of the first factor as run, where its balance is known: for a reader's own
    numbers."""
    factor = verdict.first.primary.factor
    return tuple(
        Scenario(b.factor, b.level, b.label, b.reference_label, None, b.saved)
        for b in (v.balance for v in verdict.levels) if b is not None and b.factor == factor
    )  # fmt: skip


def _time(
    compared: TrialsCompared, own: Comparison, farm: Farm, efficiency: float
) -> ExtraTime | None:
    """Time of a level that was driven at another speed than the reference in the same fields."""
    strips = compared.strips.dropna(subset=["speed_measured"])
    keys = ["trial", "field", own.factor]
    means = strips.groupby(keys, observed=True)["speed_measured"].mean().unstack(own.factor)
    if not {own.level, own.reference} <= set(means.columns):
        return None
    speeds = means[[own.level, own.reference]].dropna().mean()
    one, base = float(speeds[own.level]), float(speeds[own.reference])
    if not abs(one - base) >= APART:  # also where no field has both
        return None
    config = farm.config
    return extra_time(
        one, base, width=config.header.width, efficiency=efficiency,
        machine_per_hour=config.hour_cost or 0.0, operator_per_hour=0.0,
        currency=config.currency, system=config.units,
    )  # fmt: skip


def _balance(
    own: Comparison, others: tuple[Comparison, ...], differ: tuple[Comparison, ...],
    time: ExtraTime | None, farm: Farm,
) -> Balance | None:  # fmt: skip
    """The balance of a level by its header loss; None without a price, or where it is unknown."""
    grain = next((c for c in (own, *others) if c.response == GRAIN), None)
    if grain is None or not grain.difference.known:
        return None
    budget = farm.budget(grain, time_cost=0.0 if time is None else time.cost_per_ha)
    if budget is None:
        return None
    kept, config = grain.distribution, farm.config
    return Balance(
        grain.factor, grain.level, grain.label, grain.reference_label, budget,
        replace(kept, value=-kept.value, skew=-kept.skew), grain.confidence, config.currency,
        config.units, grain.bought, grain, None, 0.0 if time is None else time.hours_per_ha,
        time is None or config.hour_cost is not None,
        tuple(c for c in differ if c.response != GRAIN),
    )  # fmt: skip
