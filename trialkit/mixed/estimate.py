"""From a model and responses to the best optimum found, with the story of the search.

Small trials can have several optima, some with a variance at zero, so the search starts from the
interior and, where that is cheap, from near every boundary; the best is kept and the others stay
on record.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from trialkit.errors import ModelError
from trialkit.mixed.model import Model
from trialkit.mixed.optimise import Search
from trialkit.mixed.problem import GaussianProblem, LaplaceProblem, Point

# Rows up to which a start from near every boundary is cheap.
CHEAP_ROWS = 5_000
BOUNDARY_STARTS = 4
DIFFERENT_OPTIMA = 1e-3


@dataclass(frozen=True, slots=True)
class Estimate:
    """The optimum kept, the criterion it belongs to, and all searches made."""

    problem: GaussianProblem | LaplaceProblem
    point: Point
    searches: tuple[Search, ...]
    zero: np.ndarray
    notes: tuple[str, ...]
    metric: np.ndarray | None = None


def estimate(model: Model, y: np.ndarray, reml: bool, before: Estimate | None = None) -> Estimate:
    """Maximise the (restricted) likelihood for responses ``y`` in chain order.

    Parameters
    ----------
    before : Estimate, optional
        A fit of the same model to other responses, to start from.

    Raises
    ------
    ModelError
        When no search converges, or the response leaves nothing to estimate.
    """
    if model.family.name == "gaussian":
        centre = y - model.x @ np.linalg.lstsq(model.x, y, rcond=None)[0]
        if float(centre @ centre) <= 1e-20 * float(y @ y):
            raise ModelError("the fixed part reproduces the response exactly; no variation left.")
        gauss = model.gaussian(y, reml)
        return _search(model, gauss, lambda t: gauss.point(t), before)
    beta = _start_beta(model, y)
    shape = None
    if model.family.dispersed:
        mean = model.size * model.family.inverse_link(model.offset + model.x @ beta)
        shape = model.family.start_shape(y, mean)
    restricted = model.laplace(y, restricted=True)
    restricted.start_beta = beta
    last = [beta]

    def restricted_point(theta: np.ndarray) -> Point | None:
        point = restricted.point(theta, last[0])
        if point is not None:
            last[0] = point.beta
        return point

    found = _search(model, restricted, restricted_point, before, shape)
    if reml:
        return found
    return _maximum_likelihood(model, y, found)


def _starts(
    model: Model, before: Estimate | None, shape: float | None
) -> list[tuple[np.ndarray, np.ndarray | None]]:
    """Starts with their first metric: the interior, and near each boundary where cheap."""
    if not len(model.scale):
        return []
    interior = np.zeros(model.n_theta)
    diagonal = sorted({e.parameter for e in model.entries if e.row == e.column})
    size = 1.0 if model.family.name == "gaussian" else 0.5
    interior[diagonal] = size * model.theta_scale[diagonal]
    if shape is not None:
        interior = np.r_[interior, shape]
    starts: list[tuple[np.ndarray, np.ndarray | None]] = [(interior, None)]
    if before is not None:
        theta = before.point.theta
        starts = [(np.where(theta == 0.0, 0.1 * interior, theta), before.metric)]
    if len(model.x) <= CHEAP_ROWS and 1 < len(diagonal) <= BOUNDARY_STARTS:
        for j in diagonal:
            near = interior.copy()
            near[: model.n_theta] *= 1.5
            near[j] = 0.02 * interior[j]
            starts.append((near, starts[0][1]))
    return starts


def _search(
    model: Model,
    problem: GaussianProblem | LaplaceProblem,
    point_at: Callable[[np.ndarray], Point | None],
    before: Estimate | None,
    shape: float | None = None,
) -> Estimate:
    scale = model.scale
    searches = [
        problem.search(s / scale, np.diag(scale), m) for s, m in _starts(model, before, shape)
    ]
    good = [s for s in searches if s.converged]
    if searches and not good:
        raise ModelError(_advice(model, searches))
    theta = np.zeros(0)
    metric = None
    notes: list[str] = []
    if good:
        best = min(good, key=lambda s: s.value)
        theta, metric = best.end * scale, best.inverse_hessian
        spread = max(s.value for s in good) - best.value
        if spread > DIFFERENT_OPTIMA:
            notes.append(
                f"{len(good)} searches ended at different optima, up to {spread:.3g} "
                f"log-likelihood apart; the best was kept."
            )
    if isinstance(problem, LaplaceProblem):
        problem.tolerance = problem.TIGHT
        problem.u[:] = 0.0
    theta, zero = _settle_zeros(model, theta, point_at)
    if isinstance(problem, LaplaceProblem):
        problem.u[:] = 0.0
    point = point_at(theta)
    if point is None:
        raise ModelError(_advice(model, searches))
    return Estimate(problem, point, tuple(searches), zero, tuple(notes), metric)


def _settle_zeros(
    model: Model, theta: np.ndarray, point_at: Callable[[np.ndarray], Point | None]
) -> tuple[np.ndarray, np.ndarray]:
    """Positive diagonals; variances that are zero to the search's precision become exactly zero."""
    theta = theta.copy()
    zero = np.zeros(len(theta), dtype=bool)
    flips = {
        (e.level, e.column) for e in model.entries if e.row == e.column and theta[e.parameter] < 0
    }
    # Entries of one column change sign together; a shared parameter must do so only once.
    for j in {e.parameter for e in model.entries if (e.level, e.column) in flips}:
        theta[j] = -theta[j]
    for j in sorted({e.parameter for e in model.entries if e.row == e.column}):
        if theta[j] == 0.0 or abs(theta[j]) > 0.02 * model.theta_scale[j]:
            zero[j] = theta[j] == 0.0
            continue
        here, trial = point_at(theta), theta.copy()
        trial[j] = 0.0
        there = point_at(trial)
        if here and there and there.value >= here.value - 1e-8:
            theta, zero[j] = trial, True
    return theta, zero


