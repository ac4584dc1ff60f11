"""How many ear butts would reach the stalk rolls at a gap: what a wide gap costs.

Iowa State University (Integrated Crop Management News, 2010) says that with plates too far apart
the butt of the ear reaches the rolls and shells. No diameters of ear butts were found published,
nor how much shelling one more butt at the rolls makes: your own ears decide, and what is said here
is how many butts get there, not how many kernels that costs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from trialkit.display import card
from trialkit.errors import TrialkitError
from trialkit.responses.schema import System
from trialkit.words import ear_butts as words

SHARES = (0.01, 0.05)
"""Shares of the butts for which the gap is told."""
FEW = 20
"""Fewer ears than this are said to be few: 20 to 30 a field, as of stalks (common practice)."""
LEAST = 5
"""Ears below which no gap is computed: their spread is not known."""


@dataclass(frozen=True, slots=True)
class ButtGap:
    """The gap (mm) at which a share of butts would reach the rolls, with its interval."""

    share: float
    gap: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ButtReach:
    """Ear butts against one gap.

    Attributes
    ----------
    gap : float
        mm.
    ears, reached : int
        Ears measured, and how many of them would reach the rolls.
    share, low, high : float
        `reached` as a share, and its Wilson interval.
    mean, sd : float
        Of the diameters, mm.
    gaps : tuple of ButtGap
        For each of `SHARES`; empty with fewer than `LEAST` ears or ears all alike.
    depth : float or None
        From the plates' upper face down to the rolls or their knives, mm, where given.
    level : float
        Of the intervals.
    """

    gap: float
    ears: int
    reached: int
    share: float
    low: float
    high: float
    mean: float
    sd: float
    gaps: tuple[ButtGap, ...] = field(default=())
    depth: float | None = None
    level: float = 0.95

    def sentences(self, system: System, which: str = "") -> tuple[str, ...]:
        """What it says, in the trial's own units, with what it assumes; `which` names the gap."""
        interval = (self.low, self.high)
        said = [words.reach(self.gap, self.ears, self.reached, interval, system, which)]
        if self.ears < FEW:
            said.append(words.few_ears(self.ears))
        said += [words.gap_for_share(g.share, g.gap, g.low, g.high, system) for g in self.gaps]
        said.append(words.assumed())
        if self.depth is not None:
            said.append(words.dips(self.depth, system))
        return tuple(said)

    def __repr__(self) -> str:
        return f"ButtReach({self.reached} of {self.ears} ears at {self.gap:.1f} mm)"

    def _repr_html_(self) -> str:
        return card(words.heading(), list(self.sentences("SI")), "")


def butts_reaching(
    diameters: Any, gap: float, *, depth: float | None = None, level: float = 0.95
) -> ButtReach:
    """Share of ear butts that would reach the rolls at a gap, and the gap at which few would.

    Parameters
    ----------
    diameters : array_like
        Of ear butts, mm, widest across the kernels within 25 mm of the butt's end, husk off: the
        trial's ``ear_butts``, of one field or of fields that are cut with one setting. Missing
        ones are left out.
    gap : float
        Between the plates' edges, mm, at its widest along the plates: an ear is picked where the
        stalk happens to end, mostly in the rear third, so a rear gap that is wider decides.
    depth : float, optional
        From the plates' upper face down to the rolls or their knives, mm. Left out, a butt counts
        only where all of it passes between the plates, which is the least that reaches the rolls.
    level : float

    Returns
    -------
    ButtReach

    Raises
    ------
    TrialkitError
        Without an ear, for a gap or a depth that is not above zero, or a level not between 0 and 1.

    Notes
    -----
    A butt of diameter d passes a gap g where d < g. Held up by the plates' edges it hangs between
    them as a ball: by r - sqrt(r^2 - (g/2)^2), r = d/2. That is at least the depth D where
    d <= D + g^2 / (4 D), provided D < g/2. The share is counted, its interval Wilson's (1927).
    The gap for a share p follows from the p-quantile of a normal distribution of diameters, its
    interval from the noncentral t distribution (Hahn & Meeker, *Statistical Intervals*, 1991):
    counted ears alone cannot tell 1 % from 30 of them.
    """
    ears = np.asarray(diameters, dtype=float).ravel()
    ears = ears[~np.isnan(ears)]
    if not ears.size:
        raise TrialkitError("no ear butt was measured: fill in the table ear_butts.")
    if not gap > 0 or (depth is not None and not depth > 0):
        raise TrialkitError("gap and depth must be above zero (mm).")
    if not 0 < level < 1:
        raise TrialkitError("level must be between 0 and 1, as in 0.95.")
    reached = int((ears < widest_reaching(gap, depth)).sum())
    low, high = proportion_confint(reached, ears.size, 1 - level, method="wilson")
    sd = float(ears.std(ddof=1)) if ears.size > 1 else math.nan
    gaps: tuple[ButtGap, ...] = ()
    if ears.size >= LEAST and sd > 0:
        gaps = tuple(_gap_for(share, ears.size, ears.mean(), sd, depth, level) for share in SHARES)
    return ButtReach(float(gap), int(ears.size), reached, reached / ears.size, float(low),
                     float(high), float(ears.mean()), sd, gaps, depth, level)  # fmt: skip


def widest_reaching(gap: float, depth: float | None = None) -> float:
    """Diameter (mm) up to which a butt reaches the rolls through a gap (mm); see the notes of
    `butts_reaching`."""
    if depth is None or 2 * depth >= gap:
        return gap
    return depth + gap**2 / (4 * depth)


def gap_reaching(diameter: float, depth: float | None = None) -> float:
    """The gap (mm) from which a butt of this diameter reaches the rolls: `widest_reaching` the
    other way round."""
    if depth is None or diameter <= 2 * depth:
        return diameter
    return 2 * math.sqrt(depth * (diameter - depth))


def _gap_for(
    share: float, n: int, mean: float, sd: float, depth: float | None, level: float
) -> ButtGap:
    tail, shift = (1 - level) / 2, stats.norm.ppf(share) * math.sqrt(n)
    t = stats.nct.ppf([tail, 1 - tail], n - 1, shift) / math.sqrt(n)
    quantiles = mean + sd * np.array([stats.norm.ppf(share), *t])
    # A few very uneven ears put the lower end below nothing.
    gap, low, high = (gap_reaching(max(float(q), 0.0), depth) for q in quantiles)
    return ButtGap(share, gap, low, high)
