"""The verdict of a trial: what it found of every setup and what follows from it, once, as data.

Pages, terminal and tables read it and only put it into words. For every level of every setup factor
it holds the comparison that counts (of the primary response), what else the level changes, the time
it takes, and, where prices are given, the balance (`budget`). What is advised follows by one rule:

======================  =========================================================================
advice                  when
======================  =========================================================================
try                     something was found better, nothing worse, and it takes no time or money
stay                    something was found worse, nothing better, and it saves no time
pays                    the whole interval of the whole balance lies above zero
costs more              the whole interval of the whole balance lies below zero
open: you choose        one thing against another, or against time or money, and no balance
                        settles it
not settled             nothing was found
======================  =========================================================================

Whatever costs money or takes another time is advised from the whole balance alone: grain, damage,
time, option. A balance is whole where everything that differs has a price; what has none and goes
the same way does not stand against it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.analysis.family import comparisons, strongest_first
from trialkit.analysis.questions.at_levels import APART, level_speeds
from trialkit.decide.balance import Balance, balance
from trialkit.decide.capacity import EFFICIENCY, ExtraTime, extra_time
from trialkit.decide.cost import HECTARES_PER_ACRE
from trialkit.decide.discount import discount
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.facts import Comparison
from trialkit.quantities import lower_first
from trialkit.responses import RESPONSES
from trialkit.words.advice import IN_TABLE

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.decide.grades import DiscountTable

GRAIN = "header_loss"


class Advice(Enum):
    """What follows for one level; the value is its word in a table."""

    TRY = IN_TABLE["try"]
    STAY = IN_TABLE["stay"]
    PAYS = IN_TABLE["pays"]
    COSTS = IN_TABLE["costs"]
    CHOICE = IN_TABLE["choice"]
    UNSETTLED = IN_TABLE["unsettled"]


@dataclass(frozen=True, slots=True)
class LevelVerdict:
    """One level of a setup factor against its reference.

    Attributes
    ----------
    primary : Comparison
        In the response the trial is about.
    others : tuple of Comparison
        In the other responses that speak for or against a setup, as analysed.
    time : ExtraTime or None
        Where the level is driven at another ground speed than the reference; ``cost_per_hour`` is
        zero where no price of an hour is given.
    balance : Balance or None
        None where no price of grain is given, or the header loss was not compared.
    advice : Advice
    """

    primary: Comparison
    others: tuple[Comparison, ...]
    time: ExtraTime | None
    balance: Balance | None
    advice: Advice

    @property
    def bought(self) -> bool:
        """Whether the trial's option is bought for it."""
        return self.primary.bought

    @property
    def better(self) -> tuple[Comparison, ...]:
        """Where it was found better."""
        return tuple(c for c in (self.primary, *self.others) if c.grade.found and c.is_better)

    @property
    def worse(self) -> tuple[Comparison, ...]:
        """Where it was found worse."""
        return tuple(c for c in (self.primary, *self.others) if c.grade.found and not c.is_better)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Every level of every setup factor of a trial.

    Attributes
    ----------
    response : str
        The one the trial is judged by.
    levels : tuple of LevelVerdict
        The factor the decision is about first; in it the level money is spent on, then by the
        strength of the evidence.
    hour_cost : float or None
        What an hour more of combining costs.
    currency, system : str
    """

    response: str
    levels: tuple[LevelVerdict, ...]
    hour_cost: float | None
    currency: str
    system: str

    @property
    def first(self) -> LevelVerdict:
        """The comparison of a headline."""
        return self.levels[0]

    @property
    def factors(self) -> tuple[str, ...]:
        """Names of the setup factors, the first's first."""
        return tuple(dict.fromkeys(own.primary.factor for own in self.levels))

    def of(self, factor: str, level: str) -> LevelVerdict:
        """The verdict of one level."""
        return next(v for v in self.levels if (v.primary.factor, v.primary.level) ==
                    (factor, level))  # fmt: skip

    @property
    def table(self) -> pd.DataFrame:
        """One row a level, SI: what was found, the time, the balance, the advice.

        ``factor, level, reference, label, response, unit, difference`` with its ends, ``evidence,
        better_in, worse_in`` (responses), ``hours_per_ha, grain_per_ha, net_per_ha`` with its ends,
        ``advice``.
        """
        rows = []
        for own in self.levels:
            c, balance = own.primary, own.balance
            row: dict[str, Any] = {
                "factor": c.factor, "level": c.level, "reference": c.reference, "label": c.label,
                "response": c.response, "unit": c.unit,
                **dict(zip(("difference", "difference_low", "difference_high"), c.difference,
                           strict=True)),
                "evidence": c.grade.word,
                "better_in": ", ".join(found.response for found in own.better),
                "worse_in": ", ".join(found.response for found in own.worse),
                "hours_per_ha": own.time.hours_per_ha if own.time else 0.0,
                "grain_per_ha": balance.grain[0] if balance else float("nan"),
            }  # fmt: skip
            names = ("net_per_ha", "net_per_ha_low", "net_per_ha_high")
            row |= dict(zip(names, balance.net if balance else (float("nan"),) * 3, strict=True))
            rows.append(row | {"advice": own.advice.value})
        return pd.DataFrame(rows)

    def _repr_html_(self) -> str:
        rows = [
            {"": f"{c.label} against {lower_first(c.reference_label)}", "evidence": c.grade.word,
             "hours per 100 ac" if self.system == "US" else "hours per 40 ha":
                 hours_per_block(own.time, self.system)[0] if own.time else 0.0,
             "advice": own.advice.value}
            for own in self.levels for c in (own.primary,)
        ]  # fmt: skip
        title = self.response.replace("_", " ")
        return card(f"Verdict by {title}", [], table(pd.DataFrame(rows)))


