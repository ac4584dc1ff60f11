"""Which inference a fit gets, and the numbers it is built from."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.linalg import block_diag

from trialkit.errors import ModelError
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.problem import GaussianProblem, Point
from trialkit.mixed.smallsample import (
    Asymptotic,
    Component,
    Inference,
    KenwardRoger,
    Satterthwaite,
    kenward_roger,
    satterthwaite,
)

# Eigenvalue of a correlation matrix below which it is singular.
SINGULAR = 1e-8
# A row of less weight counts as one of so much.
LEAST_WEIGHT = 1e-10
METHODS = ("kenward-roger", "kenward-roger-nonzero", "satterthwaite", "asymptotic")


def default_method(fit: Fitted) -> str:
    """Kenward-Roger for REML fits, else normal theory."""
    return "kenward-roger" if fit.method == "reml" else "asymptotic"


def inference_by(fit: Fitted, method: str) -> Inference:
    """Covariance of the fixed effects and df rule by the named method.

    "kenward-roger" reads the formulas of 1997 as they stand: every variance parameter is
    uncertain, those estimated at zero with the others. A design then has the df of its own error
    strata, whatever the estimates. "kenward-roger-nonzero" takes a variance estimated at zero as
    zero, as Satterthwaite's method does, and a correlation estimated at one as one: strata that
    differ by nothing found are pooled. The first is cautious where many estimates are zero, the
    second may be bold (rates of both: ``notebooks/calibration.csv``). Neither goes below one df,
    as the formulas do where a variance is nearly unknown.

    Worked out once a fit and method.

    Raises
    ------
    ModelError
        For an unknown method, or a small-sample method on a maximum-likelihood fit.
    """
    if method not in fit.inferences:
        if method in METHODS:
            fit.needs_rows(method)
        fit.inferences[method] = _worked_out(fit, method)
    return fit.inferences[method]


def default_inference(fit: Fitted) -> Inference:
    """Covariance of the fixed effects and the df rule of the default method."""
    return inference_by(fit, default_method(fit))


def _worked_out(fit: Fitted, method: str) -> Inference:
    if method not in METHODS:
        raise ModelError(f"method {method!r} is not known; choose one of {METHODS}.")
    if method == "asymptotic":
        return Asymptotic(_information_covariance(fit))
    if fit.method != "reml":
        raise ModelError(f'{method} degrees of freedom need method="reml"; refit that way.')
    if method == "satterthwaite":
        return _satterthwaite(fit)
    return _kenward_roger(fit, with_zeros=method == "kenward-roger")


def _kenward_roger(fit: Fitted, with_zeros: bool) -> KenwardRoger:
    model, point = fit.model, fit.found.point
    components = uncertain(fit, with_zeros)
    if fit.family.name == "gaussian":
        residual = point.sigma**2 / model.weight
    else:
        assert point.weight is not None
        residual = 1.0 / np.maximum(point.weight, LEAST_WEIGHT)
    kr = kenward_roger(
        model.x, residual, model.z, model.row_units, fit.covariances, components,
        None if with_zeros else directions(fit, components),
    )  # fmt: skip
    return of_user(kr, model.to_original)


def of_user(kr: KenwardRoger, t: np.ndarray) -> KenwardRoger:
    """The quantities for the user's coefficients, ``t`` times those of the scaled columns."""
    back = np.linalg.inv(t)
    return KenwardRoger(t @ kr.phi @ t.T, t @ kr.adjusted @ t.T, back.T @ kr.p @ back, kr.w)


def uncertain(fit: Fitted, with_zeros: bool) -> list[Component]:
    """The variance parameters that count as estimated."""
    positive = [np.diag(c) > 0 for c in fit.covariances]
    components = [
        c
        for c in fit.model.components
        if with_zeros or any(positive[c.level][a] and positive[c.level][b] for a, b in c.pairs)
    ]
    # The dispersion of a gamma response is a residual variance on the log scale.
    if fit.family.name in ("gaussian", "gamma"):
        components.append(Component(-1, ()))
    return components


def directions(fit: Fitted, components: list[Component]) -> np.ndarray | None:
    """Directions that keep covariances estimated singular as singular as they are, or None.

    The tangent space of the matrices of rank ``r`` at ``L L'`` is spanned by ``e_a l_b' + l_b
    e_a'`` (Helmke & Moore 1994, Optimization and Dynamical Systems, section 5.1).
    """
    blocks = []
    for lev in dict.fromkeys(c.level for c in components):
        own = [c for c in components if c.level == lev]
        held = None
        if lev >= 0 and fit.model.covariances[fit.model.chain.names[lev]] == "unstructured":
            held = _tangent(fit.covariances[lev], [c.pairs[0] for c in own])
        blocks.append(np.eye(len(own)) if held is None else held)
    if all(len(b) == b.shape[1] for b in blocks):
        return None
    return block_diag(*blocks)


