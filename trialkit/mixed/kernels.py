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
tree : (finest units, 3 + levels) int: first row, end of rows, how many levels end with the unit,
    and its unit number at every level, finest first.
levels : (levels + 1, 4) int: position in the chain vector, width, start in ``u``, start in
    ``fac``. The last line is the root (the fixed effects in the chain).
links : (links, 4) int, the non-zeros of ``M`` by position: position, column of ``d``, level, place
    within the level. The right-hand side has the level -1.
val : (links,) their values.
cross : (finest units, q + 1, q + 1) cross-products of the distinct columns and right-hand side.
"""

from __future__ import annotations

import math

import numpy as np

from trialkit.mixed.compiled import entry, inner
from trialkit.mixed.families import row_terms

# Columns of ``tree``, ``levels``, ``links`` and of the observations.
FIRST, END, ENDS, UNIT = 0, 1, 2, 3
AT, WIDTH, IN_U, IN_FAC = 0, 1, 2, 3
POSITION, COLUMN, LEVEL, PLACE = 0, 1, 2, 3
RESPONSE, SIZE, OFFSET, PRIOR = 0, 1, 2, 3
# What a pass over the rows leaves behind.
ETA, ROW_WEIGHT, ROW_SLOPE = 0, 1, 2


@inner
def clear(values):
    """Set a vector to zero (array assignments cost seconds of compilation, loops do not)."""
    for i in range(values.shape[0]):
        values[i] = 0.0


@inner
def clear_square(values):
    """Set a matrix to zero."""
    for i in range(values.shape[0]):
        for j in range(values.shape[1]):
            values[i, j] = 0.0


@inner
def unit_coefficients(f, tree, levels, links, val, base, u, root, coef):
    """Coefficients of the distinct columns in one finest unit: ``coef = base + M (u, root)``."""
    top = levels.shape[0] - 1
    for a in range(base.shape[0]):
        coef[a] = base[a]
    for e in range(links.shape[0]):
        lev = links[e, LEVEL]
        if lev == top:
            coef[links[e, COLUMN]] += val[e] * root[links[e, PLACE]]
        elif lev >= 0:
            at = levels[lev, IN_U] + tree[f, UNIT + lev] * levels[lev, WIDTH] + links[e, PLACE]
            coef[links[e, COLUMN]] += val[e] * u[at]


@inner
def fill_rows(family, phi, obs, data, tree, levels, links, val, base, u, root, cross, work):
    """Linear predictor, weight and its slope of every row; cross-products of every finest unit.

    ``data`` (rows, q) holds the distinct columns, ``obs`` (rows, 4) response, trials, offset and
    prior weight; ``work`` (rows, 3) is filled. Returns the log-likelihood less constants.
    """
    q = data.shape[1]
    coef = np.zeros(q + 1)
    block = np.zeros((q + 1, q + 1))
    loglik = 0.0
    for f in range(tree.shape[0]):
        unit_coefficients(f, tree, levels, links, val, base, u, root, coef)
        for a in range(q):
            for b in range(a, q + 1):
                block[a, b] = 0.0
        for i in range(tree[f, FIRST], tree[f, END]):
            eta = obs[i, OFFSET]
            for a in range(q):
                eta += data[i, a] * coef[a]
            ll, r, w, w3 = row_terms(family, obs[i, RESPONSE], eta, obs[i, SIZE], phi)
            prior = obs[i, PRIOR]
            r *= prior
            w *= prior
            loglik += prior * ll
            work[i, ETA] = eta
            work[i, ROW_WEIGHT] = w
            work[i, ROW_SLOPE] = prior * w3
            for a in range(q):
                d = data[i, a]
                # Many columns are indicators: zeros are worth a test.
                if d != 0.0:
                    wd = w * d
                    for b in range(a, q):
                        block[a, b] += wd * data[i, b]
                    block[a, q] += r * d
        for a in range(q):
            for b in range(a, q + 1):
                cross[f, a, b] = block[a, b]
                cross[f, b, a] = block[a, b]
    return loglik


@inner
def _spread(f, cross, links, val, front):
    """Front of one finest unit: add ``M' cross M`` (upper triangle)."""
    for e in range(links.shape[0]):
        i = links[e, POSITION]
        a = links[e, COLUMN]
        front[i, i] += val[e] * val[e] * cross[f, a, a]
        for g in range(e + 1, links.shape[0]):
            j = links[g, POSITION]
            s = val[e] * val[g] * cross[f, a, links[g, COLUMN]]
            # Two links into one position (a Lambda with entries below its diagonal) meet twice.
            front[i, j] += s + s if i == j else s


