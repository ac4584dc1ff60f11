"""Separation of counts and proportions by the fixed part: estimates that run to infinity.

The likelihood has no finite maximum in ``beta`` exactly if some direction ``d`` has ``x_i d >= 0``
in rows that are all successes, ``<= 0`` in rows without any and ``= 0`` in all others, not zero
throughout (Albert & Anderson 1984, Biometrika 71:1-10); under a log link every row above zero is
one of the others. Random effects of finite variance do not change that. The direction is found by
a linear programme (Konis 2007, Linear programming algorithms for detecting separated data, DPhil
thesis, University of Oxford).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from scipy.optimize import linprog

from trialkit.errors import ModelError
from trialkit.mixed.design import Columns, FixedPart
from trialkit.mixed.families import Family
from trialkit.mixed.model import Model
from trialkit.mixed.notes import end, separated


def separating_direction(
    x: np.ndarray, side: np.ndarray, free: np.ndarray | None = None
) -> np.ndarray | None:
    """A direction along which the likelihood never falls, shape (terms,), or None.

    Parameters
    ----------
    x : ndarray, shape (rows, terms)
        Of independent columns.
    side : ndarray, shape (rows,)
        1 where all are successes, -1 where there are none, 0 elsewhere.
    free : ndarray of bool, shape (terms,), optional
        Terms the direction may use.
    """
    out = np.zeros(x.shape[1])
    free = np.ones(len(out), dtype=bool) if free is None else free
    scale = np.abs(x[:, free]).max(axis=0, initial=0.0)
    rows = np.unique(np.column_stack([side, x[:, free] / scale]), axis=0)
    one_sided, x_free = rows[:, 0] != 0, rows[:, 1:]
    gain = rows[one_sided, :1] * x_free[one_sided]
    inner = x_free[~one_sided]
    if not len(gain) or not free.any():
        return None
    # Of the rows that must stay put only the space they span counts.
    still = np.linalg.qr(inner, mode="r")
    found = linprog(
        -gain.sum(axis=0), A_ub=-gain, b_ub=np.zeros(len(gain)), A_eq=still,
        b_eq=np.zeros(len(still)), bounds=(-1.0, 1.0), method="highs",
    )  # fmt: skip
    if found.status != 0:
        return None
    gained = gain @ found.x
    slack = 1e-6 * gained.max()
    # The solver's tolerances are absolute: what it found must stand out from them.
    if (
        gained.max() < 1e-5
        or gained.min() < -slack
        or np.abs(inner @ found.x).max(initial=0) > slack
    ):
        return None
    out[free] = found.x / scale
    return out


def check_separation(model: Model, y: np.ndarray) -> None:
    """Raise with the terms to blame if the fixed part separates ``y`` (chain order).

    Raises
    ------
    ModelError
        Naming the fewest terms, dropped from the last, that separate the response.
    """
    x = model.part.x[model.chain.order]
    side = sides(model.family, y, model.size)
    check_sides(model.part, model.response, x, side, np.ones(len(side), dtype=int))


def sides(family: Family, y: np.ndarray, size: np.ndarray) -> np.ndarray:
    """1 where all are successes, -1 where there are none, 0 elsewhere."""
    side = np.where(y == 0, -1.0, 0.0)
    if family.link == "logit":
        side[y == size] = 1.0
    return side


def check_sides(
    part: FixedPart, name: str, x: np.ndarray, side: np.ndarray, count: np.ndarray
) -> None:
    """:func:`check_separation` of distinct rows that occur ``count`` times."""
    direction = separating_direction(x, side)
    if direction is None:
        return
    terms = [t for t in reversed(part.terms) if t != "1"] + ["1"] * ("1" in part.terms)
    to_blame, direction = terms_to_blame(x, side, direction, {t: part.terms[t] for t in terms})
    apart = np.abs(x @ direction)
    apart = apart > 1e-6 * apart.max()
    blamed = [t for t in to_blame if t != "1"]
    names = listed(blamed)
    zeros, full = (int(count[apart & (side * sign > 0)].sum()) for sign in (-1, 1))
    if not names:
        raise ModelError(f"every value of {name!r} is {end(zeros > 0)}: nothing to compare.")
    raise ModelError(separated(names, len(blamed) > 1, name, zeros, full))


def terms_to_blame(
    x: np.ndarray, side: np.ndarray, direction: np.ndarray, columns: Mapping[str, list[int]]
) -> tuple[list[str], np.ndarray]:
    """The fewest terms that separate, and a direction in their columns.

    Parameters
    ----------
    x, side : as for :func:`separating_direction`.
    direction : ndarray, shape (terms,)
        One in all columns.
    columns : positions by term, in the order in which terms are dropped; those that cannot be
        come back in the opposite order.
    """
    free = np.ones(x.shape[1], dtype=bool)
    blamed: list[str] = []
    for term, own in columns.items():
        free[own] = False
        without = separating_direction(x, side, free)
        if without is None:
            free[own] = True
            blamed.insert(0, term)
        else:
            direction = without
    return blamed, direction


def listed(names: Sequence[str]) -> str:
    """``"a, b and c"``."""
    return " and ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))


def check_cells(model: Model) -> None:
    """A cell of a factor term with only zeros (or only successes) has no finite estimate.

    Raises
    ------
    ModelError
        Naming the cells of the first such term; also where all responses are alike.
    """
    if not model.family.counts:
        return
    check_cell_sums(model.part, model.family, model.response, cell_sums(model))


def cell_sums(model: Model) -> dict[str, np.ndarray]:
    """Rows, responses and trials of every cell of the terms of factors alone, shape (3, cells).

    The first, under an empty name, is that of all rows.
    """
    y = np.asarray(model.columns[model.response], dtype=float)
    size = model.original_order(model.size)
    out = {"": np.array([[len(y)], [y.sum()], [size.sum()]])}
    for term, cell, many in factor_cells(model.part, model.columns):
        out[term] = np.array([np.bincount(cell, w, many) for w in (None, y, size)])
    return out


def check_cell_sums(
    part: FixedPart, family: Family, response: str, sums: Mapping[str, np.ndarray]
) -> None:
    """:func:`check_cells` from sums over the rows of every cell."""
    for term, (rows, y, size) in sums.items():
        bad = [(end(True), y == 0)]
        if family.link == "logit":
            bad.append((end(False), y == size))
        for what, found in bad:
            where = np.flatnonzero(found & (rows > 0))
            if not len(where):
                continue
            if not term and what == end(True):
                raise ModelError(f"every value of {response!r} is zero: nothing to compare.")
            if not term:
                raise ModelError(
                    f"every {response!r} is as large as its trials: nothing to compare."
                )
            raise ModelError(
                f"every {response!r} is {what} under {term} = {cell_names(part, term, where)}: the "
                f"model has no finite estimate there. Compare the raw totals, pool that setup with "
                f"another, or count more frames."
            )


def factor_cells(part: FixedPart, columns: Columns) -> Iterator[tuple[str, np.ndarray, int]]:
    """Terms of factors alone: the term, the cell of every row (input order), how many cells."""
    for term in part.terms:
        factors = term.split(":")
        if all(f in part.levels for f in factors):
            shape = [len(part.levels[f]) for f in factors]
            codes = tuple(columns[f].codes for f in factors)
            yield term, np.ravel_multi_index(codes, shape), int(np.prod(shape))


def cell_names(part: FixedPart, term: str, cells: np.ndarray) -> str:
    """Levels of the cells of a term of factors."""
    factors = term.split(":")
    at = np.unravel_index(cells, [len(part.levels[f]) for f in factors])
    return ", ".join(
        ":".join(str(part.levels[f][i]) for f, i in zip(factors, cell, strict=True))
        for cell in zip(*at, strict=True)
    )
