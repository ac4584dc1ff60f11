"""Does the model hold, and does one pair or field decide the result?

Shape. Residuals, unit effects, dispersion and zeros are compared with those of data simulated
from the model (`trialkit.mixed.residual_shape`, `MixedFit.dispersion_check`, `zero_check`; the same
data sets serve all), and each block's own comparison with those of the other blocks
(`refits.block_outliers`). The p-values of the simulated checks are adjusted together by Holm's
method, and so are those of the blocks, which keeps either kind from speaking against a sound model
in more than about one trial of twenty:
in 119 simulated trials of six pairs the simulated checks of header loss did so once, the blocks'
own ratios nine times; in 120 with every response the blocks did so in 2 to 9 by response, and in 13
for dropped ears, whose counts are small. Dispersion and zeros are those of counts: a Gaussian model
estimates its spread, and has no zeros. Counts that vary more than chance go into the frame (sample)
effect, so the dispersion check sees only what that effect cannot take up.

Influence. The answer is worked out again without each pair and without each field. That the
answer changes without a pair is no fault of the model: it says how little the result rests on.

The words, and the grades of what is found, are those of `findings`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.estimates import estimate_factors, holm
from trialkit.analysis.questions.findings import (
    CheckFinding,
    apart_name,
    of_influence,
    of_shape,
    verdict,
)
from trialkit.analysis.questions.refits import block_outliers, leave_out
from trialkit.analysis.result import ResponseResult
from trialkit.display import card, folded, table
from trialkit.mixed.goodness import Check, dispersion_check, redrawn, zero_check
from trialkit.mixed.residual_shape import residual_shape
from trialkit.words import checks as words

# Zeros that must be there, or be expected, for their number to be checked.
ZEROS = 0.5


@dataclass(frozen=True, slots=True)
class ModelCheck:
    """What speaks for and against a response's model.

    Attributes
    ----------
    findings : tuple of CheckFinding
        What the checks come to (`verdict` in words).
    checks : DataFrame
        One row per check: ``check, observed, expected, p, p_adjusted, simulations`` (dispersion
        only of counts, zeros only where there are any, or should be); observed and expected are
        the statistic and its mean under the model (for "pair apart", the largest studentised
        residual; nothing is expected of it).
    residuals : DataFrame
        One row per frame, sample or strip by size of its residual: ``strip, field, pair, setup,
        residual`` (randomised quantile residual), ``theoretical`` (normal quantile) and the
        pointwise simulated band ``low, high``.
    effects : DataFrame
        Normal quantile data of predicted unit effects, see
        `trialkit.mixed.residual_shape.ResidualShape`; variances of zero are left out.
    influence : DataFrame
        The answer without each pair and field, see `refits.leave_out`.
    full : DataFrame
        The contrasts with everything in, at the same confidence level.
    outliers : DataFrame
        Each block's own comparison and outlier test, see `refits.block_outliers`, with ``factor,
        level``.
    title, unit : str
    level : float
        Confidence level.
    n_strips : int
    """

    findings: tuple[CheckFinding, ...]
    checks: pd.DataFrame
    residuals: pd.DataFrame
    effects: pd.DataFrame
    influence: pd.DataFrame
    full: pd.DataFrame
    outliers: pd.DataFrame
    title: str
    unit: str
    level: float
    n_strips: int

    @property
    def verdict(self) -> str:
        """The findings in words, no stronger than their numbers."""
        return verdict(self.findings, self.n_strips)

    def _repr_html_(self) -> str:
        columns = ["unit", "field", "pair", "label", "ratio", "ratio_low", "ratio_high",
                   "difference", "difference_low", "difference_high", "p", "cooks_distance",
                   "reason"]  # fmt: skip
        without = []
        if len(self.influence):
            shown = table(self.influence[columns], rows=len(self.influence))
            without = [folded(words.without_each(), shown)]
        return card(words.heading(self.title), [self.verdict], table(self.checks), *without)


def check_model(
    result: ResponseResult, seed: int | None = None, *, n: int = 500, level: float = 0.95,
    influence: bool = True, progress: Callable[[str], None] | None = None,
) -> ModelCheck:  # fmt: skip
    """Check a response's model and what its answer rests on.

    Parameters
    ----------
    result : ResponseAnalysis
        Of any response.
    seed : int, optional
        Of residuals and simulations; the same seed gives the same check.
    n : int
        Simulated data sets per check, at least 20.
    level : float
        Confidence level: a setup is told apart where its adjusted p is below ``1 - level``.
    influence : bool
        Whether to leave out each pair and field in turn, which takes most of the time.
    progress : callable, optional
        Told in words what is being done.

    Raises
    ------
    ModelError
        If n is too small or the simulated data sets cannot be predicted.
    ValueError
        If the level does not lie between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    say = progress or (lambda _: None)
    rng = np.random.default_rng(seed)
    fit = result.fit
    say(words.simulating())
    # Holm's adjustment holds however the checks hang together.
    drawn = redrawn(fit, n, rng)
    shape = residual_shape(fit, n, rng, drawn=drawn)
    checks: dict[str, Check] = {
        "residuals" if name == "residuals" else f"{name} effects": check
        for name, check in shape.checks.items()
    }
    if fit.family.counts:
        checks["dispersion"] = dispersion_check(fit, n, rng, drawn)
    if fit.family.counts and ((fit.y == 0).any() or _zeros_expected(result) >= ZEROS):
        checks["zeros"] = zero_check(fit, n, rng, drawn)
    outliers = _outliers(result)
    table = _table(checks, outliers, result)
    left_out = _influence(result, level, say) if influence else pd.DataFrame()
    full = _full(result, level)
    # A fit leaves out rows without a covariate it uses.
    rows = result.data.dropna(subset=[c for c in fit.model.columns if c in result.data])
    rows = rows.iloc[shape.quantiles["row"]].reset_index(drop=True)
    setup = rows["strip"].map(result.by_strip.set_index("strip")["setup"])
    residuals = pd.concat(
        [rows[["strip", "field", "pair"]].assign(setup=setup), shape.quantiles.drop(columns="row")],
        axis=1,
    )
    findings = [
        *of_shape(table, checks, outliers, result),
        *of_influence(left_out, full, level),
    ]
    return ModelCheck(
        tuple(findings), table, residuals, shape.effects, left_out, full, outliers, result.title,
        result.unit, level, len(result.design.strips),
    )  # fmt: skip