def _start_beta(model: Model, y: np.ndarray) -> np.ndarray:
    """Fixed effects without random effects, by iterated weighted least squares.

    The plain members stand in for the dispersed families; a gamma response is fitted with
    constant weights, which is its own weighting.
    """
    x, size, link = model.x, model.size, model.family.link
    if link == "log":
        eta = np.log(y + 0.5 if model.family.counts else y)
    else:
        eta = np.log((y + 0.5) / (size - y + 0.5))
    beta = np.linalg.lstsq(x, eta - model.offset, rcond=None)[0]
    for _ in range(25):
        eta = model.offset + x @ beta
        mean = model.family.inverse_link(np.clip(eta, -30, 30))
        if not model.family.counts:
            w, score = np.ones(len(y)), y / mean - 1.0
        elif link == "log":
            w, score = mean, y - mean
        else:
            w, score = size * mean * (1 - mean), y - size * mean
        info = (x * w[:, None]).T @ x
        step = np.linalg.lstsq(info, x.T @ score, rcond=None)[0]
        step *= min(1.0, 3.0 / max(float(np.abs(step).max()), 1e-12))
        beta = beta + step
        if float(np.abs(step).max()) < 1e-8:
            break
    return beta


def _maximum_likelihood(model: Model, y: np.ndarray, found: Estimate) -> Estimate:
    """Maximise over variances and fixed effects, from the restricted optimum."""
    problem = model.laplace(y, restricted=False)
    n, k = model.n_theta, len(model.scale)
    root = np.linalg.inv(found.point.root)
    scale = np.ones(k + model.x.shape[1])
    scale[:k] = model.scale
    # Fixed effects move in units of their standard errors.
    mix = np.zeros((len(scale), len(scale)))
    mix[:k, :k] = np.diag(scale[:k])
    mix[k:, k:] = root

    def point_at(parameters: np.ndarray) -> Point | None:
        return problem.point(parameters[:k], parameters[k:])

    theta0 = found.point.theta.copy()
    diagonal = sorted({e.parameter for e in model.entries if e.row == e.column})
    # A variance at zero has a zero gradient: start just off it.
    for j in diagonal:
        if theta0[j] == 0.0:
            theta0[j] = 0.05 * model.theta_scale[j]
    start = np.linalg.solve(mix, np.r_[theta0, found.point.beta])
    metric = np.eye(len(scale))
    metric[:k, :k] *= 0.1
    searches = [problem.search(start, mix, metric)]
    # The restricted search's other optima may be the better ones here.
    for other in found.searches:
        near = other.end.copy()
        near[:n] = np.maximum(np.abs(near[:n]), 0.05)
        if other.converged and np.abs(near[:n] * scale[:n] - theta0[:n]).max(initial=0.0) > 0.05:
            searches.append(problem.search(np.r_[near, start[k:]], mix, metric))
    good = [s for s in searches if s.converged]
    if not good:
        raise ModelError(_advice(model, searches))
    best = min(good, key=lambda s: s.value)
    end = mix @ best.end
    notes = list(found.notes)
    problem.tolerance = problem.TIGHT
    problem.u[:] = 0.0
    theta, zero = _settle_zeros(model, end[:k], lambda t: point_at(np.r_[t, end[k:]]))
    problem.u[:] = 0.0
    point = point_at(np.r_[theta, end[k:]])
    if point is None:
        raise ModelError(_advice(model, searches))
    return Estimate(problem, point, (*found.searches, *searches), zero, tuple(notes), found.metric)


def _advice(model: Model, searches: list[Search]) -> str:
    told = "; ".join(sorted({s.reason for s in searches})) or "no start could be evaluated"
    return (
        f"the model for {model.response!r} did not converge ({told}). Things to try: look for "
        f"extreme values in the response, leave out a nested level with few units, use fewer "
        f"fixed terms, or rescale covariates that span many orders of magnitude."
    )
