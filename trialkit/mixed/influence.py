"""Influence of units: leave one out, fit again, see what moves.

Every refit is a full one (variances too), started from the fit's own variances on the design less
the unit's rows; no formula is read again.

Cook's distance: ``d' V^-1 d / p``, with ``d`` the change of the ``p`` coefficients and ``V`` their
covariance in the full fit (Cook 1977, Technometrics 19:15-18; for Gaussian fits without units it
is the classical one). DFBETAS: ``d_j`` over its standard error; for Gaussian responses that error
takes the variances estimated without the unit (Belsley, Kuh & Welsch 1980, Regression
Diagnostics, section 2.1), for others it is that of the full fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from trialkit.display import card, table
from trialkit.errors import ModelError
from trialkit.mixed.chain import Chain, closing
from trialkit.mixed.estimate import estimate
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.inference import default_inference
from trialkit.mixed.model import Model
from trialkit.mixed.notes import influence_heading
from trialkit.mixed.parallel import Progress, in_batches, plain_reason, stop_run_off
from trialkit.mixed.problem import GaussianProblem


@dataclass(frozen=True, slots=True)
class Influence:
    """What each unit does to the fit; all tables have one row a unit, in the same order.

    Attributes
    ----------
    level : the nested level, or "row".
    units : DataFrame
        The unit's labels (or ``row``, its position in the rows of the fit), ``rows`` it has,
        ``cooks_distance``, and ``reason`` where nothing can be fitted without it (else empty).
    dfbetas : DataFrame by coefficient, full fit less fit without the unit, in standard errors.
    coefficients : DataFrame by coefficient, estimates without the unit.
    variances : DataFrame by level and term, variance components (and ``dispersion``) without it.
    variance_change : DataFrame, full fit's variance components less those without the unit.
    """

    level: str
    units: pd.DataFrame
    dfbetas: pd.DataFrame
    coefficients: pd.DataFrame
    variances: pd.DataFrame
    variance_change: pd.DataFrame

    @property
    def summary(self) -> pd.DataFrame:
        """Units by falling Cook's distance, with their DFBETAS and changes of variance."""
        table = pd.concat(
            [
                self.units,
                self.dfbetas.add_prefix("dfbetas "),
                self.variance_change.add_prefix("variance change "),
            ],
            axis=1,
        )
        return table.sort_values("cooks_distance", ascending=False, na_position="first")

    @property
    def _title(self) -> str:
        failed = int((self.units["reason"] != "").sum())
        return influence_heading(len(self.units), self.level, failed)

    def __repr__(self) -> str:
        return f"{self._title}\n\n{self.summary.head(12).round(4).to_string()}"

    def _repr_html_(self) -> str:
        return card(self._title, [], table(self.summary, rows=12))


def influence(
    fit: Fitted, level: str, jobs: int = 1, progress: Progress | None = None,
    client: Any = None,
) -> Influence:  # fmt: skip
    """Leave one unit out at a time and fit again, from the fit's own variances on.

    Parameters
    ----------
    level : str
        A nested level, or ``"row"``.
    jobs : processes.
    progress : callable, optional
        Called with (units done, units in all).
    client : None, "local", str or dask.distributed.Client, optional
        Who refits instead, as for `bootstrap`.

    Returns
    -------
    Influence : Cook's distance, DFBETAS, coefficients and variances without each unit; what
    cannot be fitted without a unit is named with its reason.

    Raises
    ------
    ModelError
        For an unknown level.
    """
    model, chain = fit.model, fit.model.chain
    if level == "row" and level not in chain.names:
        of_row = np.arange(fit.n_rows)
        units = pd.DataFrame({"row": chain.order})
    elif level in chain.names:
        lev = chain.names.index(level)
        of_row = model.units_of_rows(lev)
        units = model.unit_labels(lev).copy()
    else:
        raise ModelError(f"{level!r} is no level of this fit: {[*chain.names[::-1], 'row']}.")
    work = partial(_without, fit, of_row)
    results = in_batches(work, range(len(units)), jobs, progress, client)
    names = list(model.part.names)
    own = _variances(fit)
    empty = (np.full(len(names), np.nan), np.full(len(names), np.nan), np.full(len(own), np.nan))
    found = [empty if isinstance(r, str) else r for r in results]
    beta = np.array([f[0] for f in found])
    moved = fit.fixed_effects.to_numpy() - beta
    inverse = np.linalg.inv(default_inference(fit).adjusted)
    units["rows"] = np.bincount(of_row)
    units["cooks_distance"] = np.einsum("ij,jk,ik->i", moved, inverse, moved) / len(names)
    units["reason"] = [r if isinstance(r, str) else "" for r in results]
    variances = pd.DataFrame([f[2] for f in found], columns=list(own))
    tables = [
        units,
        pd.DataFrame(moved / np.array([f[1] for f in found]), columns=names),
        pd.DataFrame(beta, columns=names),
        variances,
        pd.Series(own) - variances,
    ]
    if level == "row" and level not in chain.names:
        back = np.argsort(chain.order)
        tables = [t.iloc[back].reset_index(drop=True) for t in tables]
    return Influence(level, *tables)


