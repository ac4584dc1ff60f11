"""Formula and frame to numbers: fixed-effect columns, slope columns, aliasing, missing rows."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import formulaic
import numpy as np
import pandas as pd
from pandas.api.types import is_numeric_dtype

from trialkit.errors import ModelError
from trialkit.mixed.names import called_with, column, marked, plain

# Rows by column: numbers as arrays, factors as categoricals.
Columns = dict[str, Any]


@dataclass(frozen=True, slots=True)
class FixedPart:
    """Columns of the fixed effects and what it takes to build them for new data.

    Attributes
    ----------
    x : ndarray, shape (rows, terms)
        Estimable columns only, each contiguous in memory.
    names : tuple of str
        Coefficient names.
    terms : dict
        Term to the positions of its columns (the intercept is term ``"1"``).
    aliased : tuple of str
        Columns dropped because earlier columns already span them.
    full_names, full_terms : as `names` and `terms`, the aliased columns among them.
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
    full_names: tuple[str, ...]
    full_terms: dict[str, list[int]]
    levels: dict[str, list[Any]]
    centres: dict[str, float]
    build: Callable[[Columns, int], np.ndarray]
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
        full = self.full(new)
        out = full[:, self.keep]
        if self.null_space.shape[1]:
            size = np.abs(full).max(axis=1) + 1.0
            out[np.abs(full @ self.null_space).max(axis=1) > 1e-7 * size] = np.nan
        return out

    def full(self, new: pd.DataFrame) -> np.ndarray:
        """Columns for new data, the aliased among them; raises as :meth:`matrix` does."""
        return self.build(self.columns(new), len(new))

    def columns(self, new: pd.DataFrame) -> Columns:
        """Variables of new data as those of the fit; raises as :meth:`matrix` does."""
        columns: Columns = {}
        for name, levels in self.levels.items():
            if name not in new:
                raise ModelError(f"new data lack the column {name!r}.")
            bad = sorted({str(v) for v in new[name]} - {str(v) for v in levels})
            if bad:
                raise ModelError(f"{name!r} has levels {bad}; the fit knows {levels}.")
            columns[name] = pd.Categorical(new[name], categories=levels)
        for name in self.centres:
            if name not in new:
                raise ModelError(f"new data lack the column {name!r}.")
            columns[name] = new[name].to_numpy()
        return columns


def prepare(frame: pd.DataFrame, columns: Sequence[str]) -> tuple[Columns, int]:
    """Keep the named columns and the rows complete in them; text becomes categories.

    Returns
    -------
    (columns, dropped) : the rows used, and how many were left out for missing values.

    Raises
    ------
    ModelError
        If a column is absent or a number is infinite.
    """
    columns = list(dict.fromkeys(columns))
    absent = [c for c in columns if c not in frame]
    if absent:
        raise ModelError(f"columns {absent} are not in the data; it has {list(frame.columns)}.")
    complete = np.ones(len(frame), dtype=bool)
    out: Columns = {}
    for c in columns:
        values = frame[c]
        if not is_numeric_dtype(values) or values.dtype == bool:
            if isinstance(values.dtype, pd.CategoricalDtype):
                out[c] = values.array
            else:
                codes, kinds = _factorize(values)
                dtype = pd.CategoricalDtype(kinds)
                out[c] = pd.Categorical.from_codes(codes, dtype=dtype, validate=False)
            complete &= out[c].codes >= 0
            continue
        out[c] = values.to_numpy()
        if not np.issubdtype(out[c].dtype, np.integer):
            numbers = values.to_numpy(dtype=float, na_value=np.nan)
            complete &= ~np.isnan(numbers)
            if np.isinf(numbers).any():
                raise ModelError(
                    f"column {c!r} holds infinite values; correct or leave out those rows."
                )
    dropped = int((~complete).sum())
    for c, values in out.items():
        used = values[complete] if dropped else values
        if isinstance(used, pd.Categorical):
            there = np.bincount(used.codes[used.codes >= 0], minlength=len(used.categories))
            used = used if there.all() else used.remove_unused_categories()
        out[c] = used
    return out, dropped


def _factorize(values: pd.Series) -> tuple[np.ndarray, Any]:
    """Codes (-1 for missing) and sorted labels; hashes one value a run of equal ones."""
    plain = values.to_numpy()
    new = np.ones(len(plain), dtype=bool)
    new[1:] = plain[1:] != plain[:-1]
    codes, kinds = pd.factorize(values[new], sort=True)
    return codes[np.cumsum(new) - 1], kinds


