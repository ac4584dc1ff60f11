"""The hypothesis of a term, what of it the data can tell, and its test."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed.design import FixedPart, Products, formula_variables
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.inference import default_method, inference_by

# Of a function of the coefficients that the data do not tell, as a part of its size.
UNTOLD = 1e-8


def term_tests(fit: Fitted, method: str | None = None) -> pd.DataFrame:
    """F test of every term: equal-weight marginal hypotheses (Type III), coding-free.

    Parameters
    ----------
    method : optional
        "kenward-roger", "kenward-roger-nonzero" (a variance estimated at zero taken as zero),
        "satterthwaite" or "asymptotic". Default: the fit's own.

    Returns
    -------
    DataFrame by term: F, num_df, den_df, p. Where aliased columns leave less than all of a
    term's hypothesis to be estimated, that part is tested, and a further column ``tested``
    says so: "1 of 2 df", or "nothing" (F, den_df and p are then NaN).

    Raises
    ------
    ModelError
        For an unknown method, or a small-sample method on a maximum-likelihood fit.
    """
    inference = inference_by(fit, method or default_method(fit))
    beta, part = fit.fixed_effects.to_numpy(), fit.fixed_part
    out, tested = {}, {}
    for term in part.full_terms:
        if term == "1":
            continue
        rows = term_rows(part, term)
        q, f, df = len(rows), np.nan, np.nan
        if q:
            f, df = inference.f_test(rows, beta)
        out[term] = {"F": f, "num_df": q, "den_df": df, "p": upper_tail(f, q, df)}
        tested[term] = _part_tested(part, term, q) if part.aliased else ""
    table = pd.DataFrame.from_dict(out, orient="index", columns=["F", "num_df", "den_df", "p"])
    if any(tested.values()):
        table["tested"] = [tested[term] or "all" for term in table.index]
    return table.rename_axis("term")


def upper_tail(f: float, num_df: int, den_df: float) -> float:
    """p value of an F statistic, of a chi-square where the denominator has infinite df."""
    if np.isinf(den_df):
        return float(stats.chi2.sf(f * num_df, num_df))
    return float(stats.f.sf(f, num_df, den_df))


def term_rows(part: FixedPart, term: str) -> np.ndarray:
    """Rows of a term's marginal hypothesis (Type III, equal weights), shape (rows, terms).

    Factors of the term enter by differences from their first level, other factors balanced; numeric
    variables outside the term are held at zero, as are transformed ones, and one inside it enters
    by its unit difference (Searle 1987, Linear Models for Unbalanced Data, chapter 4). A term of
    transformed variables is tested by its own coefficients. Of a hypothesis that aliased columns
    enter the rows span what can be estimated, and there may be none.
    """
    rows = _hypothesis(part, term)
    untold = rows @ part.null_space
    size = np.abs(rows).max(initial=1.0) * np.abs(part.null_space).max(initial=1.0)
    if not (np.abs(untold) > UNTOLD * size).any():
        return rows[:, part.keep]
    # Combinations of the rows in which what is not told cancels.
    vectors, values, _ = np.linalg.svd(untold)
    rank = int((values > UNTOLD * size).sum())
    return (vectors[:, rank:].T @ rows)[:, part.keep]


def _part_tested(part: FixedPart, term: str, tested: int) -> str:
    """What is tested of a term of which less than all can be: "1 of 2 df"; empty for all."""
    whole = len(_hypothesis(part, term))
    return "" if tested == whole else f"{tested} of {whole} df" if tested else "nothing"


def _hypothesis(part: FixedPart, term: str) -> np.ndarray:
    """Rows over all columns of the formula, the aliased among them."""
    columns = part.full_terms[term]
    own = np.eye(len(part.full_names))[columns]
    known = [t for t in part.full_terms if _plain(part, t)]
    if term not in known:
        return own
    grid = _grid(part, term)
    cells = _cells(part, known, grid).reshape(*(len(v) for v in grid.values()), -1)
    variables = term.split(":")
    for axis, name in enumerate(grid):
        if name in variables:
            cells = np.delete(cells, 0, axis) - np.take(cells, [0], axis)
        else:
            cells = cells.mean(axis=axis, keepdims=True)
    rows = cells.reshape(-1, cells.shape[-1])
    return rows if np.linalg.matrix_rank(rows) == len(rows) == len(columns) else own


def _plain(part: FixedPart, term: str) -> bool:
    """Whether the term is a product of variables (the intercept is one of none)."""
    return term == "1" or all(v in part.levels or v in part.centres for v in term.split(":"))


def _grid(part: FixedPart, term: str) -> dict[str, list[Any]]:
    """All factors at all levels; covariates of the term at 0 and 1, others at 0."""
    variables = term.split(":")
    numbers = {v: [0.0, 1.0] if v in variables else [0.0] for v in part.centres}
    return {v: list(levels) for v, levels in part.levels.items()} | numbers


def _cells(part: FixedPart, known: Sequence[str], grid: Mapping[str, Sequence[Any]]) -> np.ndarray:
    """All columns for the cells of a grid, those of transformed covariates zero."""
    frame = pd.DataFrame(itertools.product(*grid.values()), columns=list(grid))
    other = [t for t in part.full_terms if t not in known]
    if not any(v in part.centres for t in other for v in formula_variables(t)):
        return part.full(frame)
    # They need not exist at zero: columns of products alone, where they are coded alike.
    products = Products(
        tuple((t, () if t == "1" else tuple(t.split(":"))) for t in known), part.levels
    )
    out = np.zeros((len(frame), len(part.full_names)))
    at = [j for t in known for j in part.full_terms[t]]
    if [n for names in products.names() for n in names] == [part.full_names[j] for j in at]:
        out[:, at] = products(part.columns(frame), len(frame))
    return out
