"""Nesting as chains: rows sorted so that every unit's rows lie together.

A model with nested levels (coarse to fine, say field > pair > strip) turns into a forest. Rows are
sorted depth first, so each finest unit owns a run of rows and each coarser unit a run of finer
units. For a finest unit the *chain* is its path to the top; the compiled loops in
:mod:`trialkit.mixed.kernels` walk finest units in order and close a coarser unit as soon as its
last descendant has been seen. Inside the engine levels are numbered from the finest (0) upwards.

A crossed factor is one more level on top of all: a single unit that every row belongs to, with a
random column for each of the factor's labels.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import ModelError


@dataclass(frozen=True)
class Chain:
    """Sorted rows and unit index of a design.

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
    n_crossed : how many of the levels, the last ones, are crossed factors.
    columns : the input, by column, those of the nested levels among them.
    first : ndarray of int, shape (finest units,)
        A row of the input that lies in each finest unit.
    """

    order: np.ndarray
    row_start: np.ndarray
    unit: np.ndarray
    closes: np.ndarray
    counts: tuple[int, ...]
    names: tuple[str, ...]
    n_crossed: int
    columns: Mapping[str, Any]
    first: np.ndarray

    @property
    def n_levels(self) -> int:
        return len(self.names)

    @property
    def n_nested(self) -> int:
        """Levels that are nested, the first ones."""
        return len(self.names) - self.n_crossed

    @property
    def nested(self) -> tuple[str, ...]:
        """Names of the nested levels, finest first."""
        return self.names[: self.n_nested]

    @cached_property
    def labels(self) -> tuple[pd.DataFrame, ...]:
        """Per nested level (finest first) one row a unit: the labels of its path."""
        out = []
        for lev in range(self.n_nested):
            rows = self.first[np.unique(self.unit[:, lev], return_index=True)[1]]
            names = list(reversed(self.nested[lev:]))
            out.append(pd.DataFrame({name: self.columns[name][rows] for name in names}))
        return tuple(out)


def build_chain(
    columns: Mapping[str, Any], n: int, nested: Sequence[str], crossed: Sequence[str] = ()
) -> Chain:
    """Sort ``n`` rows by nesting and number the units of every level.

    Parameters
    ----------
    columns : arrays or categoricals by name; labels may repeat across parents.
    nested : sequence of str
        Columns, coarse to fine.
    crossed : sequence of str
        Columns of crossed factors.

    Raises
    ------
    ModelError
        If a label is missing.
    """
    code = np.zeros(n, dtype=np.int64)
    codes: list[np.ndarray] = []
    for name in nested:
        values = columns[name]
        if isinstance(values, pd.Categorical):
            own, many = values.codes, len(values.categories)
        else:
            own, kinds = pd.factorize(values, sort=True)
            many = len(kinds)
        if (own < 0).any():
            raise ModelError(
                f"{int((own < 0).sum())} rows have no {name!r}; give every row a unit or leave "
                f"the rows out before fitting."
            )
        code = _renumber(code * many + own)
        codes.append(code)

    # Path codes are ordered by parent first, so sorting the finest sorts every level.
    order = np.argsort(code, kind="stable")
    new = np.ones(n, dtype=bool)
    new[1:] = np.diff(code[order]) != 0
    first = np.flatnonzero(new)
    unit = np.zeros((len(first), len(nested) + len(crossed)), dtype=np.int64)
    for lev, c in enumerate(reversed(codes)):
        unit[:, lev] = c[order[first]]
    return Chain(
        order=order,
        row_start=np.append(first, n),
        unit=unit,
        closes=closing(unit),
        counts=(*(int(c.max()) + 1 for c in reversed(codes)), *(1 for _ in crossed)),
        names=(*reversed(nested), *crossed),
        n_crossed=len(crossed),
        columns=columns,
        first=order[first],
    )


def closing(unit: np.ndarray) -> np.ndarray:
    """How many levels end with each finest unit, from unit numbers (finest units, levels)."""
    ends = np.ones(unit.shape, dtype=bool)
    # A level can only end where every finer level ends; unit paths guarantee that.
    ends[:-1] = unit[1:] != unit[:-1]
    return ends.sum(axis=1).astype(np.int64)


def _renumber(code: np.ndarray) -> np.ndarray:
    """Codes 0, 1, ... in the order of the values."""
    if len(code) and int(code.max()) < 4 * len(code) + 100:
        used = np.zeros(int(code.max()) + 1, dtype=np.int64)
        used[code] = 1
        return (np.cumsum(used) - 1)[code]
    return np.unique(code, return_inverse=True)[1]


def empty_chain(nested: Sequence[str], counts: Sequence[int]) -> Chain:
    """A chain without rows, of levels with so many units, finest first."""
    none = np.zeros((0, len(nested)), dtype=np.int64)
    rows = np.zeros(0, dtype=np.int64)
    return Chain(
        order=rows, row_start=np.zeros(1, dtype=np.int64), unit=none, closes=closing(none),
        counts=tuple(counts), names=tuple(reversed(nested)), n_crossed=0, columns={}, first=rows,
    )  # fmt: skip