def _without(fit: Fitted, of_row: np.ndarray, units: Sequence[int]) -> list[Any]:
    """Per unit: coefficients, their standard errors, variances; or why there are none."""
    out: list[Any] = []
    for unit in units:
        keep = of_row != unit
        model = None
        try:
            model = _subset(fit.model, keep)
            found = estimate(model, fit.y[keep], fit.method == "reml", before=fit.found)
            less = replace(fit, model=model, found=found, y=fit.y[keep])
            stop_run_off(fit, less)
        except (ModelError, np.linalg.LinAlgError) as error:
            out.append(plain_reason(model, error) if model else str(error))
            continue
        values = np.array(list(_variances(less).values()))
        out.append((less.fixed_effects.to_numpy(), _standard_errors(fit, less), values))
    return out


def _variances(fit: Fitted) -> dict[str, float]:
    table = fit.variances
    plain = table["term"] == "Intercept"
    names = table["level"].where(plain, table["level"] + ": " + table["term"])
    out = dict(zip(names, table["variance"], strict=True))
    if fit.family.name not in ("poisson", "binomial"):
        out["dispersion"] = fit.dispersion
    return out


def _standard_errors(fit: Fitted, less: Fitted) -> np.ndarray:
    """Standard errors of the full fit, for Gaussian responses at the variances of ``less``."""
    se = np.sqrt(np.diag(default_inference(fit).adjusted))
    problem, point = fit.found.problem, fit.found.point
    if not isinstance(problem, GaussianProblem):
        return se
    at = problem.point(less.found.point.theta, sigma=less.found.point.sigma)
    if at is None:
        raise ModelError("the likelihood of all rows cannot be evaluated at these variances.")
    spread = [
        np.linalg.norm(fit.model.to_original @ np.linalg.inv(q.root), axis=1) * q.sigma
        for q in (at, point)
    ]
    return se * spread[0] / spread[1]


def _subset(model: Model, keep: np.ndarray) -> Model:
    """The model on some of its rows (chain order), the columns coded as they were.

    Raises
    ------
    ModelError
        If a fixed effect or a level's variance can no longer be estimated.
    """
    x = model.x[keep]
    left = int(keep.sum())
    if left <= x.shape[1] or np.linalg.matrix_rank(x, tol=1e-8 * np.sqrt(left)) < x.shape[1]:
        raise ModelError("a fixed effect rests on this unit alone.")
    chain = _subset_chain(model.chain, keep)
    nested = chain.counts[: chain.n_nested]
    if 1 in nested:
        name = chain.names[nested.index(1)]
        raise ModelError(f"one unit of {name!r} would be left, too few for its variance.")
    widths = zip(nested, nested[1:], chain.names, chain.names[1:], strict=False)
    for fine, coarse, name, above in widths:
        if fine == coarse:
            raise ModelError(f"every unit of {above!r} would have one {name!r} left.")
    if model.family.name == "gaussian" and nested and nested[0] == left:
        raise ModelError(f"every unit of {chain.names[0]!r} would have one row left.")
    rows = np.sort(model.chain.order[keep])
    return replace(
        model, columns={name: values[rows] for name, values in model.columns.items()},
        chain=chain, part=replace(model.part, x=model.part.x[rows]),
        x=x, z=tuple(z[keep] for z in model.z),
        size=model.size[keep], offset=model.offset[keep], weight=model.weight[keep],
    )  # fmt: skip


def _subset_chain(chain: Chain, keep: np.ndarray) -> Chain:
    per_unit = np.add.reduceat(keep.astype(np.int64), chain.row_start[:-1])
    stay = per_unit > 0
    kept = chain.unit[stay]
    used = [np.unique(column, return_inverse=True) for column in kept.T]
    unit = np.empty(kept.shape, dtype=np.int64)
    for lev, (_, number) in enumerate(used):
        unit[:, lev] = number
    return Chain(
        order=np.argsort(np.argsort(chain.order[keep])),
        row_start=np.r_[0, np.cumsum(per_unit[stay])],
        unit=unit,
        closes=closing(unit),
        counts=tuple(len(ids) for ids, _ in used),
        names=chain.names,
        n_crossed=chain.n_crossed,
        columns=chain.columns,
        first=chain.first[stay],
    )
