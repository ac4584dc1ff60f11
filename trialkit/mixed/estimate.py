"""From a model and responses to the best optimum found, with the story of the search.

The search starts from the interior, or from a fit before, and then elsewhere (see
:mod:`trialkit.mixed.starts`); the best optimum is kept and the others stay on record.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from trialkit.errors import ModelError
from trialkit.mixed import notes
from trialkit.mixed.families import Family
from trialkit.mixed.model import Model
from trialkit.mixed.optimise import GAIN, Search
from trialkit.mixed.problem import GaussianProblem, LaplaceProblem, Point
from trialkit.mixed.separation import check_separation
from trialkit.mixed.starts import ROUGH, interior, search_elsewhere, second_optimum

# Full steps at the end of a search: balanced designs then give the classical F to eight digits.
POLISH = 4
# A dispersion parameter this far from where the data's moments put it is no start.
FAR_SHAPE = 1.0
# A fitted count (or spread of one) this small is found in practice only where estimates grow
# without bound.
NO_WEIGHT = 1e-6
# Part of the units that must be all zero or all successes to be named as the cause.
MOST = 0.8


# The point at given parameters, with or without its gradient.
PointAt = Callable[[np.ndarray, bool], Point | None]


# What is said of searches that all failed.
Why = Callable[[list[Search]], str]


@dataclass(frozen=True, slots=True)
class Start:
    """Fixed effects without random effects, and a dispersed family's ``phi``."""

    beta: np.ndarray
    shape: float | None


@dataclass(frozen=True, slots=True)
class Optimum:
    """The optimum kept, the criterion it belongs to, and all searches made."""

    problem: GaussianProblem | LaplaceProblem
    point: Point
    searches: tuple[Search, ...]
    zero: np.ndarray
    notes: tuple[str, ...]
    metric: np.ndarray | None = None


def estimate(model: Model, y: np.ndarray, reml: bool, before: Optimum | None = None) -> Optimum:
    """Maximise the (restricted) likelihood for responses ``y`` in chain order.

    Parameters
    ----------
    before : Optimum, optional
        A fit of the same model to other responses, to start from.

    Raises
    ------
    ModelError
        When no search converges, or the response leaves nothing to estimate.
    """
    if model.family.name == "gaussian":
        gauss = model.gaussian(y, reml)
        _check_variation(model, y, gauss)
        found = gaussian_optimum(model, gauss, _why(model, y), before)
        _check_spread(model, y, found.point.sigma)
        return found
    beta, unbounded = _start_beta(model, y)
    if unbounded:
        check_separation(model, y)
    shape = None
    if model.family.dispersed:
        mean = model.size * model.family.inverse_link(model.offset + model.x @ beta)
        if not model.family.counts and np.allclose(y, mean, rtol=1e-9, atol=0.0):
            raise ModelError(notes.NO_VARIATION)
        if model.family.link == "logit" and ((y == 0) | (y == model.size)).all():
            raise ModelError(notes.all_at_ends(model.response, model.family.name))
        shape = model.family.start_shape(model.family.shape_sums(y, mean))
    found = laplace_optimum(
        model, partial(model.laplace, y), reml, Start(beta, shape), _why(model, y), before
    )
    if not model.family.counts:
        _check_spread(model, y, float(np.exp(-0.5 * found.point.theta[model.n_theta])))
    return found


def gaussian_optimum(
    model: Model, problem: GaussianProblem, why: Why, before: Optimum | None = None
) -> Optimum:
    """The optimum of a Gaussian criterion, wherever it finds its rows."""
    searches = _search(model, problem, why, before)
    return _finish(model, problem, searches, lambda theta, _: problem.point(theta), why)


