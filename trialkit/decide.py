"""What a setup's saving of grain is worth, and whether the option that gives it pays.

Annual cost of an option by capital recovery, salvage value nil unless given::

    cost per year = (price - salvage) x CRF + salvage x i,   CRF = i (1 + i)^n / ((1 + i)^n - 1)

(Iowa State University Extension, Ag Decision Maker A3-29; ASABE EP496). Break-even area is that
cost over the value saved per area. Prices are net of drying, hauling and shrink if the user makes
them so.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit import units

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis import TrialAnalysis

CAUTION = (
    "An aid to a decision, not a guarantee: it carries this trial's losses over to other fields, "
    "seasons and prices, and counts grain loss only: not time, fuel, grade discounts or upkeep."
)


def capital_recovery_factor(interest: float, years: float) -> float:
    """Yearly payment that recovers a unit of capital with interest.

    Parameters
    ----------
    interest : float
        Rate per year as a fraction; zero gives straight-line 1 / years.
    years : float
        Life, above zero.
    """
    if years <= 0:
        raise ValueError("years must be above zero.")
    if interest == 0:
        return 1.0 / years
    return interest / -math.expm1(-years * math.log1p(interest))


def annual_cost(price: float, years: float, interest: float, salvage: float = 0.0) -> float:
    """Cost per year of an option bought at `price`, in its currency."""
    return (price - salvage) * capital_recovery_factor(interest, years) + salvage * interest


def break_even_area(cost_per_year: float, value_per_area: float) -> float:
    """Area a year at which the value saved equals the cost; infinite where nothing is saved."""
    return cost_per_year / value_per_area if value_per_area > 0 else math.inf


@dataclass(frozen=True, slots=True)
class Money:
    """Value of the grain one setup saves against another, and the cost of having it.

    Attributes
    ----------
    factor, level, reference, label : str
        The comparison: `level` against `reference`, `label` names the level.
    currency : str
    price_per_t, price_per_bu : float
        Price of grain.
    confidence : float
        Level of the intervals below, 0.95 unless told otherwise.
    value_per_ha, value_per_ha_low, value_per_ha_high : float
        Value saved per ha (negative where the level loses more); ``_per_ac`` the same per acre.
    annual_cost : float or None
        Cost per year; None where the trial states no option, or one for another setup.
    area_per_year : float or None
        The user's harvested area (ha a year).
    cost_per_ha, cost_per_ac : float or None
        Annual cost over that area.
    break_even_ha, break_even_ha_low, break_even_ha_high : float or None
        Area a year (ha) at which it pays: for the estimate, and for the high and the low
        end of the value saved; infinite where nothing is saved. ``_ac`` the same in acres.
    sentences : tuple of str
        The above in words, the caution last.
    """

    factor: str
    level: str
    reference: str
    label: str
    currency: str
    price_per_t: float
    price_per_bu: float
    confidence: float
    value_per_ha: float
    value_per_ha_low: float
    value_per_ha_high: float
    value_per_ac: float
    value_per_ac_low: float
    value_per_ac_high: float
    annual_cost: float | None
    area_per_year: float | None
    cost_per_ha: float | None
    cost_per_ac: float | None
    break_even_ha: float | None
    break_even_ha_low: float | None
    break_even_ha_high: float | None
    break_even_ac: float | None
    break_even_ac_low: float | None
    break_even_ac_high: float | None
    sentences: tuple[str, ...]

    def _repr_html_(self) -> str:
        return "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)


def money(
    analysis: TrialAnalysis, factor: str | None = None, level: str | None = None
) -> Money | None:
    """Value of the header loss saved by one setup against the reference.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor, level : str, optional
        The comparison; by default the one the trial's option is bought for, else the first.

    Returns
    -------
    Money or None
        None when the trial states no price or its header loss was not analysed.

    Raises
    ------
    ValueError
        When the comparison asked for is not among the contrasts.
    """
    config = analysis.trial.config
    result = analysis.responses.get("header_loss")
    if result is None or config.price_per_t is None:
        return None
    option = config.option
    asked = factor is not None or level is not None
    table = result.contrasts
    if not asked and option is not None:
        factor, level = option.factor, option.level
    if factor is not None:
        table = table[table["factor"] == factor]
    if level is not None:
        table = table[table["level"] == level]
    if table.empty:
        if not asked:
            return None
        known = ", ".join(
            f"{f}: {v}"
            for f, v in zip(result.contrasts["factor"], result.contrasts["level"], strict=True)
        )
        raise ValueError(f"no contrast for {factor}, {level}; the analysis has {known}.")
    row = table.iloc[0]
    bought = option is not None and (option.factor, option.level) == (row["factor"], row["level"])
    return _money(row, analysis, bought)


def _money(row: pd.Series, analysis: TrialAnalysis, bought: bool) -> Money:
    config = analysis.trial.config
    price = config.price_per_t
    assert price is not None
    hectares_per_acre = float(units.convert(1.0, "ac", "ha"))
    per_ha = [
        -float(row[c]) * price / 1000.0 for c in ("difference", "difference_high", "difference_low")
    ]
    per_ac = [value * hectares_per_acre for value in per_ha]
    cost = area = cost_ha = None
    even: list[float | None] = [None, None, None]
    if bought and config.option is not None:
        option = config.option
        cost, area = annual_cost(option.cost, option.life_years, option.interest), None
        even = [break_even_area(cost, value) for value in (per_ha[0], per_ha[2], per_ha[1])]
        if option.area_per_year:
            area = option.area_per_year
            cost_ha = cost / area
    even_ac = [None if e is None else e / hectares_per_acre for e in even]
    confidence = analysis.level
    us = config.units == "US"
    sentences = _sentences(
        str(row["label"]),
        config.currency,
        "ac" if us else "ha",
        confidence,
        per_ac if us else per_ha,
        cost,
        even_ac if us else even,
        None if area is None else (area / hectares_per_acre if us else area),
    )
    return Money(
        factor=str(row["factor"]),
        level=str(row["level"]),
        reference=str(row["reference"]),
        label=str(row["label"]),
        currency=config.currency,
        price_per_t=price,
        price_per_bu=units.price_per_tonne_to_per_bushel(price),
        confidence=confidence,
        value_per_ha=per_ha[0],
        value_per_ha_low=per_ha[1],
        value_per_ha_high=per_ha[2],
        value_per_ac=per_ac[0],
        value_per_ac_low=per_ac[1],
        value_per_ac_high=per_ac[2],
        annual_cost=cost,
        area_per_year=area,
        cost_per_ha=cost_ha,
        cost_per_ac=None if cost_ha is None else cost_ha * hectares_per_acre,
        break_even_ha=even[0],
        break_even_ha_low=even[1],
        break_even_ha_high=even[2],
        break_even_ac=even_ac[0],
        break_even_ac_low=even_ac[1],
        break_even_ac_high=even_ac[2],
        sentences=sentences,
    )


def _sentences(
    label: str,
    currency: str,
    area_unit: str,
    confidence: float,
    value: list[float],
    cost: float | None,
    even: list[float | None],
    area: float | None,
) -> tuple[str, ...]:
    out = [
        f"{label}: grain worth {currency} {value[0]:.2f} saved per {area_unit} "
        f"({confidence:.0%} interval {value[1]:.2f} to {value[2]:.2f})."
    ]
    if cost is not None and even[0] is not None:
        paid = f"The option costs {currency} {cost:,.0f} a year"
        if math.isinf(even[0]):
            out.append(f"{paid}; the estimate shows no saving to pay for it.")
        else:
            low, high = even[1], even[2]
            assert low is not None and high is not None
            span = f"at least {low:,.0f}" if math.isinf(high) else f"{low:,.0f} to {high:,.0f}"
            out.append(
                f"{paid}; the saving pays for it from {even[0]:,.0f} {area_unit} a year "
                f"({span} {area_unit})."
            )
        if area:
            net = value[0] - cost / area
            out.append(
                f"On {area:,.0f} {area_unit} a year it costs {currency} {cost / area:.2f} per "
                f"{area_unit}, {currency} {abs(net):.2f} {'less' if net >= 0 else 'more'} than "
                f"the grain it saves is estimated to be worth."
            )
    out.append(CAUTION)
    return tuple(out)
