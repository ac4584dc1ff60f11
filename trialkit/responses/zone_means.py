"""Means of what lies in the zones: of a strip, and of its pair or field where it has none."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.responses.registry import ZONES


def zone_means(table: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Area-weighted mean, variance and number of frames per `keys` and zone, zones side by side."""
    groups = table.groupby(keys, sort=False)
    unit = groups.ngroup().to_numpy()
    first = table.loc[groups.head(1).index, keys]
    names = list(ZONES)
    zone = table["zone"].map({name: i for i, name in enumerate(names)}).to_numpy(dtype=int)
    cell = unit * len(names) + zone
    area, value = table["area"].to_numpy(dtype=float), table["kg_ha"].to_numpy(dtype=float)

    def total(values: np.ndarray | None) -> np.ndarray:
        sums = np.bincount(cell, values, minlength=len(first) * len(names))
        return sums.astype(float)

    n, w = total(None), total(area)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total(area * value) / w
        squares = total((area * (value - mean[cell])) ** 2)
        between = squares / w**2 * n / (n - 1)
    single = total(table["one"].to_numpy(dtype=float) ** 2)
    variance = np.where(n > 1, between, np.where(n == 1, single, np.nan))
    wide = [v.reshape(-1, len(names)) for v in (mean, variance, np.where(n > 0, n, np.nan))]
    return pd.DataFrame(
        np.hstack(wide),
        index=first[keys[0]].to_numpy() if len(keys) == 1 else pd.MultiIndex.from_frame(first),
        columns=pd.MultiIndex.from_product([["mean", "var", "n"], names]),
    ).rename_axis(index=keys)


def lying_before(
    table: pd.DataFrame, zones: pd.DataFrame, place: pd.DataFrame, zone: str
) -> pd.DataFrame:
    """Mean and variance of what no setup left: the strip's own, else its pair's, its field's."""
    ahead = table[table["zone"].eq(zone)]
    mean = zones["mean", zone].copy()
    var = zones["var", zone].copy()
    origin = pd.Series(np.where(mean.notna(), "strip", "none"), index=zones.index)
    for keys, name in ((["field", "pair"], "pair"), (["field"], "field")):
        if not origin.eq("none").any():
            break
        pooled = zone_means(ahead, keys)
        match = place.merge(
            pooled.xs(zone, axis=1, level=1)[["mean", "var"]],
            left_on=keys,
            right_index=True,
            how="left",
        )
        lack = mean.isna() & match["mean"].notna()
        mean[lack], var[lack], origin[lack] = match["mean"][lack], match["var"][lack], name
    return pd.DataFrame({"mean": mean, "var": var, "origin": origin})
