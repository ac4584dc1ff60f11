"""What responses that are shares by mass in samples have in common."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd

from trialkit.responses.columns import Table
from trialkit.responses.record import Response, Unlocked, fixed
from trialkit.words.terms import Terms

LOGARITHM = "logarithm of the share by mass: Gaussian"
SAMPLE_SD = 0.25
"""The same in every simulated trial: log scale, of material other than grain between samples."""


def share(
    name: str, title: str, rank: float, layout: Table, column: str, thing: str,
    terms: Mapping[str, Terms], true: Callable[[Any, pd.DataFrame, Any], pd.DataFrame],
    unlocked: Unlocked, *, near: float = 0.5, **more: Any,
) -> Response:  # fmt: skip
    """A share by mass in samples that give their ``sample_mass``."""
    table = layout.name
    return Response(
        name, title, rank, layout, column, "lognormal", fixed(100.0, "%"), "sample", thing,
        LOGARITHM, terms, true,
        absent=f"No {table} sample gives both its mass and that of its {thing}, so "
        f"{title.lower()} cannot be analysed.",
        size="sample_mass", lacking=f"{table} samples without both masses", near=near,
        unlocked=(unlocked,), **more,
    )  # fmt: skip
