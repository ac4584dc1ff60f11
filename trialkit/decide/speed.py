"""The ground speed at which loss and time together cost least.

Cost per ha at speed s, with loss L(s) in kg/ha, grain price p per t, cost per hour h, width w in m
and field efficiency E::

    cost(s) = p L(s) / 1000 + 10 h / (s w E)

The best speed is found on the curve and on every draw of its coefficients, never outside the speeds
the curve is known between. Where it lies at an end, a better one may lie beyond.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from trialkit import units
from trialkit.decide import draws
from trialkit.decide.capacity import field_capacity
from trialkit.decide.loss_curve import LossCurve
from trialkit.display import card, table
from trialkit.facts import Ends
from trialkit.words import ground_speed as words
from trialkit.words.money import CAUTION_MORE, System, area_unit

N_DRAWS = 4_000
N_SPEEDS = 201


@dataclass(frozen=True, slots=True)
class SpeedChoice:
    """Cost against ground speed, the cheapest speed and how much it matters.

    Attributes
    ----------
    table : DataFrame
        ``speed`` (km/h), ``loss`` (kg/ha), ``loss_cost, time_cost, total`` (per ha), ``low, high``
        (interval of the total at that speed), ``above_best`` (total less that of the best speed),
        ``near_best`` (probability that it is within `within` of whatever speed is best).
    best, best_low, best_high : float
        Cheapest speed and its interval, km/h.
    flat_low, flat_high : float
        Speeds round the best whose total is within `within` of it.
    within : float
        Per ha.
    at_low_end, at_high_end : float
        Probability that the cheapest speed is the lowest, the highest, of those looked at.
    curve : LossCurve
    confidence : float
    currency, system : str
    """

    table: pd.DataFrame
    best: float
    best_low: float
    best_high: float
    flat_low: float
    flat_high: float
    within: float
    at_low_end: float
    at_high_end: float
    curve: LossCurve
    confidence: float
    currency: str
    system: str

    @property
    def end(self) -> str:
        """ "lowest" or "highest" where the cheapest speed is that one of those looked at."""
        least, most = self.table["speed"].iloc[[0, -1]]
        return {least: "lowest", most: "highest"}.get(self.best, "")

    @property
    def sentences(self) -> tuple[str, ...]:
        """The above in words; the caution last."""
        looked = float(self.table["speed"].iloc[0]), float(self.table["speed"].iloc[-1])
        best = Ends(self.best, self.best_low, self.best_high)
        out = [
            words.least_cost(best, looked, self.end, self.confidence, self.system),
            words.nearly_as_cheap(
                self.flat_low, self.flat_high, self.within, self.currency, self.system
            ),
        ]
        if not self.end:
            out.append(words.at_an_end(self.at_low_end, self.at_high_end))
        if self.curve.misfit_df:
            p = float(stats.chi2.sf(self.curve.misfit, self.curve.misfit_df))
            if p < 0.05:
                out.append(words.off_the_curve(self.curve.form, p))
        return (*filter(None, out), CAUTION_MORE)

    def _repr_html_(self) -> str:
        area, size = area_unit(self.system)
        unit = "mph" if self.system == "US" else "km/h"
        rows = np.unique(np.linspace(0, len(self.table) - 1, 6).round().astype(int))
        shown = self.table.iloc[rows][["speed", "loss_cost", "time_cost", "total", "low", "high"]]
        shown = shown.rename(columns={"low": "total_low", "high": "total_high"}) * size
        shown["speed"] = units.convert(self.table["speed"].iloc[rows], "km/h", unit)
        caption = f"{self.currency} per {area}; {100 * self.confidence:g} % intervals in brackets"
        names = {"speed": f"speed, {unit}", "loss cost": "grain lost", "time cost": "time"}
        return card(words.HEADINGS["best"], self.sentences, table(shown, caption, names=names))


def _between(
    curve: LossCurve, limits: tuple[float, float] | None, system: System
) -> tuple[float, float]:
    """Speeds to look between; the curve's own unless told."""
    low, high = limits if limits is not None else (curve.low, curve.high)
    if not curve.low - 1e-9 <= low < high <= curve.high + 1e-9:
        unit = "mph" if system == "US" else "km/h"
        first, last = (float(units.convert(v, "km/h", unit)) for v in (curve.low, curve.high))
        raise ValueError(
            f"limits must rise within the speeds the loss is known for, {first:.2f} to {last:.2f} "
            f"{unit}."
        )
    return low, high


