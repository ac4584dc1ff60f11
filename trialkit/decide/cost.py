"""Cost of an option in a year by capital recovery, and the area at which a saving covers it.

Salvage value is nil unless given::

    cost per year = (price - salvage) x CRF + salvage x i,   CRF = i (1 + i)^n / ((1 + i)^n - 1)

(Iowa State University Extension, Ag Decision Maker A3-29; ASABE EP496).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from trialkit import units

HECTARES_PER_ACRE = units.SQUARE_METRES_PER_ACRE / units.SQUARE_METRES_PER_HECTARE


def capital_recovery_factor(interest: float, years: float) -> float:
    """Yearly payment that recovers a unit of capital with interest.

    Parameters
    ----------
    interest : float
        Rate per year as a fraction; zero gives straight-line 1 / years.
    years : float
        Life, above zero.

    Raises
    ------
    ValueError
        For a life that is not above zero.
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


def years_to_payback(price: float, interest: float, saved_per_year: Any) -> Any:
    """Years of use until a yearly saving has repaid the price with interest.

    The number of payments of an annuity, ``-ln(1 - price i / saving) / ln(1 + i)``; without
    interest price over saving. Salvage takes no part.

    Parameters
    ----------
    price : float
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
