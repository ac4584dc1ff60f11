"""Maximum likelihood by adaptive Gauss-Hermite quadrature, for one grouping level.

The check on the Laplace approximation where counts are few; the likelihood itself is in
:mod:`trialkit.mixed.hermite`. The search runs from the Laplace fit; standard errors come from the
information on all parameters together, taken by differences of the exact gradient.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.display import card, table
from trialkit.errors import ModelError
from trialkit.mixed import notes
from trialkit.mixed.climb import GAIN, Optimum, maximise
from trialkit.mixed.fitted import Fitted, by_maximum_likelihood
from trialkit.mixed.hermite import Criterion

# numpy's nodes are tested to degree 100.
MAX_NODES = 100
# Standard deviation below which zero is tried.
NEAR_ZERO = 0.05
# Change of the log-likelihood with more nodes that is worth a note.
NODE_ERROR = 1e-3


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
        The family's dispersion parameter, as in ``Fitted.dispersion``; 1 where it has none.
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


def quadrature(fit: Fitted, nodes: int = 15) -> Quadrature:
    """The maximum-likelihood fit by adaptive Gauss-Hermite quadrature, beside Laplace's.

    Started from the Laplace fit (a restricted one is first refitted by maximum likelihood).
    The two differ where units have few rows and small counts, binary responses above all.

    Parameters
    ----------
    nodes : int
        Nodes for every unit, 1 (the Laplace approximation) to 100. ``node_error`` of the
        result tells whether they were enough.

    Returns
    -------
    Quadrature : loglik, coefficients, variances, dispersion, comparison, converged, notes.

    Raises
    ------
    ModelError
        For a Gaussian response, no or several levels, random slopes, or nodes out of range.
    """
    check_nodes(nodes)
    _check(fit)
    laplace = by_maximum_likelihood(fit)
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


def check_nodes(nodes: int) -> None:
    """A whole number of nodes that numpy has.

    Raises
    ------
    ModelError
    """
    if isinstance(nodes, bool) or not isinstance(nodes, int | np.integer):
        raise ModelError(f"nodes must be a whole number, got {nodes!r}.")
    if not 1 <= nodes <= MAX_NODES:
        raise ModelError(f"nodes must lie between 1 and {MAX_NODES}, got {nodes}.")


def _check(fit: Fitted) -> None:
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


def _result(laplace: Fitted, criterion: Criterion, best: Optimum, error: float) -> Quadrature:
    model, family, nodes = laplace.model, laplace.family, len(criterion.nodes)
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
    table = _coefficients(names, beta, np.sqrt(np.diag(cov_beta)))
    dispersion, se_dispersion = 1.0, math.nan
    if family.dispersed:
        sign = -1.0 if family.name == "gamma" else 1.0
        dispersion = math.exp(sign * float(best.parameters[1]))
        se_dispersion = dispersion * float(np.sqrt(covariance[1, 1]))

    rows = [("log-likelihood", "", laplace.loglik, best.value, np.nan)]
    rows += [("fixed", *row) for row in
             zip(names, laplace.fixed_effects, beta, table["se"], strict=True)]  # fmt: skip
    rows.append(("sd", level, float(laplace.variances["sd"].iloc[0]), theta, se_sd))
    if family.dispersed:
        name = notes.DISPERSIONS[family.name]
        rows.append(("dispersion", name, laplace.dispersion, dispersion, se_dispersion))
    comparison = pd.DataFrame(rows, columns=["part", "term", "laplace", "quadrature", "se"])
    comparison = comparison.set_index(["part", "term"])
    comparison.insert(2, "difference", comparison["quadrature"] - comparison["laplace"])
    comparison["in_se"] = comparison["difference"] / comparison["se"]
    return Quadrature(
        title=notes.model_heading(
            family.name, model.response, model.fixed, model.levels_text, f"{laplace.n_rows} rows",
            notes.quadrature_heading(nodes, best.value, laplace.loglik),
        ),
        nodes=nodes, loglik=best.value, laplace_loglik=laplace.loglik,
        node_error=error, coefficients=table,
        covariance=pd.DataFrame(cov_beta, index=names, columns=names),
        variances=pd.DataFrame({"level": [level], "term": ["Intercept"], "variance": [theta**2],
                                "sd": [theta], "se_sd": [se_sd]}),
        dispersion=dispersion, comparison=comparison, converged=converged,
        evaluations=criterion.evaluations, notes=tuple(_notes(laplace, best, error, nodes)),
    )  # fmt: skip


def _coefficients(names: list[str], beta: np.ndarray, se: np.ndarray) -> pd.DataFrame:
    """Normal-theory table of the coefficients."""
    index = pd.Index(names, name="term")
    table = pd.DataFrame({"estimate": beta, "se": se, "df": np.inf}, index=index)
    table["statistic"] = table["estimate"] / table["se"]
    table["p"] = 2.0 * stats.norm.sf(table["statistic"].abs())
    reach = stats.norm.ppf(0.975) * table["se"]
    table["low"], table["high"] = table["estimate"] - reach, table["estimate"] + reach
    return table


def _notes(laplace: Fitted, best: Optimum, error: float, nodes: int) -> list[str]:
    """What a reader should know of the search and of the approximation."""
    out = list(laplace.model.notes)
    if best.parameters[0] == 0.0:
        out.append(notes.zero_variance(laplace.model.chain.names[0]))
    if laplace.family.dispersed and 1 not in best.free:
        out.append(notes.DISPERSION_AT_ITS_END)
    if not best.gain < GAIN:
        out.append(notes.NO_QUADRATURE_OPTIMUM)
    elif not abs(error) < NODE_ERROR:
        out.append(notes.too_few_nodes(error, nodes))
    return out
