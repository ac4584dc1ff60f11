"""Foreign material: by mass, what is not corn."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit.responses.drawing import level_table
from trialkit.responses.kernel_damage import GRAIN, LOOK
from trialkit.responses.record import Unlocked
from trialkit.responses.shares import share
from trialkit.words.terms import ENGLISH, amount


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """0.1 to 0.6 % of every sample, whatever the setup."""
    del truth, strips
    return level_table(config, lambda cells: np.full(len(cells), 0.35), "percent")


FOREIGN_MATERIAL = share(
    "foreign_material", "Foreign material", 80, GRAIN, "foreign_mass", "foreign material",
    {ENGLISH: amount("had", "foreign material", "foreign material", few=False, count=LOOK)},
    _true, Unlocked("foreign material", 80), near=0.1,
)  # fmt: skip
