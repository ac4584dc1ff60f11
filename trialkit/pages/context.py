"""A trial as the parts of its pages see it: what several of them read, worked out once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

from trialkit.analysis.questions.at_levels import speed_factor
from trialkit.analysis.questions.fields import of_the_response
from trialkit.decide import balance, comparison
from trialkit.decide.verdict import Verdict, verdict
from trialkit.decide.what_if import inputs, scenarios
from trialkit.errors import DesignError, ModelError, TrialError
from trialkit.pages.letters import Letters
from trialkit.pages.own import OwnLetters
from trialkit.pages.what_if import WhatIf
from trialkit.pages.wording import Finding, findings
from trialkit.plan import PlannedTrial, read_plan
from trialkit.quantities import number
from trialkit.responses import in_full
from trialkit.simulate import is_simulated
from trialkit.units import price_per_bushel_to_per_tonne
from trialkit.words import grower as words
from trialkit.words import own_money as money_words
from trialkit.words.counts import pair_or_block
from trialkit.words.money import area_unit

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis, TrialAnalysis
    from trialkit.analysis.questions.curves import EffectCurve
    from trialkit.analysis.questions.fields import FieldEffects
    from trialkit.decide import Balance
    from trialkit.facts import Comparison
    from trialkit.intake.config import SetupFactor
    from trialkit.trial import Trial

Made = TypeVar("Made")

EXAMPLES = (150.0, 300.0, 450.0)
"""What an hour of combining may cost where the trial does not say: examples."""


class Context:
    """What parts are made from.

    Parameters
    ----------
    analysis : TrialAnalysis, optional
        None for a page about a trial that is not harvested yet; then `trial` is given.
    trial : Trial, optional
    grower : str, optional
        Whose page it is: a grower's name, or the letter other reports give; "" for the only one,
        None for a page that is nobody's.
    area : float, optional
        The grower's corn a year, acres or ha as the trial's units are; else what the trial states.
    price : float, optional
        Net price of grain, per bushel or tonne; else what the trial states.
    hour_costs : sequence of float, optional
        What an hour of combining may cost, for the speed at which loss and time cost least; by
        default what the trial states, half of it and half as much again, else examples.
    options : mapping, optional
        What else a page's own parts were asked for.

    ``trial`` is the trial as it was read, ``used`` the same less strips left out by their status:
    what is compared, and what is said of the comparison, comes from the latter.

    Raises
    ------
    DesignError
        When there is no such grower.
    """

    def __init__(
        self, analysis: TrialAnalysis | None = None, *, trial: Trial | None = None,
        grower: str | None = None, area: float | None = None, price: float | None = None,
        hour_costs: Sequence[float] | None = None, options: Mapping[str, Any] | None = None,
    ) -> None:  # fmt: skip
        self._analysis = None if analysis is None else _with(analysis, area, price)
        found = trial if self._analysis is None else self._analysis.trial
        if found is None:
            raise DesignError("A page is about a trial or its analysis; give one of them.")
        self.trial, self.used = found, found.used
        self.config = found.config
        self.letters = Letters(found) if grower is None else OwnLetters(found, grower)
        self.area, self.price = area, price
        self.options: Mapping[str, Any] = options or {}
        hour = self.config.hour_cost
        if hour_costs is None:
            hour_costs = EXAMPLES if not hour else (0.5 * hour, hour, 1.5 * hour)
        self.hour_costs = tuple(hour_costs)
        self._made: dict[Any, Any] = {}

    def once(self, make: Callable[[Context], Made]) -> Made:
        """What a function makes of this context, worked out once."""
        if make not in self._made:
            self._made[make] = make(self)
        found: Made = self._made[make]
        return found

    # ------------------------------------------------------------ what was analysed
    @property
    def analysis(self) -> TrialAnalysis:
        """The analysis.

        Raises
        ------
        DesignError
            On a page about a trial that was not analysed.
        """
        if self._analysis is None:
            raise DesignError("This part needs a trial that was analysed.")
        return self._analysis

    @cached_property
    def responses(self) -> dict[str, ResponseAnalysis]:
        """The responses the page is about, the one of its headline first: the trial's primary one,
        where it was analysed, then the usual ones."""
        return shown(self.analysis, in_full())

    @property
    def skipped(self) -> dict[str, str]:
        """Why the usual responses are not among those."""
        return {n: self.analysis.skipped[n] for n in in_full() if n in self.analysis.skipped}

    @property
    def response(self) -> str:
        """The response of the headline."""
        return next(iter(self.responses))

    @property
    def result(self) -> ResponseAnalysis:
        """Its analysis."""
        return self.responses[self.response]

    @property
    def percent(self) -> str:
        """Level of intervals: "95 %"."""
        return f"{number(100 * self.analysis.level, 0)} %"

    @cached_property
    def verdict(self) -> Verdict:
        """What follows for every level, with the reader's own prices."""
        return verdict(self.analysis, self.response)

    @cached_property
    def setups(self) -> list[SetupFactor]:
        """Factors that were compared; one that never changed is not."""
        compared = set(self.result.contrasts["factor"])
        return [f for f in self.config.setups if f.name in compared]

    @cached_property
    def factor(self) -> SetupFactor:
        """The setup factor of the headline."""
        return next(f for f in self.setups if f.name == self.verdict.factors[0])

    @property
    def simulated(self) -> bool:
        """Whether the trial's folder says that it was simulated."""
        return is_simulated(self.trial)

    @cached_property
    def plan(self) -> PlannedTrial | None:
        """The plan kept with the trial, if one can be read."""
        source = self.trial.source
        try:
            return None if source is None else read_plan(source)
        except TrialError:
            return None

    @cached_property
    def block(self) -> str:
        """Two strips of two setups are a "pair"; more of them side by side are a "block"."""
        together = self.used.strips.groupby(["field", "pair"]).size()
        return pair_or_block(together.max(), len(self.factor.levels))

    def findings(self, response: str, factor: str | None = None) -> list[Finding]:
        """Levels of a setup factor (the headline's) against its reference, in the verdict's
        order."""
        factor = factor or self.factor.name
        first = next(v.primary.level for v in self.verdict.levels if v.primary.factor == factor)
        return findings(self.analysis.responses[response], self.config.units, factor, first)

    def decided(self, response: str) -> list[Finding]:
        """Levels of the decision's factor against the reference, the decision's own first."""
        result = self.analysis.responses[response]
        return findings(result, self.config.units, self.found.factor, self.found.level)

    def every_finding(self, response: str) -> list[Finding]:
        """Those of every factor that was compared, the headline's first."""
        factors = sorted(self.setups, key=lambda f: f.name != self.factor.name)
        return [found for f in factors for found in self.findings(response, f.name)]

    def reading(self, column: str) -> tuple[float, float] | None:
        """Lowest and highest reading of a column of the strips."""
        values = self.used.strips[column].dropna()
        return (float(values.min()), float(values.max())) if len(values) else None

    # ------------------------------------------------------------ one grower's fields
    @property
    def own(self) -> OwnLetters:
        """Whose page it is.

        Raises
        ------
        DesignError
            On a page that is nobody's.
        """
        if not isinstance(self.letters, OwnLetters):
            raise DesignError("This part is about one grower's fields; name a grower.")
        return self.letters

    @property
    def mine(self) -> tuple[str, ...]:
        """The grower's fields."""
        return self.own.mine

    @property
    def others(self) -> tuple[str, ...]:
        """The fields of all others."""
        return self.own.others

    @cached_property
    def effects(self) -> FieldEffects | str:
        """Effects field by field by the model, or why there are none."""
        try:
            effects = self.result.field_effects(self.found.factor)
            if effects.link != "log":
                return words.odds_by_field()
            return of_the_response(effects, self.result)
        except (DesignError, ModelError) as error:
            return str(error)

    def curve(self, along: str) -> EffectCurve | str:
        """Effect of the setup along moisture or speed, or why there is none."""
        key = ("curve", along)
        if key not in self._made:
            try:
                self._made[key] = self.result.effect_along(
                    along, factor=self.found.factor, level=self.found.level
                )
            except (DesignError, ModelError) as error:
                self._made[key] = str(error)
        found: EffectCurve | str = self._made[key]
        return found

    @cached_property
    def speed_factor(self) -> str | None:
        """The setup factor that is a ground speed, if there is one."""
        return speed_factor(self.result)

    # ------------------------------------------------------------ money
    @cached_property
    def found(self) -> Comparison:
        """The comparison that the decision is about."""
        first = str(self.result.contrasts["factor"].iloc[0])
        found = comparison(self.analysis, self.response) or comparison(
            self.analysis, self.response, first
        )
        assert found is not None
        return found

    @cached_property
    def money(self) -> Balance | None:
        """What the difference is worth; None when the trial gives no price."""
        return balance(self.analysis)

    @property
    def timed(self) -> bool:
        """Whether time, and nothing that is bought, stands against grain."""
        first = self.verdict.first
        return first.time is not None and not first.bought

    @cached_property
    def what_if(self) -> WhatIf | str:
        """The numbers a reader may change, or why money cannot be spoken of."""
        analysis = self.analysis
        if "header_loss" not in analysis.responses:
            return analysis.skipped.get("header_loss", money_words.no_header_loss())
        if self.timed:
            return money_words.told_by_the_hour()
        area = None if self.area is None else self.area * area_unit(self.config.units)[1]
        try:
            speed = self.speed_factor
            if speed is not None:
                own = speed if speed != self.found.factor else None
                every = scenarios(analysis, self.found.factor, speed=own)
            else:
                along = self.curve("speed_measured")  # of the headline's response
                of_loss = self.response == "header_loss"
                curve = None if isinstance(along, str) or not of_loss else along
                every = scenarios(analysis, self.found.factor, curve=curve)
            # The decision's own level first.
            every = tuple(sorted(every, key=lambda s: s.level != self.found.level))
            given = inputs(analysis, every[0], area=area)
        except DesignError as error:
            return str(error)
        return WhatIf(
            every, given, analysis.level, self.config.currency, self.config.units,
            self.letters.text,
        )  # fmt: skip


def shown(analysis: TrialAnalysis, usual: Sequence[str]) -> dict[str, ResponseAnalysis]:
    """The trial's primary response, where it was analysed, then the usual ones."""
    names = dict.fromkeys((analysis.trial.config.model.primary, *usual))
    return {n: analysis.responses[n] for n in names if n in analysis.responses}


def _with(analysis: TrialAnalysis, area: float | None, price: float | None) -> TrialAnalysis:
    """The analysis with the grower's own area and price among its settings."""
    if area is None and price is None:
        return analysis
    config = analysis.trial.config
    if price is not None:
        per_t = price_per_bushel_to_per_tonne(price) if config.units == "US" else price
        config = replace(config, price_per_t=float(per_t))
    if area is not None and config.option is not None:
        own = replace(config.option, area_per_year=area * area_unit(config.units)[1])
        config = replace(config, option=own)
    return replace(analysis, trial=replace(analysis.trial, config=config))
