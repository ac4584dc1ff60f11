"""Random columns of the levels: intercepts, slopes, the labels of crossed factors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed.design import Columns


@dataclass(frozen=True, slots=True)
class SlopeColumn:
    """One random column of a level: its name, the variable and the coding of a factor."""

    name: str
    variable: str | None
    codes: dict[Any, float] | None
    group: int

    def values(self, columns: Mapping[str, Any], n: int) -> np.ndarray:
        """The column for ``n`` rows, shape (rows,)."""
        if self.variable is None:
            return np.ones(n)
        if self.codes is None:
            return np.asarray(columns[self.variable], dtype=float)
        own = pd.Categorical(columns[self.variable])
        by_level = np.array([self.codes[v] for v in own.categories], dtype=float)
        return by_level[own.codes]


COVARIANCES = ("unstructured", "independent", "exchangeable")


def slope_columns(columns: Columns, variables: Sequence[str], covariance: str) -> list[SlopeColumn]:
    """Random columns of one level: the intercept, then the slopes.

    A numeric variable is one column as it stands. A factor is coded by indicators of its later
    levels ("unstructured", "independent") or by orthonormal contrasts with one common variance
    ("exchangeable": every difference between two levels then varies alike across units).
    Columns with the same ``group`` share a variance.
    """
    if covariance not in COVARIANCES:
        raise ModelError(f"covariance {covariance!r} is not known; choose one of {COVARIANCES}.")
    out = [SlopeColumn("Intercept", None, None, 0)]
    group = 0
    for v in variables:
        if not isinstance(columns[v], pd.Categorical):
            group += 1
            out.append(SlopeColumn(v, v, None, group))
            continue
        levels = list(columns[v].categories)
        n = len(levels)
        if n < 2:
            raise ModelError(
                f"{v!r} has the single level {levels[0]!r} in the rows used: its effect cannot "
                f"vary between units; leave it out of slopes."
            )
        if covariance == "exchangeable":
            group += 1
            for j in range(1, n):
                # Normalised Helmert contrasts.
                w = np.r_[np.full(j, -1.0), j, np.zeros(n - j - 1)] / np.sqrt(j * (j + 1))
                out.append(SlopeColumn(v, v, dict(zip(levels, w, strict=True)), group))
        else:
            for level in levels[1:]:
                group += 1
                codes = {k: float(k == level) for k in levels}
                out.append(SlopeColumn(f"{v}[{level}]", v, codes, group))
    return out


def crossed_columns(columns: Columns, factor: str) -> list[SlopeColumn]:
    """One random column per label of a crossed factor, all of one variance."""
    labels = list(columns[factor].categories)
    return [
        SlopeColumn("Intercept", factor, {k: float(k == label) for k in labels}, 0)
        for label in labels
    ]
