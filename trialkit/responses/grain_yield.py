"""Yield of a strip, at base moisture."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit.responses.drawing import level_table, setup_shift
from trialkit.responses.record import Unlocked
from trialkit.responses.strip_values import strip_value


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """Mean of fields in general.

    What a trial on one field estimates is that field's own, which is drawn. Differences are the
    same in both.
    """
    del strips

    def kg_ha(cells: pd.DataFrame) -> np.ndarray:
        shift = setup_shift(truth.strip_shifts.get("yield", {}), cells)
        return np.asarray(truth.yield_mean + shift)

    return level_table(config, kg_ha, "kg_ha")


YIELD = strip_value(
    "yield", "Yield", 120, "kg/ha", 100.0, "weigh both", _true, better="higher",
    unlocked=(Unlocked("share of yield", 50, usual=True),),
)  # fmt: skip
