"""The likelihood by adaptive Gauss-Hermite quadrature, for one grouping level, and its gradient.

Units ``j`` with a standard normal effect ``u`` and rows ``eta_i = offset_i + x_i beta + theta u``
have the likelihood

    L_j = integral exp(h(u)) du / sqrt(2 pi),    h(u) = sum_i w_i log f_i(eta_i) - u^2 / 2.

Nodes ``t_k`` (weight function ``exp(-t^2 / 2)``) are centred at the mode ``m`` of ``h`` and scaled
by its curvature ``c = -h''(m)``, both found anew for every parameter value (Liu & Pierce 1994,
Biometrika 81:624-629; Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12-35):

    log L_j = log sum_k exp(log a_k + h(m + t_k / sqrt(c))) - log(c) / 2.

One node is the Laplace approximation. The gradient is the exact one of this sum, the movement of
the nodes included. With ``p_k`` the shares of the sum, ``u_k = m + t_k / sqrt(c)`` and ``d`` the
derivative in a parameter at fixed ``u``, and because ``dm = d(h') / c``,

    d log L_j = sum_k p_k d h(u_k) + (G / c) d h'(m) + F d c(m),
    F = -sum_k p_k t_k h'(u_k) / (2 c^(3/2)) - 1 / (2 c),    G = sum_k p_k h'(u_k) + F c'(m).

``F`` and ``G`` vanish as nodes are added: the integral does not depend on where its nodes lie.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from trialkit.mixed.compiled import entry, inner
from trialkit.mixed.families import row_terms, shape_terms
from trialkit.mixed.model import Model

# Steps of the differences of the gradient; columns of x have unit scale.
STEP = 1e-4


@inner
def unit_terms(code, phi, theta, y, size, weight, offset, first, last, u):
    """Of one unit at ``u``: h, its slope and curvature, and the curvature's slope in ``eta``."""
    h = -0.5 * u * u
    slope = 0.0
    curvature = 0.0
    third = 0.0
    for i in range(first, last):
        ll, s, w, w3 = row_terms(code, y[i], offset[i] + theta * u, size[i], phi)
        h += weight[i] * ll
        slope += weight[i] * s
        curvature += weight[i] * w
        third += weight[i] * w3
    return h, theta * slope - u, 1.0 + theta * theta * curvature, third


@inner
def unit_mode(code, phi, theta, y, size, weight, offset, first, last, u):
    """Newton from ``u`` to one unit's mode: (found, mode, curvature, its slope in ``eta``)."""
    h, slope, c, third = unit_terms(code, phi, theta, y, size, weight, offset, first, last, u)
    if not math.isfinite(h):
        # The last mode can be a bad start far away: then from the centre.
        u = 0.0
        h, slope, c, third = unit_terms(code, phi, theta, y, size, weight, offset, first, last, u)
    found = False
    for _ in range(200):
        if found or not math.isfinite(h):
            break
        # Only the beta-binomial law can bend the other way, far from the mode.
        bend = c if c > 0.05 else 1.0
        step = slope / bend
        better = False
        for _ in range(60):
            new = unit_terms(
                code, phi, theta, y, size, weight, offset, first, last, u + step
            )  # fmt: skip
            # Near the mode the gain drowns in rounding: a step that loses no more is kept.
            if new[0] >= h - 1e-13 * (1.0 + abs(h)):
                better = True
                break
            step *= 0.5
        if not better:
            break
        # Newton's error after a step is of the order of the step squared.
        found = abs(step) * math.sqrt(bend) < 1e-8
        u += step
        h, slope, c, third = new
    return found and c > 0.0, u, c, third


@inner
def node_terms(
    code, dispersed, phi, theta, y, size, weight, offset, first, last, u, root, nodes, log_weights,
    box,
):  # fmt: skip
    """Fill the first lines of ``box`` at every node of one unit; returns the largest log term.

    Log of the term, node, score summed over the rows and slope in ``phi``; then every row's score.
    """
    top = -math.inf
    for k in range(len(nodes)):
        uk = u + nodes[k] * root
        hk = -0.5 * uk * uk
        sk = 0.0
        dk = 0.0
        for i in range(first, last):
            eta = offset[i] + theta * uk
            ll, s, _, _ = row_terms(code, y[i], eta, size[i], phi)
            hk += weight[i] * ll
            sk += weight[i] * s
            box[4 + i - first, k] = s
            if dispersed:
                dk += weight[i] * shape_terms(code, y[i], eta, size[i], phi)[0]
        box[0, k] = log_weights[k] + hk
        box[1, k] = uk
        box[2, k] = sk
        box[3, k] = dk
        top = max(top, box[0, k])
    return top


