"""A partition laid out for evaluations, and what it tells once of its rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from trialkit.mixed.agreed import Agreed, triangular
from trialkit.mixed.estimate import linked, units_alike, weighted_sums, within_units
from trialkit.mixed.gradients import E_COLUMN
from trialkit.mixed.kernels import END, FIRST, UNIT
from trialkit.mixed.marginal import Component, marginal_jets
from trialkit.mixed.model import Model
from trialkit.mixed.partitions import Source
from trialkit.mixed.problem import ChainLayout
from trialkit.mixed.separation import cell_sums, sides
from trialkit.mixed.shares import GaussianShare, LaplaceShare


@dataclass(frozen=True, slots=True)
class Told:
    """What is summed over partitions before a search.

    Attributes
    ----------
    counts : units of every level, finest first.
    moves : per level the variables with slopes that vary within a unit.
    gram : ndarray, shape (terms + 1, terms + 1)
        Weighted cross-products of fixed columns and values (the response; of gamma its logarithm).
    mean, spread : of the values, and their sum of squares about it.
    cells : see :func:`trialkit.mixed.separation.cell_sums`.
    constant : what a Laplace likelihood lacks.
    """

    rows: int
    counts: tuple[int, ...]
    moves: tuple[tuple[str, ...], ...]
    gram: np.ndarray
    mean: float
    spread: float
    largest: float
    most_trials: float
    log_weight: float
    cells: dict[str, np.ndarray]
    constant: float


def _tell(model: Model, y: np.ndarray) -> Told:
    family, chain = model.family, model.chain
    values = _values(model, y)
    both = np.column_stack([model.x, values])
    moves = []
    for z, unit, columns in zip(model.z, model.row_units, model.slopes, strict=True):
        changes = (z[1:] != z[:-1]) & (unit[1:] == unit[:-1])[:, None]
        found = {c.variable for c, any_ in zip(columns, changes.any(axis=0), strict=True) if any_}
        moves.append(tuple(v for v in found if v is not None))
    counted = family.counts
    gaussian = family.name == "gaussian"
    return Told(
        len(y), chain.counts[: chain.n_levels], tuple(moves),
        (both * model.weight[:, None]).T @ both, float(values.mean()),
        float(((values - values.mean()) ** 2).sum()), float(y.max()), float(model.size.max()),
        float(np.log(model.weight).sum()), cell_sums(model) if counted else {},
        0.0 if gaussian else family.log_constant(y, model.size, model.weight),
    )  # fmt: skip


def _values(model: Model, y: np.ndarray) -> np.ndarray:
    return y if model.family.name != "gamma" else np.log(y)


class GaussianPart(GaussianShare):
    """Cross-products of a partition; its rows are let go."""

    def __init__(self, source: Source, agreed: Agreed, reml: bool) -> None:
        model = agreed.lay_out(source)
        y = agreed.response(model)
        layout, data = model.layout(with_fixed=True)
        super().__init__(layout, data, y, model.weight, reml)
        self.told = _tell(model, y)

    def tell(self) -> Told:
        """What is summed before a search."""
        return self.told


class LaplacePart:
    """Rows of a partition of counts, with a share of either criterion."""

    def __init__(self, source: Source, agreed: Agreed) -> None:
        model = agreed.lay_out(source)
        y = agreed.response(model)
        self.family = model.family
        self.layouts: dict[bool, ChainLayout] = {}
        for restricted in (True, False):
            self.layouts[restricted], data = model.layout(restricted)
        self.data = np.ascontiguousarray(data)
        self.obs = np.column_stack([y, model.size, model.offset, model.weight])
        self.told = _tell(model, y)
        self.shares: dict[bool, LaplaceShare] = {}

    def tell(self) -> Told:
        """What is summed before a search."""
        return self.told

    def __sizeof__(self) -> int:
        trees = sum(layout.tree.nbytes for layout in self.layouts.values())
        own = sum(s.__sizeof__() - s.data.nbytes - s.obs.nbytes for s in self.shares.values())
        return object.__sizeof__(self) + trees + self.data.nbytes + self.obs.nbytes + own

    def share(self, restricted: bool, question: str, *told: Any) -> Any:
        """The answer of one criterion's share."""
        if restricted not in self.shares:
            self.shares[restricted] = LaplaceShare(
                self.layouts[restricted], self.family, self.data, self.obs, restricted
            )
        return getattr(self.shares[restricted], question)(*told)

    def started(self) -> np.ndarray:
        """Triangular factor of fixed columns and responses on the link scale."""
        y, size, offset, _ = self.obs.T
        values = linked(self.family, y, size, offset)
        return triangular(np.column_stack([self._x, values]))

    def weighted(self, beta: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        """Information, score and least weight without random effects."""
        y, size, offset, _ = self.obs.T
        return weighted_sums(self.family, y, size, offset, self._x, beta)

    def shape_sums(self, beta: np.ndarray) -> tuple[np.ndarray, bool, bool]:
        """What a dispersion starts from; whether the means are the responses, or all at an end."""
        y, size, offset, _ = self.obs.T
        mean = size * self.family.inverse_link(offset + self._x @ beta)
        same = np.allclose(y, mean, rtol=1e-9, atol=0.0)
        return self.family.shape_sums(y, mean), same, bool(((y == 0) | (y == size)).all())

    def alike(self) -> int:
        """Finest units that are all zero or all successes."""
        return units_alike(self.obs[:, 0], self.obs[:, 1], self.layouts[True].tree[:, FIRST])

    def distinct(self) -> tuple[np.ndarray, np.ndarray]:
        """Distinct rows of side and fixed columns, and how many there are of each."""
        rows = np.column_stack([sides(self.family, self.obs[:, 0], self.obs[:, 1]), self._x])
        return np.unique(rows, axis=0, return_counts=True)

    def information(
        self, restricted: bool, theta: np.ndarray, beta: np.ndarray, tolerance: float
    ) -> np.ndarray:
        """Weighted cross-products of the fixed columns at the mode."""
        x = self._x
        return (x * self._weight(restricted, theta, beta, tolerance)[:, None]).T @ x

    def jets(
        self, theta: np.ndarray, beta: np.ndarray, tolerance: float, least: float,
        covariances: list[np.ndarray], components: list[Component],
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        """:func:`marginal_jets` of the working response at the mode."""
        weight = self._weight(True, theta, beta, tolerance)
        layout = self.layouts[True]
        z = [np.zeros((len(weight), k)) for k in layout.widths]
        for entry, link in zip(layout.entries, layout.links_entries, strict=True):
            if entry.row == entry.column:
                z[entry.level][:, entry.row] = self.data[:, link[E_COLUMN]]
        each = layout.tree[:, END] - layout.tree[:, FIRST]
        units = [np.repeat(layout.tree[:, UNIT + lev], each) for lev in range(len(z))]
        residual = 1.0 / np.maximum(weight, least)
        return marginal_jets(self._x, residual, z, units, covariances, components)

    def _weight(
        self, restricted: bool, theta: np.ndarray, beta: np.ndarray, tolerance: float
    ) -> np.ndarray:
        self.share(restricted, "mode", theta, beta, tolerance)
        return self.shares[restricted].work[:, 1]

    @property
    def _x(self) -> np.ndarray:
        return np.asarray(self.data[:, self.layouts[True].x_columns])


def gaussian_jets(
    source: Source, agreed: Agreed, s2: float, covariances: list[np.ndarray],
    components: list[Component],
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """:func:`marginal_jets` of a partition read again."""
    model = agreed.lay_out(source)
    residual = s2 / model.weight
    return marginal_jets(model.x, residual, model.z, model.row_units, covariances, components)


def left_of(source: Source, agreed: Agreed) -> np.ndarray:
    """Triangular factor of what the finest units leave of fixed columns and values."""
    model = agreed.lay_out(source)
    values = _values(model, agreed.response(model))
    return triangular(within_units(model, values))


def squares_left(source: Source, agreed: Agreed, beta: np.ndarray) -> float:
    """Sum of squares that the fixed part leaves of the response."""
    model = agreed.lay_out(source)
    left = agreed.response(model) - model.x @ beta
    return float(left @ left)


def unit_factor(source: Source, agreed: Agreed, lev: int) -> tuple[int, np.ndarray]:
    """Units of a level, and a triangular factor of fixed columns and each unit's random ones."""
    model = agreed.lay_out(source)
    many, z = model.chain.counts[lev], model.z[lev]
    of_unit = model.row_units[lev][:, None] == np.arange(many)
    own = (of_unit[:, :, None] * z[:, None, :]).reshape(len(z), -1)
    return many, triangular(np.column_stack([model.x, own]))
