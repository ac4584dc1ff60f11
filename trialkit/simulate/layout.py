"""Strips of a simulated trial in the order the combine takes them."""

from __future__ import annotations

from itertools import product
from string import ascii_uppercase
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig


def strips_layout(
    config: TrialConfig, fields: list[str], blocks: int, rng: np.random.Generator
) -> pd.DataFrame:
    """Randomised strips: every setup once in every block of every field.

    With one hard-to-change factor beside others, each block holds one main strip per level of it,
    in random order, and the other factors' combinations in random order within (a split-strip);
    otherwise all combinations are in random order within the block (pairs, complete blocks).

    Returns
    -------
    DataFrame
        ``strip, field, pair, main_strip`` (missing unless split) and one column per setup factor.
    """
    hard = [factor for factor in config.setups if factor.hard_to_change]
    easy = [factor for factor in config.setups if not factor.hard_to_change]
    split = bool(hard) and bool(easy)
    whole = list(product(*(f.levels for f in (hard if split else config.setups))))
    sub = list(product(*(f.levels for f in easy))) if split else [()]
    order = [f.name for f in (hard + easy if split else config.setups)]
    rows = []
    for field in fields:
        number = 0
        for block in range(1, blocks + 1):
            for place, i in enumerate(rng.permutation(len(whole)), start=1):
                for j in rng.permutation(len(sub)):
                    number += 1
                    rows.append(
                        {
                            "strip": f"{field}-{number:02d}",
                            "field": field,
                            "pair": str(block),
                            "main_strip": f"{block}{ascii_uppercase[place - 1]}" if split else None,
                            **dict(zip(order, whole[i] + sub[j], strict=True)),
                        }
                    )
    return pd.DataFrame(rows).astype({"strip": str, "field": str, "pair": str})
