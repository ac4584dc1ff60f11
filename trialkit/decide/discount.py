"""Grade discount a setup avoids: the buyer's table over the distribution of kernel damage.

A discount bends and jumps, so the discount at the mean damage is not the mean discount. The two
setups' mean damages are drawn together from a bivariate t, on the logarithm where both stand clear
of zero (the scale of their printed intervals), else in percent. Its covariance follows from the
three standard errors an analysis gives, ``cov = (v1 + v0 - v of the difference) / 2``; its degrees
of freedom are the smallest of the three. For every draw the discount is averaged over loads, which
vary about the mean by a beta distribution when a standard deviation between loads is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.decide import draws
from trialkit.decide.comparison import comparison
from trialkit.decide.grades import US_CORN_GRADES, DiscountTable, share_above
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.facts import Comparison, Ends
from trialkit.words import discounts as words
from trialkit.words.money import CAUTION_MORE, percent

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis

N_DRAWS = 10_000


@dataclass(frozen=True, slots=True)
class Discount:
    """Expected price discount under a setup and its reference, and what is avoided.

    Attributes
    ----------
    found : Comparison
        Of the kernel damage, %.
    table : DataFrame
        Rows level, then reference: ``level, label, damaged`` (mean, %), ``discount, low, high``
        (expected discount per t and its interval), ``at_mean`` (discount of a load at the mean
        damage), ``refused`` (share of loads the buyer may refuse), ``no_1`` ... ``no_5``,
        ``sample`` (shares of loads by the damaged-kernel limits of the US grades alone).
    avoided, low, high : float
        Discount avoided per t, its interval; below zero where the level is discounted more.
    draws : ndarray, shape (n,)
        Of the discount avoided per t, for `payback`.
    yield_kg_ha : float or None
        Grain sold per ha.
    load_sd : float
        Points between loads.
    confidence : float
    currency, system : str
    """

    found: Comparison
    table: pd.DataFrame
    avoided: float
    low: float
    high: float
    draws: np.ndarray
    yield_kg_ha: float | None
    load_sd: float
    confidence: float
    currency: str
    system: str

    @property
    def avoided_per_ha(self) -> float | None:
        """Discount avoided per ha; None without a yield."""
        return None if self.yield_kg_ha is None else self.avoided * self.yield_kg_ha / 1000.0

    @property
    def draws_per_ha(self) -> np.ndarray:
        """Draws of the discount avoided per ha.

        Raises
        ------
        DesignError
            Without a yield.
        """
        if self.yield_kg_ha is None:
            raise DesignError("State the yield to have the discount per area.")
        return self.draws * self.yield_kg_ha / 1000.0

    @property
    def sentences(self) -> tuple[str, ...]:
        """The above in words; the cautions last."""
        told = {"currency": self.currency, "system": self.system}
        rows = list(self.table.itertuples())
        out = [
            words.expected(
                [(row.label, row.damaged, Ends(row.discount, row.low, row.high)) for row in rows],
                self.load_sd, **told,
            ),
            words.avoided(
                Ends(self.avoided, self.low, self.high), self.avoided_per_ha, self.confidence,
                **told,
            ),
        ]  # fmt: skip
        if (self.table["refused"] > 0.001).any():
            out.append(words.refused([(row.label, row.refused) for row in rows]))
        return (*out, words.CAUTION, CAUTION_MORE)

    def _repr_html_(self) -> str:
        grades = self.table[["label", *(c for c in self.table if c.startswith("no_")), "sample"]]
        grades = grades.set_index("label").map(percent).rename_axis("")
        shown = table(grades, words.HEADINGS["shares"], names={"sample": "sample grade"})
        head = f"Price discount: {self.found.label} against {self.found.reference_label}"
        return card(head, self.sentences, shown)


def discount(
    analysis: TrialAnalysis,
    table: DiscountTable,
    factor: str | None = None,
    level: str | None = None,
    *,
    load_sd: float = 0.0,
    yield_kg_ha: float | None = None,
    n: int = N_DRAWS,
    seed: int = 1,
) -> Discount:
    """Expected discount for kernel damage under a setup and its reference.

    Parameters
    ----------
    analysis : TrialAnalysis
    table : DiscountTable
        The buyer's.
    factor, level : str, optional
        As in `comparison`.
    load_sd : float
        Standard deviation of damage between loads under one setup, points.
    yield_kg_ha : float, optional
        Grain sold per ha; by default the mean of the yields the trial measured, if it did.
    n, seed : int
        Draws and their seed.

    Raises
    ------
    DesignError
        When the kernel damage, or this comparison in it, was not analysed.
    """
    if load_sd < 0:
        raise ValueError("load_sd must be zero or more.")
    found = comparison(analysis, "kernel_damage", factor, level)
    if found is None:
        reason = analysis.skipped.get("kernel_damage", "")
        raise DesignError(f"Kernel damage was not analysed for this comparison. {reason}".strip())
    if yield_kg_ha is None:
        measured = analysis.used.strips["yield"].dropna()
        yield_kg_ha = float(measured.mean()) if len(measured) else None
    damage = _draw_means(found, n, seed)
    expected = np.column_stack([table.expected(damage[:, i], load_sd) for i in (0, 1)])
    avoided = expected[:, 1] - expected[:, 0]
    _, low, high = draws.summary(avoided, analysis.level)
    rows = []
    for i, (name, label, mean) in enumerate(
        (
            (found.level, found.label, found.mean.value),
            (found.reference, found.reference_label, found.reference_mean.value),
        )
    ):
        _, row_low, row_high = draws.summary(expected[:, i], analysis.level)
        rows.append(
            {
                "level": name,
                "label": label,
                "damaged": mean,
                "discount": float(expected[:, i].mean()),
                "low": row_low,
                "high": row_high,
                "at_mean": table.discount(mean),
                "refused": float(table.share_refused(damage[:, i], load_sd).mean()),
                **_grade_shares(damage[:, i], load_sd),
            }
        )
    return Discount(
        found=found,
        table=pd.DataFrame(rows),
        avoided=float(avoided.mean()),
        low=low,
        high=high,
        draws=avoided,
        yield_kg_ha=yield_kg_ha,
        load_sd=load_sd,
        confidence=analysis.level,
        currency=analysis.trial.config.currency,
        system=analysis.trial.config.units,
    )


def _draw_means(found: Comparison, n: int, seed: int) -> np.ndarray:
    """Draws of the mean damage under level and reference, %, shape (n, 2)."""
    one, base, between = found.mean, found.reference_mean, found.distribution
    logs = found.log_ratio is not None and one.value > 0 and base.value > 0
    centre = np.array([one.value, base.value])
    spread = np.array([one.se, base.se])
    if logs and found.log_ratio is not None:
        spread, centre, between = spread / centre, np.log(centre), found.log_ratio
    limit = float(spread[0] * spread[1])
    shared = float(np.clip((np.sum(spread**2) - between.se**2) / 2, -limit, limit))
    covariance = np.diag(spread**2) + shared * (1 - np.eye(2))
    # Of the ratio, whose interval is printed beside the discount.
    out = draws.t_vectors(centre, covariance, between.df, n, seed)
    return np.clip(np.exp(out) if logs else out, 0.0, 100.0)


def _grade_shares(damage: np.ndarray, load_sd: float) -> dict[str, float]:
    """Share of loads within each US grade's limit of damaged kernels and above the one before."""
    above = [1.0] + [
        float(share_above(damage, load_sd, limits.damaged).mean()) for limits in US_CORN_GRADES
    ]
    names = [f"no_{limits.grade}" for limits in US_CORN_GRADES]
    shares = {name: above[i] - above[i + 1] for i, name in enumerate(names)}
    return {**shares, "sample": above[-1]}
