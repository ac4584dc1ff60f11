"""Cost of an option in a year by capital recovery, and the area at which a saving covers it.

Salvage value is nil unless given::

    cost per year = (price - salvage) x CRF + salvage x i,   CRF = i (1 + i)^n / ((1 + i)^n - 1)

(Iowa State University Extension, Ag Decision Maker A3-29; ASABE EP496).

What wears by the area ends its life after ``n = min(years, life area / area a year)`` years. Above
``life area / years`` a year the cost per area then falls no more towards nothing but towards the
`wear_per_area`: with ``r = ln(1 + i)``, ``x = n r`` and price P, cost per area is ``P / life area``
times ``i / r`` times ``x / (1 - exp(-x))``, which falls to ``P i / (r life area)`` as the area
grows. It falls throughout, so that a saving covers the cost from one area on or on none.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from trialkit.units import HECTARES_PER_ACRE as HECTARES_PER_ACRE


def capital_recovery_factor(interest: float, years: Any) -> Any:
    """Yearly payment that recovers a unit of capital with interest.

    Parameters
    ----------
    interest : float
        Rate per year as a fraction; zero gives straight-line 1 / years.
    years : float or array_like
        Life, above zero, whole or not; infinite where nothing is used up.

    Raises
    ------
    ValueError
        For a life that is not above zero.
    """
    life = np.asarray(years, dtype=float)
    if not (life > 0).all():
        raise ValueError("years must be above zero.")
    out = 1.0 / life if interest == 0 else interest / -np.expm1(-life * math.log1p(interest))
    return out if out.ndim else float(out)


def life_in_years(years: Any, life_area: Any, area: Any) -> Any:
    """Years an option lasts at `area` a year: `years`, or the life in area where that ends first.

    Parameters
    ----------
    years, life_area, area : float or array_like
        The last two in one unit; an infinite life is none.
    """
    out = np.minimum(years, np.asarray(life_area, dtype=float) / area)
    return out if out.ndim else float(out)


def wear_per_area(price: float, life_area: float, interest: float, salvage: float = 0.0) -> float:
    """Cost per area that no area a year lowers; zero for a life in years alone.

    The limit of the capital recovered per area as the area a year grows (see the module).
    """
    rate = 1.0 if interest == 0 else interest / math.log1p(interest)
    return (price - salvage) * rate / life_area


def annual_cost(price: Any, years: Any, interest: float, salvage: float = 0.0) -> Any:
    """Cost per year of an option bought at `price`, in its currency."""
    return (price - salvage) * capital_recovery_factor(interest, years) + salvage * interest


def break_even_area(cost_per_year: float, value_per_area: float) -> float:
    """Area a year at which the value saved equals the cost; infinite where nothing is saved."""
    return cost_per_year / value_per_area if value_per_area > 0 else math.inf


def years_to_payback(price: Any, interest: float, saved_per_year: Any) -> Any:
    """Years of use until a yearly saving has repaid the price with interest.

    The number of payments of an annuity, ``-ln(1 - price i / saving) / ln(1 + i)``; without
    interest price over saving. Salvage takes no part.

    Parameters
    ----------
    price : float or array_like
    interest : float
        Rate per year as a fraction, zero or more.
    saved_per_year : float or array_like
        Saving a year net of running costs, the price not among them.

    Returns
    -------
    float or ndarray
        Infinite where the saving does not even cover the interest.
    """
    saved = np.asarray(saved_per_year, dtype=float)
    with np.errstate(all="ignore"):
        share = price * interest / saved
        years = price / saved if interest == 0 else -np.log1p(-share) / np.log1p(interest)
    out = np.where((saved > 0) & (share < 1), years, np.inf)
    return out if out.ndim else float(out)
