"""Units eliminated from cross-products at many covariances at once."""

from __future__ import annotations

import math

import numpy as np

from trialkit.mixed.compiled import entry


@entry
def condense(cross, half, parent, own, above, logdet):
    """Take the first columns of every unit out of its cross-products, at every point.

    With ``S`` the cross-products of a unit, ``S_kk`` those of its own ``k`` columns and ``H`` a
    root of their covariance, ``A = H (I + H' S_kk H)^-1 H'``, which holds where a variance is zero.

    Parameters
    ----------
    cross : (points or 1, units, m, m)
    half : (points or 1, k, k), roots ``H``.
    parent : (units,) int, the unit above.
    own : (points, units, k, k), filled with ``A``.
    above : (points, units above, m - k, m - k), to which ``S_rr - S_rk A S_kr`` is added.
    logdet : (points,), to which ``log |I + H' S_kk H|`` is added.
    """
    k = half.shape[1]
    m = cross.shape[2]
    root = np.zeros((k, k))
    turned = np.zeros((k, k))
    passed = np.zeros((k, m))
    for point in range(own.shape[0]):
        s_at = min(point, cross.shape[0] - 1)
        h_at = min(point, half.shape[0] - 1)
        total = 0.0
        for unit in range(own.shape[1]):
            for i in range(k):
                for j in range(k):
                    value = 0.0
                    for t in range(k):
                        value += cross[s_at, unit, i, t] * half[h_at, t, j]
                    turned[i, j] = value
            # Lower Cholesky factor of I + H' S H.
            for i in range(k):
                for j in range(i + 1):
                    value = 1.0 if i == j else 0.0
                    for t in range(k):
                        value += half[h_at, t, i] * turned[t, j]
                    for t in range(j):
                        value -= root[i, t] * root[j, t]
                    if i == j:
                        root[i, i] = math.sqrt(value)
                        total += math.log(value)
                    else:
                        root[i, j] = value / root[j, j]
            # Its inverse times H', whose square is A.
            for j in range(k):
                for i in range(k):
                    value = half[h_at, j, i]
                    for t in range(i):
                        value -= root[i, t] * turned[t, j]
                    turned[i, j] = value / root[i, i]
            for i in range(k):
                for j in range(k):
                    value = 0.0
                    for t in range(k):
                        value += turned[t, i] * turned[t, j]
                    own[point, unit, i, j] = value
                for j in range(k, m):
                    value = 0.0
                    for t in range(k):
                        value += turned[i, t] * cross[s_at, unit, t, j]
                    passed[i, j] = value
            at = parent[unit]
            for i in range(k, m):
                for j in range(k, m):
                    value = cross[s_at, unit, i, j]
                    for t in range(k):
                        value -= passed[t, i] * passed[t, j]
                    above[point, at, i - k, j - k] += value
        logdet[point] += total
