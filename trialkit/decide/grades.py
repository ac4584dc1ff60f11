"""US grades of corn, and price discounts for damaged kernels.

Grade limits: United States Standards for Corn, USDA Federal Grain Inspection Service,
7 CFR 810.404 (60 FR 61196, Nov. 29, 1995). The regulation's damaged kernels are ground-, weather-,
frost-, germ-, heat-, insect-damaged, mouldy, sprouted "or otherwise materially damaged", judged
after broken corn and foreign material are taken off (810.402, 810.403): clean mechanical chips
may not count, so a trial's share of mechanically damaged kernels is not a grade by itself.

Buyers set their own discounts. A schedule is a step ("5.1 to 7 %: 2.00 a tonne") or a rate per
point above a limit, each begun point in full or in proportion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from trialkit import units
from trialkit.display import card, table
from trialkit.words import discounts as words


class GradeLimits(NamedTuple):
    """Limits of one US grade: lb/bu at least, % at most."""

    grade: int
    test_weight: float
    heat_damaged: float
    damaged: float
    broken_and_foreign: float

    def _repr_html_(self) -> str:
        limits = {
            "test weight, lb/bu at least": self.test_weight,
            "heat damaged, % at most": self.heat_damaged,
            "damaged, % at most": self.damaged,
            "broken and foreign, % at most": self.broken_and_foreign,
        }
        return card(f"US grade No. {self.grade}", [], table(pd.DataFrame([limits])))


US_CORN_GRADES = (
    GradeLimits(1, 56.0, 0.1, 3.0, 2.0),
    GradeLimits(2, 54.0, 0.2, 5.0, 3.0),
    GradeLimits(3, 52.0, 0.5, 7.0, 4.0),
    GradeLimits(4, 49.0, 1.0, 10.0, 5.0),
    GradeLimits(5, 46.0, 3.0, 15.0, 7.0),
)
"""U.S. Nos. 1 to 5, 7 CFR 810.404."""


def us_corn_grade(
    damaged: float = 0.0, broken_and_foreign: float = 0.0, test_weight: float = math.inf,
    heat_damaged: float = 0.0,
) -> int | None:  # fmt: skip
    """The best US grade all given factors allow.

    Parameters
    ----------
    damaged, broken_and_foreign, heat_damaged : float
        Percent by mass; damaged is the total, heat damage included.
    test_weight : float
        lb per Winchester bushel (`units.convert` from kg/hL).

    Returns
    -------
    int or None
        1 to 5; None for U.S. Sample grade. What else makes Sample grade (stones, glass, odour,
        heating) is not looked at.
    """
    for limits in US_CORN_GRADES:
        if (
            damaged <= limits.damaged
            and broken_and_foreign <= limits.broken_and_foreign
            and test_weight >= limits.test_weight
            and heat_damaged <= limits.heat_damaged
        ):
            return limits.grade
    return None


@dataclass(frozen=True, slots=True)
class DiscountTable:
    """Price discount against percent of damaged kernels, as a buyer posts it.

    Attributes
    ----------
    bands : tuple of (float, float)
        (limit %, amount), limits rising. Kind "step": above the limit the discount is the amount.
        Kinds "point" and "prorated": above the limit each point costs the amount, on top of what
        the bands below have come to.
    kind : {"step", "point", "prorated"}
        "point" charges every begun point in full, "prorated" in proportion.
    per : {"t", "bu"}
        What the amounts are for: a tonne or a standard bushel (56 lb).
    resolution : float
        Buyers read damage to this many points (0.1), so that 5.04 % is 5.0 %; zero reads exactly.
        Not used by "prorated".
    refused_above : float
        Percent above which a load may be refused; its share is reported, its discount is what the
        bands make it.
    """

    bands: tuple[tuple[float, float], ...]
    kind: Literal["step", "point", "prorated"] = "step"
    per: Literal["t", "bu"] = "t"
    resolution: float = 0.1
    refused_above: float = math.inf

    def __post_init__(self) -> None:
        limits = [limit for limit, _ in self.bands]
        if not limits or limits != sorted(set(limits)) or limits[0] < 0 or limits[-1] >= 100:
            raise ValueError("bands need limits that rise from 0 or more to below 100 %.")
        if self.kind not in ("step", "point", "prorated") or self.per not in ("t", "bu"):
            raise ValueError("kind is 'step', 'point' or 'prorated'; per is 't' or 'bu'.")

    def _parts(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Places and sizes of the jumps, and of the changes of slope; per t."""
        size = 1.0 if self.per == "t" else float(units.price_per_bushel_to_per_tonne(1.0))
        limits = np.array([limit for limit, _ in self.bands])
        amounts = size * np.array([value for _, value in self.bands])
        none = np.empty(0)
        if self.kind == "prorated":
            return none, none, limits, np.diff(amounts, prepend=0.0)
        if self.kind == "step":
            places, jumps = limits, np.diff(amounts, prepend=0.0)
        else:
            ends = np.append(limits[1:], 100.0)
            steps = [np.arange(a, b - 1e-9) for a, b in zip(limits, ends, strict=True)]
            places = np.concatenate(steps)
            jumps = np.repeat(amounts, [len(s) for s in steps])
        return places + self.resolution / 2, jumps, none, none

    def discount(self, damaged: Any) -> Any:
        """Discount per t of one load with this percentage of damaged kernels (float or array)."""
        x = np.asarray(damaged, dtype=float)[..., None]
        places, jumps, knots, slopes = self._parts()
        out = ((x >= places) if self.resolution else (x > places)) @ jumps
        out = out + np.clip(x - knots, 0.0, None) @ slopes
        return out if out.ndim else float(out)

    def expected(self, mean: Any, sd: float = 0.0) -> np.ndarray:
        """Mean discount per t over loads whose damage has this mean and standard deviation.

        Loads follow a beta distribution on 0 to 100 %, for which the mean of a jump is a tail
        probability and that of a slope, with mean m, is
        ``E max(X - k, 0) = m P(X' > k) - k P(X > k)``, X' having one more in its first parameter.

        Parameters
        ----------
        mean : array_like, shape (n,)
            Percent, 0 to 100.
        sd : float
            Points, between loads.
        """
        mean = np.atleast_1d(np.asarray(mean, dtype=float))
        if sd == 0:
            return np.asarray(self.discount(mean))
        a, b = _beta(mean, sd)
        places, jumps, knots, slopes = self._parts()
        out = _above(a, b, places) @ jumps
        over = mean[:, None] * _above(a + 1, b, knots) - knots * _above(a, b, knots)
        return out + over @ slopes

    def share_refused(self, mean: Any, sd: float = 0.0) -> np.ndarray:
        """Share of loads above `refused_above`, for the same loads."""
        return share_above(mean, sd, min(self.refused_above, 100.0))

    def _repr_html_(self) -> str:
        amounts = f"amount per {self.per}"
        shown = pd.DataFrame(self.bands, columns=["damaged kernels above, %", amounts])
        said = [words.KINDS[self.kind], words.may_be_refused(self.refused_above)]
        return card(words.HEADINGS["table"], said, table(shown))


