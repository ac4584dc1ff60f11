"""The compiled loops: post-order elimination, back-solve, selected inverse.

Model. ``eta_i = offset_i + x_i' beta + sum_l z_il' Lambda_l u_l`` with independent standard normal
``u``. Row ``i`` has the chain vector ``c_i = (Lambda_0' z_i0, ..., Lambda_L' z_iL, x_i, rhs_i)``,
finest level first. Few of these entries are distinct columns of data: with ``d_i`` the distinct
columns and one right-hand-side entry, ``c_i = M' d_i`` for a sparse ``M`` that is the same for all
rows, so the cross-products of a finest unit are taken once over ``d`` and spread by ``M``.

The penalised system ``H = sum_i w_i c_i c_i' + I`` (identity over ``u`` only) is eliminated in
post-order: a unit adds its identity, takes the Cholesky factor of its own columns and passes its
Schur complement to its parent. There is no fill-in outside the chain. The last column of each
front carries the right-hand side. Walking back gives the solution, and by the recursion of
Takahashi, Fagan & Chen (1973) the blocks of ``H^-1`` that the gradient needs. Working in
standardised ``u`` keeps everything finite when a variance is zero (Bates, Maechler, Bolker &
Walker 2015, J. Stat. Softw. 67(1), section 3).

Arguments shared by the functions
---------------------------------
unit, closes, row_start : the :class:`~trialkit.mixed.chain.Chain` arrays.
offs : (levels + 1,) first position of each level in the chain vector; last entry: of ``x``.
u_off, fac_off : (levels,) start of a level's values in ``u`` and of its factors in ``fac``.
ptr, row, val : columns of ``M`` in compressed form: position ``j`` draws on ``d`` entries
    ``row[ptr[j]:ptr[j + 1]]`` with the weights ``val``.
m : length of the chain vector with its right-hand side.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from trialkit.mixed.families import row_terms


@njit(cache=True, error_model="numpy")
def clear(values):
    """Set a vector to zero (array assignments cost seconds of compilation, loops do not)."""
    for i in range(values.shape[0]):
        values[i] = 0.0


@njit(cache=True, error_model="numpy")
def clear_square(values):
    """Set a matrix to zero."""
    for i in range(values.shape[0]):
        for j in range(values.shape[1]):
            values[i, j] = 0.0


@njit(cache=True, error_model="numpy")
def copy_block(source, o, k):
    """The trailing ``k x k`` block at ``o`` as a new matrix."""
    out = np.zeros((k, k))
    for i in range(k):
        for j in range(k):
            out[i, j] = source[o + i, o + j]
    return out


@njit(cache=True, error_model="numpy")
def place(block, o, target):
    """Write a square block into a matrix at (``o``, ``o``)."""
    for i in range(block.shape[0]):
        for j in range(block.shape[0]):
            target[o + i, o + j] = block[i, j]


@njit(cache=True, error_model="numpy")
def _spread(cross, ptr, row, val, m, front):
    """Front of one finest unit: ``front = M' cross M`` (upper triangle)."""
    for i in range(m):
        for j in range(i, m):
            s = 0.0
            for a in range(ptr[i], ptr[i + 1]):
                for b in range(ptr[j], ptr[j + 1]):
                    s += val[a] * val[b] * cross[row[a], row[b]]
            front[i, j] += s


@njit(cache=True, error_model="numpy")
def _close(front, parent, o, k, m, u, u0, fac, f0):
    """Eliminate one unit's ``k`` columns at ``o``; returns (log-determinant, decrement)."""
    width = m - o
    logdet = 0.0
    decrement = 0.0
    for b in range(k):
        front[o + b, o + b] += 1.0
        front[o + b, m - 1] -= u[u0 + b]
    for b in range(k):
        p = o + b
        d = math.sqrt(front[p, p])
        logdet += 2.0 * math.log(d)
        base = f0 + b * width - o
        for j in range(p, m):
            front[p, j] /= d
            fac[base + j] = front[p, j]
        decrement += front[p, m - 1] ** 2
        for i in range(p + 1, m):
            f = front[p, i]
            if f != 0.0:
                for j in range(i, m):
                    front[i, j] -= f * front[p, j]
    for i in range(o + k, m):
        for j in range(i, m):
            parent[i, j] += front[i, j]
    for i in range(o, m):
        for j in range(i, m):
            front[i, j] = 0.0
    return logdet, decrement


