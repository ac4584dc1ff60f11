"""How often a trial's interval for the next field holds the effect there.

    python tests/calibration/next_field.py --fields 6 [--sd 0.2] [--rounds 250] [--first 0]

Trials are drawn by `trialkit.simulate`: fields of three pairs of strips with three frames each, the
effect's standard deviation between fields as asked. Prints the coverage of the 95 % interval, exact
for the normal distribution of fields' effects, and its median width; beside it those by t with
fields - 2 df (Higgins et al. 2009).
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))
from frozen_trials import CUSHION_PAIRS

from trialkit.analysis.questions.fields import field_effects
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.simulate import Effort, Truth, simulate_trial

MEAN = float(np.log(0.7))
CUSHION = replace(CUSHION_PAIRS.config.setups[0], hard_to_change=False)
CONFIG = replace(CUSHION_PAIRS.config, setups=(CUSHION,), option=None)
EFFORT = Effort(header_frames=3, preharvest_frames=1, total_frames=0, ear_area=0, grain_samples=0,
                residue_samples=0, stalks=0)  # fmt: skip


def one_round(fields: int, sd: float, seed: int) -> list[float]:
    """Coverage and width of the interval, and those by t."""
    truth = Truth(
        preharvest=0.01, header=60.0, header_ratios={"cushion": {"cushion": 0.7}},
        sd={"field": 0.2, "setup_by_field": sd / 2**0.5, "pair": 0.1, "strip": 0.1, "frame": 0.3},
        preharvest_sd={},
    )  # fmt: skip
    trial = simulate_trial(CONFIG, truth, seed=seed, blocks=3, effort=EFFORT,
                           fields=[f"F{i}" for i in range(fields)])  # fmt: skip
    found = analyse_response(SPECIFICATIONS["header_loss"], trial, trial.losses(), 0.95)
    row = field_effects(found).pooled.iloc[0]
    half = stats.t.ppf(0.975, fields - 2) * np.hypot(row["sd"], row["se"])
    out = []
    for low, high in ((row["predicted_low"], row["predicted_high"]),
                      (row["estimate"] - half, row["estimate"] + half)):  # fmt: skip
        held = np.diff(stats.norm.cdf(np.array([low, high]), MEAN, sd))[0]
        out += [100 * float(held), float(high - low)]
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fields", type=int, required=True)
    parser.add_argument("--sd", type=float, default=0.2)
    parser.add_argument("--rounds", type=int, default=250)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    seeds = range(1000 * asked.fields + asked.first, 1000 * asked.fields + asked.rounds)
    table = np.array([one_round(asked.fields, asked.sd, seed) for seed in seeds])
    error = table.std(axis=0) / np.sqrt(len(table))
    for i, name in ((0, "printed"), (2, "by t")):
        print(f"{name:8s} {table[:, i].mean():5.1f} % ({error[i]:.1f}), median width "
              f"{np.median(table[:, i + 1]):.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
