"""What a setup brings and costs against its reference: one balance, per ha and per year.

A `Budget` has the arithmetic of single numbers (or of draws); a `Balance` is such a budget with the
uncertainty of the grain kept, of which everything in it is a straight line: its interval gives the
intervals of all that follows, and the chance that something is left is that of keeping more grain
than is needed. Headline, verdict, the panel of a page and its script, sensitivity and payback
all read it. Prices are net of drying, hauling and shrink if the user makes them so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np

from trialkit.decide.break_even import BreakEven, break_even
from trialkit.decide.budget import Budget, Given, stated
from trialkit.decide.comparison import comparison
from trialkit.decide.prior import chance_with
from trialkit.display import card
from trialkit.facts import Comparison, Ends, Estimate
from trialkit.quantities import lower_first
from trialkit.words import balance as words
from trialkit.words import what_if
from trialkit.words.money import CAUTION, area_unit

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.intake import Prior

PROBABILITIES = np.array([0.0005, *(i / 400 for i in range(1, 400)), 0.9995])
"""At which a page is given the quantiles of the grain kept (`Balance.quantiles`)."""


@dataclass(frozen=True, slots=True)
class Balance:
    """A level against its reference in money.

    Attributes
    ----------
    factor, level, label, reference_label : str
    given : Budget
        Of single numbers, SI; `saved` is the estimate.
    saved : Estimate
        Grain kept at the header, kg/ha; below zero where the level loses more.
    confidence : float
        Level of all intervals.
    currency, system : str
        Units the words speak in.
    bought : bool
        Whether the trial's option is bought for the level; without one there is no cost.
    found : Comparison or None
        Of the header loss; None at one ground speed alone.
    prior : Prior or None
        What was believed before the trial.
    hours_per_ha : float
        Extra hours the level takes; below zero where it saves some.
    time_priced : bool
        Whether an hour has a price, or none is taken or saved.
    unpriced : tuple of Comparison
        Found differences that nobody priced.
    """

    factor: str
    level: str
    label: str
    reference_label: str
    given: Budget
    saved: Estimate
    confidence: float
    currency: str
    system: str
    bought: bool = False
    found: Comparison | None = None
    prior: Prior | None = None
    hours_per_ha: float = 0.0
    time_priced: bool = True
    unpriced: tuple[Comparison, ...] = ()

    # ------------------------------------------------------------ per ha and per year
    def _ends(self, name: str, **changes: Any) -> Ends:
        """A field or property of the budget at the estimate and at both ends of the grain kept."""
        kept = (self.given.saved, *self.saved.interval(self.confidence))
        return Ends(*(
            getattr(replace(self.given, saved=kg, **changes), name) for kg in kept
        ))  # fmt: skip

    @property
    def grain(self) -> Ends:
        """Worth of the grain kept, per ha."""
        return self._ends("grain_per_ha")

    @property
    def grain_per_year(self) -> Ends:
        """The same over the area."""
        return self.grain.times(float(self.given.area))

    @property
    def damage(self) -> float:
        """Price discount avoided, per ha."""
        return float(self.given.discount_avoided)

    @property
    def time(self) -> float:
        """Time saved, per ha: below zero where it is taken."""
        return -float(self.given.time_cost)

    @property
    def option(self) -> float:
        """Yearly cost of the option as it adds to the balance, per ha."""
        return -float(self.given.annual_cost / self.given.area)

    @property
    def annual_cost(self) -> float:
        """Of the option, a year; 0 where none is bought."""
        return float(self.given.annual_cost)

    @property
    def net(self) -> Ends:
        """All of it, per ha; the interval is that of the grain."""
        return self._ends("net_per_ha")

    @property
    def net_per_year(self) -> Ends:
        """All of it, a year."""
        return self._ends("net_per_year")

    def net_at(self, area: Any) -> tuple[Any, Any, Any]:
        """All of it in a year on another area (ha, float or array): estimate, low and high."""
        return tuple(self._ends("net_per_year", area=area))  # type: ignore[return-value]

    @property
    def area(self) -> float | None:
        """ha a year the option is kept on; None where none is bought."""
        return float(self.given.area) if self.bought else None

    # ------------------------------------------------------------ where it turns
    @property
    def needed(self) -> float:
        """Grain kept (kg/ha) from which something is left."""
        return float(self.given.needed)

    @property
    def chance(self) -> float:
        """Probability that something is left, by the trial alone."""
        return self.saved.above(self.needed)

    @property
    def believed(self) -> float | None:
        """The same with what was believed before the trial; None where nothing was."""
        return None if self.found is None else chance_with(self.found, self.prior, -self.needed)

    @property
    def hour(self) -> Ends | None:
        """Price of an hour at which nothing is left, ends in rising order; None without extra
        time: the extra hours of the slower speed are worth taking below it."""
        if self.hours_per_ha == 0:
            return None
        value, one, other = (
            float(v + self.given.time_cost) / self.hours_per_ha for v in self.net
        )
        return Ends(value, min(one, other), max(one, other))

    @property
    def even_area(self) -> BreakEven:
        """Area a year from which the saving covers the cost."""
        return break_even(
            self.given, "area", self.saved.interval(self.confidence), self.confidence,
            self.currency, self.system,
        )  # fmt: skip

    # ------------------------------------------------------------ for pages
    def quantiles(self) -> np.ndarray:
        """Grain kept (kg/ha) at `PROBABILITIES`, six digits: a page's script reads the chance off
        the polygon through them, and needs no t distribution."""
        exact = np.asarray(self.saved.quantile(PROBABILITIES), dtype=float)
        return np.array([float(f"{value:.6g}") for value in exact])

    @property
    def lines(self) -> dict[str, what_if.Line]:
        """Name, amount and range of each figure in words; a page's script says the same."""
        size = area_unit(self.system)[1]
        return what_if.lines(
            value=self.grain.times(size), left=self.net.times(size), year=self.grain_per_year,
            net=self.net_per_year, even=Ends(*self.even_area.in_system),
            annual_cost=self.annual_cost, area=float(self.given.area) / size,
            life=self.given.life_in_words(self.system), needed=self.needed,
            probability=self.chance, confidence=self.confidence, currency=self.currency,
            system=self.system,
        )  # fmt: skip

    @property
    def sentences(self) -> tuple[str, ...]:
        """Worth, cost and break-even area in words, in the trial's own units; the caution last."""
        told = {"currency": self.currency, "system": self.system}
        out = [words.grain_value(self.label, self.reference_label, self.grain,
                                 confidence=self.confidence, **told)]  # fmt: skip
        if self.bought:
            given, even = self.given, self.even_area
            out += [
                words.cost_and_rest(
                    self.label, area=float(given.area), life=given.life_in_words(self.system),
                    annual_cost=self.annual_cost, cost=float(given.cost_per_ha),
                    value=self.grain.value, year=self.net_per_year, needed=self.needed, **told,
                ),
                words.pays_from(
                    Ends(*even.in_system), given.wear_per_ha, self.grain.value,
                    confidence=self.confidence, **told,
                ),
            ]  # fmt: skip
        return (*out, CAUTION)

    def _repr_html_(self) -> str:
        head = words.HEADINGS["worth"].format(self.label, lower_first(self.reference_label))
        return card(head, self.sentences)