@njit(cache=True, error_model="numpy")
def eliminate_cross(cross, unit, closes, offs, u_off, fac_off, ptr, row, val, m, u, fac):
    """Forward pass over stored cross-products (Gaussian responses).

    Returns the log-determinant over ``u`` and the root front (chain positions from ``x`` on).
    """
    n_levels = unit.shape[1]
    fronts = np.zeros((n_levels + 1, m, m))
    logdet = 0.0
    for f in range(unit.shape[0]):
        _spread(cross[f], ptr, row, val, m, fronts[0])
        for lev in range(closes[f]):
            o = offs[lev]
            k = offs[lev + 1] - o
            at = unit[f, lev]
            ld, _ = _close(
                fronts[lev], fronts[lev + 1], o, k, m,
                u, u_off[lev] + at * k, fac, fac_off[lev] + at * k * (m - o),
            )  # fmt: skip
            logdet += ld
    o = offs[n_levels]
    return logdet, copy_block(fronts[n_levels], o, m - o)


@njit(cache=True, error_model="numpy")
def unit_coefficients(f, unit, offs, u_off, ptr, row, val, u, root, chain, coef):
    """Fill ``chain`` with the unit's values and ``coef = M chain`` over the distinct columns."""
    n_levels = unit.shape[1]
    for lev in range(n_levels):
        o = offs[lev]
        k = offs[lev + 1] - o
        u0 = u_off[lev] + unit[f, lev] * k
        for b in range(k):
            chain[o + b] = u[u0 + b]
    o = offs[n_levels]
    for j in range(root.shape[0]):
        chain[o + j] = root[j]
    clear(coef)
    for j in range(o + root.shape[0]):
        if chain[j] != 0.0:
            for a in range(ptr[j], ptr[j + 1]):
                coef[row[a]] += val[a] * chain[j]


@njit(cache=True, error_model="numpy")
def eliminate_rows(
    family, phi, y, size, offset, data, row_start, unit, closes, offs, u_off, fac_off,
    ptr, row, val, m, u, root, fac, score, weight, slope, etas,
):  # fmt: skip
    """Forward pass at the current ``u`` (and root values) for a non-Gaussian response.

    ``data`` holds the distinct columns (rows, q). Fills ``score``, ``weight``, ``slope`` and the
    linear predictor ``etas`` per row. Returns (penalised log-likelihood less constants,
    log-determinant over ``u``, Newton decrement over ``u``, root front).
    """
    n_levels = unit.shape[1]
    q = data.shape[1]
    fronts = np.zeros((n_levels + 1, m, m))
    cross = np.zeros((q + 1, q + 1))
    chain = np.zeros(m)
    coef = np.zeros(q + 1)
    loglik = 0.0
    logdet = 0.0
    decrement = 0.0
    for f in range(unit.shape[0]):
        unit_coefficients(f, unit, offs, u_off, ptr, row, val, u, root, chain, coef)
        clear_square(cross)
        for i in range(row_start[f], row_start[f + 1]):
            eta = offset[i]
            for a in range(q):
                eta += data[i, a] * coef[a]
            ll, r, w, w3 = row_terms(family, y[i], eta, size[i], phi)
            etas[i] = eta
            loglik += ll
            score[i] = r
            weight[i] = w
            slope[i] = w3
            for a in range(q):
                wd = w * data[i, a]
                for b in range(a, q):
                    cross[a, b] += wd * data[i, b]
                cross[a, q] += r * data[i, a]
        for a in range(q + 1):
            for b in range(a):
                cross[a, b] = cross[b, a]
        _spread(cross, ptr, row, val, m, fronts[0])
        for lev in range(closes[f]):
            o = offs[lev]
            k = offs[lev + 1] - o
            at = unit[f, lev]
            ld, dec = _close(
                fronts[lev], fronts[lev + 1], o, k, m,
                u, u_off[lev] + at * k, fac, fac_off[lev] + at * k * (m - o),
            )  # fmt: skip
            logdet += ld
            decrement += dec
    penalty = 0.0
    for j in range(u.shape[0]):
        penalty += u[j] * u[j]
    o = offs[n_levels]
    return loglik - 0.5 * penalty, logdet, decrement, copy_block(fronts[n_levels], o, m - o)


