"""Where else a search starts, and what a reader is told of a second optimum.

Small trials can have several optima: either of two levels may take up the same variation, or none.
From the first optimum each standard deviation in turn is put near zero, its variance shared between
the others, and one that is zero is raised; so is a dispersion. Most such starts are dismissed by
one evaluation, where the likelihood rises straight back; the others are searched roughly first.
With few rows the optimum of every face (some standard deviations held at zero) is a start as well:
a search that begins at zero stays there, and is then let off.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np

from trialkit.mixed import notes
from trialkit.mixed.model import Model
from trialkit.mixed.optimise import GAIN, Search
from trialkit.mixed.problem import GaussianProblem, LaplaceProblem, Point

# Rows up to which other starts are cheap.
CHEAP_ROWS = 5_000
MOST_STARTS = 6
# A standard deviation (of natural scale one) this small is near its boundary.
NEAR = 0.05
# ... and one this many of its standard errors away from zero leaves no room for an optimum there.
CLEAR = 6.0
# Those within so many may all give way to one other.
WEAK = 2.0
# Gain at which a search stops whose end is wanted only roughly.
ROUGH = 1e-4
# Ends closer than this in every standard deviation (scaled) or in value are the same optimum; a
# flat ridge has ends far apart but of one value.
SAME_PLACE, SAME_VALUE = 0.05, 1e-5
# Times that a better optimum is looked around from in its turn.
AGAIN = 3
# Up to so many rows and standard deviations every face is searched.
FEW_ROWS, FEW = 24, 4
# Dispersions (logarithms of size, shape, precision) from here on hardly matter, and starts on
# either side of it.
LITTLE_DISPERSION, PLAIN, DISPERSED = 3.0, 6.0, 1.0
# An optimum this far below in log-likelihood does not matter to a reader.
MATTERS = 1.0

Problem = GaussianProblem | LaplaceProblem


def apart(model: Model, one: Search, other: Search) -> bool:
    """Whether two searches ended at different optima (signs of columns are immaterial)."""
    n = model.n_theta
    moved = np.abs(np.abs(one.end[:n]) - np.abs(other.end[:n])).max(initial=0.0)
    return bool(moved > SAME_PLACE)


def interior(model: Model, shape: float | None) -> np.ndarray:
    """Standard deviations of half the natural scale, and the dispersion's own start."""
    theta = np.zeros(model.n_theta)
    size = 1.0 if model.family.name == "gaussian" else 0.5
    theta[model.diagonal] = size * model.theta_scale[model.diagonal]
    return theta if shape is None else np.append(theta, shape)


def search_elsewhere(
    model: Model, problem: Problem, mix: np.ndarray, first: Search, polish: int,
    settle: Callable[[np.ndarray], np.ndarray] = np.asarray,
) -> list[Search]:  # fmt: skip
    """Searches from near every boundary, as far as they may lead to another optimum.

    Parameters
    ----------
    mix : ndarray, shape (parameters, parameters)
        From a search's scaled parameters to those of ``problem``.
    first : Search
        The one whose end is known.
    settle : function of a start
        Brings what is not a standard deviation up to those of the start.
    """
    known = [first]
    made: list[Search] = []
    if model.n > CHEAP_ROWS or not 1 < len(model.diagonal) <= MOST_STARTS:
        return made

    def search(start: np.ndarray) -> None:
        """A rough search; to the end only where that may matter to a reader and is not known."""
        found = problem.search(start, mix, None, ROUGH, 0)
        least = min(s.value for s in known)
        new = found.converged and all(apart(model, found, s) for s in known)
        if new and (zero := found.end[: model.n_theta] == 0.0).any():
            start = found.end.copy()
            start[: model.n_theta][zero] = NEAR
            return search(start)
        if new and found.value < least + 2 * MATTERS:
            found = problem.search(found.end, mix, found.inverse_hessian, GAIN, polish)
            known.append(found)
        made.append(found)
        return None

    def look_around(search_from: Search) -> None:
        for j, sign, start in _elsewhere(model, search_from):
            start = settle(start)
            point = _evaluate(problem, mix @ start)
            if point is not None and sign * point.grad[j] <= 0.0:
                search(start)

    look_around(first)
    if model.n <= FEW_ROWS and model.n_theta == len(model.diagonal) <= FEW:
        for start in _faces(model, first):
            search(settle(start))
    best = first
    for _ in range(AGAIN):
        better = min(known, key=lambda s: s.value)
        if best.value - better.value < SAME_VALUE:
            break
        best = better
        look_around(best)
    return made


