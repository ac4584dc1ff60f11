"""A response's rows fitted again: by another family, with other levels, without some strips.

Blocks are compared on the scale on which the response's model takes setups to act alike: the log
ratio of counts and of shares by mass, the log odds ratio of shares of a number, the difference of
quantities with a unit of their own. What is left of one zone less another may be zero or below, so
it has no logarithm; as it varies with how much lies on the ground, its differences are taken as
shares of what was found in the block.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.regression.linear_model import OLS

from trialkit.analysis.design import SLOPE_FIELDS, random_levels
from trialkit.analysis.estimates import estimate_factors
from trialkit.analysis.result import ResponseResult
from trialkit.errors import DesignError, ModelError
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.words.checks import leaving_out

ANSWER = [
    "ratio", "ratio_low", "ratio_high", "difference", "difference_low", "difference_high",
    "df", "p", "p_adjusted",
]  # fmt: skip
# Blocks an outlier test needs: two degrees of freedom without the block tested.
TESTABLE_DF = 2


def fit_again(
    result: ResponseResult, nested: Sequence[str], *, family: str = "", response: str = "",
    fixed: str = "", data: pd.DataFrame | None = None, slopes: bool = True, method: str = "reml",
) -> MixedFit:  # fmt: skip
    """A response's model with some of its parts exchanged.

    Parameters
    ----------
    nested : sequence of str
        Random levels coarse to fine.
    family : str
        Of `trialkit.mixed.fit_mixed`; "" for the response's own.
    response, fixed : str
        Column modelled and right-hand side of the fixed part; "" for the response's own.
    data : DataFrame, optional
        Rows to fit instead of all.
    slopes : bool
        Whether setup effects vary between fields where the design lets them.

    Raises
    ------
    ModelError
        If the model cannot be fitted.
    """
    spec, own = result.specification, result.fit
    law = family or own.family.name
    varying: dict[str, list[str]] = {}
    kinds = {"field": "exchangeable", spec.row: "independent"}
    zone = ["zone"] if spec.compared_zones else []
    if slopes and "field" in nested and result.design.slope_factors:
        varying["field"] = [*result.design.slope_factors, *zone]
    if zone and spec.row in nested and len(_row_slopes(own, spec.row)) > 1:
        varying[spec.row] = zone  # a variance of rows in each zone, as in the response's own
    return fit_mixed(
        result.data if data is None else data,
        response=response or own.model.response,
        fixed=fixed or result.formula,
        nested=list(nested),
        slopes=varying or None,
        covariance={name: kinds[name] for name in varying} or None,
        family=law,
        exposure=spec.size if law in ("poisson", "negative_binomial") else None,
        trials=spec.size if law in ("binomial", "beta_binomial") else None,
        method=method,
    )


def _row_slopes(fit: MixedFit, row: str) -> Sequence[object]:
    """Random columns of a row's effect, the intercept among them."""
    names = list(fit.model.chain.names)
    return fit.model.slopes[names.index(row)] if row in names else ()


def finer_levels(result: ResponseResult) -> list[str]:
    """Random levels of the model below those of the design: zone within strip, and the row."""
    chain = result.fit.model.chain
    own = chain.names[: chain.n_nested][::-1]
    return [name for name in own if name not in result.design.nested]


def leave_out(
    result: ResponseResult, unit: str, level: float, progress: Callable[[str], None] | None = None
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
            progress(leaving_out(unit, int(str(i)) + 1, len(units)))
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
    result: ResponseResult, strips: pd.DataFrame, level: float
) -> tuple[MixedFit, pd.DataFrame]:
    """Fit and contrasts on the strips given."""
    design = result.design
    for factor in design.factors:
        lost = [v for v in design.levels[factor.name] if not strips[factor.name].eq(v).any()]
        if lost:
            raise DesignError(f"No strip with {factor.label} at {', '.join(lost)} would be left.")
    data = result.data[result.data["strip"].isin(strips["strip"])]
    nested = tuple(
        name for name in random_levels(strips, len(data), result.specification.row, [])
        if name in design.nested
    )  # fmt: skip
    finer = finer_levels(result)
    if "zone" in finer and data.groupby(["strip", "zone"], observed=True).ngroups == len(data):
        finer.remove("zone")
    # Effects that differ between fields need as many fields as a trial of these strips would.
    slopes = strips["field"].nunique() >= SLOPE_FIELDS
    less = design.with_parts(
        strips=strips, nested=nested, slope_factors=design.slope_factors if slopes else ()
    )
    fit = fit_again(result, [*nested, *finer], data=data, slopes=slopes)
    return fit, estimate_factors(fit, less, result.reading, level)[1]


