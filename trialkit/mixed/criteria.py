"""One compiled call per evaluation: the criterion, its gradient and the mode or solution.

The passes of :mod:`trialkit.mixed.kernels` put together, with the small dense root block of the
fixed effects handled here. Arguments are described there.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from trialkit.mixed.gradients import gradient_cross, leverage_pass, mode_pass
from trialkit.mixed.kernels import (
    back_solve,
    clear,
    eliminate_cross,
    eliminate_rows,
    forward_rhs,
)
from trialkit.mixed.optimise import RUNNING, advance, begin

MAX_NEWTON = 200


@njit(cache=True, error_model="numpy")
def move(base, length, step, out):
    """``out = base + length * step``."""
    for i in range(base.shape[0]):
        out[i] = base[i] + length * step[i]


@njit(cache=True, error_model="numpy")
def _unmix(mix, trial, slot, n_theta, parameters, val):
    """Parameters ``mix @ trial`` and the weights of the chain map (1 for all but ``theta``)."""
    for i in range(parameters.shape[0]):
        s = 0.0
        for j in range(trial.shape[0]):
            s += mix[i, j] * trial[j]
        parameters[i] = s
    for j in range(slot.shape[0]):
        val[j] = parameters[slot[j]] if slot[j] < n_theta else 1.0


@njit(cache=True, error_model="numpy")
def _mixed_gradient(entries, parameter, entry_at, factor, mix, g_full, g):
    """Gradient over ``mix^-1`` parameters; ``g_full`` holds what is known beyond ``theta``."""
    for e in range(parameter.shape[0]):
        g_full[parameter[e]] += factor * entries[entry_at[e]]
    for j in range(g.shape[0]):
        s = 0.0
        for i in range(g.shape[0]):
            s += g_full[i] * mix[i, j]
        g[j] = s


@njit(cache=True, error_model="numpy")
def solve_root(front, p, step):
    """Factor the root front in place and solve for ``step``, shape (p,).

    Returns (log-determinant, squared length of the reduced right-hand side); not a number where
    the block is not positive definite.
    """
    logdet = 0.0
    length = 0.0
    for b in range(p):
        d = math.sqrt(front[b, b])
        logdet += 2.0 * math.log(d)
        for j in range(b, p + 1):
            front[b, j] /= d
        length += front[b, p] ** 2
        for i in range(b + 1, p + 1):
            for j in range(i, p + 1):
                front[i, j] -= front[b, i] * front[b, j]
    for b in range(p - 1, -1, -1):
        s = front[b, p]
        for j in range(b + 1, p):
            s -= front[b, j] * step[j]
        step[b] = s / front[b, b]
    return logdet, length


@njit(cache=True, error_model="numpy")
def root_inverse(front, p):
    """Inverse of the root block from its upper factor, shape (p, p)."""
    half = np.zeros((p, p))
    for j in range(p):
        half[j, j] = 1.0 / front[j, j]
        for i in range(j - 1, -1, -1):
            s = 0.0
            for t in range(i + 1, j + 1):
                s += front[i, t] * half[t, j]
            half[i, j] = -s / front[i, i]
    out = np.zeros((p, p))
    for i in range(p):
        for j in range(p):
            s = 0.0
            for t in range(max(i, j), p):
                s += half[i, t] * half[j, t]
            out[i, j] = s
    return out


@njit(cache=True, error_model="numpy")
def gaussian_point(
    cross, unit, closes, offs, u_off, fac_off, ptr, row, val, m, p, z_col, fac, u, df, restricted,
    sigma,
):  # fmt: skip
    """Gaussian criterion at the Lambda entries in ``val``; fills ``u``.

    ``sigma`` zero profiles the residual standard deviation. Returns (log-determinant of ``H``,
    residual sum of squares, residual variance, coefficients, root front, gradient of
    ``log|H| + rss / sigma^2`` in every Lambda entry).
    """
    beta = np.zeros(p)
    clear(u)
    logdet, front = eliminate_cross(
        cross, unit, closes, offs, u_off, fac_off, ptr, row, val, m, u, fac
    )
    logdet_x, _ = solve_root(front, p, beta)
    rss = front[p, p]
    s2 = sigma**2 if sigma > 0.0 else rss / df
    back_solve(unit, closes, offs, u_off, fac_off, m, fac, beta, u)
    inverse = np.zeros((p, p))
    if restricted:
        logdet += logdet_x
        inverse = root_inverse(front, p)
    grad = gradient_cross(
        cross, unit, closes, offs, u_off, fac_off, ptr, row, val, m, u, beta, fac, inverse,
        z_col, s2,
    )  # fmt: skip
    return logdet, rss, s2, beta, front, grad


@njit(cache=True, error_model="numpy")
def find_mode(
    family, phi, y, size, offset, data, row_start, unit, closes, offs, u_off, fac_off,
    ptr, row, val, m, u, root, fac, score, weight, slope, etas, tolerance,
):  # fmt: skip
    """Newton to the mode of the penalised likelihood with step-halving, in ``u`` and ``root``.

    Returns (found, penalised log-likelihood, log-determinant over ``u``, that of the root,
    factored root front).
    """
    p = root.shape[0]
    best = -math.inf
    length = 1.0
    step_u = np.zeros(u.shape[0])
    step_b = np.zeros(p)
    base_u = np.zeros(u.shape[0])
    base_b = np.zeros(p)
    front = np.zeros((p + 1, p + 1))
    for _ in range(MAX_NEWTON):
        value, logdet, decrement, front = eliminate_rows(
            family, phi, y, size, offset, data, row_start, unit, closes, offs, u_off, fac_off,
            ptr, row, val, m, u, root, fac, score, weight, slope, etas,
        )  # fmt: skip
        if math.isfinite(value + decrement) and value >= best - 1e-9 * (1.0 + abs(best)):
            best = value
            length = 1.0
            move(u, 0.0, u, base_u)
            move(root, 0.0, root, base_b)
            logdet_x, extra = solve_root(front, p, step_b)
            if not math.isfinite(logdet_x + extra):
                return False, value, logdet, logdet_x, front
            if decrement + extra < tolerance:
                return True, value, logdet, logdet_x, front
            back_solve(unit, closes, offs, u_off, fac_off, m, fac, step_b, step_u)
        else:
            length *= 0.5
            if length < 1e-10 or best == -math.inf:
                break
        move(base_u, length, step_u, u)
        move(base_b, length, step_b, root)
    return False, best, math.nan, math.nan, front


@njit(cache=True, error_model="numpy")
def laplace_point(
    family, phi, y, size, offset, data, row_start, unit, closes, offs, u_off, fac_off,
    ptr, row, val, m, u, root, fac, score, weight, slope, etas, tolerance, z_col, pull_eta,
):  # fmt: skip
    """(Restricted) Laplace criterion less constants; moves ``u`` and ``root`` to the mode.

    Returns (found, value, root front, gradient in every Lambda entry, derivative in ``phi``);
    ``pull_eta`` gets the derivative in each row's offset.
    """
    found, value, logdet, logdet_x, front = find_mode(
        family, phi, y, size, offset, data, row_start, unit, closes, offs, u_off, fac_off,
        ptr, row, val, m, u, root, fac, score, weight, slope, etas, tolerance,
    )  # fmt: skip
    p = root.shape[0]
    if not found:
        return False, -math.inf, front, np.zeros(0), 0.0
    inverse = root_inverse(front, p)
    grad, shape = leverage_pass(
        family, phi, y, size, etas, data, row_start, unit, closes, offs, u_off, fac_off,
        ptr, row, val, m, u, root, fac, inverse, z_col, score, weight, slope,
    )  # fmt: skip
    rhs = forward_rhs(data, slope, row_start, unit, closes, offs, fac_off, ptr, row, val, m, fac)
    s_root = np.zeros(p)
    for i in range(p):
        for j in range(p):
            s_root[i] += inverse[i, j] * rhs[j]
    s_u = np.zeros(u.shape[0])
    back_solve(unit, closes, offs, u_off, fac_off, m, fac, s_root, s_u)
    shape += mode_pass(
        family, phi, y, size, etas, data, row_start, unit, offs, u_off, ptr, row, val, m,
        u, root, s_u, s_root, z_col, score, weight, slope, grad, pull_eta,
    )  # fmt: skip
    return True, value - 0.5 * (logdet + logdet_x), front, grad, shape


@njit(cache=True, error_model="numpy")
def search_gaussian(
    cross, unit, closes, offs, u_off, fac_off, ptr, row, slot, m, p, z_col, fac, u, df, restricted,
    log_weight, parameter, entry_at, mix, x, inverse, scaled,
):  # fmt: skip
    """Minimise minus the profiled log-likelihood over ``mix^-1 theta``, from ``x``.

    Returns (verdict, counters, scalars, gradient, evaluations); ``x`` and ``inverse`` move.
    """
    counts, scalars, grad, step, trial = begin(x, inverse, scaled)
    val = np.zeros(slot.shape[0])
    parameters = np.zeros(x.shape[0])
    g_full = np.zeros(x.shape[0])
    g = np.zeros(x.shape[0])
    evaluations = 0
    verdict = RUNNING
    while verdict == RUNNING:
        _unmix(mix, trial, slot, x.shape[0], parameters, val)
        log_h, rss, s2, _, _, entries = gaussian_point(
            cross, unit, closes, offs, u_off, fac_off, ptr, row, val, m, p, z_col, fac, u, df,
            restricted, 0.0,
        )  # fmt: skip
        evaluations += 1
        f = 0.5 * (log_h + df * math.log(2.0 * math.pi * s2) + rss / s2 - log_weight)
        clear(g_full)
        _mixed_gradient(entries, parameter, entry_at, 0.5, mix, g_full, g)
        verdict = advance(counts, scalars, x, grad, inverse, step, trial, f, g)
    return verdict, counts, scalars, grad, evaluations