def hours_per_block(time: ExtraTime, system: str) -> tuple[float, str]:
    """Extra hours on the area people reckon with, and its name: 100 acres, or 40 ha."""
    if system == "US":
        return time.hours_per_ha * HECTARES_PER_ACRE * 100.0, "100 acres"
    return time.hours_per_ha * 40.0, "40 ha"


def verdict(
    analysis: TrialAnalysis, response: str | None = None, *, hour_cost: float | None = None,
    discounts: DiscountTable | None = None, efficiency: float = EFFICIENCY,
) -> Verdict:  # fmt: skip
    """The verdict of a trial.

    Parameters
    ----------
    analysis : TrialAnalysis
    response : str, optional
        The one to judge by; by default the trial's primary one, else the first that was analysed.
    hour_cost : float, optional
        What an hour more of combining costs; by default what the trial states.
    discounts : DiscountTable, optional
        The buyer's discounts for damaged kernels; without them damage has no price.
    efficiency : float
        Field efficiency as a share, for the time a ground speed takes.

    Raises
    ------
    DesignError
        When nothing was analysed.
    """
    config = analysis.trial.config
    if not analysis.responses:
        raise DesignError(" ".join(analysis.skipped.values()) or "Nothing was analysed.")
    if response is None:
        response = config.model.primary
    if response not in analysis.responses:
        response = analysis.primary
    result = analysis.responses[response]
    hour = config.hour_cost if hour_cost is None else hour_cost
    option = config.option
    bought = None if option is None else (option.factor, option.level)
    every = comparisons(result, bought=bought)
    names = list(dict.fromkeys(c.factor for c in every))
    if option is not None and option.factor in names:
        names.sort(key=lambda name: name != option.factor)
    levels = []
    for name in names:
        first = option.level if option is not None and option.factor == name else None
        for own in strongest_first([c for c in every if c.factor == name], first):
            others = tuple(
                c for n, record in RESPONSES.items()
                if record.speaks and n != response and n in analysis.responses
                for c in comparisons(analysis.responses[n])
                if (c.factor, c.level) == (own.factor, own.level)
            )  # fmt: skip
            time = _time(analysis, own, hour or 0.0, efficiency)
            found = tuple(c for c in (own, *others) if c.grade.found)
            worth = _balance(analysis, own, found, time, hour, discounts)
            levels.append(
                LevelVerdict(own, others, time, worth, advise(found, time, worth, own.bought))
            )  # fmt: skip
    return Verdict(response, tuple(levels), hour, config.currency, config.units)


def advise(
    found: tuple[Comparison, ...], time: ExtraTime | None, balance: Balance | None, bought: bool
) -> Advice:
    """What follows from what was found (differences only), the time taken and the balance."""
    better = [c for c in found if c.is_better]
    worse = [c for c in found if not c.is_better]
    priced = bought or time is not None
    if priced and balance is not None and balance.time_priced:
        against = [c for c in balance.unpriced if not c.is_better]
        beside = [c for c in balance.unpriced if c.is_better]
        # Grain that was not found to differ must not be what decides.
        known = any(c.response == GRAIN for c in found)
        rest = balance.damage + balance.time + balance.option
        if balance.net[1] > 0 and not against and (known or rest > 0):
            return Advice.PAYS
        if balance.net[2] < 0 and not beside and (known or rest < 0):
            return Advice.COSTS
    if not found:
        return Advice.UNSETTLED
    if time is not None or (better and (worse or bought)):
        return Advice.CHOICE
    return Advice.TRY if better else Advice.STAY


def _time(
    analysis: TrialAnalysis, own: Comparison, hour: float, efficiency: float
) -> ExtraTime | None:
    """Time of a level that is driven at another speed, by what was measured on its strips, else by
    what was set, else by what its levels are called."""
    config = analysis.trial.config
    speeds = level_speeds(analysis.responses[own.response], own.factor)
    if not {own.level, own.reference} <= set(speeds):
        setup = next(f for f in config.setups if f.name == own.factor)
        speeds = setup.speeds
    one, base = speeds.get(own.level), speeds.get(own.reference)
    if one is None or base is None or abs(one - base) < APART:
        return None
    return extra_time(
        one, base, width=config.header.width, efficiency=efficiency, machine_per_hour=hour,
        operator_per_hour=0.0, currency=config.currency, system=config.units,
    )  # fmt: skip


def _balance(
    analysis: TrialAnalysis, own: Comparison, differ: tuple[Comparison, ...],
    time: ExtraTime | None, hour: float | None, discounts: DiscountTable | None,
) -> Balance | None:  # fmt: skip
    """The balance of a level, with the discount for damage where damage was found to differ."""
    unpriced = [c for c in differ if c.response != GRAIN]
    avoided = 0.0
    if discounts is not None and any(c.response == "kernel_damage" for c in unpriced):
        per_ha = discount(analysis, discounts, own.factor, own.level).avoided_per_ha
        if per_ha is not None:
            avoided = per_ha
            unpriced = [c for c in unpriced if c.response != "kernel_damage"]
    return balance(
        analysis, own.factor, own.level, discount_avoided=avoided,
        time_cost=0.0 if time is None else time.cost_per_ha,
        hours_per_ha=0.0 if time is None else time.hours_per_ha,
        time_priced=time is None or hour is not None, unpriced=tuple(unpriced),
    )  # fmt: skip
