"""A few small trials of two seasons in a folder, for what reads many of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
from frozen_trials import CUSHION, CUSHION_PAIRS

from trialkit.intake import write_trial
from trialkit.many import TrialsCompared
from trialkit.simulate import Effort, Truth, simulate_trial

TRUTH = Truth(
    preharvest=2.0, header=40.0, header_ratios={"cushion": {"cushion": 0.7}},
    sd={"field": 0.3, "setup_by_field": 0.1, "pair": 0.1, "strip": 0.1, "frame": 0.3},
    preharvest_sd={"field": 0.2, "frame": 0.4},
)  # fmt: skip
EFFORT = Effort(header_frames=3, preharvest_frames=1, total_frames=0, ear_area=0, grain_samples=0,
                residue_samples=0, stalks=0)  # fmt: skip
TABLES = ("trials", "skipped", "strips", "side_by_side", "effects", "by_trial", "by_field",
          "growers", "explained", "variances")  # fmt: skip


def write_trials(folder: Path, numbers: range) -> Path:
    """Trials of two fields with three pairs each, of 2024 and 2025 in turn, by four growers."""
    for i in numbers:
        config = replace(CUSHION_PAIRS.config, setups=(replace(CUSHION, hard_to_change=False),),
                         title=f"Trial {i}", season=2024 + i % 2)  # fmt: skip
        fields = pd.DataFrame({"field": ["North", "South"], "grower": f"Grower {i % 4}",
                               "hybrid": [f"H{i % 3}", f"H{(i + 1) % 3}"]})  # fmt: skip
        trial = simulate_trial(config, TRUTH, seed=i, blocks=3, fields=fields, effort=EFFORT)
        write_trial(folder / f"trial_{i:02d}", config, trial.tables)
    return folder


def assert_same(one: TrialsCompared, other: TrialsCompared, *tables: str) -> None:
    """Every number is the same to the last digit, and every word."""
    for name in tables or TABLES:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)
    assert one.notes == other.notes
