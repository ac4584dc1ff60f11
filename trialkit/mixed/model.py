"""A model on a fixed design: everything about a fit that does not depend on the response values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed.chain import Chain, build_chain
from trialkit.mixed.design import Columns, FixedPart, fixed_part, formula_variables, prepare
from trialkit.mixed.families import Family
from trialkit.mixed.levels import check_names, check_size, check_units, useful_levels
from trialkit.mixed.marginal import Component
from trialkit.mixed.notes import columns_dropped, rows_left_out
from trialkit.mixed.problem import ChainLayout, Entry, GaussianProblem, LaplaceProblem, build_layout
from trialkit.mixed.random_part import SlopeColumn, crossed_columns, slope_columns


@dataclass(frozen=True)
class Model:
    """The design of a mixed model, rows in chain order.

    Attributes
    ----------
    columns : dict of arrays and categoricals
        Rows used, in their original order.
    x : ndarray, shape (rows, terms)
        Fixed-effect columns in chain order, centred and scaled.
    to_original : ndarray, shape (terms, terms)
        Coefficients of the user's columns from those of ``x``.
    slopes : per level (finest first) its random columns.
    z : per level (finest first) their values, (rows, k).
    components : variance parameters of the levels, in the order of ``theta`` groups.
    """

    columns: Columns
    response: str
    fixed: str
    family: Family
    chain: Chain
    part: FixedPart
    x: np.ndarray
    to_original: np.ndarray
    slopes: tuple[tuple[SlopeColumn, ...], ...]
    z: tuple[np.ndarray, ...]
    covariances: dict[str, str]
    entries: tuple[Entry, ...]
    theta_scale: np.ndarray
    components: tuple[Component, ...]
    size: np.ndarray
    offset: np.ndarray
    weight: np.ndarray
    notes: tuple[str, ...] = field(default=())

    @cached_property
    def frame(self) -> pd.DataFrame:
        """Rows used, in their original order."""
        return pd.DataFrame(self.columns, copy=False)

    @property
    def n(self) -> int:
        """Rows in all."""
        return len(self.x)

    @property
    def n_theta(self) -> int:
        return len(self.theta_scale)

    @property
    def diagonal(self) -> list[int]:
        """Parameters on the diagonal of a Lambda: standard deviations, up to correlations."""
        return sorted({e.parameter for e in self.entries if e.row == e.column})

    @property
    def scale(self) -> np.ndarray:
        """Natural scale of every parameter: Lambda entries, then ``phi`` where there is one."""
        return np.r_[self.theta_scale, np.ones(int(self.family.dispersed))]

    def layout(self, with_fixed: bool) -> tuple[ChainLayout, np.ndarray]:
        """Chain layout and the distinct data columns it draws on, shape (rows, q)."""
        return self._with_fixed if with_fixed else self._without_fixed

    @cached_property
    def _with_fixed(self) -> tuple[ChainLayout, np.ndarray]:
        return self._layout(True)

    @cached_property
    def _without_fixed(self) -> tuple[ChainLayout, np.ndarray]:
        return self._layout(False)

    def _layout(self, with_fixed: bool) -> tuple[ChainLayout, np.ndarray]:
        columns: list[np.ndarray] = []

        def place(values: np.ndarray) -> int:
            for j, known in enumerate(columns):
                if values[0] == known[0] and np.array_equal(known, values):
                    return j
            columns.append(values)
            return len(columns) - 1

        x_cols = [place(c) for c in self.x.T]
        z_cols = [[place(c) for c in z.T] for z in self.z]
        data = np.array(columns).T if columns else np.zeros((len(self.x), 0))
        layout = build_layout(self.chain, z_cols, x_cols, data.shape[1], self.entries, with_fixed)
        return layout, data

    def gaussian(self, y: np.ndarray, reml: bool) -> GaussianProblem:
        """The Gaussian criterion for responses in chain order."""
        layout, data = self.layout(with_fixed=True)
        return GaussianProblem(layout, data, y, self.weight, reml)

    def laplace(self, y: np.ndarray, restricted: bool) -> LaplaceProblem:
        """The Laplace criterion for responses in chain order."""
        layout, data = self.layout(with_fixed=restricted)
        obs = np.column_stack([y, self.size, self.offset, self.weight])
        return LaplaceProblem(layout, self.family, data, obs, restricted)

    @property
    def levels_text(self) -> str:
        """Levels with their units, coarse to fine, then crossed factors."""
        chain = self.chain
        counts = [len(self.z[lev].T) if lev >= chain.n_nested else n
                  for lev, n in enumerate(chain.counts)]  # fmt: skip
        levels = [f"{name} ({n})" for name, n in zip(chain.names, counts, strict=True)]
        nested = " > ".join(reversed(levels[: chain.n_nested]))
        return ", crossed with ".join([nested, *levels[chain.n_nested :]])

    @property
    def row_units(self) -> list[np.ndarray]:
        """Unit of every row (chain order), per level, finest first."""
        per_unit = np.diff(self.chain.row_start)
        return [np.repeat(self.chain.unit[:, lev], per_unit) for lev in range(self.chain.n_levels)]

    def unit_labels(self, lev: int) -> pd.DataFrame:
        """Labels of the units of a level, coarse to fine; of a crossed factor, its labels."""
        if lev < self.chain.n_nested:
            return self.chain.labels[lev]
        name = self.chain.names[lev]
        return pd.DataFrame({name: self.columns[name].categories})

    def unit_columns(self, lev: int) -> tuple[SlopeColumn, ...]:
        """Random columns that every unit of a level has; a label of a crossed factor has one."""
        return self.slopes[lev] if lev < self.chain.n_nested else self.slopes[lev][:1]

    def units_of_rows(self, lev: int) -> np.ndarray:
        """Position in :meth:`unit_labels` of every row (chain order)."""
        if lev < self.chain.n_nested:
            return self.row_units[lev]
        return np.argmax(self.z[lev], axis=1)

    def original_order(self, values: np.ndarray) -> np.ndarray:
        """Values of rows in chain order, put back in the order of :attr:`frame`."""
        out = np.empty_like(values)
        out[self.chain.order] = values
        return out

    def check_response(self, y: np.ndarray) -> None:
        """Values must suit the family; see :func:`trialkit.mixed.fit_mixed`."""
        name, family = self.response, self.family.name
        if not np.isfinite(y).all():
            raise ModelError(f"{name!r} holds missing or infinite values.")
        if family == "gamma" and (y <= 0).any():
            raise ModelError(f"{name!r} must be above zero for family 'gamma'.")
        if self.family.counts and ((y < 0).any() or (y != np.round(y)).any()):
            raise ModelError(f"{name!r} must be whole numbers from zero up for family {family!r}.")
        if self.family.link == "logit" and (y > self.size).any():
            raise ModelError(f"{name!r} exceeds its trials in {int((y > self.size).sum())} rows.")

    def random_variance(self, frame: pd.DataFrame, covariances: Sequence[np.ndarray]) -> np.ndarray:
        """Total variance of the random effects in each row of ``frame``, shape (rows,)."""
        total = np.zeros(len(frame))
        for lev, (columns, cov) in enumerate(zip(self.slopes, covariances, strict=True)):
            if lev >= self.chain.n_nested:
                total += cov[0, 0]
                continue
            z = np.column_stack([c.values(frame, len(frame)) for c in columns])
            total += np.einsum("ij,jk,ik->i", z, cov, z)
        return total


def build_model(
    frame: pd.DataFrame, *, response: str, fixed: str, nested: Sequence[str],
    slopes: Mapping[str, Sequence[str]], covariance: Mapping[str, str], crossed: Sequence[str],
    family: Family, exposure: str | None, trials: str | None, weights: str | None,
) -> Model:  # fmt: skip
    """Check the arguments and lay the design out.

    Raises
    ------
    ModelError
        With a sentence naming the cause, see :func:`trialkit.mixed.fit_mixed`.
    """
    check_names(nested, crossed, slopes, covariance)
    wanted = [response, *formula_variables(fixed), *nested, *crossed]
    wanted += [v for vs in slopes.values() for v in vs]
    wanted += [c for c in (exposure, trials, weights) if c is not None]
    used, dropped = prepare(frame, wanted)
    notes = []
    if dropped:
        notes.append(rows_left_out(dropped, len(frame)))
    n = len(frame) - dropped
    if not n:
        raise ModelError("no complete row is left to fit.")
    nested, crossed = useful_levels(used, nested, crossed, slopes, notes)
    chain = build_chain(used, n, nested, crossed)
    part = fixed_part(used, n, fixed)
    if part.aliased:
        notes.append(columns_dropped(part.aliased))
    if n <= part.x.shape[1]:
        raise ModelError(
            f"{n} rows cannot estimate {part.x.shape[1]} fixed effects and a variance."
        )
    x, to_original = standardise(np.take(part.x.T, chain.order, axis=1).T)

    covariances = {name: covariance.get(name, "unstructured") for name in chain.nested}
    covariances |= dict.fromkeys(crossed, "exchangeable")
    columns = [
        tuple(slope_columns(used, slopes.get(name, ()), covariances[name])) for name in chain.nested
    ]
    check_size(chain, used, crossed, x.shape[1] + sum(len(c) for c in columns))
    columns += [tuple(crossed_columns(used, name)) for name in crossed]
    z = random_values(used, chain, columns)
    check_units(chain, family, x, columns, z, notes)
    rms = [np.sqrt(np.mean(values**2, axis=0)) for values in z]
    entries, scale, components = free_entries(columns, rms, covariances)
    given = {"trials": trials, "exposure": exposure, "weights": weights}
    size, area, weight = positive_columns(used, chain, given)
    if family.link == "logit":
        check_trials(size, trials)
        check_several(family, bool((size == 1.0).all()))
    return Model(
        columns=used, response=response, fixed=fixed, family=family,
        chain=chain, part=part,
        x=x, to_original=to_original, slopes=tuple(columns), z=tuple(z), covariances=covariances,
        entries=tuple(entries), theta_scale=scale, components=tuple(components),
        size=size, offset=np.log(area), weight=weight, notes=tuple(notes),
    )  # fmt: skip


def random_values(
    used: Columns, chain: Chain, columns: Sequence[tuple[SlopeColumn, ...]]
) -> list[np.ndarray]:
    """Values of the random columns of every level, (rows, k), rows in chain order."""
    n, many = len(chain.order), chain.n_nested
    z = [np.column_stack([c.values(used, n) for c in own])[chain.order] for own in columns[:many]]
    labels = zip(chain.names[many:], columns[many:], strict=True)
    return z + [np.eye(len(own))[used[name].codes[chain.order]] for name, own in labels]


def positive_columns(
    used: Columns, chain: Chain, given: Mapping[str, str | None]
) -> Iterator[np.ndarray]:
    """Columns that are above zero, in chain order; ones where none is given."""
    for what, name in given.items():
        if name is None:
            yield np.ones(len(chain.order))
            continue
        values = np.asarray(used[name], dtype=float)[chain.order]
        if not (values > 0).all():
            raise ModelError(f"{what} must be above zero in every row.")
        yield values


def check_trials(size: np.ndarray, trials: str | None) -> None:
    if (size != np.round(size)).any():
        raise ModelError(f"trials must be whole numbers; {trials!r} holds others.")


def check_several(family: Family, single: bool) -> None:
    """A precision needs several trials in some row."""
    if family.dispersed and single:
        raise ModelError(
            f"single trials tell nothing of the precision of family {family.name!r}; use "
            f"family 'binomial', or give the column of trials."
        )


def standardise(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centre and scale columns (an intercept stays); returns the columns and the way back."""
    constant = [j for j, column in enumerate(x.T) if (column == column[0]).all()]
    centre, scale = np.zeros(x.shape[1]), np.ones(x.shape[1])
    columns = np.array(x.T)
    for j, column in enumerate(columns):
        if j in constant:
            continue
        centre[j] = column.mean() if constant else 0.0
        column -= centre[j]
        scale[j] = np.sqrt(column @ column / len(column))
        column /= scale[j]
    return columns.T, way_back(centre, scale, constant, x[0])


