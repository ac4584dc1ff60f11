"""Maximum likelihood by adaptive Gauss-Hermite quadrature, for one grouping level.

The check on the Laplace approximation where counts are few; the likelihood itself is in
:mod:`trialkit.mixed.hermite`. The search (BFGS) runs from the Laplace fit in units that make the
curvature there one and ends with Newton steps; standard errors come from the information on all
parameters together, taken by differences of the exact gradient.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import optimize, stats

from trialkit.display import card, table
from trialkit.errors import ModelError
from trialkit.mixed.hermite import Criterion
from trialkit.mixed.variance_inference import DISPERSIONS

if TYPE_CHECKING:
    from trialkit.mixed.result import MixedFit

# numpy's nodes are tested to degree 100.
MAX_NODES = 100
# Expected further gain in log-likelihood above which an optimum is not one.
GAIN = 1e-8
# Standard deviation below which zero is tried.
NEAR_ZERO = 0.05
# Change of the log-likelihood with more nodes that is worth a note.
NODE_ERROR = 1e-3
# Information on the logarithm of the dispersion below which it is at the end of its range.
FLAT = 1e-5


@dataclass(frozen=True, slots=True)
class Optimum:
    """Where a search ended.

    ``gain`` is the expected further gain in log-likelihood there (infinite at a saddle), ``free``
    the parameters that ``information`` (minus second derivatives) covers.
    """

    parameters: np.ndarray
    value: float
    gain: float
    free: np.ndarray
    information: np.ndarray


def maximise(criterion: Criterion, start: np.ndarray, free: np.ndarray) -> Optimum:
    """Climb over the ``free`` parameters, in units that make the curvature at ``start`` one."""
    centre = start.copy()
    value = criterion.point(centre)[0]
    worst = abs(value) + 1e10 if math.isfinite(value) else 1e10
    curvature, axes = np.linalg.eigh(_finite(criterion.information(centre, free)))
    mix = axes / np.sqrt(np.maximum(np.abs(curvature), 1e-2))

    def lost(step: np.ndarray) -> tuple[float, np.ndarray]:
        parameters = centre.copy()
        parameters[free] += mix @ step
        found, grad = criterion.point(parameters)
        # A step too far out counts as very bad.
        return (-found, -grad[free] @ mix) if math.isfinite(found) else (worst, 0.0 * step)

    end = optimize.minimize(lost, np.zeros(len(free)), jac=True, method="BFGS",
                            options={"gtol": 1e-6, "maxiter": 500})  # fmt: skip
    parameters = centre.copy()
    parameters[free] += mix @ end.x
    value, grad = criterion.point(parameters)
    for _ in range(6):
        kept = free
        information = criterion.information(parameters, free)
        if criterion.family.dispersed and 1 in free:
            at = int(np.flatnonzero(free == 1)[0])
            if abs(information[at, at]) < FLAT and abs(grad[1]) < FLAT:
                kept = np.delete(free, at)
                information = np.delete(np.delete(information, at, 0), at, 1)
        curvature, axes = np.linalg.eigh(_finite(information))
        if curvature[0] <= 0.0:
            return Optimum(parameters, value, math.inf, kept, information)
        along = axes.T @ grad[kept]
        gain = 0.5 * float((along**2 / curvature).sum())
        trial = parameters.copy()
        trial[kept] += axes @ (along / curvature)
        better, slope = criterion.point(trial)
        if gain < 1e-12 or not better > value:
            break
        parameters, value, grad = trial, better, slope
    return Optimum(parameters, value, gain, kept, information)


def _finite(matrix: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(matrix), matrix, 0.0)


@dataclass(frozen=True, slots=True)
class Quadrature:
    """A maximum-likelihood fit by adaptive Gauss-Hermite quadrature.

    Attributes
    ----------
    title : str
        The model in one line.
    nodes : int
        Nodes for every unit.
    loglik, laplace_loglik : float
        Maximised log-likelihoods, every constant counted: by quadrature, and of the Laplace fit.
    node_error : float
        Change of the log-likelihood at these estimates when about twice the nodes are taken
        (never more than 100).
    coefficients : DataFrame by term
        estimate, se, df (infinite), statistic (z), p, and the 95 % interval; link scale. Standard
        errors come from the information on all parameters together.
    covariance : DataFrame, shape (terms, terms)
        Of the coefficients.
    variances : DataFrame
        level, term, variance, sd (link scale), and the standard error of the sd.
    dispersion : float
        The family's dispersion parameter, as in ``MixedFit.dispersion``; 1 where it has none.
    comparison : DataFrame by (part, term)
        laplace and quadrature (maximum likelihood both), difference (quadrature less Laplace),
        the standard error of the quadrature's estimate, and the difference in such errors.
    converged : bool
        Whether the optimum is one: no more than 1e-8 to be gained, information positive definite.
    evaluations : int
        Evaluations of the likelihood and its gradient.
    notes : tuple of str
        What a reader should know.
    """

    title: str
    nodes: int
    loglik: float
    laplace_loglik: float
    node_error: float
    coefficients: pd.DataFrame
    covariance: pd.DataFrame
    variances: pd.DataFrame
    dispersion: float
    comparison: pd.DataFrame
    converged: bool
    evaluations: int
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        parts = [self.title, "", self.coefficients.round(4).to_string(), "",
                 self.comparison.round(5).to_string()]  # fmt: skip
        return "\n".join([*parts, *(f"note: {n}" for n in self.notes)])

    def _repr_html_(self) -> str:
        tables = table(self.coefficients), table(self.comparison)
        return card(self.title, self.notes, *tables)


def quadrature(fit: MixedFit, nodes: int) -> Quadrature:
    """See :meth:`trialkit.mixed.MixedFit.quadrature`."""
    _check(fit, nodes)
    laplace = fit if fit.method == "ml" else fit._again(fit.y, False)
    model = fit.model
    criterion = Criterion(model, fit.y, nodes)
    start = np.r_[laplace.found.point.theta, laplace.found.point.beta]
    everything = np.arange(len(start))
    laplace_zero = abs(start[0]) < NEAR_ZERO
    if laplace_zero:
        # At zero the slope in theta is zero as well: start away from it.
        start[0] = 0.5
    best = maximise(criterion, start, everything)
    if laplace_zero or abs(best.parameters[0]) < NEAR_ZERO:
        flat = maximise(criterion, np.r_[0.0, best.parameters[1:]], everything[1:])
        if not flat.value < best.value - GAIN:
            best = flat
    finer = Criterion(model, fit.y, min(2 * nodes + 1, MAX_NODES))
    node_error = finer.point(best.parameters)[0] - best.value
    return _result(laplace, criterion, best, node_error)


def _check(fit: MixedFit, nodes: int) -> None:
    if isinstance(nodes, bool) or not isinstance(nodes, int | np.integer):
        raise ModelError(f"nodes must be a whole number, got {nodes!r}.")
    if not 1 <= nodes <= MAX_NODES:
        raise ModelError(f"nodes must lie between 1 and {MAX_NODES}, got {nodes}.")
    if fit.family.name == "gaussian":
        raise ModelError("a gaussian response needs no quadrature: its likelihood is exact.")
    chain, columns = fit.model.chain, fit.model.slopes
    if chain.n_levels == 1 and len(columns[0]) == 1 and columns[0][0].variable is None:
        return
    if not chain.n_levels:
        what = "none"
    elif chain.n_levels > 1:
        what = f"the levels {', '.join(repr(n) for n in reversed(chain.names))}"
    else:
        what = f"{len(columns[0])} random columns of {chain.names[0]!r}"
    raise ModelError(
        f"quadrature is for one nested level with its random intercept only; this model has "
        f"{what}. Fit the simpler model, or check this one by bootstrap."
    )


def _result(laplace: MixedFit, criterion: Criterion, best: Optimum, error: float) -> Quadrature:
    model, family = laplace.model, laplace.family
    level, own = model.chain.names[0], 1 + family.dispersed
    converged = best.gain < GAIN
    covariance = np.full((len(best.parameters),) * 2, np.nan)
    if converged:
        covariance[np.ix_(best.free, best.free)] = np.linalg.inv(best.information)
    theta = abs(float(best.parameters[0]))
    se_sd = float(np.sqrt(covariance[0, 0]))

    names = list(model.part.names)
    beta = model.to_original @ best.parameters[own:]
    cov_beta = model.to_original @ covariance[own:, own:] @ model.to_original.T
    table = pd.DataFrame({"estimate": beta, "se": np.sqrt(np.diag(cov_beta)), "df": np.inf},
                         index=pd.Index(names, name="term"))  # fmt: skip
    table["statistic"] = table["estimate"] / table["se"]
    table["p"] = 2.0 * stats.norm.sf(table["statistic"].abs())
    reach = stats.norm.ppf(0.975) * table["se"]
    table["low"], table["high"] = table["estimate"] - reach, table["estimate"] + reach

    rows = [("log-likelihood", "", laplace.loglik, best.value, np.nan)]
    rows += [("fixed", *row) for row in
             zip(names, laplace.fixed_effects, beta, table["se"], strict=True)]  # fmt: skip
    rows.append(("sd", level, float(laplace.variances["sd"].iloc[0]), theta, se_sd))
    dispersion = 1.0
    if family.dispersed:
        sign = -1.0 if family.name == "gamma" else 1.0
        dispersion = math.exp(sign * float(best.parameters[1]))
        se = dispersion * float(np.sqrt(covariance[1, 1]))
        rows.append(("dispersion", DISPERSIONS[family.name], laplace.dispersion, dispersion, se))
    comparison = pd.DataFrame(rows, columns=["part", "term", "laplace", "quadrature", "se"])
    comparison = comparison.set_index(["part", "term"])
    comparison.insert(2, "difference", comparison["quadrature"] - comparison["laplace"])
    comparison["in_se"] = comparison["difference"] / comparison["se"]

    notes = list(model.notes)
    if theta == 0.0:
        notes.append(f"the variance between units of {level!r} is estimated at zero.")
    if family.dispersed and 1 not in best.free:
        notes.append("the dispersion is at the end of its range; it has no standard error.")
    if converged and not abs(error) < NODE_ERROR:
        notes.append(
            f"more nodes change the log-likelihood by {error:.2g}: {len(criterion.nodes)} are "
            f"too few; ask for more."
        )
    if not converged:
        notes.append(
            "the search did not end at an optimum, so there are no standard errors: look for "
            "cells of the design with almost no counts, or use fewer fixed terms."
        )
    title = (
        f"{family.name} model of {model.response} ~ {model.fixed}, units {level} "
        f"({model.chain.counts[0]}); {laplace.n_rows} rows, maximum likelihood by adaptive "
        f"Gauss-Hermite quadrature with {len(criterion.nodes)} nodes {best.value:.3f}, by the "
        f"Laplace approximation {laplace.loglik:.3f}"
    )
    return Quadrature(
        title=title, nodes=len(criterion.nodes), loglik=best.value, laplace_loglik=laplace.loglik,
        node_error=error, coefficients=table,
        covariance=pd.DataFrame(cov_beta, index=names, columns=names),
        variances=pd.DataFrame({"level": [level], "term": ["Intercept"], "variance": [theta**2],
                                "sd": [theta], "se_sd": [se_sd]}),
        dispersion=dispersion, comparison=comparison, converged=converged,
        evaluations=criterion.evaluations, notes=tuple(notes),
    )  # fmt: skip
