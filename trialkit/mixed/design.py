"""Formula and frame to numbers: fixed-effect columns, slope columns, aliasing, missing rows."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import formulaic
import numpy as np
import pandas as pd
from pandas.api.types import is_numeric_dtype

from trialkit.errors import ModelError


@dataclass(frozen=True, slots=True)
class FixedPart:
    """Columns of the fixed effects and what it takes to build them for new data.

    Attributes
    ----------
    x : ndarray, shape (rows, terms)
        Estimable columns only.
    names : tuple of str
        Coefficient names.
    terms : dict
        Term to the positions of its columns (the intercept is term ``"1"``).
    aliased : tuple of str
        Columns dropped because earlier columns already span them.
    levels : dict
        Factor to its levels, reference first.
    centres : dict
        Numeric variable to its mean over the rows used.
    known : dict
        Grids built so far, see :meth:`grids`.
    """

    x: np.ndarray
    names: tuple[str, ...]
    terms: dict[str, list[int]]
    aliased: tuple[str, ...]
    levels: dict[str, list[Any]]
    centres: dict[str, float]
    spec: Any
    keep: np.ndarray
    null_space: np.ndarray
    known: dict[str, np.ndarray] = field(default_factory=dict, init=False, repr=False)

    def grids(self, wanted: Sequence[Mapping[str, Sequence[Any]]]) -> list[np.ndarray]:
        """Columns for all combinations of the values of each mapping, shape (cells, terms).

        The last variable varies fastest. Reading a formula takes longer than a small fit, so new
        grids are built together and kept.

        Raises
        ------
        ModelError
            As :meth:`matrix` does.
        """
        keys = [repr(values) for values in wanted]
        new = {k: v for k, v in zip(keys, wanted, strict=True) if k not in self.known}
        if new:
            if len(self.known) > 100:
                self.known.clear()
                return self.grids(wanted)
            frames = [
                pd.DataFrame(itertools.product(*v.values()), columns=list(v)) for v in new.values()
            ]
            rows = self.matrix(pd.concat(frames, ignore_index=True))
            rows.flags.writeable = False
            ends = np.cumsum([len(f) for f in frames])
            self.known.update(zip(new, np.split(rows, ends[:-1]), strict=True))
        return [self.known[k] for k in keys]

    def matrix(self, new: pd.DataFrame) -> np.ndarray:
        """Columns for new data, shape (rows, terms); rows that need an aliased column are NaN.

        Raises
        ------
        ModelError
            If a variable is missing or holds a level unknown to the fit.
        """
        new = new.copy()
        for name, levels in self.levels.items():
            if name not in new:
                raise ModelError(f"new data lack the column {name!r}.")
            bad = sorted({str(v) for v in new[name]} - {str(v) for v in levels})
            if bad:
                raise ModelError(f"{name!r} has levels {bad}; the fit knows {levels}.")
            new[name] = pd.Categorical(new[name], categories=levels)
        for name in self.centres:
            if name not in new:
                raise ModelError(f"new data lack the column {name!r}.")
        full = np.asarray(self.spec.get_model_matrix(new, na_action="ignore"), dtype=float)
        out = full[:, self.keep]
        if self.null_space.shape[1]:
            size = np.abs(full).max(axis=1) + 1.0
            out[np.abs(full @ self.null_space).max(axis=1) > 1e-7 * size] = np.nan
        return out


def prepare(frame: pd.DataFrame, columns: Sequence[str]) -> tuple[pd.DataFrame, int]:
    """Keep the named columns and the rows complete in them; text becomes categories.

    Returns
    -------
    (frame, dropped) : the rows used, and how many were left out for missing values.

    Raises
    ------
    ModelError
        If a column is absent or a number is infinite.
    """
    columns = list(dict.fromkeys(columns))
    absent = [c for c in columns if c not in frame]
    if absent:
        raise ModelError(f"columns {absent} are not in the data; it has {list(frame.columns)}.")
    used = frame[columns]
    complete = used.notna().all(axis=1)
    out = used[complete].reset_index(drop=True)
    for c in columns:
        if isinstance(out[c].dtype, pd.CategoricalDtype):
            out[c] = out[c].cat.remove_unused_categories()
        elif not is_numeric_dtype(out[c]) or out[c].dtype == bool:
            out[c] = out[c].astype("category")
        elif not np.isfinite(out[c].to_numpy(dtype=float)).all():
            raise ModelError(
                f"column {c!r} holds infinite values; correct or leave out those rows."
            )
    return out, int((~complete).sum())


def formula_variables(fixed: str) -> list[str]:
    """Data columns a right-hand side asks for."""
    try:
        parsed = formulaic.Formula(fixed)
    except Exception as error:
        raise ModelError(f"the fixed part {fixed!r} could not be read: {error}") from error
    return sorted(str(v) for v in parsed.required_variables)


def fixed_part(frame: pd.DataFrame, fixed: str) -> FixedPart:
    """Build the fixed-effect columns of a Wilkinson right-hand side.

    Raises
    ------
    ModelError
        If the formula cannot be evaluated, a factor has one level, or nothing is estimable.
    """
    variables = formula_variables(fixed)
    levels, centres = {}, {}
    for v in variables:
        if isinstance(frame[v].dtype, pd.CategoricalDtype):
            levels[v] = list(frame[v].cat.categories)
            if len(levels[v]) < 2:
                raise ModelError(
                    f"{v!r} has the single level {levels[v][0]!r} in the rows used; "
                    f"a comparison needs at least two."
                )
        else:
            centres[v] = float(frame[v].mean())
    try:
        mm = formulaic.model_matrix(fixed, frame)
    except Exception as error:
        raise ModelError(f"the fixed part {fixed!r} could not be built: {error}") from error
    full = np.asarray(mm, dtype=float)
    all_names = [str(c) for c in mm.columns]
    norm = np.linalg.norm(full, axis=0)
    _, r = np.linalg.qr(full / np.where(norm > 0, norm, 1.0))
    independent = np.zeros(full.shape[1], dtype=bool)
    independent[: r.shape[0]] = np.abs(np.diag(r)) > 1e-9
    # A dependent column can only hide among later ones: settle them one at a time.
    if not independent.all():
        kept: list[int] = []
        for j in range(full.shape[1]):
            cols = full[:, [*kept, j]] / np.where(norm[[*kept, j]] > 0, norm[[*kept, j]], 1.0)
            if np.linalg.matrix_rank(cols, tol=1e-8) == len(kept) + 1:
                kept.append(j)
        independent = np.isin(np.arange(full.shape[1]), kept)
    if not independent.any():
        raise ModelError(f"no column of the fixed part {fixed!r} can be estimated.")
    keep = np.flatnonzero(independent)
    drop = np.flatnonzero(~independent)
    null = np.zeros((full.shape[1], len(drop)))
    for k, j in enumerate(drop.tolist()):
        null[keep, k] = np.linalg.lstsq(full[:, keep], full[:, j], rcond=None)[0]
        null[j, k] = -1.0
    position = {int(j): i for i, j in enumerate(keep)}
    terms = {}
    for term, where in mm.model_spec.term_slices.items():
        found = [position[j] for j in range(where.start, where.stop) if j in position]
        if found:
            terms[str(term)] = found
    return FixedPart(
        x=full[:, keep],
        names=tuple(all_names[j] for j in keep),
        terms=terms,
        aliased=tuple(all_names[j] for j in drop),
        levels=levels,
        centres=centres,
        spec=mm.model_spec,
        keep=keep,
        null_space=null,
    )


@dataclass(frozen=True, slots=True)
class SlopeColumn:
    """One random column of a level: its name, the variable and the coding of a factor."""

    name: str
    variable: str | None
    codes: dict[Any, float] | None
    group: int

    def values(self, frame: pd.DataFrame) -> np.ndarray:
        """The column for the rows of ``frame``, shape (rows,)."""
        if self.variable is None:
            return np.ones(len(frame))
        if self.codes is None:
            return frame[self.variable].to_numpy(dtype=float)
        return np.array([self.codes[v] for v in frame[self.variable]], dtype=float)


COVARIANCES = ("unstructured", "independent", "exchangeable")


def slope_columns(
    frame: pd.DataFrame, variables: Sequence[str], covariance: str
) -> list[SlopeColumn]:
    """Random columns of one level: the intercept, then the slopes.

    A numeric variable is one column as it stands. A factor is coded by indicators of its later
    levels ("unstructured", "independent") or by orthonormal contrasts with one common variance
    ("exchangeable": every difference between two levels then varies alike across units).
    Columns with the same ``group`` share a variance.
    """
    if covariance not in COVARIANCES:
        raise ModelError(f"covariance {covariance!r} is not known; choose one of {COVARIANCES}.")
    columns = [SlopeColumn("Intercept", None, None, 0)]
    group = 0
    for v in variables:
        if not isinstance(frame[v].dtype, pd.CategoricalDtype):
            group += 1
            columns.append(SlopeColumn(v, v, None, group))
            continue
        levels = list(frame[v].cat.categories)
        n = len(levels)
        if covariance == "exchangeable":
            group += 1
            for j in range(1, n):
                # Normalised Helmert contrasts.
                w = np.r_[np.full(j, -1.0), j, np.zeros(n - j - 1)] / np.sqrt(j * (j + 1))
                columns.append(SlopeColumn(v, v, dict(zip(levels, w, strict=True)), group))
        else:
            for level in levels[1:]:
                group += 1
                codes = {k: float(k == level) for k in levels}
                columns.append(SlopeColumn(f"{v}[{level}]", v, codes, group))
    return columns


def check_slopes(slopes: Mapping[str, Sequence[str]], nested: Sequence[str]) -> None:
    """Slopes must belong to a nested level."""
    unknown = [k for k in slopes if k not in nested]
    if unknown:
        raise ModelError(f"slopes name the levels {unknown}; nested has {list(nested)}.")
