"""The compiled loops of the exact gradient; see :mod:`trialkit.mixed.kernels` for the symbols.

Laplace: with ``v_i = w_i' h_i``, the slope of row ``i``'s weight times its leverage
``h_i = c_i' H^-1 c_i``, and ``s = H^-1 sum_i c_i v_i``, the derivative of ``-1/2 log|H|`` splits
into a part that holds the mode still and one that follows its movement along ``s``. Everything but
the leverages is a function of cross-products over finest units, so one pass over the rows is
enough.

Further arguments
-----------------
entries : (entries, 6) int, the free entries of every Lambda: parameter, chain position of their
    column, distinct column of data of their row, level, place of their column in the level, and
    the entry on the diagonal of their row.
diagonal : (entries,) the entry's value where it lies on the diagonal of its Lambda, else zero.
"""

from __future__ import annotations

import numpy as np

from trialkit.mixed.compiled import inner, part
from trialkit.mixed.families import NEGATIVE_BINOMIAL, shape_terms
from trialkit.mixed.kernels import (
    COLUMN,
    END,
    ENDS,
    ETA,
    FIRST,
    IN_U,
    LEVEL,
    POSITION,
    PRIOR,
    RESPONSE,
    ROW_SLOPE,
    SIZE,
    UNIT,
    WIDTH,
    inverse_blocks,
    start_inverse,
    unit_coefficients,
)

# Codes of families with a dispersion parameter begin here, see ``families``.
DISPERSED = NEGATIVE_BINOMIAL
PARAMETER, E_POSITION, E_COLUMN, E_LEVEL, E_PLACE, E_PARTNER = 0, 1, 2, 3, 4, 5


@inner
def _unit_value(f, e, tree, levels, entries, u):
    """Value in ``u`` that an entry of Lambda multiplies in one finest unit."""
    lev = entries[e, E_LEVEL]
    return u[levels[lev, IN_U] + tree[f, UNIT + lev] * levels[lev, WIDTH] + entries[e, E_PLACE]]


@inner
def _logdet_slopes(f, cross, inv, links, val, entries, scale, grad):
    """Add ``scale * d log|H| / d Lambda`` of one finest unit, half of it, to ``grad``.

    The entry in row ``a`` and column ``b`` of a level's Lambda draws on
    ``sum_i w_i z_ia (H^-1 c_i)_b``.
    """
    for e in range(entries.shape[0]):
        at = entries[e, E_POSITION]
        col = entries[e, E_COLUMN]
        s = 0.0
        for g in range(links.shape[0]):
            if links[g, LEVEL] >= 0:
                s += val[g] * inv[at, links[g, POSITION]] * cross[f, col, links[g, COLUMN]]
        grad[entries[e, PARAMETER]] += scale * s


@inner
def _information(lev, inv, entries, diagonal, info):
    """Add one unit's share of the expected information of the variance parameters.

    ``1/2 tr(V^-1 dV V^-1 dV')`` of the Gaussian (working) model, without the pairs of units that
    do not lie in one chain: a first metric for the search, no more.
    """
    for e in range(entries.shape[0]):
        if entries[e, E_LEVEL] == lev and diagonal[e] != 0.0:
            p = entries[e, E_POSITION]
            for g in range(entries.shape[0]):
                q = entries[g, E_POSITION]
                if q >= p and diagonal[g] != 0.0:
                    x = (1.0 if p == q else 0.0) - inv[p, q]
                    x = 2.0 * x * x / (diagonal[e] * diagonal[g])
                    i = entries[e, PARAMETER]
                    j = entries[g, PARAMETER]
                    info[i, j] += x
                    if p != q:
                        info[j, i] += x
        elif entries[e, E_LEVEL] == lev and diagonal[entries[e, E_PARTNER]] != 0.0:
            # Below the diagonal, as if the columns of a level were independent.
            g = entries[e, E_PARTNER]
            p = entries[e, E_POSITION]
            q = entries[g, E_POSITION]
            i = entries[e, PARAMETER]
            info[i, i] += (1.0 - inv[p, p]) * (1.0 - inv[q, q]) / diagonal[g] ** 2


@part
def gaussian_gradient(
    cross, tree, levels, links, val, entries, diagonal, base, u, root, fac, root_block, rss_scale,
    by_logdet, by_rss, informed, info,
):  # fmt: skip
    """Add the gradients of ``log|H|`` and ``rss / rss_scale`` (``informed``: the information too).

    ``root_block`` is the inverse of the root block for REML, zeros for ML.
    """
    q = cross.shape[1] - 1
    inv = start_inverse(levels, root_block)
    m = inv.shape[0]
    coef = np.zeros(q + 1)
    residual = np.zeros(q)
    # Backwards: a unit's inverse block needs that of the unit above it.
    for f in range(tree.shape[0] - 1, -1, -1):
        for lev in range(tree[f, ENDS] - 1, -1, -1):
            inverse_blocks(lev, tree[f, UNIT + lev], levels, m, fac, inv)
            if informed:
                _information(lev, inv, entries, diagonal, info)
        _logdet_slopes(f, cross, inv, links, val, entries, 2.0, by_logdet)
        unit_coefficients(f, tree, levels, links, val, base, u, root, coef)
        for a in range(q):
            s = cross[f, a, q]
            for b in range(q):
                s -= cross[f, a, b] * coef[b]
            residual[a] = s
        for e in range(entries.shape[0]):
            by_rss[entries[e, PARAMETER]] -= (
                2.0 / rss_scale * residual[entries[e, E_COLUMN]]
                * _unit_value(f, e, tree, levels, entries, u)
            )  # fmt: skip


