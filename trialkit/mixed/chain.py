"""Nesting as chains: rows sorted so that every unit's rows lie together.

A model with nested levels (coarse to fine, say field > pair > strip) turns into a forest. Rows are
sorted depth first, so each finest unit owns a run of rows and each coarser unit a run of finer
units. For a finest unit the *chain* is its path to the top; the compiled loops in
:mod:`trialkit.mixed.kernels` walk finest units in order and close a coarser unit as soon as its
last descendant has been seen. Inside the engine levels are numbered from the finest (0) upwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.errors import ModelError


@dataclass(frozen=True, slots=True)
class Chain:
    """Sorted rows and unit index of a nested design.

    Attributes
    ----------
    order : ndarray of int, shape (rows,)
        Row positions of the input, in chain order.
    row_start : ndarray of int, shape (finest units + 1,)
        Sorted rows of finest unit ``f`` are ``row_start[f]:row_start[f + 1]``.
    unit : ndarray of int, shape (finest units, levels)
        Unit number at each level, finest level first.
    closes : ndarray of int, shape (finest units,)
        How many levels end with this finest unit (0 only when there are no levels).
    counts : tuple of int
        Units per level, finest first.
    names : tuple of str
        Level names, finest first.
    labels : tuple of DataFrame
        Per level (finest first) one row a unit: the labels of its path, coarse to fine.
    """

    order: np.ndarray
    row_start: np.ndarray
    unit: np.ndarray
    closes: np.ndarray
    counts: tuple[int, ...]
    names: tuple[str, ...]
    labels: tuple[pd.DataFrame, ...]

    @property
    def n_levels(self) -> int:
        return len(self.names)


def build_chain(frame: pd.DataFrame, nested: Sequence[str]) -> Chain:
    """Sort the rows of ``frame`` by nesting and number the units of every level.

    Parameters
    ----------
    frame : DataFrame
        Holds the columns named in ``nested``; labels may repeat across parents.
    nested : sequence of str
        Columns, coarse to fine.

    Raises
    ------
    ModelError
        If a label is missing.
    """
    n = len(frame)
    path_code = np.zeros(n, dtype=np.int64)
    codes: list[np.ndarray] = []
    for name in nested:
        own, _ = pd.factorize(frame[name], sort=True)
        if (own < 0).any():
            raise ModelError(
                f"{int((own < 0).sum())} rows have no {name!r}; give every row a unit or leave "
                f"the rows out before fitting."
            )
        combined = path_code * (int(own.max()) + 1 if n else 1) + own
        _, path_code = np.unique(combined, return_inverse=True)
        codes.append(path_code)

    if not codes:
        return Chain(
            order=np.arange(n),
            row_start=np.array([0, n]),
            unit=np.zeros((1, 0), dtype=np.int64),
            closes=np.zeros(1, dtype=np.int64),
            counts=(),
            names=(),
            labels=(),
        )

    # Path codes are ordered by parent first, so sorting the finest sorts every level.
    order = np.argsort(codes[-1], kind="stable")
    sorted_codes = [c[order] for c in codes]
    first_row = np.flatnonzero(np.r_[True, np.diff(sorted_codes[-1]) != 0])
    row_start = np.r_[first_row, n]
    unit = np.column_stack([c[first_row] for c in reversed(sorted_codes)]).astype(np.int64)
    ends = np.ones(unit.shape, dtype=bool)
    ends[:-1] = unit[1:] != unit[:-1]
    # A level can only end where every finer level ends; unit paths guarantee that.
    closes = ends.sum(axis=1).astype(np.int64)

    labels = []
    for depth in range(len(nested), 0, -1):
        code = sorted_codes[depth - 1]
        rows = order[np.flatnonzero(np.r_[True, np.diff(code) != 0])]
        labels.append(frame.iloc[rows][list(nested[:depth])].reset_index(drop=True))
    return Chain(
        order=order,
        row_start=row_start,
        unit=np.ascontiguousarray(unit),
        closes=closes,
        counts=tuple(int(c.max()) + 1 for c in reversed(codes)),
        names=tuple(reversed(list(nested))),
        labels=tuple(labels),
    )