# ---------------------------------------------------------------- tables
def _zeros_expected(result: ResponseResult) -> float:
    mean = result.fit.predict()
    if result.fit.family.link == "log":
        return float(np.exp(-mean).sum())
    return float(((1 - mean) ** result.data[result.specification.size].to_numpy(dtype=float)).sum())


def _outliers(result: ResponseResult) -> pd.DataFrame:
    tables = []
    for row in result.contrasts.itertuples():
        table = block_outliers(result, row.factor, row.level, row.reference)
        table.insert(0, "factor", row.factor)
        table.insert(1, "level", row.level)
        tables.append(table)
    return pd.concat([t for t in tables if len(t)] or tables[:1], ignore_index=True)


def _table(
    checks: dict[str, Check], outliers: pd.DataFrame, result: ResponseResult
) -> pd.DataFrame:
    rows = [
        {"check": name, "observed": c.observed, "expected": c.expected, "p": c.p,
         "simulations": len(c.draws)}
        for name, c in checks.items()
    ]  # fmt: skip
    for key, blocks in outliers.groupby(["factor", "level"], sort=False):
        worst = blocks.loc[blocks["p"].idxmin()]
        rows.append(
            {"check": apart_name(key, result), "observed": abs(worst["studentised"]),
             "expected": np.nan, "p": worst["p"], "simulations": 0}
        )  # fmt: skip
    table = pd.DataFrame(rows)
    simulated = table["simulations"] > 0
    adjusted = np.empty(len(table))
    for kind in (simulated, ~simulated):
        adjusted[kind] = holm(table.loc[kind, "p"].to_numpy(dtype=float))
    table.insert(4, "p_adjusted", adjusted)
    return table


def _influence(result: ResponseResult, level: float, say: Callable[[str], None]) -> pd.DataFrame:
    strips = result.design.strips
    fields, blocks = strips["field"].nunique(), strips.groupby(["field", "pair"]).ngroups
    tables = []
    if blocks > fields:
        tables.append(leave_out(result, "pair", level, say))
    if fields > 1:
        tables.append(leave_out(result, "field", level, say))
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _full(result: ResponseResult, level: float) -> pd.DataFrame:
    return estimate_factors(result.fit, result.design, result.reading, level)[1]