def share_above(mean: Any, sd: float, limit: float) -> np.ndarray:
    """Share of beta-distributed loads above a limit (%), for means of shape (n,)."""
    mean = np.atleast_1d(np.asarray(mean, dtype=float))
    if sd == 0:
        return (mean > limit).astype(float)
    return _above(*_beta(mean, sd), np.array([limit]))[:, 0]


def _beta(mean: np.ndarray, sd: float) -> tuple[np.ndarray, np.ndarray]:
    """Parameters of a beta distribution on 0..1 from mean and sd in percent."""
    m = np.clip(mean / 100.0, 1e-6, 1 - 1e-6)
    # A beta's sd stays below sqrt(m (1 - m)); far out in the tail of the means it may not fit.
    variance = np.minimum((sd / 100.0) ** 2, 0.99 * m * (1 - m))
    size = m * (1 - m) / variance - 1
    return m * size, (1 - m) * size


def _above(a: np.ndarray, b: np.ndarray, limits: np.ndarray) -> np.ndarray:
    """P(X > limit) for limits in percent: shape (means, limits)."""
    # Not betaincc: sums need no more than absolute accuracy, and it is 30 times slower in the tail.
    return 1.0 - special.betainc(a[:, None], b[:, None], np.clip(limits / 100.0, 0.0, 1.0))
