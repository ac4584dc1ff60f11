"""Quasi-Newton minimisation with exact gradients, and the story of what was tried.

BFGS with a backtracking line search (Nocedal & Wright 2006, Numerical Optimization, 2nd ed.,
algorithm 6.1 and section 3.5), written as a machine that asks for one evaluation at a time, so
that the compiled searches of :mod:`trialkit.mixed.criteria` share it. A point that cannot be
evaluated counts as infinitely bad: a step too far is simply shortened.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

# Expected further gain in log-likelihood at which a search stops.
GAIN = 1e-11
MAX_ITERATIONS = 500
# Longest step, in scaled parameters (standard deviations of effects are of order one).
LONGEST = 2.0

# Verdicts of the machine, and what they mean to a reader.
RUNNING, CONVERGED, STALLED, LIMIT, STUCK, NO_START = 0, 1, 2, 3, 4, 5
REASONS = {
    CONVERGED: "gradient zero",
    STALLED: "no further gain at machine precision",
    LIMIT: "iteration limit reached",
    STUCK: "line search failed",
    NO_START: "the start cannot be evaluated",
}

# Slots of the machine's counters and scalars.
ITERATION, TRIES, STILL, RESTARTED, SCALED, BEGUN = 0, 1, 2, 3, 4, 5
VALUE, SLOPE, ALPHA = 0, 1, 2


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


def search_record(
    start: np.ndarray, verdict: int, counts: np.ndarray, scalars: np.ndarray, x: np.ndarray,
    gradient: np.ndarray, inverse_hessian: np.ndarray,
) -> Search:  # fmt: skip
    """The record of a finished machine."""
    return Search(
        start=start, end=x, value=float(scalars[VALUE]),
        gradient=float(np.abs(gradient).max()) if len(gradient) else 0.0,
        iterations=int(counts[ITERATION]), converged=verdict in (CONVERGED, STALLED),
        reason=REASONS[verdict], inverse_hessian=inverse_hessian,
    )  # fmt: skip


@njit(cache=True, error_model="numpy")
def begin(x, inverse, scaled):
    """Counters, scalars and scratch of a machine that starts at ``x``.

    ``scaled`` says whether ``inverse`` is a trusted first inverse Hessian.
    """
    k = x.shape[0]
    counts = np.zeros(6, dtype=np.int64)
    counts[SCALED] = 1 if scaled else 0
    trial = np.zeros(k)
    for i in range(k):
        trial[i] = x[i]
    return counts, np.zeros(3), np.zeros(k), np.zeros(k), trial


@njit(cache=True, error_model="numpy")
def _plain(inverse, grad, length, floor):
    """Inverse Hessian of a first step: a multiple of the identity."""
    norm = 0.0
    for i in range(grad.shape[0]):
        norm += grad[i] ** 2
    size = min(1.0, length / max(math.sqrt(norm), floor))
    for i in range(grad.shape[0]):
        for j in range(grad.shape[0]):
            inverse[i, j] = size if i == j else 0.0


@njit(cache=True, error_model="numpy")
def _direct(counts, scalars, x, grad, inverse, step, trial):
    """Next direction and first trial point, or a verdict."""
    k = x.shape[0]
    if counts[ITERATION] >= MAX_ITERATIONS:
        return LIMIT
    length = 0.0
    for i in range(k):
        s = 0.0
        for j in range(k):
            s -= inverse[i, j] * grad[j]
        step[i] = s
        length += s * s
    shrink = min(1.0, LONGEST / max(math.sqrt(length), 1e-300))
    slope = 0.0
    steep = 0.0
    for i in range(k):
        step[i] *= shrink
        slope += step[i] * grad[i]
        steep += grad[i] ** 2
    # Below this a change of the value drowns in rounding.
    gain = max(GAIN, 1e-14 * abs(scalars[VALUE]))
    # An untested first metric may be far too small to trust its own verdict.
    tested = counts[ITERATION] > 0 or counts[SCALED] == 1 or steep < GAIN
    if -slope < gain and tested:
        return CONVERGED
    scalars[SLOPE] = slope
    scalars[ALPHA] = 1.0
    counts[TRIES] = 0
    for i in range(k):
        trial[i] = x[i] + step[i]
    return RUNNING


@njit(cache=True, error_model="numpy")
def advance(counts, scalars, x, grad, inverse, step, trial, f_new, g_new):
    """Take in the evaluation at ``trial``; put the next point to evaluate there, or a verdict."""
    k = x.shape[0]
    if counts[BEGUN] == 0:
        if not math.isfinite(f_new):
            return NO_START
        counts[BEGUN] = 1
        scalars[VALUE] = f_new
        for i in range(k):
            grad[i] = g_new[i]
        if counts[SCALED] == 0:
            _plain(inverse, grad, 0.5, 1e-12)
        return _direct(counts, scalars, x, grad, inverse, step, trial)

    slope = scalars[SLOPE]
    alpha = scalars[ALPHA]
    f = scalars[VALUE]
    if not (math.isfinite(f_new) and f_new <= f + 1e-4 * alpha * slope):
        counts[TRIES] += 1
        if counts[TRIES] < 40:
            shrink = 0.25
            if math.isfinite(f_new):
                # Minimum of the parabola through f, slope and f_new, kept in [0.1, 0.5].
                bend = 2.0 * (f_new - f - alpha * slope)
                shrink = min(max(-slope * alpha / bend, 0.1), 0.5) if bend > 0 else 0.5
            scalars[ALPHA] = alpha * shrink
            for i in range(k):
                trial[i] = x[i] + scalars[ALPHA] * step[i]
            return RUNNING
        if -slope < max(1e-7, 1e-11 * abs(f)):
            return STALLED
        if counts[RESTARTED] == 1:
            return STUCK
        counts[RESTARTED] = 1
        _plain(inverse, grad, 1.0, 1.0)
        return _direct(counts, scalars, x, grad, inverse, step, trial)

    sy = 0.0
    ss = 0.0
    yy = 0.0
    for i in range(k):
        s = trial[i] - x[i]
        y = g_new[i] - grad[i]
        sy += s * y
        ss += s * s
        yy += y * y
    if sy > 1e-12 * math.sqrt(ss * yy):
        if counts[ITERATION] == 0 and counts[SCALED] == 0:
            for i in range(k):
                for j in range(k):
                    inverse[i, j] = sy / yy if i == j else 0.0
        hy = np.zeros(k)
        yhy = 0.0
        for i in range(k):
            for j in range(k):
                hy[i] += inverse[i, j] * (g_new[j] - grad[j])
            yhy += hy[i] * (g_new[i] - grad[i])
        for i in range(k):
            si = trial[i] - x[i]
            for j in range(k):
                sj = trial[j] - x[j]
                inverse[i, j] += (sy + yhy) / sy**2 * si * sj - (hy[i] * sj + si * hy[j]) / sy
    still = f - f_new <= max(1e-12, 1e-14 * abs(f))
    counts[STILL] = counts[STILL] + 1 if still else 0
    counts[ITERATION] += 1
    counts[RESTARTED] = 0
    scalars[VALUE] = f_new
    for i in range(k):
        x[i] = trial[i]
        grad[i] = g_new[i]
    if counts[STILL] == 3:
        return STALLED
    return _direct(counts, scalars, x, grad, inverse, step, trial)
