"""A model on a fixed design: everything about a fit that does not depend on the response values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed.chain import Chain, build_chain
from trialkit.mixed.design import (
    FixedPart,
    SlopeColumn,
    check_slopes,
    fixed_part,
    formula_variables,
    prepare,
    slope_columns,
)
from trialkit.mixed.families import Family
from trialkit.mixed.problem import Entry, GaussianProblem, LaplaceProblem, Layout, build_layout
from trialkit.mixed.smallsample import Component


@dataclass(frozen=True, slots=True)
class Model:
    """The design of a mixed model, rows in chain order.

    Attributes
    ----------
    frame : DataFrame
        Rows used, in their original order.
    x : ndarray, shape (rows, terms)
        Fixed-effect columns in chain order, centred and scaled.
    to_original : ndarray, shape (terms, terms)
        Coefficients of the user's columns from those of ``x``.
    slopes : per level (finest first) its random columns.
    z : per level (finest first) their values, (rows, k).
    components : variance parameters of the levels, in the order of ``theta`` groups.
    """

    frame: pd.DataFrame
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

    @property
    def n_theta(self) -> int:
        return len(self.theta_scale)

    @property
    def scale(self) -> np.ndarray:
        """Natural scale of every parameter: Lambda entries, then ``phi`` where there is one."""
        return np.r_[self.theta_scale, np.ones(int(self.family.dispersed))]

    def layout(self, with_fixed: bool) -> tuple[Layout, np.ndarray]:
        """Chain layout and the distinct data columns it draws on, shape (rows, q)."""
        columns: list[np.ndarray] = []

        def place(values: np.ndarray) -> int:
            for j, known in enumerate(columns):
                if np.array_equal(known, values):
                    return j
            columns.append(values)
            return len(columns) - 1

        x_cols = [place(c) for c in self.x.T] if with_fixed else []
        z_cols = [[place(c) for c in z.T] for z in self.z]
        data = np.column_stack(columns) if columns else np.zeros((len(self.x), 0))
        return build_layout(self.chain, z_cols, x_cols, data.shape[1], self.entries), data

    def gaussian(self, y: np.ndarray, reml: bool) -> GaussianProblem:
        """The Gaussian criterion for responses in chain order."""
        layout, data = self.layout(with_fixed=True)
        return GaussianProblem(layout, data, y, self.weight, reml)

    def laplace(self, y: np.ndarray, restricted: bool) -> LaplaceProblem:
        """The Laplace criterion for responses in chain order."""
        layout, data = self.layout(with_fixed=restricted)
        return LaplaceProblem(
            layout, self.family, data, self.x, y, self.size, self.offset, restricted
        )

    @property
    def row_units(self) -> list[np.ndarray]:
        """Unit of every row (chain order), per level, finest first."""
        per_unit = np.diff(self.chain.row_start)
        return [np.repeat(self.chain.unit[:, lev], per_unit) for lev in range(self.chain.n_levels)]

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
        for columns, cov in zip(self.slopes, covariances, strict=True):
            z = np.column_stack([c.values(frame) for c in columns])
            total += np.einsum("ij,jk,ik->i", z, cov, z)
        return total


def build_model(
    frame: pd.DataFrame, *, response: str, fixed: str, nested: Sequence[str],
    slopes: Mapping[str, Sequence[str]], covariance: Mapping[str, str], family: Family,
    exposure: str | None, trials: str | None, weights: str | None,
) -> Model:  # fmt: skip
    """Check the arguments and lay the design out.

    Raises
    ------
    ModelError
        With a sentence naming the cause, see :func:`trialkit.mixed.fit_mixed`.
    """
    check_slopes(slopes, nested)
    wanted = [response, *formula_variables(fixed), *nested]
    wanted += [v for vs in slopes.values() for v in vs]
    wanted += [c for c in (exposure, trials, weights) if c is not None]
    used, dropped = prepare(frame, wanted)
    notes = []
    if dropped:
        notes.append(f"{dropped} of {len(frame)} rows have missing values and were left out.")
    if used.empty:
        raise ModelError("no complete row is left to fit.")

    kept: list[str] = []
    for name in nested:
        if used[name].nunique() == 1 and len(nested) > 0 and not kept:
            notes.append(f"{name!r} has a single unit: its variance cannot be estimated, left out.")
        else:
            kept.append(name)
    chain = build_chain(used, kept)
    for fine, coarse in zip(range(chain.n_levels), range(1, chain.n_levels), strict=False):
        if chain.counts[fine] == chain.counts[coarse]:
            raise ModelError(
                f"levels {chain.names[coarse]!r} and {chain.names[fine]!r} have the same "
                f"{chain.counts[fine]} units; keep one of them."
            )
    if family.name == "gaussian" and chain.counts and chain.counts[0] == len(used):
        raise ModelError(
            f"every unit of {chain.names[0]!r} has one row, so its variance cannot be told from "
            f"the residual; leave it out of nested."
        )
    part = fixed_part(used, fixed)
    if part.aliased:
        notes.append(f"aliased with earlier columns and dropped: {', '.join(part.aliased)}.")
    if len(used) <= part.x.shape[1]:
        raise ModelError(
            f"{len(used)} rows cannot estimate {part.x.shape[1]} fixed effects and a variance."
        )
    x, to_original = standardise(part.x[chain.order])

    ordered = used.iloc[chain.order]
    columns = [
        tuple(slope_columns(used, slopes.get(n, ()), covariance.get(n, "unstructured")))
        for n in chain.names
    ]
    z = [np.column_stack([c.values(ordered) for c in cols]) for cols in columns]
    entries, scale, components = _entries(columns, z, chain.names, covariance)
    n = len(used)
    take = lambda c, default: (  # noqa: E731
        np.full(n, default) if c is None else ordered[c].to_numpy(dtype=float)
    )
    size, area, weight = take(trials, 1.0), take(exposure, 1.0), take(weights, 1.0)
    for what, values in (("trials", size), ("exposure", area), ("weights", weight)):
        if not (values > 0).all():
            raise ModelError(f"{what} must be above zero in every row.")
    return Model(
        frame=used, response=response, fixed=fixed, family=family, chain=chain, part=part,
        x=x, to_original=to_original, slopes=tuple(columns), z=tuple(z),
        covariances={k: covariance.get(k, "unstructured") for k in chain.names},
        entries=tuple(entries), theta_scale=scale, components=tuple(components),
        size=size, offset=np.log(area), weight=weight, notes=tuple(notes),
    )  # fmt: skip


def standardise(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centre and scale columns (an intercept stays); returns the columns and the way back."""
    p = x.shape[1]
    constant = np.flatnonzero(np.ptp(x, axis=0) == 0)
    back = np.eye(p)
    centre = np.zeros(p)
    scale = np.ones(p)
    for j in range(p):
        if j in constant:
            continue
        if len(constant):
            centre[j] = x[:, j].mean()
        scale[j] = np.sqrt(np.mean((x[:, j] - centre[j]) ** 2))
        back[j, j] = 1.0 / scale[j]
        if len(constant):
            c = constant[0]
            back[c, j] = -centre[j] / scale[j] / x[0, c]
    return (x - centre) / scale, back


def _entries(
    columns: Sequence[Sequence[SlopeColumn]], z: Sequence[np.ndarray], names: Sequence[str],
    covariance: Mapping[str, str],
) -> tuple[list[Entry], np.ndarray, list[Component]]:  # fmt: skip
    """Free entries of every Lambda, the natural scale of each parameter, variance components."""
    entries: list[Entry] = []
    scale: list[float] = []
    components: list[Component] = []
    for lev, (cols, values, name) in enumerate(zip(columns, z, names, strict=True)):
        k = len(cols)
        rms = np.sqrt(np.mean(values**2, axis=0))
        if covariance.get(name, "unstructured") == "unstructured":
            for b in range(k):
                for a in range(b, k):
                    entries.append(Entry(lev, a, b, len(scale)))
                    scale.append(1.0 / rms[a])
                    components.append(Component(lev, ((a, b),)))
            continue
        for group in sorted({c.group for c in cols}):
            own = [j for j, c in enumerate(cols) if c.group == group]
            entries += [Entry(lev, j, j, len(scale)) for j in own]
            scale.append(1.0 / float(np.sqrt(np.mean(rms[own] ** 2))))
            components.append(Component(lev, tuple((j, j) for j in own)))
    return entries, np.array(scale), components
