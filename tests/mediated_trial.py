"""Trials from a known truth in which a setup acts through the speed it lets one drive at."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.intake.config import HeaderConfig, SetupFactor, TrialConfig
from trialkit.trial import Trial

CONFIG = TrialConfig(
    title="Chain", season=2026, units="SI", header=HeaderConfig(8, 6.0, 6.0),
    setups=(SetupFactor("chain", ("old", "new"), "old"),),
)  # fmt: skip
FASTER, PER_KMH = 1.4, 1.2
"""The new chain is driven faster by this many km/h; a km/h more loses this many times as much."""
TOTAL = PER_KMH**FASTER


def mediated(seed: int, pairs: int = 10) -> Trial:
    """Pairs in one field; the chain does nothing to the loss but let the operator drive faster.

    Speeds of strips vary by 1 km/h beside that, so setups explain a third of their variance
    (0.7**2 of 0.7**2 + 1), as a rule less than the half that keeps speed out of any model.
    """
    rng = np.random.default_rng(seed)
    new = np.concatenate([rng.permutation([False, True]) for _ in range(pairs)])
    pair = np.repeat(np.arange(pairs), 2)
    speed = 8.0 + FASTER * new + rng.normal(0, 1.0, 2 * pairs)
    eta = np.log(40.0) + np.log(PER_KMH) * (speed - 8.0)
    eta += rng.normal(0, 0.15, pairs)[pair] + rng.normal(0, 0.12, 2 * pairs)
    names = [f"S{i}" for i in range(2 * pairs)]
    strips = pd.DataFrame(
        {"strip": names, "field": "1", "pair": pair.astype(str), "speed_measured": speed,
         "chain": np.where(new, "new", "old")}
    )  # fmt: skip
    frames = strips[["strip"]].loc[np.repeat(strips.index, 4)].reset_index(drop=True)
    own = np.repeat(eta, 4) + rng.normal(0, 0.2, 8 * pairs)
    frames = frames.assign(
        frame=[str(i) for i in range(len(frames))], zone="header", area=1.0,
        loose_kernels=rng.poisson(np.exp(own)),
    )
    return Trial.from_tables(CONFIG, {"strips": strips, "frames": frames})