def laplace_optimum(
    model: Model, problem_of: Callable[[bool], LaplaceProblem], reml: bool, start: Start, why: Why,
    before: Optimum | None = None,
) -> Optimum:  # fmt: skip
    """The optimum of a Laplace criterion, wherever it finds its rows.

    Parameters
    ----------
    problem_of : the criterion, restricted or not.
    """
    restricted = problem_of(True)
    restricted.start_beta = start.beta
    restricted.beta = start.beta.copy()
    if not reml:
        return _maximum_likelihood(model, problem_of, restricted, start.shape, why, before)
    searches = _search(model, restricted, why, before, start.shape)
    return _finish(
        model, restricted, searches,
        lambda theta, graded: restricted.point(theta, restricted.beta, graded), why,
    )  # fmt: skip


def _check_variation(model: Model, y: np.ndarray, problem: GaussianProblem) -> None:
    """The response must not lie in the span of the fixed effects."""
    total = problem.cross.sum(axis=0)
    at = np.append(problem.layout.x_columns, len(total) - 1)
    if varies(total[np.ix_(at, at)]):
        return
    centre = y - model.x @ np.linalg.lstsq(model.x, y, rcond=None)[0]
    if float(centre @ centre) <= 1e-20 * float(y @ y):
        raise ModelError(notes.NO_VARIATION)


def varies(total: np.ndarray) -> bool:
    """Whether the fixed part clearly leaves some of the response, the last of the columns whose
    cross-products are given."""
    fitted = total[:-1, -1] @ np.linalg.lstsq(total[:-1, :-1], total[:-1, -1], rcond=None)[0]
    return bool(total[-1, -1] - fitted > 1e-8 * total[-1, -1])


def _check_spread(model: Model, y: np.ndarray, spread: float) -> None:
    """A residual spread of nothing is no estimate where the units leave no residual."""
    values = y if model.family.name == "gaussian" else np.log(y)
    if spread**2 * len(y) <= 1e-10 * float(values @ values) and _explained_by_units(model, values):
        raise ModelError(notes.no_residual(model.response, model.chain.names[0]))


def _explained_by_units(model: Model, values: np.ndarray) -> bool:
    """Whether fixed part, crossed factors and the finest units reproduce ``values``."""
    return reproduced(within_units(model, values), len(values) * float(values.var()))


def within_units(model: Model, values: np.ndarray) -> np.ndarray:
    """Columns of fixed part and crossed factors, and the values, less what finest units explain."""
    crossed = model.z[model.chain.n_nested :]
    columns = np.column_stack([model.x, *crossed, values])
    if model.chain.n_nested:
        for start, end in itertools.pairwise(model.chain.row_start.tolist()):
            z, own = model.z[0][start:end], columns[start:end]
            columns[start:end] = own - z @ np.linalg.lstsq(z, own, rcond=None)[0]
    return columns


def reproduced(columns: np.ndarray, total: float) -> bool:
    """Whether all but the last span the last; ``total`` is its sum of squares to begin with."""
    others, left = columns[:, :-1], columns[:, -1]
    left = left - others @ np.linalg.lstsq(others, left, rcond=1e-10)[0]
    return float(left @ left) <= 1e-10 * total


def _search(
    model: Model, problem: GaussianProblem | LaplaceProblem, why: Why, before: Optimum | None,
    shape: float | None = None,
) -> list[Search]:  # fmt: skip
    """Searches over the variance parameters, the best first."""
    if not len(model.scale):
        return []
    searches = _from_inside(model, problem, before, shape, GAIN, POLISH)
    if searches[-1].converged:
        mix = np.diag(model.scale)
        searches += search_elsewhere(model, problem, mix, searches[-1], POLISH)
    return _best_first(searches, why)


def _from_inside(
    model: Model, problem: GaussianProblem | LaplaceProblem, before: Optimum | None,
    shape: float | None, gain: float, polish: int,
) -> list[Search]:  # fmt: skip
    """The search from the fit before, if there is one; where that fails, from the interior."""
    mix, inside = np.diag(model.scale), interior(model, shape) / model.scale
    searches = []
    if before is not None:
        start, metric = before.point.theta / model.scale, before.metric
        start = np.where(start == 0.0, 0.1 * inside, start)
        if shape is not None and abs(start[-1] - shape) > FAR_SHAPE:
            # Far out the likelihood is flat in the dispersion, and the metric useless.
            start[-1], metric = shape, None
        searches.append(problem.search(start, mix, metric, gain, polish))
    if before is None or not searches[0].converged:
        searches.append(problem.search(inside, mix, None, gain, polish))
    return searches


