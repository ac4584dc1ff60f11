"""What simulated tables are drawn with: effects of a setup and of units, rows, averages of a truth.

Functions of plain arrays and frames; what is true and how much is counted come as objects with the
fields of `trialkit.simulate.Truth` and `trialkit.simulate.Effort`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from trialkit import units

Ratios = Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a response, or what lies in a zone, is drawn from.

    Attributes
    ----------
    typical : float
        At the reference setup and effects of zero, on the response's own scale: a density per m2,
        a share, a share by mass, or a value.
    ratios : mapping
        ``{factor: {level: ratio}}`` against the reference level: of densities and shares by mass,
        of odds where so many of those examined are counted; differences of values.
    sd : mapping
        Standard deviations of ``field, setup_by_field, pair, main_strip, strip`` and of the row
        ("frame", "sample", ...) on the scale of the effects: logarithms, logits, or values.
    size : float
        Area (m2), number examined or sample mass (g) of a row.
    basis : str
        Where these numbers are from.
    """

    typical: float
    ratios: Ratios = field(default_factory=dict)
    sd: Mapping[str, float] = field(default_factory=dict)
    size: float = 1.0
    basis: str = ""


def setup_shift(shifts: Ratios, strips: pd.DataFrame) -> np.ndarray:
    """Sum of all shifts that apply to each row's setup, shape (rows,)."""
    total = np.zeros(len(strips))
    for factor, by_level in shifts.items():
        level = strips[factor].astype(str)
        total += level.map(dict(by_level)).fillna(0.0).to_numpy(dtype=float)
    return total


def setup_effect(ratios: Ratios, strips: pd.DataFrame) -> np.ndarray:
    """Log of the product of all ratios that apply to each row's setup, shape (rows,)."""
    total = np.zeros(len(strips))
    for key, by_level in ratios.items():
        label = strips[key.split(":")[0]].astype(str)
        for name in key.split(":")[1:]:
            label = label + ":" + strips[name].astype(str)
        total += np.log(label.map(dict(by_level)).fillna(1.0).to_numpy(dtype=float))
    return total


def as_written(
    values: np.ndarray | pd.Series, si: str, us: str, decimals: int, system: str
) -> np.ndarray:
    """SI values rounded as they would be written down in the trial's own units."""
    array = np.asarray(values, dtype=float)
    if system == "SI":
        return np.round(array, decimals)
    return np.asarray(units.convert(np.round(units.convert(array, si, us), decimals), us, si))


# ---------------------------------------------------------------- rows to be taken
def repeated(strips: int, times: int) -> tuple[np.ndarray, np.ndarray]:
    """Place of the strip and running number from 1, for `times` samples on each of `strips`."""
    return np.repeat(np.arange(strips), times), np.tile(np.arange(1, times + 1), strips)


def frame_rows(strips: Sequence[str], zone: str, times: int, area: float) -> pd.DataFrame:
    """Frames of one zone: ``frame, strip, zone, area``; named by the zone's letter, P1, H1, T1."""
    place, number = repeated(len(strips), times)
    return pd.DataFrame(
        {
            "frame": [f"{zone[0].upper()}{i}" for i in number],
            "strip": np.asarray(strips, dtype=object)[place],
            "zone": zone,
            "area": area,
        }
    )


def search_rows(
    strips: Sequence[str], zone: str, area: float, times: int = 1
) -> pd.DataFrame:  # fmt: skip
    """Searches of a strip in one zone: ``strip, zone, area``."""
    place, _ = repeated(len(strips), times)
    return pd.DataFrame(
        {"strip": np.asarray(strips, dtype=object)[place], "zone": zone, "area": area}
    )


def sample_rows(strips: Sequence[str], times: int) -> pd.DataFrame:
    """Samples of grain or residue: ``strip, sample``, numbered from 1 on every strip."""
    place, number = repeated(len(strips), times)
    return pd.DataFrame(
        {"strip": np.asarray(strips, dtype=object)[place], "sample": number.astype(str)}
    )


def by_strip(table: pd.DataFrame, strips: Sequence[str]) -> pd.DataFrame:
    """Rows in the order they would be written down: strip by strip."""
    order = table["strip"].map({name: i for i, name in enumerate(strips)})
    return table.loc[order.sort_values(kind="stable").index].reset_index(drop=True)


# ---------------------------------------------------------------- a draw
FOUND: dict[str, Callable[[np.random.Generator, np.ndarray, float], np.ndarray]] = {
    "poisson": lambda rng, mean, size: rng.poisson(mean * size),
    "binomial": lambda rng, mean, size: rng.binomial(int(size), mean),
    "lognormal": lambda rng, mean, size: mean * size,
    "normal": lambda rng, mean, size: mean,
}
"""What is found of a response by its family: of the density, share or value of every row, all
effects in it, and the area, number examined or mass of a row."""