def _tangent(cov: np.ndarray, pairs: list[tuple[int, int]]) -> np.ndarray | None:
    """Orthonormal directions in the entries ``pairs``, shape (directions, pairs)."""
    size = np.sqrt(np.diag(cov))
    unit = np.where(size > 0, size, 1.0)
    values, vectors = np.linalg.eigh(cov / np.outer(unit, unit))
    kept = values > SINGULAR
    if kept.all():
        return None
    root = unit[:, None] * vectors[:, kept] * np.sqrt(values[kept])
    moves = [np.outer(e, column) + np.outer(column, e) for e in np.diag(unit) for column in root.T]
    scale = np.array([unit[a] * unit[b] for a, b in pairs])
    rows = np.array([[m[a, b] for a, b in pairs] for m in moves]) / scale
    _, length, basis = np.linalg.svd(rows, full_matrices=False)
    return basis[length > 1e-8 * length.max(initial=0.0)] * scale


def _satterthwaite(fit: Fitted) -> Satterthwaite:
    problem, point, model = fit.found.problem, fit.found.point, fit.model
    free = np.flatnonzero(~fit.found.zero)

    def point_at(parameters: np.ndarray) -> Point:
        theta = point.theta.copy()
        theta[free] = parameters[: len(free)]
        if isinstance(problem, GaussianProblem):
            return _must(problem.point(theta, sigma=float(parameters[-1])))
        return _must(problem.point(theta, point.beta))

    def phi_at(parameters: np.ndarray) -> np.ndarray:
        found = point_at(parameters)
        half = model.to_original @ np.linalg.inv(found.root) * found.sigma
        return half @ half.T

    def gradient(parameters: np.ndarray) -> np.ndarray:
        found = point_at(parameters)
        grad = found.grad[free]
        if isinstance(problem, GaussianProblem):
            s = float(parameters[-1])
            grad = np.r_[grad, -problem.df / s + found.rss / s**3]
        return grad

    start = point.theta[free]
    scale = 1e-4 * np.maximum(np.abs(start), model.scale[free])
    if isinstance(problem, GaussianProblem):
        start = np.r_[start, point.sigma]
        scale = np.r_[scale, 1e-4 * point.sigma]
    return satterthwaite(phi_at, gradient, start, scale)


def _information_covariance(fit: Fitted) -> np.ndarray:
    """Covariance of the fixed effects from the full information matrix."""
    weight, x = fit.found.point.weight, fit.model.x
    return information_covariance(fit, lambda: (x * np.asarray(weight)[:, None]).T @ x)


def information_covariance(fit: Fitted, plain: Callable[[], np.ndarray]) -> np.ndarray:
    """As :func:`_information_covariance`; ``plain`` gives the weighted cross-products of ``x``."""
    problem, point, model = fit.found.problem, fit.found.point, fit.model
    t = model.to_original
    if isinstance(problem, GaussianProblem) or fit.method == "reml":
        # Fixed effects and variances are uncorrelated (Gaussian), or integrated apart.
        half = t @ np.linalg.inv(point.root) * point.sigma
        return half @ half.T
    laplace = problem
    free = np.flatnonzero(~fit.found.zero)
    k = len(model.scale)
    centre = np.r_[point.theta[free], point.beta]
    spread = np.sqrt(np.diag(np.linalg.inv(plain())))
    step = np.r_[1e-4 * model.scale[free], 1e-3 * spread]

    def gradient(parameters: np.ndarray) -> np.ndarray:
        theta = point.theta.copy()
        theta[free] = parameters[: len(free)]
        found = _must(laplace.point(theta, parameters[len(free) :]))
        return np.r_[found.grad[:k][free], found.grad[k:]]

    hessian = np.empty((len(centre), len(centre)))
    for j, h in enumerate(step):
        move = np.zeros(len(centre))
        move[j] = h
        hessian[j] = (gradient(centre + move) - gradient(centre - move)) / (2 * h)
    covariance = np.linalg.inv(-0.5 * (hessian + hessian.T))[len(free) :, len(free) :]
    return t @ covariance @ t.T


def _must(point: Point | None) -> Point:
    if point is None:
        raise ModelError(
            "the likelihood cannot be evaluated next to its optimum; look for cells of the design "
            "with almost no counts."
        )
    return point