def _best_first(searches: list[Search], why: Why) -> list[Search]:
    """Converged searches by their values, then the others."""
    if not any(s.converged for s in searches):
        raise ModelError(why(searches))
    return sorted(searches, key=lambda s: (not s.converged, s.value))


def _finish(
    model: Model, problem: GaussianProblem | LaplaceProblem, searches: list[Search],
    point_at: PointAt, why: Why,
) -> Optimum:  # fmt: skip
    """The estimate at the best search's end, variances settled at zero where they belong there."""
    theta = searches[0].end * model.scale if searches else np.zeros(0)
    metric = searches[0].inverse_hessian if searches else None
    if isinstance(problem, LaplaceProblem):
        problem.tolerance = problem.TIGHT
    theta, zero = _settle_zeros(model, theta, point_at)
    point = point_at(theta, True)
    if point is None:
        raise ModelError(why(searches))
    others = _other_optima(model, searches, point_at)
    return Optimum(problem, point, tuple(searches), zero, others, metric)


def _other_optima(model: Model, searches: list[Search], point_at: PointAt) -> tuple[str, ...]:
    """What a reader should know of the search; ``searches`` have the best first."""

    def sigma_at(theta: np.ndarray) -> float:
        point = point_at(theta, False) if model.family.name == "gaussian" else None
        return point.sigma if point else 1.0

    return second_optimum(model, [s for s in searches if s.converged], sigma_at)


def _settle_zeros(
    model: Model, theta: np.ndarray, point_at: PointAt
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
    for j in model.diagonal:
        if theta[j] == 0.0 or abs(theta[j]) > 0.02 * model.theta_scale[j]:
            zero[j] = theta[j] == 0.0
            continue
        here, trial = point_at(theta, False), theta.copy()
        trial[j] = 0.0
        there = point_at(trial, False)
        if here and there and there.value >= here.value - 1e-8:
            theta, zero[j] = trial, True
    return theta, zero


def _start_beta(model: Model, y: np.ndarray) -> tuple[np.ndarray, bool]:
    """Fixed effects without random effects, by iterated weighted least squares.

    Also whether they seem to grow without bound: no end after many steps, or a row without any
    weight. The plain members stand in for the dispersed families; a gamma response is fitted with
    constant weights, which is its own weighting.
    """
    rows = model.family, y, model.size, model.offset, model.x
    beta = np.linalg.lstsq(model.x, linked(*rows[:4]), rcond=None)[0]
    return plain_fit(beta, partial(weighted_sums, *rows), model.family.counts)


def linked(family: Family, y: np.ndarray, size: np.ndarray, offset: np.ndarray) -> np.ndarray:
    """Responses on the link scale, less the offset, kept off its ends."""
    if family.link == "log":
        return np.asarray(np.log(y + 0.5 if family.counts else y) - offset)
    return np.asarray(np.log((y + 0.5) / (size - y + 0.5)) - offset)


def weighted_sums(
    family: Family, y: np.ndarray, size: np.ndarray, offset: np.ndarray, x: np.ndarray,
    beta: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, float]:  # fmt: skip
    """Information, score and least weight of a row at ``beta``, without random effects."""
    mean = family.inverse_link(np.clip(offset + x @ beta, -30, 30))
    if not family.counts:
        w, score = np.ones(len(y)), y / mean - 1.0
    elif family.link == "log":
        w, score = mean, y - mean
    else:
        w, score = size * mean * (1 - mean), y - size * mean
    return (x * w[:, None]).T @ x, x.T @ score, float(w.min())


def plain_fit(
    beta: np.ndarray, sums: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray, float]],
    counts: bool,
) -> tuple[np.ndarray, bool]:  # fmt: skip
    """Iterated weighted least squares from ``beta``, and whether it seems to have no end."""
    for _ in range(25):
        info, score, least = sums(beta)
        step = np.linalg.lstsq(info, score, rcond=None)[0]
        step *= min(1.0, 3.0 / max(float(np.abs(step).max()), 1e-12))
        beta = beta + step
        if float(np.abs(step).max()) < 1e-8:
            return beta, least < NO_WEIGHT
    return beta, counts


