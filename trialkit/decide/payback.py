"""Whether an option pays, carried from the model's uncertainty to money.

The grain kept is drawn from the t distribution behind the printed interval, with a width of its own
to either side: either of the difference in kg/ha or, to carry the setup's *ratio* over to ground
that loses more or less than the trial did, of the logarithm of the ratio, times the loss the user
states (``saved = loss x (1 - ratio)``). Draws are a Latin hypercube over the estimate, price, area
and what else is given as a range. Break-even area and price come from the interval of the
difference itself, not from draws. Probabilities are those of the confidence distribution, so that a
"95 % range" and a printed interval agree; they suppose no setup more believable than another.
Where the trial states what was believed before, the chance with that stands beside it (`prior`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.decide import draws
from trialkit.decide.break_even import BreakEven, break_even
from trialkit.decide.budget import Budget, budget
from trialkit.decide.comparison import Comparison, Estimate, comparison
from trialkit.decide.cost import HECTARES_PER_ACRE, years_to_payback
from trialkit.decide.prior import probabilities
from trialkit.decide.words import CAUTION_MORE, EQUALLY, amount, area_unit, percent, whole_places
from trialkit.display import card, table
from trialkit.errors import DesignError

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis

_UNCERTAIN = ("price", "area", "running_cost", "discount_avoided", "time_cost", "life_area",
              "years", "repair", "change_cost")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Payback:
    """Distribution of what an option leaves in a year.

    Attributes
    ----------
    found : Comparison
        Of the header loss, kg/ha.
    budget : Budget
        At the estimate and the means of all ranges.
    draws : DataFrame
        One row a draw: ``saved`` (kg/ha), ``price`` (per t), ``area`` (ha), ``saving_per_ha``,
        ``net_per_ha``, ``net_per_year``, ``years`` (to repay the price with interest).
    table : DataFrame
        Index ``saving_per_ha, net_per_ha, net_per_year, years``; ``median, low, high``.
    probability : float
        That the saving exceeds the annual cost, by the trial alone.
    with_prior : float or None
        The same with what was believed before the trial; None where nothing was said, or the ratio
        of losses is not known.
    area, price : BreakEven
        At which it does, with their intervals.
    basis : {"difference", "ratio"}
    confidence : float
    currency, system : str
    """

    found: Comparison
    budget: Budget
    draws: pd.DataFrame
    table: pd.DataFrame
    probability: float
    with_prior: float | None
    area: BreakEven
    price: BreakEven
    basis: str
    confidence: float
    currency: str
    system: str

    @property
    def table_per_ac(self) -> pd.DataFrame:
        """`table` with what is per ha turned into per acre."""
        out = self.table.copy()
        out.loc[["saving_per_ha", "net_per_ha"]] *= HECTARES_PER_ACRE
        return out.rename({"saving_per_ha": "saving_per_ac", "net_per_ha": "net_per_ac"})

    @property
    def sentences(self) -> tuple[str, ...]:
        """The above in words; the caution last."""
        unit, size = area_unit(self.system)
        level = f"{100 * self.confidence:g} %"
        year, area = self.table.loc["net_per_year"], self.table.loc["net_per_ha"] * size
        years = self.table.loc["years"]
        whole = whole_places(*year[["median", "low", "high"]])
        scale = (
            "the difference in loss follows a t distribution"
            if self.basis == "difference"
            else "the logarithm of the ratio of losses follows a t distribution"
        )
        if np.isfinite(years["median"]):
            latest = (
                f"{amount(years['low'], 1)} to {amount(years['high'], 1)}"
                if np.isfinite(years["high"])
                else f"from {amount(years['low'], 1)} with no upper limit"
            )
            repaid = (
                f"The price is repaid with interest after {amount(years['median'], 1)} years "
                f"({level} range {latest}){self._life(float(years['high']))}."
            )
        else:
            repaid = "At the median the saving does not repay the price in any number of years."
        return (
            f"{self.found.label} against {self.found.reference_label}: the probability that the "
            f"saving exceeds the yearly cost of {self.currency} "
            f"{amount(float(self.budget.annual_cost), 0)} ({self.currency} "
            f"{amount(float(self.budget.cost_per_ha) * size)} per {unit}) is "
            f"{percent(self.probability)} ({scale}, "
            f"{self.found.difference.df:.0f} degrees of freedom), {EQUALLY}{self._believed()}.",
            f"Left in a year: median {self.currency} {amount(year['median'], whole)} "
            f"({level} range {amount(year['low'], whole)} to {amount(year['high'], whole)}), "
            f"{self.currency} {amount(area['median'])} per {unit} ({amount(area['low'])} to "
            f"{amount(area['high'])}).",
            repaid,
            self.area.sentence,
            self.price.sentence,
            CAUTION_MORE,
        )

    def _believed(self) -> str:
        if self.with_prior is None:
            return ""
        return f"; with what was believed before it is {percent(self.with_prior)}"

    def _life(self, latest: float) -> str:
        """That a price is repaid within the option's life or not at all."""
        if latest <= self.budget.life:
            return ""
        return f"; it is taken to last {self.budget.life_in_words(self.system)}"

    def _repr_html_(self) -> str:
        unit, size = area_unit(self.system)
        rows = {
            f"Saving, {self.currency} per {unit}": self.table.loc["saving_per_ha"] * size,
            f"Left, {self.currency} per {unit}": self.table.loc["net_per_ha"] * size,
            f"Left in a year, {self.currency}": self.table.loc["net_per_year"],
            "Years to repay the price": self.table.loc["years"],
        }
        cells = [
            (what, *(amount(row[column], places) for column in ("median", "low", "high")))
            for (what, row), places in zip(rows.items(), (2, 2, 0, 1), strict=True)
        ]
        level = f"{100 * self.confidence:g} % range"
        columns = ["", "median", f"{level} from", "to"]
        return card(
            f"Does it pay: {self.found.label} against {self.found.reference_label}",
            self.sentences,
            table(pd.DataFrame(cells, columns=columns)),
        )


