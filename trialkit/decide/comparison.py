"""One setup against its reference, with the uncertainty an analysis leaves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.family import strongest_first
from trialkit.display import card, table

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value known as value + se x t with `df` degrees of freedom; an `se` of zero is certainty.

    Attributes
    ----------
    value, se : float
        In one unit.
    df : float
        Above zero; infinite for a normal distribution.
    """

    value: float
    se: float = 0.0
    df: float = math.inf

    @classmethod
    def from_interval(
        cls, value: float, low: float, high: float, df: float, level: float
    ) -> Estimate:
        """The estimate whose `level` interval has this width."""
        return cls(value, float((high - low) / 2 / stats.t.ppf(0.5 + level / 2, df)), df)

    def quantile(self, p: Any) -> Any:
        """Value below which it lies with probability `p` (float or array)."""
        return self.value + self.se * stats.t.ppf(p, self.df)

    def interval(self, level: float) -> tuple[float, float]:
        """Symmetric interval at `level`."""
        half = self.se * float(stats.t.ppf(0.5 + level / 2, self.df))
        return self.value - half, self.value + half

    def above(self, limit: float) -> float:
        """Probability that it lies above `limit`."""
        if self.se == 0:
            return float(self.value > limit)
        return float(stats.t.sf((limit - self.value) / self.se, self.df))

    def _repr_html_(self) -> str:
        low, high = self.interval(0.95)
        row = {"estimate": self.value, "low": low, "high": high, "se": self.se, "df": self.df}
        return card("Estimate", ["95 % interval in brackets."], table(pd.DataFrame([row])))


@dataclass(frozen=True, slots=True)
class Comparison:
    """A level against its reference in one response.

    Attributes
    ----------
    response, unit : str
    factor, level, reference, label, reference_label : str
    mean, reference_mean : Estimate
        Adjusted means in `unit`, standard errors on that scale.
    difference : Estimate
        Level less reference in `unit`: the t distribution behind the printed interval, which is
        symmetric on this scale.
    log_ratio : Estimate or None
        Logarithm of level over reference, on which the interval of the ratio is symmetric; None
        where a mean is too near zero to carry one.
    bought : bool
        Whether the trial's option is bought for this level.
    """

    response: str
    unit: str
    factor: str
    level: str
    reference: str
    label: str
    reference_label: str
    mean: Estimate
    reference_mean: Estimate
    difference: Estimate
    log_ratio: Estimate | None
    bought: bool

    def _repr_html_(self) -> str:
        parts = [
            (self.label, self.mean, self.unit),
            (self.reference_label, self.reference_mean, self.unit),
            ("difference", self.difference, self.unit),
        ]
        rows = [(what, found.value, *found.interval(0.95), unit) for what, found, unit in parts]
        if self.log_ratio is not None:
            logs = self.log_ratio.value, *self.log_ratio.interval(0.95)
            value, low, high = map(math.exp, logs)
            rows.append(("ratio", value, low, high, ""))
        response = self.response.replace("_", " ")
        return card(
            f"{self.label} against {self.reference_label}: {response}",
            ["95 % intervals in brackets."],
            table(pd.DataFrame(rows, columns=["", "estimate", "low", "high", "unit"])),
        )


def comparison(
    analysis: TrialAnalysis, response: str, factor: str | None = None, level: str | None = None
) -> Comparison | None:
    """The comparison asked for, or the one a decision is about.

    Parameters
    ----------
    analysis : TrialAnalysis
    response : {"header_loss", "kernel_damage"}
    factor, level : str, optional
        By default what the trial's option is bought for, else the comparison of the first factor
        with the strongest evidence, as in a report's headline.

    Returns
    -------
    Comparison or None
        None when the response, or the option's comparison in it, was not analysed.

    Raises
    ------
    ValueError
        When the comparison asked for is not among the contrasts.
    """
    result = analysis.responses.get(response)
    if result is None:
        return None
    option = analysis.trial.config.option
    asked = factor is not None or level is not None
    if not asked and option is not None:
        factor, level = option.factor, option.level
    table = result.contrasts
    if factor is not None:
        table = table[table["factor"] == factor]
    if level is not None:
        table = table[table["level"] == level]
    if table.empty:
        if not asked:
            return None
        every = result.contrasts[["factor", "level"]].itertuples(index=False)
        known = ", ".join(f"{row.factor}: {row.level}" for row in every)
        raise ValueError(f"no contrast for {factor}, {level}; the analysis has {known}.")
    first = table[table["factor"] == table["factor"].iloc[0]]
    row = strongest_first(first).iloc[0]
    means = result.means.set_index(["factor", "level"])
    one, base = (means.loc[(row["factor"], row[which])] for which in ("level", "reference"))
    df = float(row["df"])

    def estimate(name: str, link=float) -> Estimate:
        value, low, high = (link(float(row[f"{name}{end}"])) for end in ("", "_low", "_high"))
        return Estimate.from_interval(value, low, high, df, analysis.level)

    return Comparison(
        response=response,
        unit=result.unit,
        factor=row["factor"],
        level=row["level"],
        reference=row["reference"],
        label=row["label"],
        reference_label=base["label"],
        mean=_mean(one),
        reference_mean=_mean(base),
        difference=estimate("difference"),
        log_ratio=estimate("ratio", np.log) if np.isfinite(float(row["ratio"])) else None,
        bought=option is not None
        and (option.factor, option.level) == (row["factor"], row["level"]),
    )


def _mean(row: Any) -> Estimate:
    return Estimate(float(row["estimate"]), float(row["se"]), float(row["df"]))