@inner
def _spread_inverse(links, val, inv, spread):
    """Add ``M H^-1 M'`` of one chain, so that a row's leverage needs its distinct columns only."""
    for e in range(links.shape[0]):
        # The right-hand side is no column of H.
        if links[e, LEVEL] < 0:
            continue
        i = links[e, POSITION]
        a = links[e, COLUMN]
        spread[a, a] += val[e] * val[e] * inv[i, i]
        for g in range(e + 1, links.shape[0]):
            if links[g, LEVEL] >= 0:
                b = links[g, COLUMN]
                # Both orders of a pair; what lies off the diagonal is doubled once.
                s = 2.0 * val[e] * val[g] * inv[i, links[g, POSITION]]
                spread[min(a, b), max(a, b)] += s


@inner
def leverage_pass(
    family, phi, obs, data, tree, levels, links, val, entries, diagonal, u, fac, root_block, cross,
    work, pulls, grad, informed, info,
):  # fmt: skip
    """First half of the Laplace gradient: all but what goes through the mode's own movement.

    Adds to ``grad`` (``informed``: and to ``info``); ``pulls`` (2, finest units, q) gets the sums
    over the distinct columns of ``v_i`` and, for a dispersed family, of the score's slope in
    ``phi``. Returns the derivative in ``phi``.
    """
    shape = 0.0
    q = data.shape[1]
    inv = start_inverse(levels, root_block)
    m = inv.shape[0]
    spread = np.zeros((q, q))
    pull = np.zeros(q)
    tilt = np.zeros(q)
    for f in range(tree.shape[0] - 1, -1, -1):
        for lev in range(tree[f, ENDS] - 1, -1, -1):
            inverse_blocks(lev, tree[f, UNIT + lev], levels, m, fac, inv)
            if informed:
                _information(lev, inv, entries, diagonal, info)
        for a in range(q):
            pull[a] = 0.0
            tilt[a] = 0.0
            for b in range(a, q):
                spread[a, b] = 0.0
        _spread_inverse(links, val, inv, spread)
        for i in range(tree[f, FIRST], tree[f, END]):
            h = 0.0
            for a in range(q):
                d = data[i, a]
                # Many columns are indicators: zeros are worth a test.
                if d != 0.0:
                    s = 0.0
                    for b in range(a, q):
                        s += spread[a, b] * data[i, b]
                    h += s * d
            v = work[i, ROW_SLOPE] * h
            if family >= DISPERSED:
                prior = obs[i, PRIOR]
                d_ll, d_r, d_w = shape_terms(
                    family, obs[i, RESPONSE], work[i, ETA], obs[i, SIZE], phi
                )
                shape += prior * (d_ll - 0.5 * h * d_w)
                for a in range(q):
                    tilt[a] += prior * d_r * data[i, a]
            for a in range(q):
                pull[a] += v * data[i, a]
        _logdet_slopes(f, cross, inv, links, val, entries, -1.0, grad)
        for a in range(q):
            pulls[0, f, a] = pull[a]
            pulls[1, f, a] = tilt[a]
        for e in range(entries.shape[0]):
            a = entries[e, E_COLUMN]
            grad[entries[e, PARAMETER]] += (cross[f, a, q] - 0.5 * pull[a]) * _unit_value(
                f, e, tree, levels, entries, u
            )
    return shape


@inner
def mode_pass(
    family, tree, levels, links, val, entries, base, u, s_u, s_root, cross, pulls, grad, outer
):
    """Second half of the Laplace gradient, through the movement of the mode along ``s``.

    Adds to ``grad``; ``outer`` (q,) gets the derivative in a coefficient common to all rows of
    each distinct column. Returns what to add to the derivative in ``phi``.
    """
    shape = 0.0
    q = outer.shape[0]
    s_coef = np.zeros(q + 1)
    moved = np.zeros(q)
    for f in range(tree.shape[0]):
        unit_coefficients(f, tree, levels, links, val, base, s_u, s_root, s_coef)
        for a in range(q):
            s = 0.0
            for b in range(q):
                s += cross[f, a, b] * s_coef[b]
            moved[a] = s
            outer[a] += cross[f, a, q] - 0.5 * (pulls[0, f, a] - s)
            if family >= DISPERSED:
                shape -= 0.5 * s_coef[a] * pulls[1, f, a]
        for e in range(entries.shape[0]):
            a = entries[e, E_COLUMN]
            grad[entries[e, PARAMETER]] += 0.5 * (
                moved[a] * _unit_value(f, e, tree, levels, entries, u)
                - cross[f, a, q] * _unit_value(f, e, tree, levels, entries, s_u)
            )
    return shape