# A little long: the sums over nodes feed the rows' loop by a dozen scalars.
@entry
def integrate_units(
    code, dispersed, phi, theta, y, size, weight, offset, row_start, nodes, log_weights, mode,
    pull, grad, box,
):  # fmt: skip
    """Sum of the units' log integrals; NaN where a mode cannot be found.

    ``mode`` holds the starts and is left at the modes found; ``pull`` becomes the derivative in
    every row's offset, ``grad`` those in ``theta`` and ``phi``. ``box`` is workspace, shape
    (rows of the largest unit + 4, nodes).
    """
    total = 0.0
    grad[0] = 0.0
    grad[1] = 0.0
    for j in range(len(mode)):
        first = row_start[j]
        last = row_start[j + 1]
        found, u, c, third = unit_mode(
            code, phi, theta, y, size, weight, offset, first, last, mode[j]
        )  # fmt: skip
        if not found:
            return math.nan
        mode[j] = u
        root = 1.0 / math.sqrt(c)
        top = node_terms(
            code, dispersed, phi, theta, y, size, weight, offset, first, last, u, root, nodes,
            log_weights, box,
        )  # fmt: skip
        mass = 0.0
        for k in range(len(nodes)):
            mass += math.exp(box[0, k] - top)
        total += top + math.log(mass) - 0.5 * math.log(c)

        mean_slope = 0.0
        tilt = 0.0
        for k in range(len(nodes)):
            share = math.exp(box[0, k] - top) / mass
            box[0, k] = share
            if share == 0.0:
                # Far out a score may overflow; it has no part in the sum.
                continue
            hk1 = theta * box[2, k] - box[1, k]
            mean_slope += share * hk1
            tilt += share * nodes[k] * hk1
            grad[0] += share * box[1, k] * box[2, k]
            grad[1] += share * box[3, k]
        f = -0.5 * tilt * root / c - 0.5 / c
        g = (mean_slope + f * theta * theta * theta * third) / c
        for i in range(first, last):
            eta = offset[i] + theta * u
            _, s, w, w3 = row_terms(code, y[i], eta, size[i], phi)
            mean_score = 0.0
            for k in range(len(nodes)):
                if box[0, k] > 0.0:
                    mean_score += box[0, k] * box[4 + i - first, k]
            moved = f * theta * theta * w3 - g * theta * w
            pull[i] = weight[i] * (mean_score + moved)
            grad[0] += weight[i] * (g * s + 2.0 * f * theta * w + u * moved)
            if dispersed:
                _, d_s, d_w = shape_terms(code, y[i], eta, size[i], phi)
                grad[1] += weight[i] * (g * theta * d_s + f * theta * theta * d_w)
    return total


def differenced(
    point: Callable[[np.ndarray], tuple[float, np.ndarray]],
    parameters: np.ndarray,
    free: np.ndarray,
) -> np.ndarray:
    """Minus the second derivatives of ``point`` (value, gradient) in the ``free`` parameters."""
    out = np.empty((len(free), len(free)))
    for row, j in enumerate(free):
        up, down = parameters.copy(), parameters.copy()
        up[j] += STEP
        down[j] -= STEP
        out[row] = (point(down)[1] - point(up)[1])[free] / (2.0 * STEP)
    return 0.5 * (out + out.T)


class Criterion:
    """The log-likelihood by quadrature and its gradient on one model and response.

    Parameters are ``theta`` (the level's standard deviation, its sign immaterial), ``phi`` (the
    logarithm of size, shape or precision) for dispersed families, and the coefficients of
    ``model.x``.
    """

    def __init__(self, model: Model, y: np.ndarray, nodes: int) -> None:
        self.model, self.y = model, y
        self.family = model.family
        self.row_start = model.chain.row_start
        # pandas hands out read-only arrays, for which numba would compile once more.
        self.size, self.weight = np.array(model.size), np.array(model.weight)
        self.nodes, weights = hermegauss(nodes)
        # The weight function is taken out of the weights, the normal density's constant put in.
        self.log_weights = np.log(weights) + 0.5 * self.nodes**2 - 0.5 * math.log(2.0 * math.pi)
        self.mode = np.zeros(len(self.row_start) - 1)
        self.box = np.empty((int(np.diff(self.row_start).max()) + 4, nodes))
        self.constant = self.family.log_constant(y, self.size, self.weight)
        self.evaluations = 0

    @property
    def dispersed(self) -> bool:
        return self.family.dispersed

    def point(self, parameters: np.ndarray) -> tuple[float, np.ndarray]:
        """Log-likelihood with every constant, and gradient; NaN where it cannot be evaluated."""
        model, own = self.model, 1 + self.family.dispersed
        self.evaluations += 1
        phi = float(parameters[1]) if self.family.dispersed else 0.0
        offset = model.offset + model.x @ parameters[own:]
        pull, grad = np.empty(len(self.y)), np.empty(2)
        mode = self.mode.copy()
        value = integrate_units(
            self.family.code, self.family.dispersed, phi, float(parameters[0]), self.y, self.size,
            self.weight, offset, self.row_start, self.nodes, self.log_weights, mode, pull, grad,
            self.box,
        )  # fmt: skip
        full = np.r_[grad[:own], model.x.T @ pull]
        if not (math.isfinite(value) and np.isfinite(full).all()):
            return math.nan, np.zeros(len(full))
        self.mode = mode
        return value + self.constant, full

    def information(self, parameters: np.ndarray, free: np.ndarray) -> np.ndarray:
        """Minus the second derivatives in the ``free`` parameters, by differences."""
        return differenced(self.point, parameters, free)