@inner
def _close(front, parent, o, k, m, u, u0, fac, f0):
    """Eliminate one unit's ``k`` columns at ``o``; returns (log-determinant, decrement)."""
    width = m - o
    logdet = 0.0
    decrement = 0.0
    # The penalty u'u / 2: one on the diagonal, -u in the gradient.
    for b in range(k):
        front[o + b, o + b] += 1.0
        front[o + b, m - 1] -= u[u0 + b]
    for b in range(k):
        p = o + b
        d = math.sqrt(front[p, p])
        logdet += 2.0 * math.log(d)
        scale = 1.0 / d
        base = f0 + b * width - o
        front[p, p] = d
        fac[base + p] = d
        for j in range(p + 1, m):
            front[p, j] *= scale
            fac[base + j] = front[p, j]
        decrement += front[p, m - 1] ** 2
        for i in range(p + 1, m):
            s = front[p, i]
            if s != 0.0:
                for j in range(i, m):
                    front[i, j] -= s * front[p, j]
    for i in range(o + k, m):
        for j in range(i, m):
            parent[i, j] += front[i, j]
    # The next unit of this level starts from nothing.
    for i in range(o, m):
        for j in range(i, m):
            front[i, j] = 0.0
    return logdet, decrement


@inner
def eliminate(cross, tree, levels, links, val, u, fac):
    """Forward pass at the current ``u``.

    Returns the log-determinant over ``u``, the Newton decrement over ``u`` and the root front,
    shape (p + 1, p + 1).
    """
    n_levels = levels.shape[0] - 1
    top = levels[n_levels, AT]
    m = top + levels[n_levels, WIDTH] + 1
    fronts = np.zeros((n_levels + 1, m, m))
    logdet = 0.0
    decrement = 0.0
    for f in range(tree.shape[0]):
        _spread(f, cross, links, val, fronts[0])
        for lev in range(tree[f, ENDS]):
            o = levels[lev, AT]
            k = levels[lev, WIDTH]
            at = tree[f, UNIT + lev]
            ld, dec = _close(
                fronts[lev], fronts[lev + 1], o, k, m,
                u, levels[lev, IN_U] + at * k, fac, levels[lev, IN_FAC] + at * k * (m - o),
            )  # fmt: skip
            logdet += ld
            decrement += dec
    root = np.zeros((m - top, m - top))
    for i in range(m - top):
        for j in range(m - top):
            root[i, j] = fronts[n_levels, top + i, top + j]
    return logdet, decrement, root


@entry
def solve_root(front, step):
    """Factor the root front in place and solve for ``step``, shape (p,).

    Returns (log-determinant, squared length of the reduced right-hand side); not a number where
    the block is not positive definite.
    """
    p = step.shape[0]
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


@entry
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


@inner
def back_solve(tree, levels, fac, root, out):
    """Solution over all units, given the root's, from factors whose last column is eliminated."""
    n_levels = levels.shape[0] - 1
    top = levels[n_levels, AT]
    m = top + levels[n_levels, WIDTH] + 1
    chain = np.zeros(m)
    for j in range(root.shape[0]):
        chain[top + j] = root[j]
    # The reverse of elimination: units above are known when a unit is reached.
    for f in range(tree.shape[0] - 1, -1, -1):
        for lev in range(tree[f, ENDS] - 1, -1, -1):
            o = levels[lev, AT]
            k = levels[lev, WIDTH]
            at = tree[f, UNIT + lev]
            width = m - o
            f0 = levels[lev, IN_FAC] + at * k * width - o
            for b in range(k - 1, -1, -1):
                base = f0 + b * width
                s = fac[base + m - 1]
                for j in range(o + b + 1, m - 1):
                    s -= fac[base + j] * chain[j]
                chain[o + b] = s / fac[base + o + b]
                out[levels[lev, IN_U] + at * k + b] = chain[o + b]


