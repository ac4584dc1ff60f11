"""A response's counts fitted again: by another family, with other levels, without some strips."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import stats

from trialkit.analysis.design import Design, _nesting, _strata
from trialkit.analysis.estimates import estimate_factors
from trialkit.analysis.result import ResponseAnalysis
from trialkit.errors import DesignError, ModelError
from trialkit.mixed import MixedFit, fit_mixed

ANSWER = [
    "ratio", "ratio_low", "ratio_high", "difference", "difference_low", "difference_high",
    "df", "p", "p_adjusted",
]  # fmt: skip
# Blocks an outlier test needs: two degrees of freedom without the block tested.
TESTABLE_DF = 2


def counted(result: ResponseAnalysis) -> None:
    """Refuse responses whose rows are not counts of one zone.

    Raises
    ------
    DesignError
        Saying so.
    """
    spec = result.specification
    if spec.family not in ("poisson", "binomial") or len(spec.zones) > 1:
        raise DesignError(
            f"{result.title} is not modelled as counts of one zone; this is for responses that are."
        )


def fit_counts(
    result: ResponseAnalysis, family: str, nested: Sequence[str], *,
    data: pd.DataFrame | None = None, slopes: bool = True, method: str = "reml",
) -> MixedFit:  # fmt: skip
    """The response's fixed part fitted to its counts by a family with given random levels.

    Parameters
    ----------
    family : str
        Of `trialkit.mixed.fit_mixed`.
    nested : sequence of str
        Levels coarse to fine.
    data : DataFrame, optional
        Rows to fit instead of all.
    slopes : bool
        Whether setup effects vary between fields where the design lets them.

    Raises
    ------
    ModelError
        If the model cannot be fitted.
    """
    spec = result.specification
    counts = spec.family == "poisson"
    varying = list(result.design.slope_factors) if slopes and "field" in nested else []
    return fit_mixed(
        result.data if data is None else data,
        response=spec.response,
        fixed=result.design.formula,
        nested=list(nested),
        slopes={"field": varying} if varying else None,
        covariance={"field": "exchangeable"} if varying else None,
        family=family,
        exposure=spec.size if counts else None,
        trials=None if counts else spec.size,
        method=method,
    )


def leave_out(
    result: ResponseAnalysis, unit: str, level: float, progress: Callable[[str], None] | None = None
) -> pd.DataFrame:
    """The answer without each pair, or without each field.

    Every refit is a full one, variances too, with the levels and the most degrees of freedom that
    the strips left allow; what is taken off for preharvest loss stays as it was.

    Parameters
    ----------
    unit : {"pair", "field"}
    level : float
        Confidence level of the intervals.
    progress : callable, optional
        Told in words what is being done.

    Returns
    -------
    DataFrame, one row per unit and contrast: ``unit`` ("pair" or "field"), ``field``, ``pair``
    (missing for fields), ``factor, level, reference, label``, the contrast's answer as in
    `ResponseAnalysis`, ``cooks_distance`` of the fixed effects (``d' V^-1 d / p`` as in
    `MixedFit.influence`) and ``reason`` where nothing can be said without the unit (else empty).
    Empty if there are fewer than two units.
    """
    keys = ["field", "pair"] if unit == "pair" else ["field"]
    strips = result.design.strips
    units = strips[keys].drop_duplicates().reset_index(drop=True)
    tables = []
    for i, row in units.iterrows() if len(units) > 1 else ():
        if progress is not None:
            progress(f"Leaving out {unit} {int(str(i)) + 1} of {len(units)}")
        gone = (strips[keys] == row).all(axis=1)
        table = result.contrasts[["factor", "level", "reference", "label"]].reset_index(drop=True)
        table.insert(0, "unit", unit)
        table.insert(1, "field", row["field"])
        table.insert(2, "pair", row["pair"] if unit == "pair" else None)
        table[[*ANSWER, "cooks_distance"]] = np.nan
        table["reason"] = ""
        try:
            fit, answer = _without(result, strips[~gone].reset_index(drop=True), level)
        except (ModelError, DesignError, np.linalg.LinAlgError) as error:
            tables.append(table.assign(reason=str(error)))
            continue
        table[ANSWER] = answer[ANSWER].to_numpy(dtype=float)
        tables.append(table.assign(cooks_distance=_cooks_distance(result.fit, fit)))
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _without(
    result: ResponseAnalysis, strips: pd.DataFrame, level: float
) -> tuple[MixedFit, pd.DataFrame]:
    """Fit and contrasts on the strips given."""
    design = result.design
    for factor in design.factors:
        lost = [v for v in design.levels[factor.name] if not strips[factor.name].eq(v).any()]
        if lost:
            raise DesignError(f"No strip with {factor.label} at {', '.join(lost)} would be left.")
    data = result.data[result.data["strip"].isin(strips["strip"])]
    row = result.fit.model.chain.names[0]
    nested = _nesting(strips, len(data), result.specification.row, [])
    less: Design = dataclasses.replace(
        design,
        strips=strips,
        nested=nested,
        strata=_strata(design.factors, strips, design.interactions, design.covariates),
    )
    fit = fit_counts(result, result.fit.family.name, [*nested, row], data=data)
    return fit, estimate_factors(fit, less, result.reading, level)[1]


def _cooks_distance(full: MixedFit, less: MixedFit) -> float:
    if list(full.fixed_effects.index) != list(less.fixed_effects.index):
        return np.nan
    moved = (full.fixed_effects - less.fixed_effects).to_numpy()
    return float(moved @ np.linalg.solve(full.covariance.to_numpy(), moved) / len(moved))


def block_outliers(
    result: ResponseAnalysis, factor: str, name: str, reference: str
) -> pd.DataFrame:
    """Does a block's own ratio (odds ratio, for shares) stand apart from those of the others?

    Externally studentised residuals of the blocks' log ratios about their mean, or about their
    fields' means where every field has at least two blocks (Cook & Weisberg 1982, Residuals and
    Influence in Regression, section 2.2.2), with half a kernel added to every count.

    Returns
    -------
    DataFrame, one row a block that holds both: ``field, pair, log_ratio, studentised, p``, the
    last two-sided and times the number of blocks (Bonferroni), at most 1. Empty if the blocks are
    too few.
    """
    strips = result.by_strip.assign(value=result.by_strip["strip"].map(log_strips(result)))
    wide = strips.pivot_table(index=["field", "pair"], columns=factor, values="value", sort=False)
    columns = ["field", "pair", "log_ratio", "studentised", "p"]
    if name not in wide or reference not in wide:
        return pd.DataFrame(columns=columns)
    log_ratio = (wide[name] - wide[reference]).dropna()
    field = log_ratio.index.get_level_values("field")
    x = np.ones((len(log_ratio), 1))
    if pd.Series(field).value_counts().min() > 1:
        x = pd.get_dummies(field).to_numpy(dtype=float)
    df = len(log_ratio) - x.shape[1] - 1
    if df < TESTABLE_DF or np.ptp(log_ratio) == 0:
        return pd.DataFrame(columns=columns)
    fitted = sm.OLS(log_ratio.to_numpy(), x).fit()
    studentised = fitted.get_influence().resid_studentized_external
    p = np.minimum(len(log_ratio) * 2 * stats.t.sf(np.abs(studentised), df), 1.0)
    out = log_ratio.rename("log_ratio").reset_index()
    return out.assign(studentised=studentised, p=p)


def log_strips(result: ResponseAnalysis) -> pd.Series:
    """Log density of kernels, or empirical logit of damage, by strip; half a kernel is added.

    Cox & Snell 1989, Analysis of Binary Data, section 2.1.6.
    """
    spec = result.specification
    total = result.data.groupby("strip")[[spec.response, str(spec.size)]].sum()
    k, n = total[spec.response], total[spec.size]
    if spec.family == "poisson":
        return np.log((k + 0.5) / n)
    return np.log((k + 0.5) / (n - k + 0.5))
