"""A setup's effect at each level of another setup factor (simple effects).

Means of the reported quantity at every combination of the two factors' levels, further factors
balanced, are read off the trial's own model; whether the effect differs between the levels is the
model's test of the interaction, where it has one.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.comparisons import differences, log_ratios
from trialkit.analysis.reading import means_of, setting_cells
from trialkit.analysis.result import ResponseResult
from trialkit.errors import DesignError

APART = 1.0
"""km/h between two levels' mean speeds from which a factor is a ground speed: common practice, as
for a curve along measured speed."""


def effects_at(
    result: ResponseResult, factor: str, level: str, other: str, *, confidence: float = 0.95
) -> pd.DataFrame:
    """Effect of a level against the reference at each level of another factor.

    Parameters
    ----------
    result : ResponseAnalysis
    factor, level : str
        The effect.
    other : str
        The factor at whose levels it is told.
    confidence : float

    Returns
    -------
    DataFrame
        Index: the levels of `other`. ``label``; ``difference`` (unit of the result), ``se, df``
        and ``difference_low, difference_high``; ``ratio, ratio_low, ratio_high``, missing where a
        mean is not above zero or the response has no ratios.

    Raises
    ------
    DesignError
        For a factor or level that was not compared.
    """
    design, fit, reading = result.design, result.fit, result.reading
    if factor == other or factor not in design.names or other not in design.names:
        raise DesignError(f"{factor!r} and {other!r} are not two factors of {design.names}.")
    reference, *levels = design.levels[factor]
    if level not in levels:
        raise DesignError(f"{level!r} cannot be compared; choose from {', '.join(levels)}.")
    most = min(design.strata[factor].df, design.strata[other].df)
    one, base = (
        means_of(fit, reading, setting_cells(fit, design, reading, other, {factor: name}))
        for name in (level, reference)
    )
    found = differences(fit, one, base, most)
    half = found.half(confidence)
    labels = design.labels(other)
    names = list(design.levels[other])
    table = pd.DataFrame(
        {"label": [labels[name] for name in names], "difference": found.estimate, "se": found.se,
         "df": found.df, "difference_low": found.estimate - half,
         "difference_high": found.estimate + half, "ratio": np.nan, "ratio_low": np.nan,
         "ratio_high": np.nan}, index=pd.Index(names, name=other),
    )  # fmt: skip
    if reading.ratios:
        with np.errstate(all="ignore"):
            logs = log_ratios(fit, one, base, reading.taken_off, most)
            spread = stats.t.ppf(0.5 + confidence / 2, logs.df) * logs.se
        for end, move in (("", 0.0), ("_low", -spread), ("_high", spread)):
            table[f"ratio{end}"] = np.exp(logs.estimate + move)
    return table


def level_speeds(result: ResponseResult, factor: str) -> dict[str, float]:
    """Mean ground speed (km/h) of the strips of every level, as measured or else as set; empty
    where neither is known on every strip."""
    strips = result.design.strips
    for column in ("speed_measured", "speed_set"):
        if column in strips and strips[column].notna().all():
            means = strips.groupby(factor, observed=True)[column].mean()
            return {str(level): float(value) for level, value in means.items()}
    return {}


def speed_factor(result: ResponseResult) -> str | None:
    """The setup factor whose levels differ most in ground speed, if they differ enough."""
    apart = {}
    for factor in result.design.names:
        if speeds := level_speeds(result, factor).values():
            apart[factor] = max(speeds) - min(speeds)
    widest = max(apart, key=lambda name: apart[name], default=None)
    return widest if widest is not None and apart[widest] >= APART else None
