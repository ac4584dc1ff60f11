"""The line behind a curve of a setup's effect (`curves`): means, bands and tests along it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.comparisons import link_contrasts, link_se_df
from trialkit.analysis.intervals import ComparedMeans, compare_means, f_test, mean_intervals
from trialkit.analysis.judges import Judge, judges
from trialkit.analysis.reading import Means, Reading, means_of, setting_cells
from trialkit.analysis.result import ResponseResult
from trialkit.mixed import MixedFit
from trialkit.mixed.means import reference_grid
from trialkit.mixed.multiplicity import critical_value, maximum_probability

# Column of the strips: centred column of the model, unit, least range worth a curve (common
# practice, as in `design`).
COVARIATES = {
    "moisture": ("moisture_centred", "%", 1.0),
    "speed_measured": ("speed_centred", "km/h", 1.0),
    "gap_measured": ("gap_centred", "mm", 2.0),
}
# Part of the range within which strips lie near a point of the curve.
WINDOW = 1 / 6
# A point of the curve is thin with fewer strips of either setup near it.
THIN = 2


@dataclass(frozen=True)
class Line:
    """What it takes to evaluate the curve anywhere."""

    fit: MixedFit
    result: ResponseResult
    factor: str
    level: str
    reference: str
    along: str

    @property
    def column(self) -> str:
        return COVARIATES[self.along][0]

    @property
    def centre(self) -> float:
        return float(self.result.design.strips[self.along].mean())

    @property
    def reading(self) -> Reading:
        return self.result.reading

    @cached_property
    def judge(self) -> Judge:
        """What judges the factor's comparisons, less the columns the curve adds."""
        design = self.result.design
        own = judges(self.fit, design, bool(self.reading.zones))[self.factor]
        more = len(design.levels[self.factor]) - 1 + (self.column not in design.covariates)
        return max(own - more, 1.0) if isinstance(own, float) else own

    def means(self, x: np.ndarray, level: str) -> Means:
        """Means of a level along `x`, the other factors averaged, other covariates at zero."""
        at = {self.factor: level, self.column: list(x - self.centre)}
        cells = setting_cells(self.fit, self.result.design, self.reading, self.column, at)
        return means_of(self.fit, self.reading, cells)

    def pair(self, x: np.ndarray) -> tuple[Means, Means]:
        return self.means(x, self.level), self.means(x, self.reference)

    def compared(self, x: np.ndarray) -> ComparedMeans:
        """The level against the reference at every point."""
        return compare_means(self.fit, self.reading, *self.pair(x), self.judge)


def table_along(
    line: Line, x: np.ndarray, confidence: float
) -> tuple[pd.DataFrame, tuple[float, float]]:
    clear = np.full(len(x), line.reading.ratios)
    strips = len(line.result.design.strips)
    for m in line.pair(x):
        clear &= mean_intervals(line.fit, m, line.reading, confidence, strips - 1)[0] > 0
    table = pd.DataFrame({"x": x})
    found = line.compared(x)
    single = stats.t.ppf(0.5 + confidence / 2, found.df)
    critical = []
    for name, shown in (("ratio", clear), ("difference", np.ones_like(clear))):
        together = _critical(found, line, confidence, shown)
        critical.append(together)
        for suffix, c in (("", single), ("_all", together)):
            for end, values in zip(("", "_low", "_high"), found.interval(name, c), strict=True):
                if end or not suffix:
                    table[f"{name}{end}{suffix}"] = np.where(shown, values, np.nan)
    return table, (critical[0], critical[1])


def _critical(found: ComparedMeans, line: Line, confidence: float, shown: np.ndarray) -> float:
    """Critical value of the band for all points together."""
    if not shown.any():
        return float("nan")
    rows = found.rows[shown]
    cov = rows @ line.fit.inference.adjusted @ rows.T
    sd = np.sqrt(np.diag(cov))
    probability = maximum_probability(cov / np.outer(sd, sd))
    df = float(f"{found.df[shown].min():.9g}")
    single = float(stats.t.ppf(0.5 + confidence / 2, df))
    widest = float(stats.t.isf((1 - confidence) / (2 * len(sd)), df))
    between = (0.999 * single, 1.001 * widest)
    return critical_value(probability, df, confidence, between, xtol=1e-5)


def count_strips(table: pd.DataFrame, rug: pd.DataFrame, level: str, reference: str) -> None:
    x = table["x"].to_numpy()
    reach = WINDOW * (x[-1] - x[0])
    near = {}
    for name, which in (("n_level", level), ("n_reference", reference)):
        values = rug.loc[rug["level"].eq(which), "x"].to_numpy()
        near[name] = (np.abs(values - x[:, None]) <= reach * (1 + 1e-9)).sum(axis=1)
    table["n_level"], table["n_reference"] = near["n_level"], near["n_reference"]
    table["thin"] = np.minimum(near["n_level"], near["n_reference"]) < THIN


def interaction(line: Line, confidence: float) -> pd.Series:
    """Test of the interaction, and its slope for the level compared."""
    fit = line.fit
    f, num_df, df = _no_change(line)
    out = {"F": f, "num_df": num_df, "den_df": df, "p": float(stats.f.sf(f, num_df, df))}
    ends = np.array([line.centre, line.centre + 1.0])
    away = link_contrasts(fit, *line.pair(ends), line.judge)
    slope = away.gradient[1:] - away.gradient[:1]
    se, df = (float(found[0]) for found in link_se_df(fit, slope, line.judge))
    half = stats.t.ppf(0.5 + confidence / 2, df) * se
    for end, move in (("", 0.0), ("_low", -half), ("_high", half)):
        value = float(slope[0] @ fit.fixed_effects.to_numpy()) + move
        if line.reading.zones:
            out[f"per_unit{end}"] = np.nan
        else:
            linear = line.reading.additive(fit)
            out[f"per_unit{end}"] = line.reading.scale * value if linear else np.exp(value)
    return pd.Series(out)


def _no_change(line: Line) -> tuple[float, int, float]:
    """F, and its degrees of freedom, of no change of any level's effect in any zone."""
    design, fit = line.result.design, line.fit
    zones = ["zone"] if line.reading.zones else []
    by = [line.factor, line.column, *zones]
    held = dict.fromkeys(design.covariates, 0.0) | {line.column: [0.0, 1.0]}
    cells, rows, _ = reference_grid(fit, by, held)
    n = len(design.levels[line.factor])
    # Change along one unit of the covariate, in every zone, of each level against the first.
    change = np.diff(rows.reshape(n, 2, len(cells) // (2 * n), -1), axis=1)[:, 0]
    contrast = (change[1:] - change[:1]).reshape(-1, rows.shape[1])
    f, df = f_test(fit, contrast, line.judge)
    return f, len(contrast), df
