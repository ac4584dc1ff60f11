"""Frame counts far from the others of their strip: more often a slip of the pen than a finding.

Within a zone counts are taken as Poisson about density times area, the logarithm of density as
the zone's mean plus an effect of the strip plus one of the frame. Both spreads are the trial's own,
by moments: with y and z counts of two frames of one strip, ``E[y z]`` and ``E[y (y - 1)]`` per area
squared differ by the factor ``exp(s2)`` of the frame's variance s2, and ``E[y z]`` from the squared
mean by that of the strip's. A count's p-value is its two-sided tail given all other counts of
its strip and zone: the strip's density has the posterior that those give it, integrated
numerically; the frame's effect follows t, not the normal distribution, for the spread is estimated
and counts in fields have longer tails than a model.

A trial's worst counts are taken out one at a time, each judged by spreads estimated without it and
without those before it, and all up to the last that is significant are told: several slips must not
hide one another (the sequential rule of Rosner, Technometrics 25:165-172, 1983). The level is
`ALPHA` over all frames of the trial together (Bonferroni). Of 200 simulated trials without a slip
drawn like each of the demo trials, 7, 5 and 3 had a count told. Of 60 slips each, 110 kernels for
11 behind the header were found in 59, 27 and 40, a count there ten times too high in 59, 51 and 55,
and 20 to 40 kernels for 2 to 4 in standing corn, where a strip has two frames and usual counts are
5 to 7, in 22, 11 and 4: what chance does now and then cannot be told from a slip.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from trialkit.contradictions.areas import far_areas

ALPHA = 0.03
"""Chance that a trial without a slip has a count told, by the model (this project's choice)."""
LEAST = 6
"""Frames that a zone must have to be judged."""
MOST = 10
"""Counts taken out of a zone at most; one in twenty of its frames, where that is fewer."""
FLOOR = 0.2
"""Least standard deviation on the log scale between strips, and between frames."""
LARGEST_DF = 30
"""Degrees of freedom of the frame's effect at most."""
_CANDIDATES = 200
_TRIED = 2
_OTHERS = 30

_Floats = np.ndarray


@dataclass(frozen=True, slots=True)
class _Spread:
    mean: float
    strip: float
    frame: float


def far_counts(frames: pd.DataFrame, alpha: float = ALPHA) -> pd.DataFrame:
    """Counts of kernels far from the others of their strip and zone.

    Frames whose area is far from what is usual in their zone (`far_areas`) are not judged.

    Parameters
    ----------
    frames : DataFrame
        ``strip, frame, zone, area`` (m2), ``loose_kernels``.
    alpha : float
        Level over all frames together.

    Returns
    -------
    DataFrame
        One row per such frame, in the table's order: ``row`` (label of the frames' index), ``strip,
        frame, zone, kernels, expected`` (kernels, the geometric mean of what the others say),
        ``others`` (tuple of the counts of the strip's other frames of the zone), ``p``.
    """
    known = frames[["strip", "frame", "zone", "area", "loose_kernels"]]
    known = known[known["loose_kernels"].notna() & known["area"].gt(0) & far_areas(known).isna()]
    strips = pd.factorize(known["strip"])[0]
    found: list[tuple[object, ...]] = []
    for zone, rows in known.groupby("zone", sort=False).indices.items():
        own = known.iloc[rows]
        judge = _Zone(own, strips[rows])
        for at, p, expected in judge.far(alpha / len(known)):
            row = own.iloc[at]
            others = tuple(int(v) for v in judge.y[judge.all_beside(at)])
            found.append(
                (own.index[at], row["strip"], row["frame"], zone, int(row["loose_kernels"]),
                 expected, others, p)
            )  # fmt: skip
    columns = ["row", "strip", "frame", "zone", "kernels", "expected", "others", "p"]
    return pd.DataFrame(found, columns=columns).sort_values("row", ignore_index=True)


class _Zone:
    """The frames of one zone, as arrays; some of them taken out."""

    def __init__(self, frames: pd.DataFrame, strip: np.ndarray) -> None:
        self.y = frames["loose_kernels"].to_numpy(dtype=float)
        self.a = frames["area"].to_numpy(dtype=float)
        self.strip = strip
        self.n = len(self.y)
        self.kept = np.ones(self.n, dtype=bool)
        size = int(self.strip.max()) + 1
        self.count, self.kernels, self.area, self.squared, self.areas = (
            np.bincount(self.strip, weights, size)
            for weights in (None, self.y, self.a, self.y**2, self.a**2)
        )

    def take_out(self, at: int) -> None:
        """Leave a frame out of every sum."""
        self.kept[at] = False
        strip, y, a = self.strip[at], self.y[at], self.a[at]
        for sums, value in ((self.count, 1), (self.kernels, y), (self.area, a),
                            (self.squared, y * y), (self.areas, a * a)):  # fmt: skip
            sums[strip] -= value

    def all_beside(self, at: int) -> _Floats:
        """The other frames of its strip, those taken out among them."""
        own = np.flatnonzero(self.strip == self.strip[at])
        return own[own != at]

    def beside(self, at: int) -> _Floats:
        """The other frames of its strip that are not taken out."""
        own = np.flatnonzero((self.strip == self.strip[at]) & self.kept)
        return own[own != at]

    def far(self, limit: float) -> list[tuple[int, float, float]]:
        """Frames whose p is below `limit` by the sequential rule, with p and expected count."""
        if self.n < LEAST:
            return []
        most = int(min(MOST, max(1, self.n // 20)))
        out: list[tuple[int, float, float]] = []
        last = 0
        pool = np.arange(self.n)
        for _ in range(most):
            score = np.abs(self._scores(pool, self._spread()))
            score[~self.kept[pool]] = -1.0
            if len(pool) > _CANDIDATES:
                chosen = np.argpartition(score, -_CANDIDATES)[-_CANDIDATES:]
                pool, score = pool[chosen], score[chosen]
            first = pool[np.argsort(score)[::-1][:_TRIED]]
            judged = [(*self._p(int(at)), int(at)) for at in first if self.kept[at]]
            if not judged:
                break
            p, expected, at = min(judged)
            out.append((at, p, expected))
            self.take_out(at)
            if p < limit:
                last = len(out)
        return out[:last]

    def _spread(self, without: int | None = None) -> _Spread:
        """Mean and standard deviations on the log scale, of what is not taken out."""
        kernels, area = self.kernels.sum(), self.area.sum()
        falling = (self.squared - self.kernels).sum()
        areas, paired = self.areas.sum(), (self.kernels**2 - self.squared).sum()
        crossed = (self.area**2 - self.areas).sum()
        if without is not None:
            y, a, strip = self.y[without], self.a[without], self.strip[without]
            kernels, area = kernels - y, area - a
            falling, areas = falling - y * (y - 1), areas - a * a
            paired -= 2 * y * (self.kernels[strip] - y)
            crossed -= 2 * a * (self.area[strip] - a)
        rate = max(kernels, 0.5) / area
        of_frames = max(falling, 0.0) / (areas * rate**2)
        of_strips = max(paired, 0.0) / (crossed * rate**2) if crossed > 1e-9 else of_frames
        strip = np.log(max(of_strips, 1.0))
        frame = np.log(max(of_frames / max(of_strips, 1e-9), 1.0)) if of_strips > 0 else strip
        mean = np.log(rate) - (strip + frame) / 2
        return _Spread(float(mean), *(max(float(np.sqrt(v)), FLOOR) for v in (strip, frame)))

    def _scores(self, at: _Floats, spread: _Spread) -> _Floats:
        """About how many standard deviations each frame lies from what its strip and zone say."""
        strip, y, a = self.strip[at], self.y[at], self.a[at]
        own = self.kept[at]
        others = self.kernels[strip] - np.where(own, y, 0.0)
        area = self.area[strip] - np.where(own, a, 0.0)
        n = self.count[strip] - own
        with np.errstate(divide="ignore", invalid="ignore"):
            weight = np.where(n > 0, 1 / (1 / (others + 0.5) + spread.frame**2 / n), 0.0)
            read = np.where(n > 0, np.log((others + 0.5) / area), 0.0)
        prior = 1 / spread.strip**2
        mean = (prior * spread.mean + weight * read) / (prior + weight)
        of_count = 1 / (np.exp(mean) * a + 0.5)
        variance = 1 / (prior + weight) + spread.frame**2 + of_count
        scores: _Floats = (np.log((y + 0.5) / a) - mean) / np.sqrt(variance)
        return scores

    def _p(self, at: int) -> tuple[float, float]:
        """Two-sided tail of a frame's count given the others, and the count expected."""
        spread = self._spread(without=at)
        beside = self.beside(at)[:_OTHERS]
        df = min(max(int(self.kept.sum()) - 2, 3), LARGEST_DF)
        effect, weight = _nodes(spread.frame, df)
        reach = spread.mean + spread.strip * np.linspace(-6, 6, 61)
        if len(beside):
            read = np.log((self.y[beside].sum() + 0.5) / self.a[beside].sum())
            reach = np.unique(np.concatenate([reach, read + np.linspace(-3, 3, 61)]))
        step = np.gradient(reach)
        log_weight = np.log(step) - ((reach - spread.mean) / spread.strip) ** 2 / 2
        for y, a in zip(self.y[beside], self.a[beside], strict=True):
            eta = reach[:, None] + effect + np.log(a)
            log_likelihood = y * eta - np.exp(eta)
            top = log_likelihood.max(axis=1)
            log_weight += top + np.log(np.exp(log_likelihood - top[:, None]) @ weight)
        posterior = np.exp(log_weight - log_weight.max())
        posterior /= posterior.sum()
        rate = np.exp(reach[:, None] + effect + np.log(self.a[at]))
        y = self.y[at]
        above = special.gammainc(y, rate) if y > 0 else np.ones_like(rate)
        below = special.gammaincc(y + 1, rate)
        tails = [float(posterior @ (side @ weight)) for side in (above, below)]
        middle = float(np.exp(posterior @ reach) * self.a[at])
        return min(1.0, 2 * min(tails)), middle


def _nodes(sd: float, df: int) -> tuple[_Floats, _Floats]:
    """Values and weights of a frame's effect, ``sd`` times t."""
    at = np.linspace(-12, 12, 73)
    weight = (1 + at**2 / df) ** (-(df + 1) / 2)  # its density but for a constant
    return sd * at, weight / weight.sum()
