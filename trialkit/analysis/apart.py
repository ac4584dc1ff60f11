"""One rule for saying that a setup is told apart from its reference, and how its answer is told."""

from __future__ import annotations

from collections.abc import Sequence

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


def told_apart(level: float) -> str:
    """ "told apart at 95 %"."""
    return f"told apart at {100 * level:g} %"


def places(values: Sequence[float]) -> int:
    """Decimals that show an estimate with interval to two figures of the interval's half width.

    Parameters
    ----------
    values : sequence of float
        Estimate and ends; where an end is missing or they coincide, two figures of the estimate.
    """
    value, low, high = values
    half = (high - low) / 2
    size = half if np.isfinite(half) and half > 0 else abs(value)
    return int(np.clip(1 - np.floor(np.log10(size)), 0, 9)) if size > 0 else 1


def number(value: float, places: int) -> str:
    """The value rounded to so many decimals, never "-0"."""
    return f"{round(value, places) + 0.0:.{places}f}"