def _maximum_likelihood(
    model: Model, problem_of: Callable[[bool], LaplaceProblem], restricted: LaplaceProblem,
    shape: float | None, why: Why, before: Optimum | None,
) -> Optimum:  # fmt: skip
    """Maximise over variances and fixed effects, from the restricted optimum."""
    k = len(model.scale)
    first = _from_inside(model, restricted, before, shape, ROUGH, 0) if k else []
    first = _best_first(first, why) if k else []
    theta = first[0].end * model.scale if first else np.zeros(0)
    point = restricted.point(theta, restricted.beta, graded=False)
    if point is None:
        raise ModelError(why(first))
    problem = problem_of(False)
    problem.u[:] = point.u
    # Fixed effects move in units of their standard errors.
    mix = np.zeros((k + len(point.beta), k + len(point.beta)))
    mix[:k, :k] = np.diag(model.scale)
    mix[k:, k:] = np.linalg.inv(point.root)
    start = np.append(first[0].end if first else theta, np.linalg.solve(mix[k:, k:], point.beta))
    metric = np.eye(len(mix))
    if first:
        metric[:k, :k] = first[0].inverse_hessian
    searches = [problem.search(start, mix, metric, polish=POLISH)]

    def settle(start: np.ndarray) -> np.ndarray:
        """Fixed effects at the joint mode, where likelihoods of small trials differ little."""
        joint = restricted.point(start[:k] * model.scale, restricted.beta, graded=False)
        beta = start[k:] if joint is None else np.linalg.solve(mix[k:, k:], joint.beta)
        return np.append(start[:k], beta)

    if searches[0].converged:
        searches += search_elsewhere(model, problem, mix, searches[0], POLISH, settle)
    searches = _best_first(searches, why)
    end = mix @ searches[0].end

    def point_at(theta: np.ndarray, graded: bool) -> Point | None:
        return problem.point(theta, end[k:], graded)

    problem.tolerance = problem.TIGHT
    theta, zero = _settle_zeros(model, end[:k], point_at)
    found = point_at(theta, True)
    if found is None:
        raise ModelError(why(searches))
    metric_theta = first[0].inverse_hessian if first else None
    others = _other_optima(model, searches, point_at)
    return Optimum(problem, found, (*first, *searches), zero, others, metric_theta)


def _why(model: Model, y: np.ndarray) -> Why:
    """Why no search converged, where the rows can tell, and what to try."""
    return lambda searches: _advice(model, y, searches)


def _advice(model: Model, y: np.ndarray, searches: list[Search]) -> str:
    because = ""
    if not model.family.counts:
        values = y if model.family.name == "gaussian" else np.log(y)
        if _explained_by_units(model, values):
            because = notes.no_residual(model.response, model.chain.names[0])
    elif model.family.link == "logit" and model.chain.n_nested:
        starts, finest = model.chain.row_start[:-1], model.chain.names[0]
        because = mostly_alike(units_alike(y, model.size, starts), len(starts), finest)
    return notes.did_not_converge(model.response, [s.reason for s in searches], because)


def units_alike(y: np.ndarray, size: np.ndarray, starts: np.ndarray) -> int:
    """How many of the runs of rows that begin at ``starts`` are all zero or all successes."""
    none = np.add.reduceat(y, starts) == 0
    return int((none | (np.add.reduceat(size - y, starts) == 0)).sum())


def mostly_alike(alike: int, units: int, level: str) -> str:
    """The sentence on units of which nearly all are; empty where they are not."""
    return notes.units_alike(alike, units, level) if alike > MOST * units else ""