class Drawing:
    """One draw of a trial; the random stream is consumed in the order of the tables.

    Attributes
    ----------
    config, truth, effort
        `TrialConfig`, `Truth` and `Effort`.
    strips : DataFrame
        With their settings, speed and moisture.
    names : list of str
        Of the strips.
    moisture, speed : ndarray, shape (strips,)
        Less the trial's mean.
    rng : Generator
    """

    def __init__(
        self, config: Any, truth: Any, effort: Any, strips: pd.DataFrame,
        rng: np.random.Generator,
    ) -> None:  # fmt: skip
        self.config, self.truth, self.effort = config, truth, effort
        self.strips, self.rng = strips.reset_index(drop=True), rng
        self.names: list[str] = self.strips["strip"].tolist()
        self.moisture = (strips["moisture"] - strips["moisture"].mean()).to_numpy()
        self.speed = (strips["speed_measured"] - strips["speed_measured"].mean()).to_numpy()

    def effects(self, sd: Mapping[str, float]) -> np.ndarray:
        """Sum of the normal effects of field, setup in field, pair, main strip and strip."""
        rng, s = self.rng, self.strips
        total = np.zeros(len(s))
        block = s["field"] + "/" + s["pair"]
        one_field = s["field"].nunique() == 1
        units_of = {"pair": block, "strip": s["strip"]}
        if not one_field:
            units_of["field"] = s["field"]
        if s["main_strip"].notna().any():
            units_of["main_strip"] = block + "/" + s["main_strip"].astype(str)
        for level in ("field", "pair", "main_strip", "strip"):
            if level in units_of and sd.get(level, 0.0) > 0:
                code = pd.factorize(units_of[level])[0]
                total += rng.normal(0.0, sd[level], code.max() + 1)[code]
        if sd.get("setup_by_field", 0.0) > 0 and not one_field:
            for factor in self.config.setups:
                code = pd.factorize(s["field"] + "/" + s[factor.name].astype(str))[0]
                total += rng.normal(0.0, sd["setup_by_field"], code.max() + 1)[code]
        return total

    def row_means(self, drawn: Drawn, family: str, row: str, at: np.ndarray) -> np.ndarray:
        """Density, share or value of every row of the strips `at`, all effects in it."""
        spread = drawn.sd.get(row, 0.0)
        effect = self.effects(drawn.sd)
        effect = effect + (setup_shift if family == "normal" else setup_effect)(
            drawn.ratios, self.strips
        )
        return mean_of(drawn.typical, effect[at] + self.rng.normal(0.0, spread, len(at)), family)

    def of_response(self, name: str, family: str, row: str, rows: pd.DataFrame) -> np.ndarray:
        """What is found in these rows of a response that ``truth.others`` states."""
        drawn: Drawn = self.truth.others[name]
        at = rows["strip"].map({s: i for i, s in enumerate(self.names)}).to_numpy()
        mean = self.row_means(drawn, family, row, at)
        return FOUND[family](self.rng, mean, drawn.size)


def mean_of(typical: float, effect: np.ndarray, family: str) -> np.ndarray:
    """Density, share or value where the effects of setup and units sum to `effect`."""
    if family == "normal":
        return typical + effect
    if family == "binomial":
        return np.asarray(1.0 / (1.0 + np.exp(-(np.log(typical / (1 - typical)) + effect))))
    return np.asarray(typical * np.exp(effect))


# ---------------------------------------------------------------- what an analysis should find
def variance(sd: Mapping[str, float], strips: pd.DataFrame, config: Any) -> float:
    """Variance of the random effects of one frame or sample in the trial's design."""
    several = strips["field"].nunique() > 1
    times = {
        "field": int(several),
        "setup_by_field": len(config.setups) * several,
        "main_strip": int(strips["main_strip"].notna().any()),
    }
    return sum(times.get(level, 1) * value**2 for level, value in sd.items())


def level_table(
    config: Any, value: Callable[[pd.DataFrame], np.ndarray], name: str
) -> pd.DataFrame:
    """``factor, level``, `name`, ``ratio, difference``: a value of cells averaged by level."""
    factors = config.setups
    cells = pd.DataFrame(
        list(product(*(f.levels for f in factors))), columns=[f.name for f in factors]
    )
    cells["value"] = value(cells)
    rows = []
    for factor in factors:
        mean = cells.groupby(factor.name)["value"].mean()
        base = mean[factor.reference]
        rows += [
            {
                "factor": factor.name,
                "level": level,
                name: mean[level],
                "ratio": mean[level] / base,
                "difference": mean[level] - base,
            }
            for level in factor.levels
        ]
    return pd.DataFrame(rows)


def share_table(
    config: Any, strips: pd.DataFrame, typical: float, odds: Ratios, sds: Mapping[str, float]
) -> pd.DataFrame:
    """`level_table` of a share (%), the mean of a logistic-normal by Gauss-Hermite quadrature."""
    node, weight = np.polynomial.hermite_e.hermegauss(60)
    sd = np.sqrt(variance(sds, strips, config))
    base = np.log(typical / (1.0 - typical))

    def percent(cells: pd.DataFrame) -> np.ndarray:
        eta = base + setup_effect(odds, cells)
        share = 1.0 / (1.0 + np.exp(-(eta[:, None] + sd * node)))
        return np.asarray(100.0 * (share * weight).sum(axis=1) / weight.sum())

    return level_table(config, percent, "percent")


def true_of_drawn(
    name: str, family: str, scale: float, unit: str
) -> Callable[[Any, pd.DataFrame, Any], pd.DataFrame]:
    """The truth of a response that ``truth.others`` states: `scale` result units per unit of it."""

    def true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
        drawn: Drawn = truth.others[name]
        if family == "binomial":
            table = share_table(config, strips, drawn.typical, drawn.ratios, drawn.sd)
            return table.rename(columns={"percent": unit})
        if family == "normal":
            return level_table(
                config, lambda c: scale * (drawn.typical + setup_shift(drawn.ratios, c)), unit
            )
        half = 0.5 * variance(drawn.sd, strips, config)
        return level_table(
            config,
            lambda c: scale * drawn.typical * np.exp(setup_effect(drawn.ratios, c) + half), unit,
        )  # fmt: skip

    return true
