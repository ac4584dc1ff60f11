"""Which levels of units a design can carry: named once, told apart, no larger than memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed.chain import Chain
from trialkit.mixed.design import Columns
from trialkit.mixed.families import Family
from trialkit.mixed.notes import (
    constant_within_units,
    nested_after_all,
    one_row_each,
    single_label,
    single_unit,
    units_in_fixed,
)
from trialkit.mixed.random_part import SlopeColumn

# Cross-products of the distinct columns, one set a finest unit, must fit in memory.
LARGEST_CROSS = 50_000_000


def as_list(names: str | Sequence[str] | None) -> list[str]:
    """One name, several or none, as a list."""
    return [names] if isinstance(names, str) else list(names or ())


def check_names(
    nested: Sequence[str],
    crossed: Sequence[str],
    slopes: Mapping[str, Sequence[str]],
    covariance: Mapping[str, str],
) -> None:
    """Slopes and covariances belong to nested levels; no level is named twice."""
    for what, given in (("slopes name", slopes), ("covariance names", covariance)):
        unknown = [k for k in given if k not in nested]
        if unknown:
            raise ModelError(f"{what} the levels {unknown}; nested has {list(nested)}.")
    twice = sorted({k for k in [*nested, *crossed] if [*nested, *crossed].count(k) > 1})
    if twice:
        raise ModelError(f"{twice} are named more than once in nested and crossed.")


def useful_levels(
    used: Columns, nested: Sequence[str], crossed: Sequence[str],
    slopes: Mapping[str, Sequence[str]], notes: list[str],
) -> tuple[list[str], list[str]]:  # fmt: skip
    """Leave out levels of a single unit; crossed factors as categories.

    Without a nested level the crossed factor of most labels takes its place: the same model, and
    what is many is then sparse.
    """
    kept_crossed = []
    for name in crossed:
        if not isinstance(used[name], pd.Categorical):
            used[name] = pd.Categorical(used[name])
        if len(used[name].categories) > 1:
            kept_crossed.append(name)
        else:
            notes.append(single_label(name))
    kept: list[str] = []
    for name in nested:
        labels: Any = used[name]
        labels = labels.codes if isinstance(labels, pd.Categorical) else labels
        if kept or not (labels == labels[0]).all():
            kept.append(name)
            continue
        notes.append(single_unit(name, slopes.get(name, ())))
    if not kept and kept_crossed:
        kept = [max(kept_crossed, key=lambda name: len(used[name].categories))]
        kept_crossed.remove(kept[0])
    return kept, kept_crossed


def check_size(chain: Chain, used: Columns, crossed: Sequence[str], columns: int) -> None:
    """Crossed factors are held densely: their labels must be modest in number.

    Parameters
    ----------
    columns : fixed effects and random columns of the nested levels, in all.
    """
    labels = {name: len(used[name].categories) for name in crossed}
    q = columns + sum(labels.values())
    if crossed and len(chain.row_start) * q**2 > LARGEST_CROSS:
        held = ", ".join(f"{name!r} with {many}" for name, many in labels.items())
        raise ModelError(
            f"crossed factors of so many labels ({held}) do not fit in memory beside "
            f"{len(chain.row_start) - 1} nested units; nest the factor of most labels, or "
            f"leave one out."
        )


def check_units(
    chain: Chain, family: Family, x: np.ndarray, columns: Sequence[Sequence[SlopeColumn]],
    z: Sequence[np.ndarray], notes: list[str],
) -> None:  # fmt: skip
    """Levels must be told apart from each other, from the fixed part and from the residual.

    Parameters
    ----------
    x : ndarray, shape (rows, terms)
    columns, z : per level (finest first) its random columns and their values; rows in chain order.
    """
    n = len(x)
    check_unlike(chain.nested, chain.counts)

    def unit_of(lev: int) -> np.ndarray:
        if lev >= chain.n_nested:
            return np.argmax(z[lev], axis=1)
        return np.repeat(chain.unit[:, lev], np.diff(chain.row_start))

    counts = [*chain.counts[: chain.n_nested], *(c.shape[1] for c in z[chain.n_nested :])]
    for lev in range(chain.n_nested, chain.n_levels):
        _check_crossed(chain, [unit_of(j) for j in range(lev + 1)], counts, notes)
    for lev, (name, many) in enumerate(zip(chain.names, counts, strict=True)):
        width = len(columns[lev]) if lev < chain.n_nested else 1
        if family.name == "gaussian" and many * width >= n:
            raise ModelError(one_row_each(name, many, width, n, crossed=lev >= chain.n_nested))
        if many <= x.shape[1] and _spanned(x, unit_of(lev), many):
            raise ModelError(units_in_fixed(name, many))
        if width > 1:
            _check_slopes(name, unit_of(lev), columns[lev], z[lev], notes)
            if many <= x.shape[1]:
                of_unit = unit_of(lev)[:, None] == np.arange(many)
                own = of_unit[:, :, None] * z[lev][:, None, :]
                check_fixed_slopes(name, x, many, columns[lev], own)


def check_unlike(names: Sequence[str], counts: Sequence[int]) -> None:
    """Levels (finest first) differ in how many units they have."""
    for lev in range(len(names) - 1):
        if counts[lev] == counts[lev + 1]:
            raise ModelError(
                f"levels {names[lev + 1]!r} and {names[lev]!r} have the same "
                f"{counts[lev]} units; keep one of them."
            )


def _check_crossed(
    chain: Chain, units: Sequence[np.ndarray], counts: Sequence[int], notes: list[str]
) -> None:
    """A crossed factor, the last of ``units``, must part the rows unlike any level before it."""
    name, own, many = chain.names[len(units) - 1], units[-1], counts[len(units) - 1]
    for lev, (unit, count) in enumerate(zip(units[:-1], counts, strict=False)):
        both = len(np.unique(unit * many + own))
        if both == count == many:
            raise ModelError(
                f"crossed factor {name!r} parts the rows exactly as {chain.names[lev]!r} does, "
                f"so their variances cannot be told apart; keep one of them."
            )
        if both == many and lev < chain.n_nested:
            notes.append(nested_after_all(name, chain.names[lev]))
            return


def inside(columns: np.ndarray, x: np.ndarray) -> bool:
    """Whether the fixed effects span all columns."""
    rest = columns - x @ np.linalg.lstsq(x, columns, rcond=None)[0]
    return bool((rest**2).sum() <= 1e-16 * (columns**2).sum())


def check_fixed_slopes(
    name: str, x: np.ndarray, many: int, columns: Sequence[SlopeColumn], z: np.ndarray
) -> None:
    """Slopes of every unit must not be in the fixed part already.

    ``z`` holds the random columns unit by unit, shape (rows, units, columns).
    """
    for variable in dict.fromkeys(c.variable for c in columns if c.variable is not None):
        own = z[:, :, [j for j, c in enumerate(columns) if c.variable == variable]]
        if many * own.shape[2] > x.shape[1]:
            continue
        if inside(own.reshape(len(x), -1), x):
            raise ModelError(
                f"the fixed part already has an effect of {variable!r} for each of the {many} "
                f"units of {name!r}, so the variance of its slopes cannot be estimated; leave them "
                f"out of slopes, or that effect out of the fixed part."
            )


def _spanned(x: np.ndarray, unit: np.ndarray, many: int) -> bool:
    """Whether the fixed effects, at least as many as the units, tell every unit apart."""
    # Rows alike in different units, and one combination of the indicators, rule most designs out.
    alike = (x == x[0]).all(axis=1)
    if (unit[alike] != unit[0]).any():
        return False
    return inside(unit + 1.0, x) and inside((unit[:, None] == np.arange(many)).astype(float), x)


def _check_slopes(
    name: str, unit: np.ndarray, columns: Sequence[SlopeColumn], z: np.ndarray, notes: list[str]
) -> None:
    """Slopes need a variable that varies; best within the units."""
    same = unit[1:] == unit[:-1]
    for variable in dict.fromkeys(c.variable for c in columns if c.variable is not None):
        own = z[:, [j for j, c in enumerate(columns) if c.variable == variable]]
        moves = (own[1:] != own[:-1]).any(axis=1)
        if not moves.any():
            raise ModelError(
                f"{variable!r} is {own[0, 0]:g} in every row used: its slopes by {name!r} cannot "
                f"be told from the intercepts; leave them out."
            )
        if not moves[same].any():
            notes.append(constant_within_units(variable, name))
