"""Separation of ordered scores by the fixed part, in words.

Laid out as binary rows (:mod:`trialkit.mixed.ordinal`) the likelihood of ordered scores has no
finite maximum exactly where that of the binary rows has none, thresholds being columns among
others: along a direction in which no binary row gets worse the gaps between thresholds cannot
shrink either.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from trialkit.errors import ModelError
from trialkit.mixed.model import Model
from trialkit.mixed.separation import separating_direction


def check_ordinal_separation(
    model: Model, x: np.ndarray, reached: np.ndarray, codes: np.ndarray, categories: tuple[Any, ...]
) -> None:
    """Raise with the setups or terms to blame if the fixed part separates the scores.

    Parameters
    ----------
    model : Model
        Of the readings.
    x, reached : columns (thresholds first) and outcomes of the binary rows.
    codes : ndarray of int
        Categories of the readings in chain order.

    Raises
    ------
    ModelError
    """
    side = np.where(reached > 0, 1.0, -1.0)
    if separating_direction(x, side) is None:
        return
    _check_cells(model, model.original_order(codes), categories)
    # Position of every term among the columns: the thresholds take the intercept's place.
    top = len(categories) - 1
    constant = model.part.terms["1"][0]
    free = np.ones(x.shape[1], dtype=bool)
    blamed: list[str] = []
    for term in [t for t in reversed(model.part.terms) if t != "1"]:
        own = [top + j - (j > constant) for j in model.part.terms[term]]
        free[own] = False
        if separating_direction(x, side, free) is None:
            free[own] = True
            blamed.insert(0, term)
    names = " and ".join(filter(None, [", ".join(blamed[:-1]), *blamed[-1:]]))
    verb = "separates" if len(blamed) == 1 else "together separate"
    raise ModelError(
        f"{names} {verb} low from high values of {model.response!r} without any overlap: the odds "
        f"ratio has no finite estimate. Compare the scores as they stand, leave out or coarsen "
        f"{names}, or take more readings."
    )


def _check_cells(model: Model, codes: np.ndarray, categories: tuple[Any, ...]) -> None:
    """Name the cells of a factor term whose readings are all lowest, or all highest."""
    columns, levels = model.columns, model.part.levels
    for term in model.part.terms:
        factors = term.split(":")
        if not all(f in levels for f in factors):
            continue
        cell = np.zeros(len(codes), dtype=np.int64)
        for f in factors:
            cell = cell * len(levels[f]) + columns[f].codes
        for end, what in ((0, "lowest"), (len(categories) - 1, "highest")):
            there = np.unique(cell)
            alike = [c for c in there if (codes[cell == c] == end).all()]
            if not alike or len(alike) == len(there):
                continue
            shape = [len(levels[f]) for f in factors]
            labels = [
                ":".join(str(levels[f][i]) for f, i in zip(factors, at, strict=True))
                for at in zip(*np.unravel_index(alike, shape), strict=True)
            ]
            raise ModelError(
                f"every {model.response!r} is {categories[end]}, the {what}, under {term} = "
                f"{', '.join(labels)}: the odds ratio has no finite estimate there. Compare the "
                f"scores as they stand, pool that setup with another, or take more readings."
            )