def _cooks_distance(full: MixedFit, less: MixedFit) -> float:
    if list(full.fixed_effects.index) != list(less.fixed_effects.index):
        return np.nan
    moved = (full.fixed_effects - less.fixed_effects).to_numpy()
    return float(moved @ np.linalg.solve(full.covariance.to_numpy(), moved) / len(moved))


def block_outliers(
    result: ResponseResult, factor: str, name: str, reference: str
) -> pd.DataFrame:
    """Does a block's own comparison stand apart from those of the others?

    Externally studentised residuals of the blocks' comparisons (`strip_values`, level less
    reference) about their mean, or about their fields' means where every field has at least two
    blocks (Cook & Weisberg 1982, Residuals and Influence in Regression, section 2.2.2).

    Returns
    -------
    DataFrame, one row a block that holds both: ``field, pair, effect`` (see `effect_name`),
    ``studentised, p``, the last two-sided and times the number of blocks (Bonferroni), at most 1.
    Empty if the blocks are too few. A block is left out where the others are all alike, for then
    no spread is there to judge it by (strips without a find have one value).
    """
    strips = result.by_strip.assign(value=result.by_strip["strip"].map(strip_values(result)))
    wide = strips.pivot_table(
        index=["field", "pair"], columns=factor, values="value", observed=True, sort=False
    )
    columns = ["field", "pair", "effect", "studentised", "p"]
    if name not in wide or reference not in wide:
        return pd.DataFrame(columns=columns)
    effect = (wide[name] - wide[reference]).dropna()
    field = effect.index.get_level_values("field")
    x = np.ones((len(effect), 1))
    if len(effect) and pd.Series(field).value_counts().min() > 1:
        x = pd.get_dummies(field).to_numpy(dtype=float)
    df = len(effect) - x.shape[1] - 1
    # Differences that are equal on paper may differ in the last bits.
    if df < TESTABLE_DF or np.ptp(effect) <= 1e-9 * np.abs(wide.to_numpy()).max():
        return pd.DataFrame(columns=columns)
    fitted = OLS(effect.to_numpy(), x).fit()
    with np.errstate(divide="ignore", invalid="ignore"):  # no spread among the others
        studentised = fitted.get_influence().resid_studentized_external
    p = np.minimum(len(effect) * 2 * stats.t.sf(np.abs(studentised), df), 1.0)
    out = effect.rename("effect").reset_index()
    out = out.assign(studentised=studentised, p=p)
    return out[np.isfinite(studentised)].reset_index(drop=True)


def effect_name(result: ResponseResult) -> str:
    """What a block's comparison is.

    "ratio" or "odds ratio" (its logarithm), "difference" in the result's unit, or "share": the
    difference of one zone less another over the block's mean of the zones that count as plus.
    """
    spec = result.specification
    if spec.compared_zones:
        return "share"
    return {"poisson": "ratio", "lognormal": "ratio", "binomial": "odds ratio"}.get(
        spec.family, "difference"
    )


def strip_values(result: ResponseResult) -> pd.Series:
    """Strips on the scale of `effect_name`: logarithm or logit, the result's unit, or a share.

    Half a kernel (ear) is added to every count (Cox & Snell 1989, Analysis of Binary Data, section
    2.1.6); of shares by mass the mean of the logarithms that the model saw is taken.
    """
    spec, what = result.specification, effect_name(result)
    by_strip = result.data.groupby("strip")
    if what == "difference":
        return result.by_strip.set_index("strip")["value"]
    if what == "share":
        return _shares_of_found(result)
    if spec.family == "lognormal":
        return by_strip["value"].mean()
    total = by_strip[[spec.response, str(spec.size)]].sum()
    k, n = total[spec.response], total[spec.size]
    if spec.family == "poisson":
        return np.log((k + 0.5) / n)
    return np.log((k + 0.5) / (n - k + 0.5))


def _shares_of_found(result: ResponseResult) -> pd.Series:
    spec = result.specification
    zones = [zone for zone, weight in spec.zones.items() if weight > 0]
    rows = result.data[result.data["zone"].isin(zones)]
    sums = rows.groupby("strip")[[spec.response, str(spec.size)]].sum()
    strips = result.by_strip.set_index("strip")
    found = result.scale * (sums[spec.response] / sums[spec.size]).reindex(strips.index)
    mean = found.groupby([strips["field"], strips["pair"]]).transform("mean")
    return strips["value"] / mean.where(mean > 0)