def balance(
    analysis: TrialAnalysis, factor: str | None = None, level: str | None = None, *,
    hours_per_ha: float = 0.0, time_priced: bool = True, unpriced: tuple[Comparison, ...] = (),
    **given: Unpack[Given],
) -> Balance | None:  # fmt: skip
    """The balance of one setup against the reference, as the trial states it.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor, level : str, optional
        The comparison; by default the one the trial's option is bought for, else the one of the
        first factor with the strongest evidence, as in a report's headline.
    hours_per_ha, time_priced, unpriced
        As the attributes.
    **given
        Fields of `Budget` (single numbers) in place of what the trial states.

    Returns
    -------
    Balance or None
        None when the trial states no price, or when its header loss, or the option's comparison,
        was not analysed.

    Raises
    ------
    ValueError
        When the comparison asked for is not among the contrasts.
    """
    config = analysis.trial.config
    if not config.price_per_t and not given.get("price"):
        return None
    found = comparison(analysis, "header_loss", factor, level)
    if found is None:
        return None
    own = found.distribution
    return Balance(
        found.factor, found.level, found.label, found.reference_label,
        Budget(**{**stated(config, found.bought), **given, "saved": -own.value}),
        replace(own, value=-own.value, skew=-own.skew), analysis.level, config.currency,
        config.units, found.bought, found, config.model.prior, hours_per_ha, time_priced, unpriced,
    )  # fmt: skip
