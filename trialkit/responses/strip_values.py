"""Values of a whole strip, as the strips table has them: yield, moisture, test weight."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd

from trialkit.responses.drawing import level_table, setup_shift
from trialkit.responses.record import Better, Response, Unlocked, fixed
from trialkit.responses.tables import STRIPS
from trialkit.words.terms import ENGLISH, height


def shifted(column: str, unit: str) -> Callable[[Any, pd.DataFrame, Any], pd.DataFrame]:
    """A column of the strips: its mean is drawn, the setups' shifts are stated."""

    def true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
        mean = float(strips[column].astype(float).mean())
        shifts = truth.strip_shifts.get(column, {})
        return level_table(config, lambda cells: mean + setup_shift(shifts, cells), unit)

    return true


def strip_value(
    name: str, title: str, rank: float, unit: str, near: float, count: str,
    true: Callable[[Any, pd.DataFrame, Any], pd.DataFrame], *, better: Better = "lower",
    unlocked: tuple[Unlocked, ...] = (),
) -> Response:  # fmt: skip
    """A value of the whole strip, from the strips table."""
    return Response(
        name, title, rank, STRIPS, name, "normal", fixed(1.0, unit), "strip", title.lower(),
        f"{title.lower()} of the strip: Gaussian", {ENGLISH: height("had", title.lower(), count)},
        true, ratios=False, covariates=False, better=better, near=near, speaks=False,
        unlocked=unlocked,
    )  # fmt: skip
