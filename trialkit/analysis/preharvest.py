"""Density of kernels on the ground before harvest, taken off what lies behind the header."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.estimates import Offset
from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed

# Fewer strips say too little of the variation between them to model it.
MODEL_STRIPS = 4


def preharvest_density(frames: pd.DataFrame, per_kernel: float) -> tuple[Offset, list[str]]:
    """Mean preharvest loss of the trial and how it was found.

    Parameters
    ----------
    frames : DataFrame
        Preharvest frames with their strip's ``field``; ``area`` (m2), ``loose_kernels``.
    per_kernel : float
        kg/ha that one kernel per m2 makes.

    Returns
    -------
    offset : Offset
        In kg/ha. From a Poisson mixed model (field, strip, frame) where there are at least
        four strips with kernels among them; else total count over total area, with the
        standard error between strips or, for one strip, between frames, and never less than
        the Poisson error of the count (at least one kernel).
    notes : list of str
    """
    if frames.empty:
        return Offset(), [
            "There are no preharvest frames: the header loss contains what lay on the ground "
            "before harvest, so ratios lie nearer to 1 than they should; differences stand."
        ]
    note = ""
    offset = _pooled(frames, per_kernel)
    if frames["strip"].nunique() >= MODEL_STRIPS and frames["loose_kernels"].sum() > 0:
        try:
            offset = _from_fit(_fit(frames), per_kernel)
        except ModelError as error:
            note = f" It is the pooled count; a model of it could not be fitted: {error}"
    return offset, [
        f"Preharvest loss from {len(frames)} frames: {offset.value:.1f} kg/ha (standard error "
        f"{np.sqrt(offset.variance):.1f}) is taken off every setup alike.{note}"
    ]


def _fit(frames: pd.DataFrame) -> MixedFit:
    data = frames.assign(frame=[str(i) for i in range(len(frames))])
    nested = ["frame"]
    if frames["strip"].nunique() < len(frames):
        nested.insert(0, "strip")
    if 1 < frames["field"].nunique() < frames["strip"].nunique():
        nested.insert(0, "field")
    return fit_mixed(data, "loose_kernels", "1", nested, family="poisson", exposure="area")


def _from_fit(fit: MixedFit, per_kernel: float) -> Offset:
    row = fit.coefficients.iloc[0]
    spread = float(fit.variances["variance"].sum())
    value = per_kernel * float(np.exp(row["estimate"] + spread / 2))
    return Offset(value, (value * float(row["se"])) ** 2, float(row["df"]))


def _pooled(frames: pd.DataFrame, per_kernel: float) -> Offset:
    by = "strip" if frames["strip"].nunique() > 1 else "frame"
    sums = frames.groupby(by)[["loose_kernels", "area"]].sum()
    count, area = float(sums["loose_kernels"].sum()), float(sums["area"].sum())
    rate = count / area
    n = len(sums)
    residual = sums["loose_kernels"] - rate * sums["area"]
    between = float((residual**2).sum()) / area**2 * n / (n - 1) if n > 1 else 0.0
    variance = max(between, max(count, 1.0) / area**2)
    return Offset(rate * per_kernel, variance * per_kernel**2, n - 1 if n > 1 else np.inf)