def _elsewhere(model: Model, first: Search) -> Iterator[tuple[int, float, np.ndarray]]:
    """Parameter, direction in which a rise of the likelihood leads back, and start."""
    end, diagonal = first.end, np.array(model.diagonal)
    share = np.sqrt(np.mean(end[diagonal] ** 2))
    inside = interior(model, None) / model.theta_scale
    spread = np.sqrt(np.maximum(np.diag(first.inverse_hessian)[diagonal], 0.0))
    size = np.abs(end[diagonal])
    unclear = diagonal[(size > NEAR) & (size < CLEAR * spread)]
    weak = diagonal[(size > NEAR) & (size < WEAK * spread)]
    for j in diagonal:
        start = end.copy()
        if abs(end[j]) <= NEAR:
            if share > NEAR:
                start[diagonal] *= np.sqrt(1.0 - 1.0 / len(diagonal))
                start[j] = share
            else:
                start[j] = inside[j]
            yield j, -1.0, start
            if len(weak) > 1:
                start = end.copy()
                start[j] = np.sqrt(np.sum(end[weak] ** 2))
                start[weak] = NEAR
                yield j, -1.0, start
        elif j in unclear:
            others = diagonal[diagonal != j]
            start[others] = np.sqrt(end[others] ** 2 + end[j] ** 2 / len(others))
            start[j] = NEAR
            yield j, 1.0, start
    if model.family.dispersed:
        j, start = model.n_theta, end.copy()
        little = end[j] > LITTLE_DISPERSION
        start[j] = DISPERSED if little else PLAIN
        if not little:
            start[diagonal] = np.sqrt(end[diagonal] ** 2 + math.exp(-end[j]) / len(diagonal))
        yield j, 1.0 if little else -1.0, start


def _faces(model: Model, first: Search) -> Iterator[np.ndarray]:
    """Starts with some standard deviations zero, the others sharing the variance found or more."""
    k = model.n_theta
    least = 2.0 * interior(model, None)[:k] / model.theta_scale
    total = max(float(np.sum(first.end[:k] ** 2)), float(np.mean(least**2)))
    phis = [DISPERSED, PLAIN] if model.family.dispersed else [0.0]
    for on, phi in itertools.product(itertools.product((True, False), repeat=k), phis):
        start = first.end.copy()
        start[:k] = np.where(on, math.sqrt(total / max(sum(on), 1)), 0.0)
        if model.family.dispersed:
            start[k] = phi
        yield start


def _evaluate(problem: Problem, at: np.ndarray) -> Point | None:
    if isinstance(problem, GaussianProblem):
        return problem.point(at)
    if problem.restricted:
        return problem.point(at, problem.beta)
    return problem.point(at[: problem.n_parameters], at[problem.n_parameters :])


def second_optimum(
    model: Model, searches: Sequence[Search], sigma_at: Callable[[np.ndarray], float]
) -> tuple[str, ...]:
    """A note where another optimum lies little below the best; ``searches`` start with that."""
    if not searches:
        return ()
    best = searches[0]
    others = [
        s for s in searches[1:]
        if SAME_VALUE < s.value - best.value < MATTERS and apart(model, s, best)
    ]  # fmt: skip
    if not others:
        return ()
    near = others[0]
    here, there = (_spreads(model, s, sigma_at) for s in (best, near))
    return (notes.second_optimum(here, there, near.value - best.value),)


def _spreads(
    model: Model, search: Search, sigma_at: Callable[[np.ndarray], float]
) -> dict[str, str]:
    """Standard deviation by level that the rows have on average, coarse to fine."""
    theta = search.end[: model.n_theta] * model.theta_scale
    sigma = sigma_at(theta)
    out = {}
    layout = model.layout(True)[0]
    for name, z, lam in zip(model.chain.names, model.z, layout.lambdas(theta), strict=True):
        spread = float(np.sqrt(((z @ lam) ** 2).sum(axis=1).mean()))
        out[name] = f"{spread * sigma:.2g}" if spread > NEAR / 2 else "0"
    return dict(reversed(out.items()))