def best_speed(
    curve: LossCurve,
    *,
    price_per_t: float,
    cost_per_hour: float,
    width: float,
    efficiency: float,
    within: float,
    limits: tuple[float, float] | None = None,
    level: float = 0.95,
    n: int = N_DRAWS,
    seed: int = 1,
    currency: str = "USD",
    system: System = "SI",
) -> SpeedChoice:
    """Cost per ha against ground speed, and its least.

    Parameters
    ----------
    curve : LossCurve
        From `loss_curve` or `LossCurve.through`.
    price_per_t, cost_per_hour : float
        Net grain price; machine, operator and timeliness.
    width : float
        Header width, m.
    efficiency : float
        Field efficiency as a share, the same at every speed.
    within : float
        How much dearer than the best still counts as the flat region, per ha.
    limits : (float, float), optional
        Speeds (km/h) to look between; at most those the curve is known between.
    level : float
    n, seed : int
        Draws of the curve and their seed.
    currency, system : str

    Raises
    ------
    ValueError
        For limits beyond the curve's speeds or numbers that cannot be meant.
    """
    low, high = _between(curve, limits, system)
    if price_per_t <= 0 or cost_per_hour < 0 or within < 0:
        raise ValueError("price must be above zero; cost_per_hour and within at least zero.")
    speed = np.linspace(low, high, N_SPEEDS)
    time = cost_per_hour / field_capacity(speed, width, efficiency)
    loss = curve.loss(speed)
    total = price_per_t * loss / 1000.0 + time
    best, least = (float(v[0]) for v in _lowest(speed, total[None, :]))
    drawn = price_per_t * curve.loss(speed, curve.draw(n, seed)) / 1000.0 + time
    drawn_best, drawn_least = _lowest(speed, drawn)
    _, best_low, best_high = draws.summary(drawn_best, level)
    tail = (1 - level) / 2
    near = total <= least + within
    i = int(np.argmin(total))
    left = i - int(np.argmin(np.append(near[i::-1], False))) + 1
    right = i + int(np.argmin(np.append(near[i:], False))) - 1
    table = pd.DataFrame(
        {
            "speed": speed,
            "loss": loss,
            "loss_cost": price_per_t * loss / 1000.0,
            "time_cost": time,
            "total": total,
            "low": np.quantile(drawn, tail, axis=0),
            "high": np.quantile(drawn, 1 - tail, axis=0),
            "above_best": total - least,
            "near_best": (drawn <= drawn_least[:, None] + within).mean(axis=0),
        }
    )
    return SpeedChoice(
        table=table,
        best=best,
        best_low=best_low,
        best_high=best_high,
        flat_low=min(_crossing(speed, total, left, -1, least + within), best),
        flat_high=max(_crossing(speed, total, right, 1, least + within), best),
        within=within,
        at_low_end=float((drawn_best <= low).mean()),
        at_high_end=float((drawn_best >= high).mean()),
        curve=curve,
        confidence=level,
        currency=currency,
        system=system,
    )


def _lowest(speed: np.ndarray, cost: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Place and height of the lowest point of each row, by a parabola through three points."""
    rows = np.arange(len(cost))
    i = np.argmin(cost, axis=1)
    inside = (i > 0) & (i < len(speed) - 1)
    j = np.clip(i, 1, len(speed) - 2)
    before, at, after = cost[rows, j - 1], cost[rows, j], cost[rows, j + 1]
    bend = before - 2 * at + after
    with np.errstate(all="ignore"):
        shift = np.where(inside & (bend > 0), 0.5 * (before - after) / bend, 0.0)
    place = np.where(inside, speed[j] + shift * (speed[1] - speed[0]), speed[i])
    height = np.where(inside, at - 0.25 * (before - after) * shift, cost[rows, i])
    return place, height


def _crossing(speed: np.ndarray, total: np.ndarray, i: int, step: int, limit: float) -> float:
    """Where the total reaches `limit` between speed i and its neighbour, or the end itself."""
    j = i + step
    if not 0 <= j < len(speed):
        return float(speed[i])
    share = (limit - total[i]) / (total[j] - total[i])
    return float(speed[i] + np.clip(share, 0.0, 1.0) * (speed[j] - speed[i]))
