"""The error stratum of each setup factor: the units its comparisons are judged against.

A factor is judged against the units it was set on (strips, main strips, blocks, or fields where its
effect differs between fields), within the blocks those lie in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

BLOCK = ["field", "pair"]
MAIN = [*BLOCK, "main_strip"]
ORDER = ["field", "pair", "main_strip", "strip"]  # coarse to fine


@dataclass(frozen=True, slots=True)
class Stratum:
    """Units a factor was set on, within their blocks.

    Attributes
    ----------
    units, blocks : str
        In words; blocks "" where there are none.
    keys, within : tuple of str
        Columns of the strips that tell the units, and their blocks, apart.
    df : int
        Units less blocks less what setups and covariates take: the degrees of freedom of the
        classical test, at least 1.
    """

    units: str
    blocks: str
    keys: tuple[str, ...]
    within: tuple[str, ...]
    df: int


def set_on(factor: str, strips: pd.DataFrame) -> list[str]:
    """Columns that tell the largest units apart on which a factor is constant."""
    larger = [BLOCK, MAIN] if strips["main_strip"].notna().all() else [BLOCK]
    for keys in larger:
        if strips.groupby(keys)[factor].nunique().max() <= 1:
            return keys
    return [*BLOCK, "strip"]


def stratum(
    factor: str, names: Sequence[str], strips: pd.DataFrame, nested: Sequence[str],
    slopes: Sequence[str], interactions: Sequence[tuple[str, str]], covariates: Sequence[str],
) -> Stratum:  # fmt: skip
    """The stratum of one factor; arguments are parts of `Design`, `names` those of all factors."""
    if factor in slopes:
        keys, within = ["field", factor], ["field"]
    else:
        keys = set_on(factor, strips)
        larger = {"main_strip": MAIN, "pair": BLOCK, "field": ["field"]}
        within = next(
            (own for level, own in larger.items()
             if ORDER.index(level) < ORDER.index(keys[-1]) and level in nested
             and _joins(strips, own, keys)), []
        )  # fmt: skip
    words = {"field": "fields", "pair": "blocks", "main_strip": "main strips", "strip": "strips"}
    units = "fields" if factor in slopes else words[keys[-1]]
    y = pd.Series(0.0, index=strips.index)
    _, matrix = within_blocks(y, strips, factor, names, keys, within, interactions, covariates)
    spare = len(matrix) - int(np.linalg.matrix_rank(matrix))
    blocks = words[within[-1]] if within and factor not in slopes else ""
    return Stratum(units, blocks, tuple(keys), tuple(within), max(spare, 1))


def _joins(strips: pd.DataFrame, within: Sequence[str], keys: Sequence[str]) -> bool:
    """Whether the larger units hold several of the smaller ones."""
    units = strips.drop_duplicates(list(keys))
    return units.groupby(list(within)).ngroups < len(units)


def sum_coded(values: pd.Series, levels: Sequence[str] | None = None) -> np.ndarray:
    """Columns of a factor that sum to zero over its levels, shape (rows, levels - 1)."""
    own = pd.Categorical(values.astype(str), categories=None if levels is None else list(levels))
    k = len(own.categories)
    return np.vstack([np.eye(k - 1), -np.ones(k - 1)])[own.codes]


def within_blocks(
    y: pd.Series, strips: pd.DataFrame, factor: str, names: Sequence[str], keys: Sequence[str],
    within: Sequence[str], interactions: Sequence[tuple[str, str]], covariates: Sequence[str],
    levels: Mapping[str, Sequence[str]] | None = None,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Values of the units and the columns of the classical analysis of a factor's stratum.

    Other factors that change within the units are taken off first, by least squares within units.

    Parameters
    ----------
    y : Series, one value a strip, index of `strips`.
    levels : mapping, optional
        Order of the levels of each factor; its last is minus the sum of the others.

    Returns
    -------
    values : ndarray, shape (units,)
    columns : ndarray, shape (units, columns)
        The factor's own (levels - 1) first, then other factors, interactions, covariates, blocks.
    """
    code = strips.groupby(list(keys), sort=False, observed=True).ngroup().to_numpy()
    units = strips.drop_duplicates(list(keys))
    count = np.bincount(code)
    coded = {n: sum_coded(strips[n], levels[n] if levels else None) for n in names}
    inside = [n for n in names if n != factor and _changes(code, strips[n])]
    own = y.to_numpy(dtype=float)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(code, values, len(count)) / count

    if inside and len(count) < len(strips):
        x = np.hstack([coded[n] for n in inside])
        centred = x - np.column_stack([mean(c) for c in x.T])[code]
        own = own - x @ np.linalg.lstsq(centred, own - mean(own)[code], rcond=None)[0]
    values = mean(own)
    constant = [n for n in names if n != factor and n not in inside]
    if len(count) == len(strips):
        constant = [n for n in names if n != factor]
    columns = [coded[factor], *(coded[n] for n in constant)]
    columns += [
        (coded[a][:, :, None] * coded[b][:, None, :]).reshape(len(strips), -1)
        for a, b in interactions
        if {a, b} <= {factor, *constant}
    ]
    columns += [strips[[c]].to_numpy(dtype=float) for c in covariates]
    x = np.column_stack([mean(c) for c in np.hstack(columns).T])
    block = units.groupby(list(within), sort=False, observed=True).ngroup() if within else None
    at = np.zeros(len(units), dtype=int) if block is None else block.to_numpy()
    return values, np.hstack([x, np.eye(at.max() + 1)[at]])


def _changes(code: np.ndarray, values: pd.Series) -> bool:
    return bool(values.astype(str).groupby(code).nunique().max() > 1)
