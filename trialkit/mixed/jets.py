"""Second-order Taylor arithmetic: values carried with their first and second derivatives.

A *jet* of ``n`` parameters is an array whose first axis runs over the pairs (a, b) with
``0 <= a <= b <= n``, the pair (a, b) at position ``b (b + 1) / 2 + a``. Parameter 0 stands for the
constant one: (0, 0) is the value, (0, r) the first derivative in parameter r and (r, s) the second
derivative in r and s. The first ``size(m)`` entries are therefore the jet of the first ``m``
parameters, and a jet that does not depend on later ones is extended by zeros.

The rules are those of the product and the inverse (Griewank & Walther 2008, Evaluating
Derivatives, chapter 13); they hold for any bilinear product, handed over as ``times``.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from math import isqrt

import numpy as np

Times = Callable[[np.ndarray, np.ndarray], np.ndarray]


def size(n: int) -> int:
    """Entries of a jet of ``n`` parameters."""
    return (n + 1) * (n + 2) // 2


@cache
def first(n: int) -> np.ndarray:
    """Positions of the first derivatives, shape (n,)."""
    b = np.arange(1, n + 1)
    return b * (b + 1) // 2


@cache
def _second(entries: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Positions of the second derivatives (r, s), and of the first ones in r and in s."""
    n = (isqrt(8 * entries + 1) - 3) // 2
    s, r = np.tril_indices(n)
    one = first(n)
    return one[s] + 1 + r, one[r], one[s]


@cache
def symmetric(n: int) -> np.ndarray:
    """Position of the second derivative in r and s, shape (n, n)."""
    at, _, _ = _second(size(n))
    out = np.empty((n, n), dtype=np.int64)
    s, r = np.tril_indices(n)
    out[s, r] = out[r, s] = at
    return out


def extended(jet: np.ndarray, entries: int) -> np.ndarray:
    """The jet in more parameters, ``entries`` long, on which it does not depend."""
    out = np.zeros((entries, *jet.shape[1:]))
    out[: len(jet)] = jet
    return out


def linear(value: np.ndarray, slopes: dict[int, np.ndarray], n: int) -> np.ndarray:
    """The jet of a linear function of ``n`` parameters (counted from 0 in ``slopes``)."""
    out = extended(value[None], size(n))
    for r, slope in slopes.items():
        out[first(n)[r]] = slope
    return out


def product(a: np.ndarray, b: np.ndarray, times: Times) -> np.ndarray:
    """The jet of ``times(a, b)``."""
    out = times(a, b[:1])
    out[1:] += times(a[:1], b[1:])
    at, r, s = _second(len(a))
    if len(at):
        out[at] += times(a[r], b[s]) + times(a[s], b[r])
    return out


def inverse(m: np.ndarray, value: np.ndarray, times: Times) -> np.ndarray:
    """The jet of the inverse of ``m``; ``value`` is the inverse of ``m[0]``."""
    x = value[None]
    out = -times(x, times(m, x))
    out[0] = value
    at, r, s = _second(len(m))
    if len(at):
        out[at] -= times(x, times(m[r], out[s]) + times(m[s], out[r]))
    return out


def log_determinant(m: np.ndarray, inverted: np.ndarray) -> np.ndarray:
    """Derivatives of ``log|m|`` summed over the trailing axes, shape (entries,); no value (0).

    Matrices lie on axes 1 and 2 of ``m`` and of the jet of its inverse.
    """
    other = np.swapaxes(inverted, 1, 2)
    axes = tuple(range(1, m.ndim))
    out = np.sum(m * other[:1], axis=axes)
    out[0] = 0.0
    at, r, s = _second(len(m))
    out[at] += np.sum(m[r] * other[s], axis=axes)
    return out
