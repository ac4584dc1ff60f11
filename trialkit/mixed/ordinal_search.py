"""The search for the estimates of a proportional odds model."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from trialkit.errors import ModelError
from trialkit.mixed.climb import GAIN, Optimum, maximise
from trialkit.mixed.model import Model
from trialkit.mixed.ordinal_likelihood import OrdinalCriterion, Readings, lay_out
from trialkit.mixed.ordinal_separation import check_ordinal_separation

# Where searches start: standard deviations of the random part, in natural scale.
START = 0.7
# A standard deviation this many standard errors from zero leaves no room for an optimum there.
CLEAR = 6.0
# Random effects with a standard deviation above this (logits) have no finite estimate.
RUN_OFF = 10.0


def estimate_ordinal(
    model: Model, codes: np.ndarray, categories: tuple[Any, ...], nodes: int
) -> tuple[Readings, OrdinalCriterion, Optimum]:
    """Maximise the likelihood of ``codes`` (chain order, every category present).

    Raises
    ------
    ModelError
        When the fixed part separates the scores, or the random part has no finite estimate.
    """
    readings = lay_out(model, codes)
    check_ordinal_separation(model, readings.model.x, readings.reached, codes, categories)
    criterion = OrdinalCriterion(readings, nodes)
    best = _search(criterion, model, codes)
    widest = np.abs(best.parameters[: model.n_theta] / np.maximum(model.theta_scale, 1e-300))
    if not best.gain < GAIN or widest.max(initial=0.0) > RUN_OFF:
        finest = f" of {model.chain.names[0]!r}" if model.chain.n_levels else ""
        raise ModelError(
            f"the model for {model.response!r} did not converge: units{finest} hardly overlap in "
            f"their scores, or columns of the fixed part are nearly separated by them. Leave out "
            f"a level with one or two readings a unit, use fewer fixed terms, or pool scores."
        )
    return readings, criterion, best


def _search(criterion: OrdinalCriterion, model: Model, codes: np.ndarray) -> Optimum:
    """The best optimum from the interior and with each variance at zero; zeros settled."""
    k, top = model.n_theta, int(codes.max())
    start = np.zeros(k + criterion.readings.model.x.shape[1])
    start[model.diagonal] = START * model.theta_scale[model.diagonal]
    upto = np.cumsum(np.bincount(codes))[:-1] / len(codes)
    start[k : k + top] = np.log(upto / (1.0 - upto))
    everything = np.arange(len(start))
    best = maximise(criterion, start, everything)
    for _ in range(2 * len(model.diagonal)):
        zeros = [j for j in model.diagonal if best.parameters[j] == 0.0]
        found = best
        for j in sorted({*model.diagonal} - {*zeros}):
            if best.gain < GAIN:
                at = int(np.flatnonzero(best.free == j)[0])
                variance = np.linalg.inv(best.information)[at, at]
                if abs(best.parameters[j]) > CLEAR * math.sqrt(variance):
                    continue
            held = [*zeros, j]
            at_zero = best.parameters.copy()
            at_zero[j] = 0.0
            flat = maximise(criterion, at_zero, np.setdiff1d(everything, held))
            if flat.gain < GAIN and not flat.value < found.value - GAIN:
                found = flat
        if found is best:
            break
        best = found
    # With another variance at zero, one that was given up may come back.
    for j in [j for j in model.diagonal if best.parameters[j] == 0.0]:
        back = best.parameters.copy()
        back[j] = 0.3 * model.theta_scale[j]
        again = maximise(criterion, back, np.union1d(best.free, [j]))
        if again.gain < GAIN and again.value > best.value + 1e-6:
            best = again
    return best