@lru_cache(maxsize=256)
def _parsed(fixed: str) -> tuple[tuple[str, tuple[str, ...]], ...] | None:
    """Terms of a right-hand side with their variables; None where a term needs evaluation."""
    out = []
    for term in formulaic.Formula(marked(fixed)):
        if any(f.eval_method.value == "python" for f in term.factors):
            return None
        out.append((plain(str(term)), tuple(plain(f.expr) for f in term.factors if f.expr != "1")))
    return tuple(out)


@lru_cache(maxsize=256)
def formula_variables(fixed: str) -> list[str]:
    """Data columns a right-hand side asks for."""
    try:
        parsed = formulaic.Formula(marked(fixed))
    except Exception as error:
        words = plain(str(error))
        raise ModelError(f"the fixed part {fixed!r} could not be read: {words}") from error
    if isinstance(parsed, formulaic.formula.StructuredFormula):
        raise ModelError(
            f"the fixed part {fixed!r} must be one right-hand side, such as 'a + b', without "
            f"'~' or '|'; the response and the levels have arguments of their own."
        )
    read = called_with(f.expr for t in parsed for f in t.factors if f.eval_method.value == "python")
    return sorted({plain(str(v)) for v in {*parsed.required_variables, *read}})


@dataclass(frozen=True, slots=True)
class Products:
    """Columns of a formula whose terms are products of variables, its lower terms included.

    Factors are then coded by indicators of their later levels; in a term the first variable
    varies fastest. What formulaic builds for such formulas, without its general machinery.
    """

    terms: tuple[tuple[str, tuple[str, ...]], ...]
    levels: dict[str, list[Any]]

    def coded(self, variable: str) -> list[str]:
        """Names of the columns of one variable."""
        if variable not in self.levels:
            return [variable]
        return [f"{variable}[T.{level}]" for level in self.levels[variable][1:]]

    def names(self) -> list[list[str]]:
        """Column names, per term."""
        out = []
        for _, variables in self.terms:
            made = [""]
            for v in variables:
                made = [f"{m}:{c}" if m else c for c in self.coded(v) for m in made]
            out.append(made if variables else ["Intercept"])
        return out

    def __call__(self, columns: Columns, n: int) -> np.ndarray:
        values: dict[str, list[np.ndarray]] = {}
        for v in {v for _, variables in self.terms for v in variables}:
            if v in self.levels:
                codes = columns[v].codes
                values[v] = [(codes == j).astype(float) for j in range(1, len(self.levels[v]))]
            else:
                values[v] = [np.asarray(columns[v], dtype=float)]
        out: list[np.ndarray] = []
        for _, variables in self.terms:
            made = values[variables[0]] if variables else [np.ones(n)]
            for v in variables[1:]:
                made = [m * c for c in values[v] for m in made]
            out += made
        return np.array(out).T


def _products(fixed: str, levels: dict[str, list[Any]]) -> Products | None:
    """The formula as products, or None where it needs formulaic's general rules."""
    terms = _parsed(fixed)
    if terms is None:
        return None
    known = {frozenset(variables) for _, variables in terms}
    for _, variables in terms:
        if len(set(variables)) != len(variables):
            return None
        for v in variables:
            if v in levels and frozenset(variables) - {v} not in known:
                return None
    return Products(terms, levels) if frozenset() in known else None


def check_levels(variable: str, levels: Sequence[Any]) -> None:
    """A factor of the fixed part has two levels at least."""
    if len(levels) < 2:
        raise ModelError(
            f"{variable!r} has the single level {levels[0]!r} in the rows used; "
            f"a comparison needs at least two."
        )


def fixed_part(columns: Columns, n: int, fixed: str) -> FixedPart:
    """Build the fixed-effect columns of a Wilkinson right-hand side for ``n`` rows.

    Raises
    ------
    ModelError
        If the formula cannot be evaluated, a factor has one level, or nothing is estimable.
    """
    levels, centres = {}, {}
    for v in formula_variables(fixed):
        if isinstance(columns[v], pd.Categorical):
            levels[v] = list(columns[v].categories)
            check_levels(v, levels[v])
        else:
            centres[v] = float(np.mean(columns[v]))
    build, full, all_names, lengths = all_columns(columns, n, fixed, levels)
    check_finite(full, all_names)
    return settled(full, fixed, levels, centres, build, all_names, lengths)


