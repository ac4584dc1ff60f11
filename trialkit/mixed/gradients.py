"""The compiled loops of the exact gradient; see :mod:`trialkit.mixed.kernels` for the symbols.

With ``v_i = w_i' h_i``, the slope of row ``i``'s weight times its leverage, and
``s = H^-1 sum_i c_i v_i``, the derivative of ``-1/2 log|H|`` splits into a part that holds the
mode still (:func:`leverage_pass`) and one that follows its movement (:func:`mode_pass`).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from trialkit.mixed.families import shape_terms
from trialkit.mixed.kernels import (
    clear,
    clear_square,
    inverse_blocks,
    place,
    unit_coefficients,
)


@njit(cache=True, error_model="numpy")
def _logdet_slopes(cross, inv, offs, n_levels, ptr, row, val, m, q, z_col, half, grad, scale):
    """Add ``scale * d log|H| / d Lambda`` of one finest unit, half of it, to ``grad``.

    ``half`` is scratch (m, q) for ``M' cross``; entry (a, b) of a level's Lambda draws on
    ``sum_i w_i z_ia (H^-1 c_i)_b``.
    """
    for i in range(m - 1):
        for a in range(q):
            s = 0.0
            for e in range(ptr[i], ptr[i + 1]):
                s += val[e] * cross[row[e], a]
            half[i, a] = s
    g0 = 0
    for lev in range(n_levels):
        o = offs[lev]
        k = offs[lev + 1] - o
        for a in range(k):
            col = z_col[o + a]
            for b in range(a + 1):
                s = 0.0
                for j in range(m - 1):
                    s += inv[o + b, j] * half[j, col]
                grad[g0 + a * k + b] += scale * s
        g0 += k * k


@njit(cache=True, error_model="numpy")
def gradient_cross(
    cross, unit, closes, offs, u_off, fac_off, ptr, row, val, m, u, root, fac, root_inverse,
    z_col, rss_scale,
):  # fmt: skip
    """Gradient in every entry of every Lambda of ``log|H| + rss / rss_scale`` (Gaussian).

    ``root_inverse`` is the inverse of the root block for REML, zeros for ML. Entries are laid out
    level by level (finest first), row-major ``k x k``; the upper triangle stays zero.
    """
    n_levels = unit.shape[1]
    q = cross.shape[1] - 1
    total = 0
    for lev in range(n_levels):
        total += (offs[lev + 1] - offs[lev]) ** 2
    grad = np.zeros(total)
    inv = np.zeros((m, m))
    half = np.zeros((m, q))
    chain = np.zeros(m)
    coef = np.zeros(q + 1)
    top = offs[n_levels]
    place(root_inverse, top, inv)
    for f in range(unit.shape[0] - 1, -1, -1):
        for lev in range(closes[f] - 1, -1, -1):
            inverse_blocks(lev, unit[f, lev], offs, fac_off, m, fac, inv)
        _logdet_slopes(cross[f], inv, offs, n_levels, ptr, row, val, m, q, z_col, half, grad, 2.0)
        unit_coefficients(f, unit, offs, u_off, ptr, row, val, u, root, chain, coef)
        g0 = 0
        for lev in range(n_levels):
            o = offs[lev]
            k = offs[lev + 1] - o
            for a in range(k):
                col = z_col[o + a]
                e = cross[f, col, q]
                for c in range(q):
                    e -= cross[f, col, c] * coef[c]
                for b in range(a + 1):
                    grad[g0 + a * k + b] -= 2.0 / rss_scale * e * chain[o + b]
            g0 += k * k
    return grad


@njit(cache=True, error_model="numpy")
def leverage_pass(
    family, phi, y, size, etas, data, row_start, unit, closes, offs, u_off, fac_off,
    ptr, row, val, m, u, root, fac, root_inverse, z_col, score, weight, slope,
):  # fmt: skip
    """First half of the Laplace gradient: all but what goes through the mode's own movement.

    Overwrites ``slope`` by ``v_i = w_i' h_i`` with the leverage ``h_i = c_i' H^-1 c_i``.
    Returns the gradient in every Lambda entry (layout of :func:`gradient_cross`) and in ``phi``.
    """
    shape = 0.0
    n_levels = unit.shape[1]
    q = data.shape[1]
    total = 0
    for lev in range(n_levels):
        total += (offs[lev + 1] - offs[lev]) ** 2
    grad = np.zeros(total)
    inv = np.zeros((m, m))
    half = np.zeros((m, q))
    spread = np.zeros((q, q))
    cross = np.zeros((q, q))
    pull = np.zeros(q)
    chain = np.zeros(m)
    coef = np.zeros(q + 1)
    top = offs[n_levels]
    place(root_inverse, top, inv)
    for f in range(unit.shape[0] - 1, -1, -1):
        for lev in range(closes[f] - 1, -1, -1):
            inverse_blocks(lev, unit[f, lev], offs, fac_off, m, fac, inv)
        clear_square(spread)
        for i in range(m - 1):
            for j in range(m - 1):
                for a in range(ptr[i], ptr[i + 1]):
                    for b in range(ptr[j], ptr[j + 1]):
                        spread[row[a], row[b]] += val[a] * val[b] * inv[i, j]
        clear_square(cross)
        clear(pull)
        for i in range(row_start[f], row_start[f + 1]):
            h = 0.0
            for a in range(q):
                s = 0.0
                for b in range(q):
                    s += spread[a, b] * data[i, b]
                    cross[a, b] += weight[i] * data[i, a] * data[i, b]
                h += s * data[i, a]
            slope[i] *= h
            if family > 2:
                d_ll, _, d_w = shape_terms(family, y[i], etas[i], size[i], phi)
                shape += d_ll - 0.5 * h * d_w
            for a in range(q):
                pull[a] += (score[i] - 0.5 * slope[i]) * data[i, a]
        _logdet_slopes(cross, inv, offs, n_levels, ptr, row, val, m, q, z_col, half, grad, -1.0)
        unit_coefficients(f, unit, offs, u_off, ptr, row, val, u, root, chain, coef)
        g0 = 0
        for lev in range(n_levels):
            o = offs[lev]
            k = offs[lev + 1] - o
            for a in range(k):
                for b in range(a + 1):
                    grad[g0 + a * k + b] += pull[z_col[o + a]] * chain[o + b]
            g0 += k * k
    return grad, shape


@njit(cache=True, error_model="numpy")
def mode_pass(
    family, phi, y, size, etas, data, row_start, unit, offs, u_off, ptr, row, val, m,
    u, root, s_u, s_root, z_col, score, weight, v, grad, pull_eta,
):  # fmt: skip
    """Second half of the Laplace gradient, through the movement of the mode.

    With ``s = H^-1 sum_i c_i v_i``: adds to ``grad`` and fills ``pull_eta``, the derivative of
    the criterion in each row's offset. Returns what to add to the derivative in ``phi``.
    """
    shape = 0.0
    n_levels = unit.shape[1]
    q = data.shape[1]
    chain = np.zeros(m)
    coef = np.zeros(q + 1)
    s_chain = np.zeros(m)
    s_coef = np.zeros(q + 1)
    moved = np.zeros(q)
    pull = np.zeros(q)
    for f in range(unit.shape[0]):
        unit_coefficients(f, unit, offs, u_off, ptr, row, val, u, root, chain, coef)
        unit_coefficients(f, unit, offs, u_off, ptr, row, val, s_u, s_root, s_chain, s_coef)
        clear(moved)
        clear(pull)
        for i in range(row_start[f], row_start[f + 1]):
            t = 0.0
            for a in range(q):
                t += data[i, a] * s_coef[a]
            if family > 2:
                shape -= 0.5 * t * shape_terms(family, y[i], etas[i], size[i], phi)[1]
            t *= weight[i]
            pull_eta[i] = score[i] - 0.5 * (v[i] - t)
            for a in range(q):
                moved[a] += t * data[i, a]
                pull[a] += score[i] * data[i, a]
        g0 = 0
        for lev in range(n_levels):
            o = offs[lev]
            k = offs[lev + 1] - o
            for a in range(k):
                col = z_col[o + a]
                for b in range(a + 1):
                    grad[g0 + a * k + b] += 0.5 * (
                        moved[col] * chain[o + b] - pull[col] * s_chain[o + b]
                    )
            g0 += k * k
    return shape
