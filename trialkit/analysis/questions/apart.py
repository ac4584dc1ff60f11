"""One rule for saying that a setup is told apart from its reference."""

from __future__ import annotations

import numpy as np
import pandas as pd


def side(row: pd.Series, level: float) -> int:
    """Where the data put a setup at a confidence level.

    Parameters
    ----------
    row : Series
        A contrast with ``difference`` and ``p_adjusted``.
    level : float
        Confidence level.

    Returns
    -------
    int
        -1 or 1 where the adjusted p lies below ``1 - level``: told apart, below or above its
        reference. 0 where it does not, or is missing.
    """
    return int(np.sign(row["difference"])) if row["p_adjusted"] < 1 - level else 0