@inner
def inverse_blocks(lev, at, levels, m, fac, inv):
    """Extend ``inv``, the chain block of ``H^-1``, by one unit's own rows and columns."""
    o = levels[lev, AT]
    k = levels[lev, WIDTH]
    width = m - o
    f0 = levels[lev, IN_FAC] + at * k * width - o
    for b in range(k - 1, -1, -1):
        p = o + b
        base = f0 + b * width
        scale = 1.0 / fac[base + p]
        own = 0.0
        for j in range(p + 1, m - 1):
            s = 0.0
            for t in range(p + 1, m - 1):
                s += fac[base + t] * inv[t, j]
            s *= scale
            own += fac[base + j] * s
            inv[p, j] = -s
            inv[j, p] = -s
        inv[p, p] = (scale + own) * scale


@inner
def start_inverse(levels, root_block):
    """Chain block of ``H^-1`` with the root's part in place, shape (m, m)."""
    n_levels = levels.shape[0] - 1
    top = levels[n_levels, AT]
    m = top + levels[n_levels, WIDTH] + 1
    inv = np.zeros((m, m))
    for i in range(root_block.shape[0]):
        for j in range(root_block.shape[0]):
            inv[top + i, top + j] = root_block[i, j]
    return inv


@inner
def forward_solve(pull, tree, levels, links, val, fac, rhs_root):
    """Eliminate a new right-hand side through stored factors, in their last column.

    ``pull`` (finest units, q) holds its sums over the distinct columns; ``rhs_root`` (p,) gets
    what reaches the root.
    """
    n_levels = levels.shape[0] - 1
    top = levels[n_levels, AT]
    m = top + levels[n_levels, WIDTH] + 1
    rhs = np.zeros((n_levels + 1, m))
    for f in range(tree.shape[0]):
        for e in range(links.shape[0]):
            if links[e, LEVEL] >= 0:
                rhs[0, links[e, POSITION]] += val[e] * pull[f, links[e, COLUMN]]
        for lev in range(tree[f, ENDS]):
            o = levels[lev, AT]
            k = levels[lev, WIDTH]
            width = m - o
            f0 = levels[lev, IN_FAC] + tree[f, UNIT + lev] * k * width - o
            for b in range(k):
                base = f0 + b * width
                s = rhs[lev, o + b] / fac[base + o + b]
                fac[base + m - 1] = s
                for j in range(o + b + 1, m - 1):
                    rhs[lev, j] -= fac[base + j] * s
            for j in range(o + k, m - 1):
                rhs[lev + 1, j] += rhs[lev, j]
            for j in range(m):
                rhs[lev, j] = 0.0
    for j in range(rhs_root.shape[0]):
        rhs_root[j] = rhs[n_levels, top + j]


@entry
def unit_blocks(tree, levels, fac, root_block, out, out_off):
    """Own diagonal block of ``H^-1`` of every unit, laid out level by level, ``k x k`` each."""
    inv = start_inverse(levels, root_block)
    m = inv.shape[0]
    for f in range(tree.shape[0] - 1, -1, -1):
        for lev in range(tree[f, ENDS] - 1, -1, -1):
            at = tree[f, UNIT + lev]
            inverse_blocks(lev, at, levels, m, fac, inv)
            o = levels[lev, AT]
            k = levels[lev, WIDTH]
            base = out_off[lev] + at * k * k
            for a in range(k):
                for b in range(k):
                    out[base + a * k + b] = inv[o + a, o + b]
