"""Quasi-Newton minimisation with exact gradients, and the story of what was tried.

BFGS with a backtracking line search (Nocedal & Wright 2006, Numerical Optimization, 2nd ed.,
algorithm 6.1 and section 3.5). A point that cannot be evaluated counts as infinitely bad, so a
step too far is simply shortened.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

# Expected further gain in log-likelihood at which a search stops.
GAIN = 1e-11
MAX_ITERATIONS = 500
# Longest step, in scaled parameters (standard deviations of effects are of order one).
LONGEST = 2.0


@dataclass(frozen=True, slots=True)
class Search:
    """One descent: where it started and ended, at what value, and what it cost."""

    start: np.ndarray
    end: np.ndarray
    value: float
    gradient: float
    iterations: int
    converged: bool
    reason: str
    inverse_hessian: np.ndarray


def bfgs(
    fun: Callable[[np.ndarray], tuple[float, np.ndarray]],
    start: np.ndarray,
    inverse_hessian: np.ndarray | None = None,
) -> Search:
    """Minimise ``fun`` (value, gradient) from ``start``.

    Parameters
    ----------
    fun : callable
        Returns the value (``inf`` where it cannot be evaluated) and the gradient.
    start : ndarray, shape (k,)
    inverse_hessian : ndarray, shape (k, k), optional
        First guess of the inverse Hessian; default: a step of length at most one half.
    """
    x = np.array(start, dtype=float)
    f, g = fun(x)
    if not np.isfinite(f):
        return Search(
            start, x, f, np.nan, 0, False, "the start cannot be evaluated", np.eye(len(x))
        )
    k = len(x)
    scaled = inverse_hessian is not None
    inv = (
        np.array(inverse_hessian)
        if inverse_hessian is not None
        else np.eye(k) * min(1.0, 0.5 / max(float(np.linalg.norm(g)), 1e-12))
    )
    reason, converged, restarted = "iteration limit reached", False, False
    it = stalled = 0
    for it in range(MAX_ITERATIONS):
        step = -inv @ g
        step *= min(1.0, LONGEST / max(float(np.linalg.norm(step)), 1e-300))
        slope = float(g @ step)
        # Below this a change of the value drowns in rounding.
        gain = max(GAIN, 1e-14 * abs(f))
        # An untested first metric may be far too small to trust its own verdict.
        tested = it > 0 or scaled or float(g @ g) < GAIN
        if -slope < gain and tested:
            converged, reason = True, "gradient zero"
            break
        alpha, accepted = 1.0, False
        for _ in range(40):
            trial = x + alpha * step
            f_new, g_new = fun(trial)
            if np.isfinite(f_new) and f_new <= f + 1e-4 * alpha * slope:
                accepted = True
                break
            if np.isfinite(f_new):
                # Minimum of the parabola through f, slope and f_new, kept in [0.1, 0.5].
                bend = 2.0 * (f_new - f - alpha * slope)
                alpha *= float(np.clip(-slope * alpha / bend, 0.1, 0.5)) if bend > 0 else 0.5
            else:
                alpha *= 0.25
        if not accepted:
            if -slope < max(1e-7, 1e3 * gain):
                converged, reason = True, "no further gain at machine precision"
                break
            if restarted:
                reason = "line search failed"
                break
            inv, restarted = np.eye(k) / max(float(np.linalg.norm(g)), 1.0), True
            continue
        s, y = trial - x, g_new - g
        sy = float(s @ y)
        if sy > 1e-12 * float(np.linalg.norm(s) * np.linalg.norm(y)):
            if it == 0 and not scaled:
                inv = np.eye(k) * sy / float(y @ y)
            hy = inv @ y
            inv += ((sy + y @ hy) / sy**2) * np.outer(s, s) - (
                np.outer(hy, s) + np.outer(s, hy)
            ) / sy
        stalled = stalled + 1 if f - f_new <= max(1e-12, 1e-14 * abs(f)) else 0
        x, f, g = trial, f_new, g_new
        if stalled == 3:
            converged, reason = True, "no further gain at machine precision"
            break
        restarted = False
    return Search(
        np.array(start), x, f, float(np.abs(g).max()) if k else 0.0, it, converged, reason, inv
    )
