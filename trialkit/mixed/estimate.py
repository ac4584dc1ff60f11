"""From a model and responses to the best optimum found, with the story of the search.

The search starts from the interior, or from a fit before, and then elsewhere (see
:mod:`trialkit.mixed.starts`); the best optimum is kept and the others stay on record.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from trialkit.errors import ModelError
from trialkit.mixed import notes
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
        found = _finish(model, y, gauss, _search(model, y, gauss, before),
                        lambda t, _: gauss.point(t))  # fmt: skip
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
            raise ModelError(
                f"every row of {model.response!r} is all zero or all successes, so the precision "
                f"of family {model.family.name!r} runs to zero; take each row as a single trial "
                f"with family 'binomial'."
            )
        shape = model.family.start_shape(y, mean)
    restricted = model.laplace(y, restricted=True)
    restricted.start_beta = beta
    restricted.beta = beta.copy()
    if reml:
        searches = _search(model, y, restricted, before, shape)
        found = _finish(
            model, y, restricted, searches,
            lambda t, graded: restricted.point(t, restricted.beta, graded),
        )  # fmt: skip
    else:
        found = _maximum_likelihood(model, y, restricted, before, shape)
    if not model.family.counts:
        _check_spread(model, y, float(np.exp(-0.5 * found.point.theta[model.n_theta])))
    return found


def _check_variation(model: Model, y: np.ndarray, problem: GaussianProblem) -> None:
    """The response must not lie in the span of the fixed effects."""
    total = problem.cross.sum(axis=0)
    x, end = problem.layout.x_columns, len(total) - 1
    fitted = total[x, end] @ np.linalg.lstsq(total[np.ix_(x, x)], total[x, end], rcond=None)[0]
    if total[end, end] - fitted > 1e-8 * total[end, end]:
        return
    centre = y - model.x @ np.linalg.lstsq(model.x, y, rcond=None)[0]
    if float(centre @ centre) <= 1e-20 * float(y @ y):
        raise ModelError(notes.NO_VARIATION)


def _check_spread(model: Model, y: np.ndarray, spread: float) -> None:
    """A residual spread of nothing is no estimate where the units leave no residual."""
    values = y if model.family.name == "gaussian" else np.log(y)
    if spread**2 * len(y) <= 1e-10 * float(values @ values) and _explained_by_units(model, values):
        raise ModelError(notes.no_residual(model.response, model.chain.names[0]))


def _explained_by_units(model: Model, values: np.ndarray) -> bool:
    """Whether fixed part, crossed factors and the finest units reproduce ``values``."""
    crossed = model.z[model.chain.n_nested :]
    columns = np.column_stack([model.x, *crossed, values])
    if model.chain.n_nested:
        for start, end in itertools.pairwise(model.chain.row_start.tolist()):
            z, own = model.z[0][start:end], columns[start:end]
            columns[start:end] = own - z @ np.linalg.lstsq(z, own, rcond=None)[0]
    others, left = columns[:, :-1], columns[:, -1]
    left = left - others @ np.linalg.lstsq(others, left, rcond=1e-10)[0]
    return float(left @ left) <= 1e-10 * len(values) * float(values.var())


def _search(
    model: Model, y: np.ndarray, problem: GaussianProblem | LaplaceProblem, before: Optimum | None,
    shape: float | None = None,
) -> list[Search]:  # fmt: skip
    """Searches over the variance parameters, the best first."""
    if not len(model.scale):
        return []
    searches = _from_inside(model, problem, before, shape, GAIN, POLISH)
    if searches[-1].converged:
        mix = np.diag(model.scale)
        searches += search_elsewhere(model, problem, mix, searches[-1], POLISH)
    return _best_first(model, y, searches)


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


def _best_first(model: Model, y: np.ndarray, searches: list[Search]) -> list[Search]:
    """Converged searches by their values, then the others."""
    if not any(s.converged for s in searches):
        raise ModelError(_advice(model, y, searches))
    return sorted(searches, key=lambda s: (not s.converged, s.value))


def _finish(
    model: Model, y: np.ndarray, problem: GaussianProblem | LaplaceProblem,
    searches: list[Search], point_at: PointAt,
) -> Optimum:  # fmt: skip
    """The estimate at the best search's end, variances settled at zero where they belong there."""
    theta = searches[0].end * model.scale if searches else np.zeros(0)
    metric = searches[0].inverse_hessian if searches else None
    if isinstance(problem, LaplaceProblem):
        problem.tolerance = problem.TIGHT
    theta, zero = _settle_zeros(model, theta, point_at)
    point = point_at(theta, True)
    if point is None:
        raise ModelError(_advice(model, y, searches))
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
            return beta, bool(w.min() < NO_WEIGHT)
    return beta, model.family.counts


def _maximum_likelihood(
    model: Model, y: np.ndarray, restricted: LaplaceProblem, before: Optimum | None,
    shape: float | None,
) -> Optimum:  # fmt: skip
    """Maximise over variances and fixed effects, from the restricted optimum."""
    k = len(model.scale)
    first = _from_inside(model, restricted, before, shape, ROUGH, 0) if k else []
    first = _best_first(model, y, first) if k else []
    theta = first[0].end * model.scale if first else np.zeros(0)
    point = restricted.point(theta, restricted.beta, graded=False)
    if point is None:
        raise ModelError(_advice(model, y, first))
    problem = model.laplace(y, restricted=False)
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
    searches = _best_first(model, y, searches)
    end = mix @ searches[0].end

    def point_at(theta: np.ndarray, graded: bool) -> Point | None:
        return problem.point(theta, end[k:], graded)

    problem.tolerance = problem.TIGHT
    theta, zero = _settle_zeros(model, end[:k], point_at)
    found = point_at(theta, True)
    if found is None:
        raise ModelError(_advice(model, y, searches))
    metric_theta = first[0].inverse_hessian if first else None
    others = _other_optima(model, searches, point_at)
    return Optimum(problem, found, (*first, *searches), zero, others, metric_theta)


def _advice(model: Model, y: np.ndarray, searches: list[Search]) -> str:
    """Why no search converged, where that can be told, and what to try."""
    because = ""
    if not model.family.counts:
        values = y if model.family.name == "gaussian" else np.log(y)
        if _explained_by_units(model, values):
            because = notes.no_residual(model.response, model.chain.names[0])
    elif model.family.link == "logit" and model.chain.n_nested:
        starts, finest = model.chain.row_start[:-1], model.chain.names[0]
        none = np.add.reduceat(y, starts) == 0
        alike = none | (np.add.reduceat(model.size - y, starts) == 0)
        if alike.mean() > MOST:
            because = notes.units_alike(int(alike.sum()), len(alike), finest)
    return notes.did_not_converge(model.response, [s.reason for s in searches], because)
