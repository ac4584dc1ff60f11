"""The classical test of a factor's error stratum, beside the model's.

Analysis of variance of one value a strip: the logarithm of its pooled density (half a count added),
the logit of its share, the mean of its logarithms, or the value itself. A factor is tested on the
means of the units it was set on, within their blocks, by least squares: in complete pairs the
paired t, in split strips the split-plot F of one degree of freedom, with fields the t of the
fields' own differences (Cochran & Cox 1957, Experimental Designs, chapters 4 and 7). It needs no
model of the counts and no estimate of a variance but its own, and it has few degrees of freedom.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.strata import within_blocks
from trialkit.words import classical as words

if TYPE_CHECKING:
    from trialkit.analysis.design import Design
    from trialkit.analysis.specifications import Specification

HALF_A_COUNT = 0.5


def with_classical(
    contrasts: pd.DataFrame, spec: Specification, rows: pd.DataFrame, design: Design,
    by_strip: pd.DataFrame,
) -> pd.DataFrame:  # fmt: skip
    """A table of contrasts with ``p_classical, df_classical, classical`` (the test in words).

    Parameters
    ----------
    rows : DataFrame
        The measurements, with their strip.
    by_strip : DataFrame
        Measured value of every strip.
    """
    y = design.strips["strip"].map(strip_values(spec, rows, by_strip)).astype(float)
    tests = {name: _tests(y, design, name) for name in design.names} if y.notna().all() else {}
    found = [
        tests[row.factor].get(row.level, (np.nan, np.nan)) if row.factor in tests
        else (np.nan, np.nan)
        for row in contrasts.itertuples()
    ]  # fmt: skip
    p, df = np.array(found, dtype=float).reshape(-1, 2).T
    scale = "identity" if spec.compared_zones else spec.link
    named = [
        _in_words(design, row.factor, scale) if np.isfinite(value) else ""
        for row, value in zip(contrasts.itertuples(), p, strict=True)
    ]
    return contrasts.assign(p_classical=p, df_classical=df, classical=named)


def strip_values(
    spec: Specification, rows: pd.DataFrame, by_strip: pd.DataFrame
) -> pd.Series:
    """One value a strip on the scale of the model, by strip."""
    if spec.compared_zones or spec.family == "normal":
        return by_strip.set_index("strip")["value"]
    if spec.family == "lognormal":
        return rows.groupby("strip")["value"].mean()
    sums = rows.groupby("strip")[[spec.response, str(spec.size)]].sum().astype(float)
    y, size = sums[spec.response], sums[str(spec.size)]
    if spec.family == "binomial":
        return np.log((y + HALF_A_COUNT) / (size - y + HALF_A_COUNT))
    return np.log((y + HALF_A_COUNT) / size)


def _tests(y: pd.Series, design: Design, factor: str) -> dict[str, tuple[float, float]]:
    """p and degrees of freedom of each level against the first; empty where nothing is left."""
    own = design.strata[factor]
    values, x = within_blocks(
        y, design.strips, factor, design.names, own.keys, own.within, design.interactions,
        design.covariates, design.levels,
    )  # fmt: skip
    rank = int(np.linalg.matrix_rank(x))
    df = len(values) - rank
    coefficients = np.linalg.lstsq(x, values, rcond=None)[0]
    left = values - x @ coefficients
    if df < 1 or left @ left <= 1e-20 * max(float(values @ values), 1e-300):
        return {}
    inverse = np.linalg.pinv(x.T @ x)
    k = len(design.levels[factor])
    effects = np.vstack([np.eye(k - 1), -np.ones(k - 1)])
    out = {}
    for name, effect in zip(design.levels[factor][1:], effects[1:], strict=True):
        row = np.zeros(x.shape[1])
        row[: k - 1] = effect - effects[0]
        if not np.allclose(row @ inverse @ x.T @ x, row, atol=1e-8):
            continue  # not to be told within the blocks
        se = np.sqrt(left @ left / df * (row @ inverse @ row))
        p = 2 * float(special.stdtr(df, -abs(row @ coefficients) / se))
        out[name] = (p, float(df))
    return out


def _in_words(design: Design, factor: str, scale: str) -> str:
    own = design.strata[factor]
    units = design.strips.drop_duplicates(list(own.keys))
    blocks = units.groupby(list(own.within)).ngroups if own.within else 0
    two = len(design.levels[factor]) == 2 and len(units) == 2 * blocks
    fields = units["field"].nunique() if own.units == "fields" else 0
    return words.in_words(
        fields, len(units), own.units, blocks, own.blocks or "fields",
        own.blocks == "blocks" and two and own.units == "strips", scale, design.covariates,
    )  # fmt: skip