def settled(
    full: np.ndarray, fixed: str, levels: dict[str, list[Any]], centres: dict[str, float],
    build: Callable[[Columns, int], np.ndarray], all_names: Sequence[str],
    lengths: Sequence[tuple[str, int]],
) -> FixedPart:  # fmt: skip
    """Keep the columns that earlier ones do not span; raise if none can be estimated.

    Only cross-products of ``full`` (rows, columns) count: a triangular factor of it does as well.
    """
    keep = _independent(full)
    if not len(keep):
        raise ModelError(f"no column of the fixed part {fixed!r} can be estimated.")
    drop = np.setdiff1d(np.arange(full.shape[1]), keep)
    null = np.zeros((full.shape[1], len(drop)))
    for k, j in enumerate(drop.tolist()):
        null[keep, k] = np.linalg.lstsq(full[:, keep], full[:, j], rcond=None)[0]
        null[j, k] = -1.0
    position = {int(j): i for i, j in enumerate(keep)}
    terms, full_terms, at = {}, {}, 0
    for term, length in lengths:
        full_terms[term] = list(range(at, at + length))
        found = [position[j] for j in full_terms[term] if j in position]
        at += length
        if found:
            terms[term] = found
    return FixedPart(
        x=full[:, keep] if len(drop) else full,
        names=tuple(all_names[j] for j in keep),
        terms=terms,
        aliased=tuple(all_names[j] for j in drop),
        full_names=tuple(all_names),
        full_terms=full_terms,
        levels=levels,
        centres=centres,
        build=build,
        keep=keep,
        null_space=null,
    )


def check_finite(full: np.ndarray, names: Sequence[str]) -> None:
    """Raise with the columns that are not finite."""
    bad = ~np.isfinite(full)
    if not bad.any():
        return
    raise ModelError(
        f"columns {[n for n, column in zip(names, bad.T, strict=True) if column.any()]} of the "
        f"fixed part are not finite in {int(bad.any(axis=1).sum())} rows (a logarithm of zero, a "
        f"division by zero?); correct or leave out those rows."
    )


def all_columns(
    columns: Columns, n: int, fixed: str, levels: dict[str, list[Any]]
) -> tuple[Callable[[Columns, int], np.ndarray], np.ndarray, list[str], list[tuple[str, int]]]:
    """How the columns are built, their values and names, and how many each term has."""
    products = _products(fixed, levels)
    if products is not None:
        names = products.names()
        lengths = [(term, len(own)) for (term, _), own in zip(products.terms, names, strict=True)]
        return products, products(columns, n), [n for own in names for n in own], lengths
    try:
        with np.errstate(all="ignore"):
            mm = formulaic.model_matrix(marked(fixed), _named(columns), na_action="ignore")
    except Exception as error:
        words = plain(str(error))
        raise ModelError(f"the fixed part {fixed!r} could not be built: {words}") from error
    spec = mm.model_spec
    return (
        _Formulaic(spec), np.asfortranarray(mm, dtype=float), [plain(str(c)) for c in mm.columns],
        [(plain(str(t)), w.stop - w.start) for t, w in spec.term_slices.items()],
    )  # fmt: skip


def _named(columns: Columns, n: int | None = None) -> pd.DataFrame:
    """Columns under the names formulaic gets for them."""
    named = {column(name): values for name, values in columns.items()}
    return pd.DataFrame(named, index=None if n is None else range(n))


@dataclass(frozen=True, slots=True)
class _Formulaic:
    """Columns for new data by formulaic's own record of a formula."""

    spec: Any

    def __call__(self, columns: Columns, n: int) -> np.ndarray:
        return np.asarray(
            self.spec.get_model_matrix(_named(columns, n), na_action="ignore"), dtype=float
        )


def _independent(full: np.ndarray) -> np.ndarray:
    """Positions of the columns that earlier ones do not span."""
    norm = np.linalg.norm(full, axis=0)
    scaled = full / np.where(norm > 0, norm, 1.0)
    # Cross-products tell clear independence apart at a fraction of the cost of a QR of all rows.
    if full.shape[1] and np.linalg.eigvalsh(scaled.T @ scaled)[0] > 1e-6:
        return np.arange(full.shape[1])
    r = np.linalg.qr(scaled, mode="r")
    if len(r) == full.shape[1] and (np.abs(np.diag(r)) > 1e-9).all():
        return np.arange(full.shape[1])
    # A dependent column can only hide among later ones: settle them one at a time.
    kept: list[int] = []
    for j in range(full.shape[1]):
        if np.linalg.matrix_rank(scaled[:, [*kept, j]], tol=1e-8) == len(kept) + 1:
            kept.append(j)
    return np.array(kept, dtype=int)
