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

from trialkit.mixed.compiled import entry, inner
from trialkit.mixed.notes import STOPPED

# Expected further gain in log-likelihood at which a search stops.
GAIN = 1e-11
# ... and below which polishing steps are not worth an evaluation.
FINEST = 1e-20
# Expected gain above which a search is far from its end.
FAR = 0.5
MAX_ITERATIONS = 500
NO_LIMIT = 1_000_000
# Longest step, in scaled parameters (standard deviations of effects are of order one).
LONGEST = 2.0

# Verdicts of the machine, and what they mean to a reader.
RUNNING, CONVERGED, STALLED, LIMIT, STUCK, NO_START = 0, 1, 2, 3, 4, 5
REASONS = dict(zip((CONVERGED, STALLED, LIMIT, STUCK, NO_START), STOPPED, strict=True))

# Slots of the machine's counters and scalars.
ITERATION, TRIES, STILL, RESTARTED, POLISH, BEGUN, POLISHING = 0, 1, 2, 3, 4, 5, 6
VALUE, SLOPE, ALPHA, GOAL = 0, 1, 2, 3


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
    gradient: np.ndarray, inverse_hessian: np.ndarray, constant: float = 0.0,
) -> Search:  # fmt: skip
    """The record of a finished machine; ``constant`` is what its values lacked."""
    return Search(
        start=start, end=x, value=float(scalars[VALUE]) + constant,
        gradient=float(np.abs(gradient).max()) if len(gradient) else 0.0,
        iterations=int(counts[ITERATION]), converged=verdict in (CONVERGED, STALLED),
        reason=REASONS[verdict], inverse_hessian=inverse_hessian,
    )  # fmt: skip


@entry
def begin(x, gain, polish):
    """Counters, scalars and scratch of a machine that starts at ``x``.

    It stops at an expected further gain below ``gain``; ``polish`` is the number of full steps,
    judged by the gradient alone, that may follow once changes of the value drown in rounding.
    """
    k = x.shape[0]
    counts = np.zeros(7, dtype=np.int64)
    counts[POLISH] = polish
    trial = np.zeros(k)
    for i in range(k):
        trial[i] = x[i]
    scalars = np.zeros(4)
    scalars[GOAL] = gain
    return counts, scalars, np.zeros(k), np.zeros(k), trial


@entry
def trust(info, slopes, parameters, mix, inverse):
    """First inverse Hessian from the information of the leading parameters.

    ``info`` (k, k) is zero where nothing is known; a unit ridge keeps steps in scaled parameters
    bounded there. ``slopes`` (k,) is the gradient of what is minimised in ``parameters``: a
    variance is the square of its parameter, so the curvature is the information plus the slope
    over the parameter, which is what is left near zero.
    """
    k = info.shape[0]
    h = np.zeros((k, k))
    for i in range(k):
        for j in range(k):
            h[i, j] = info[i, j] * mix[i, i] * mix[j, j]
            inverse[i, j] = 1.0 if i == j else 0.0
        h[i, i] += 1.0
        if info[i, i] > 0.0 and slopes[i] * parameters[i] > 0.0:
            h[i, i] += slopes[i] / parameters[i] * mix[i, i] ** 2
    # Gauss-Jordan; an approximate information need not be positive definite.
    for c in range(k):
        d = h[c, c]
        # With the ridge every pivot of a positive definite information is one at least.
        if d < 0.5:
            for i in range(k):
                for j in range(k):
                    inverse[i, j] = 0.0
                inverse[i, i] = 1.0 / (1.0 + max(info[i, i], 0.0) * mix[i, i] ** 2)
            break
        for j in range(k):
            h[c, j] /= d
            inverse[c, j] /= d
        for i in range(k):
            if i != c:
                s = h[i, c]
                for j in range(k):
                    h[i, j] -= s * h[c, j]
                    inverse[i, j] -= s * inverse[c, j]


@entry
def forget(inverse, grad):
    """Back to a multiple of the identity, for a first step of length one at most."""
    norm = 0.0
    for i in range(grad.shape[0]):
        norm += grad[i] ** 2
    for i in range(grad.shape[0]):
        for j in range(grad.shape[0]):
            inverse[i, j] = 1.0 / max(math.sqrt(norm), 1.0) if i == j else 0.0


@inner
def _direct(counts, scalars, x, grad, inverse, step, trial):
    """Next direction and first trial point, or a verdict."""
    k = x.shape[0]
    if counts[ITERATION] >= MAX_ITERATIONS:
        return LIMIT
    slope = 1.0
    steep = 0.0
    for attempt in range(2):
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
        if slope <= 0.0 or attempt == 1:
            break
        # Not a way down: the metric is spoilt.
        forget(inverse, grad)
    # Below this a change of the value drowns in rounding.
    gain = max(scalars[GOAL], 1e-13 * abs(scalars[VALUE]))
    # An untested first metric may be far too small to trust its own verdict.
    if -slope < gain and (counts[ITERATION] > 0 or steep < GAIN):
        if counts[POLISHING] == counts[POLISH] or -slope < FINEST:
            return CONVERGED
        counts[POLISHING] += 1
    scalars[SLOPE] = slope
    scalars[ALPHA] = 1.0
    counts[TRIES] = 0
    for i in range(k):
        trial[i] = x[i] + step[i]
    return RUNNING


# Long: it is one machine; every branch ends in a verdict or in the next point to evaluate.
@entry
def advance(counts, scalars, x, grad, inverse, step, trial, f_new, g_new, known, informed):
    """Take in the evaluation at ``trial``; put the next point to evaluate there, or a verdict.

    ``informed`` (k, k) is an inverse Hessian of the first ``known`` parameters from the
    information at ``trial``: better than what the search has learnt while far from its end, unless
    that led to a step too long.
    """
    k = x.shape[0]
    if counts[BEGUN] == 0:
        if not math.isfinite(f_new):
            return NO_START
        counts[BEGUN] = 1
        scalars[VALUE] = f_new
        for i in range(k):
            grad[i] = g_new[i]
        return _direct(counts, scalars, x, grad, inverse, step, trial)

    slope = scalars[SLOPE]
    alpha = scalars[ALPHA]
    f = scalars[VALUE]
    # Where rounding decides about the value, keep the step if the gradient shrinks in length.
    new = 0.0
    for i in range(k):
        for j in range(k):
            new += g_new[i] * inverse[i, j] * g_new[j]
    drowned = counts[POLISHING] > 0 or f_new - f <= 1e-13 * abs(f)
    lower = f_new <= f + 1e-4 * alpha * slope
    if not (math.isfinite(f_new) and (lower or (drowned and new < -slope))):
        if counts[POLISHING] > 0:
            return CONVERGED
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
        forget(inverse, grad)
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
    if known > 0 and -slope > FAR and alpha == 1.0:
        for i in range(known):
            for j in range(k):
                inverse[i, j] = informed[i, j]
                inverse[j, i] = informed[j, i]
    elif sy > 1e-12 * math.sqrt(ss * yy):
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
