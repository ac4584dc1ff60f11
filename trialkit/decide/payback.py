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
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np
import pandas as pd

from trialkit.decide import draws
from trialkit.decide.break_even import BreakEven, break_even
from trialkit.decide.budget import Budget, Given, budget
from trialkit.decide.comparison import comparison
from trialkit.decide.cost import years_to_payback
from trialkit.decide.prior import probabilities
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.facts import Comparison, Ends, Estimate
from trialkit.words import balance as words
from trialkit.words.money import CAUTION_MORE, amount, area_unit

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
    def sentences(self) -> tuple[str, ...]:
        """The above in words; the caution last."""
        told = {"currency": self.currency, "system": self.system}
        year, area, after = (
            Ends(*map(float, self.table.loc[name, ["median", "low", "high"]]))
            for name in ("net_per_year", "net_per_ha", "years")
        )
        # A price is repaid within the option's life or not at all.
        short = after.high > self.budget.life
        return (
            words.probability_it_pays(
                self.found.label, self.found.reference_label, probability=self.probability,
                believed=self.with_prior, basis=self.basis, df=self.found.df,
                annual_cost=float(self.budget.annual_cost), cost=float(self.budget.cost_per_ha),
                **told,
            ),
            words.left_in_a_year(year, area, confidence=self.confidence, **told),
            words.repaid_after(
                after, self.confidence, self.budget.life_in_words(self.system) if short else ""
            ),
            self.area.sentence,
            self.price.sentence,
            CAUTION_MORE,
        )  # fmt: skip

    def _repr_html_(self) -> str:
        unit, size = area_unit(self.system)
        rows = {
            f"Saving, {self.currency} per {unit}": self.table.loc["saving_per_ha"] * size,
            f"Left, {self.currency} per {unit}": self.table.loc["net_per_ha"] * size,
            words.HEADINGS["year"].format(self.currency): self.table.loc["net_per_year"],
            words.HEADINGS["years"]: self.table.loc["years"],
        }
        cells = [
            (what, *(amount(row[column], places) for column in ("median", "low", "high")))
            for (what, row), places in zip(rows.items(), (2, 2, 0, 1), strict=True)
        ]
        level = f"{100 * self.confidence:g} % range"
        columns = ["", "median", f"{level} from", "to"]
        return card(
            words.HEADINGS["payback"].format(self.found.label, self.found.reference_label),
            self.sentences,
            table(pd.DataFrame(cells, columns=columns)),
        )


def _drawn(each: Budget) -> pd.DataFrame:
    """What every draw of a budget leaves. The yearly saving repays the price; what it costs to run
    the option comes off first."""
    yearly = each.saving_per_year - each.yearly_cost
    names = ("saved", "price", "area", "saving_per_ha", "net_per_ha", "net_per_year")
    columns = {name: getattr(each, name) for name in names}
    return pd.DataFrame(columns | {"years": years_to_payback(each.outlay, each.interest, yearly)})


def payback(
    analysis: TrialAnalysis,
    factor: str | None = None,
    level: str | None = None,
    *,
    basis: str = "difference",
    loss: float | None = None,
    n: int = draws.N_DRAWS,
    seed: int = 1,
    **given: Unpack[Given],
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
    **given
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
    stated = budget(analysis, found.factor, found.level, **given)
    drawn = _inputs(stated, p)
    each = replace(stated, saved=saved.draw(p[:, 0]), **drawn)
    prior, with_prior = analysis.trial.config.model.prior, None
    if prior is not None and found.log_ratio is not None:
        believed = saved.draw(probabilities(found.log_ratio, prior, p[:, 0]))
        held = replace(stated, saved=believed, **drawn)
        with_prior = float((held.net_per_year > 0).mean())
    means = {name: float(values.mean()) for name, values in drawn.items()}
    middle = replace(stated, saved=saved.value, **means)
    frame = _drawn(each)
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


def _inputs(stated: Budget, p: np.ndarray) -> dict[str, Any]:
    """Draws of what is uncertain beside the grain kept, at the probabilities `p`, shape (n, k)."""
    drawn: dict[str, Any] = {}
    for column, name in enumerate(_UNCERTAIN, start=1):
        value = getattr(stated, name)
        whole = np.ndim(value) == 1 and len(value) == len(p)
        no_life = np.ndim(value) == 0 and math.isinf(value) and name in ("life_area", "years")
        if whole or no_life:
            drawn[name] = np.broadcast_to(np.asarray(value, dtype=float), len(p))
        else:
            drawn[name] = draws.spread(value, p[:, column])
    if min(drawn["area"].min(), drawn["price"].min()) <= 0:
        raise ValueError("price and area must be above zero.")
    return drawn


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
        return _Saved(found.distribution, None)
    if basis != "ratio":
        raise ValueError(f"basis is 'difference' or 'ratio', not {basis!r}.")
    if loss is None or not loss > 0:
        raise ValueError("basis='ratio' needs the loss (kg/ha) it is carried over to, above zero.")
    if found.log_ratio is None:
        raise DesignError(
            "A mean loss is too near zero to carry a ratio; use the difference instead."
        )
    return _Saved(found.log_ratio, loss)
