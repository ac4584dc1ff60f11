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
from trialkit.mixed.separation import (
    cell_names,
    factor_cells,
    listed,
    separating_direction,
    terms_to_blame,
)


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
    direction = separating_direction(x, side)
    if direction is None:
        return
    _check_cells(model, model.original_order(codes), categories)
    # Position of every term among the columns: the thresholds take the intercept's place.
    top = len(categories) - 1
    constant = model.part.terms["1"][0]
    columns = {
        term: [top + j - (j > constant) for j in model.part.terms[term]]
        for term in reversed(model.part.terms) if term != "1"
    }  # fmt: skip
    blamed, _ = terms_to_blame(x, side, direction, columns)
    names = listed(blamed)
    verb = "separates" if len(blamed) == 1 else "together separate"
    raise ModelError(
        f"{names} {verb} low from high values of {model.response!r} without any overlap: the odds "
        f"ratio has no finite estimate. Compare the scores as they stand, leave out or coarsen "
        f"{names}, or take more readings."
    )


def _check_cells(model: Model, codes: np.ndarray, categories: tuple[Any, ...]) -> None:
    """Name the cells of a factor term whose readings are all lowest, or all highest."""
    for term, cell, _ in factor_cells(model.part, model.columns):
        for end, what in ((0, "lowest"), (len(categories) - 1, "highest")):
            there = np.unique(cell)
            alike = [c for c in there if (codes[cell == c] == end).all()]
            if alike and len(alike) < len(there):
                where = cell_names(model.part, term, np.array(alike))
                raise ModelError(
                    f"every {model.response!r} is {categories[end]}, the {what}, under {term} = "
                    f"{where}: the odds ratio has no finite estimate there. "
                    f"Compare the scores as they stand, pool that setup with another, or take "
                    f"more readings."
                )