def way_back(
    centre: np.ndarray, scale: np.ndarray, constant: Sequence[int], row: np.ndarray
) -> np.ndarray:
    """Coefficients of the user's columns from those of centred and scaled ones, (terms, terms).

    Parameters
    ----------
    centre, scale : ndarray, shape (terms,)
        Zero and one for the columns ``constant``, whose values are in ``row``.
    """
    back = np.diag(1.0 / scale)
    if constant:
        c = constant[0]
        back[c] -= centre / scale / row[c]
    return back


def free_entries(
    columns: Sequence[Sequence[SlopeColumn]],
    size: Sequence[np.ndarray],
    covariances: Mapping[str, str],
) -> tuple[list[Entry], np.ndarray, list[Component]]:  # fmt: skip
    """Free entries of every Lambda, the natural scale of each parameter, variance components.

    ``size`` is, per level, the root mean square of each of its columns.
    """
    entries: list[Entry] = []
    scale: list[float] = []
    components: list[Component] = []
    for lev, (cols, rms, kind) in enumerate(zip(columns, size, covariances.values(), strict=True)):
        k = len(cols)
        if kind == "unstructured":
            for b in range(k):
                for a in range(b, k):
                    entries.append(Entry(lev, a, b, len(scale)))
                    scale.append(1.0 / rms[a])
                    components.append(Component(lev, ((a, b),)))
            continue
        for group in sorted({c.group for c in cols}):
            own = [j for j, c in enumerate(cols) if c.group == group]
            entries += [Entry(lev, j, j, len(scale)) for j in own]
            # Indicators of labels share a row among them; contrasts of a factor all meet in one.
            together = kind == "exchangeable" and cols[own[0]].name == "Intercept"
            mean = np.sum if together and len(own) > 1 else np.mean
            scale.append(1.0 / float(np.sqrt(mean(rms[own] ** 2))))
            components.append(Component(lev, tuple((j, j) for j in own)))
    return entries, np.array(scale), components
