"""Preharvest loss: what lay on the ground before the machine came."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.responses.drawing import level_table
from trialkit.responses.header_loss import FRAMES, KERNELS, per_kernel
from trialkit.responses.record import Response
from trialkit.words.terms import ENGLISH, amount


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """The same for every setup."""
    del strips
    density = truth.preharvest * np.exp(0.5 * sum(sd**2 for sd in truth.preharvest_sd.values()))
    kg_ha = units.kernels_per_m2_to_kg_ha(density, config.thousand_kernel_mass)
    return level_table(config, lambda cells: np.full(len(cells), kg_ha), "kg_ha")


PREHARVEST_LOSS = Response(
    "preharvest_loss", "Preharvest loss", 50, FRAMES, "loose_kernels", "poisson", per_kernel,
    "frame", "loose kernel", KERNELS,
    # No setup changes what lay there before it came.
    {ENGLISH: amount("met", "loss from before harvest", "the loss from before harvest that was met",
                     few=False)},
    _true, size="area", zones={"preharvest": 1.0}, given_by=("preharvest",),
    source=("preharvest", "kernels"),
    remark="No setup can change what lies on the ground before harvest: a difference here "
    "is chance, or ground that was not alike.",
    speaks=False,
)  # fmt: skip