@njit(cache=True, error_model="numpy")
def back_solve(unit, closes, offs, u_off, fac_off, m, fac, root, out):
    """Solution over all units, given the root's, from factors whose last column is eliminated."""
    n_levels = unit.shape[1]
    chain = np.zeros(m)
    top = offs[n_levels]
    for j in range(root.shape[0]):
        chain[top + j] = root[j]
    for f in range(unit.shape[0] - 1, -1, -1):
        for lev in range(closes[f] - 1, -1, -1):
            o = offs[lev]
            k = offs[lev + 1] - o
            at = unit[f, lev]
            width = m - o
            f0 = fac_off[lev] + at * k * width
            for b in range(k - 1, -1, -1):
                base = f0 + b * width - o
                s = fac[base + m - 1]
                for j in range(o + b + 1, m - 1):
                    s -= fac[base + j] * chain[j]
                chain[o + b] = s / fac[base + o + b]
                out[u_off[lev] + at * k + b] = chain[o + b]


@njit(cache=True, error_model="numpy")
def inverse_blocks(lev, at, offs, fac_off, m, fac, inv):
    """Extend ``inv``, the chain block of ``H^-1``, by one unit's own rows and columns."""
    o = offs[lev]
    k = offs[lev + 1] - o
    width = m - o
    f0 = fac_off[lev] + at * k * width
    for b in range(k - 1, -1, -1):
        p = o + b
        base = f0 + b * width - o
        d = fac[base + p]
        for j in range(p + 1, m - 1):
            s = 0.0
            for t in range(p + 1, m - 1):
                s += fac[base + t] * inv[t, j]
            inv[p, j] = -s / d
            inv[j, p] = inv[p, j]
        s = 0.0
        for t in range(p + 1, m - 1):
            s += fac[base + t] * inv[t, p]
        inv[p, p] = (1.0 / d - s) / d


@njit(cache=True, error_model="numpy")
def forward_rhs(data, v, row_start, unit, closes, offs, fac_off, ptr, row, val, m, fac):
    """Eliminate a new right-hand side ``sum_i c_i v_i`` through stored factors, in their last
    column; returns the root's right-hand side."""
    n_levels = unit.shape[1]
    q = data.shape[1]
    rhs = np.zeros((n_levels + 1, m))
    pull = np.zeros(q + 1)
    for f in range(unit.shape[0]):
        clear(pull)
        for i in range(row_start[f], row_start[f + 1]):
            for a in range(q):
                pull[a] += v[i] * data[i, a]
        for j in range(m - 1):
            for a in range(ptr[j], ptr[j + 1]):
                rhs[0, j] += val[a] * pull[row[a]]
        for lev in range(closes[f]):
            o = offs[lev]
            k = offs[lev + 1] - o
            width = m - o
            f0 = fac_off[lev] + unit[f, lev] * k * width
            for b in range(k):
                base = f0 + b * width - o
                s = rhs[lev, o + b] / fac[base + o + b]
                fac[base + m - 1] = s
                for j in range(o + b + 1, m - 1):
                    rhs[lev, j] -= fac[base + j] * s
            for j in range(o + k, m - 1):
                rhs[lev + 1, j] += rhs[lev, j]
            clear(rhs[lev])
    top = offs[n_levels]
    out = np.zeros(m - 1 - top)
    for j in range(m - 1 - top):
        out[j] = rhs[n_levels, top + j]
    return out


@njit(cache=True, error_model="numpy")
def unit_blocks(unit, closes, offs, u_off, fac_off, m, fac, root_inverse, out, out_off):
    """Own diagonal block of ``H^-1`` of every unit, laid out level by level, ``k x k`` each."""
    n_levels = unit.shape[1]
    inv = np.zeros((m, m))
    top = offs[n_levels]
    place(root_inverse, top, inv)
    for f in range(unit.shape[0] - 1, -1, -1):
        for lev in range(closes[f] - 1, -1, -1):
            inverse_blocks(lev, unit[f, lev], offs, fac_off, m, fac, inv)
            o = offs[lev]
            k = offs[lev + 1] - o
            base = out_off[lev] + unit[f, lev] * k * k
            for a in range(k):
                for b in range(k):
                    out[base + a * k + b] = inv[o + a, o + b]