def payback(
    analysis: TrialAnalysis,
    factor: str | None = None,
    level: str | None = None,
    *,
    basis: str = "difference",
    loss: float | None = None,
    n: int = draws.N_DRAWS,
    seed: int = 1,
    **changes: Any,
) -> Payback:
    """Probability that an option pays, and how much it may leave.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor, level : str, optional
        As in `comparison`.
    basis : {"difference", "ratio"}
        Whether the trial's difference (kg/ha) or its ratio is carried over.
    loss : float, optional
        Header loss with the reference setup where the option will be used, kg/ha; needed for
        "ratio".
    n, seed : int
        Draws and their seed.
    **changes
        Fields of `Budget`. ``price``, ``area``, ``running_cost``, ``discount_avoided``,
        ``time_cost``, ``life_area``, ``years``, ``repair`` and ``change_cost`` may be a range:
        (low, high) is uniform, (low, likeliest, high) triangular, more numbers are equally
        likely. An array of `n` draws for ``discount_avoided``
        (`Discount.draws_per_ha`) is used as it stands.

    Raises
    ------
    DesignError
        When the header loss was not analysed for this comparison, a number is missing, or the
        ratio is not known.
    ValueError
        For an unknown basis, a missing or useless `loss`, a range that does not rise.
    """
    found = comparison(analysis, "header_loss", factor, level)
    if found is None:
        reason = analysis.skipped.get("header_loss", "")
        raise DesignError(f"Header loss was not analysed for this comparison. {reason}".strip())
    saved = _saved(found, basis, loss)
    p = draws.uniforms(n, 1 + len(_UNCERTAIN), seed)
    stated = budget(analysis, found.factor, found.level, **changes)
    drawn: dict[str, Any] = {}
    for column, name in enumerate(_UNCERTAIN, start=1):
        given = getattr(stated, name)
        whole = np.ndim(given) == 1 and len(given) == n
        no_life = np.ndim(given) == 0 and math.isinf(given) and name in ("life_area", "years")
        if whole or no_life:
            drawn[name] = np.broadcast_to(np.asarray(given, dtype=float), n)
        else:
            drawn[name] = draws.spread(given, p[:, column])
    if min(drawn["area"].min(), drawn["price"].min()) <= 0:
        raise ValueError("price and area must be above zero.")
    each = replace(stated, saved=saved.draw(p[:, 0]), **drawn)
    prior, with_prior = analysis.trial.config.model.prior, None
    if prior is not None and found.log_ratio is not None:
        believed = saved.draw(probabilities(found.log_ratio, prior, p[:, 0]))
        held = replace(stated, saved=believed, **drawn)
        with_prior = float((held.net_per_year > 0).mean())
    means = {name: float(values.mean()) for name, values in drawn.items()}
    middle = replace(stated, saved=saved.value, **means)
    # The yearly saving repays the price; what it costs to run the option comes off first.
    yearly = each.saving_per_year - each.yearly_cost
    frame = pd.DataFrame(
        {
            "saved": each.saved,
            "price": each.price,
            "area": each.area,
            "saving_per_ha": each.saving_per_ha,
            "net_per_ha": each.net_per_ha,
            "net_per_year": each.net_per_year,
            "years": years_to_payback(each.outlay, each.interest, yearly),
        }
    )
    names = ["saving_per_ha", "net_per_ha", "net_per_year", "years"]
    table = pd.DataFrame(
        [draws.summary(frame[name].to_numpy(), analysis.level) for name in names],
        index=names,
        columns=["median", "low", "high"],
    )
    config = analysis.trial.config
    interval = saved.interval(analysis.level)
    area, price = (
        break_even(middle, what, interval, analysis.level, config.currency, config.units)
        for what in ("area", "price")
    )
    return Payback(
        found=found,
        budget=middle,
        draws=frame,
        table=table,
        probability=float((frame["net_per_year"] > 0).mean()),
        with_prior=with_prior,
        area=area,
        price=price,
        basis=basis,
        confidence=analysis.level,
        currency=config.currency,
        system=config.units,
    )


@dataclass(frozen=True, slots=True)
class _Saved:
    """Grain kept: minus the difference, or a stated loss times one less the ratio."""

    estimate: Estimate
    loss: float | None

    @property
    def value(self) -> float:
        return float(self._of(self.estimate.value))

    def draw(self, p: np.ndarray) -> np.ndarray:
        return np.asarray(self._of(self.estimate.quantile(p)))

    def interval(self, level: float) -> tuple[float, float]:
        low, high = (float(self._of(end)) for end in self.estimate.interval(level))
        return high, low

    def _of(self, x: Any) -> Any:
        return -x if self.loss is None else self.loss * -np.expm1(x)


def _saved(found: Comparison, basis: str, loss: float | None) -> _Saved:
    if basis == "difference":
        if loss is not None:
            raise ValueError("loss is used by basis='ratio' only.")
        return _Saved(found.difference, None)
    if basis != "ratio":
        raise ValueError(f"basis is 'difference' or 'ratio', not {basis!r}.")
    if loss is None or not loss > 0:
        raise ValueError("basis='ratio' needs the loss (kg/ha) it is carried over to, above zero.")
    if found.log_ratio is None:
        raise DesignError(
            "A mean loss is too near zero to carry a ratio; use the difference instead."
        )
    return _Saved(found.log_ratio, loss)
