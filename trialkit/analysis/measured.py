"""Measured values beside the model's: per strip, and differences per field."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from trialkit import units
from trialkit.analysis.design import Design

_BY_FIELD = ["field", "factor", "level", "reference", "label", "difference", "se", "df", "low",
             "high", "n_pairs"]  # fmt: skip


def table_by_strip(design: Design, value: pd.Series, n: pd.Series) -> pd.DataFrame:
    """One row per strip with its measured value; `value` and `n` are indexed by strip."""
    table = design.strips[["strip", "field", "pair", "main_strip", *design.names]].copy()
    setup = table[design.names].astype(str).agg(", ".join, axis=1)
    table.insert(4, "setup", setup)
    return table.assign(value=table["strip"].map(value), n=table["strip"].map(n).astype(int))


def table_by_field(design: Design, by_strip: pd.DataFrame, level: float) -> pd.DataFrame:
    """Mean over pairs of the measured difference from the reference, field by field."""
    rows = []
    if by_strip["field"].nunique() > 1:
        for factor in design.factors:
            labels = design.labels(factor.name)
            reference, *others = design.levels[factor.name]
            wide = by_strip.pivot_table(
                index=["field", "pair"], columns=factor.name, values="value", observed=True
            )
            for name in others:
                difference = (wide[name] - wide[reference]).dropna()
                for field, values in difference.groupby(level="field"):
                    n, mean = len(values), values.mean()
                    se = values.std() / np.sqrt(n) if n > 1 else np.nan
                    half = stats.t.ppf(0.5 + level / 2, n - 1) * se if n > 1 else np.nan
                    own = (mean, se, n - 1, mean - half, mean + half, n)
                    rows.append((field, factor.name, name, reference, labels[name], *own))
    return pd.DataFrame(rows, columns=_BY_FIELD)


def with_bushels(table: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    """Columns in kg/ha repeated in bu/ac."""
    return table.assign(**{f"{c}_bu_ac": units.kg_ha_to_bu_ac(table[c]) for c in columns})


def ends_last(frame: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    """Columns to show with the ends of their intervals, ``..._low_bu_ac`` as ``..._bu_ac_low``."""
    kept = {}
    for column in columns:
        for unit in ("", "_bu_ac"):
            if f"{column}{unit}" not in frame or frame[f"{column}{unit}"].isna().all():
                continue
            kept[f"{column}{unit}"] = frame[f"{column}{unit}"]
            for end in ("_low", "_high"):
                own = f"{'' if column == 'estimate' else column}{end}{unit}".lstrip("_")
                if own in frame:
                    kept[f"{column}{unit}{end}"] = frame[own]
    return pd.DataFrame(kept)
