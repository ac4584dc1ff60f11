"""How long `trialkit.compare` takes over many trials.

    python tests/benchmarks/compare_speed.py [--trials 200] [--folder DIR]

Simulated trials of one or two fields, six pairs in all, with about 100 header-zone frames each, are
written to the folder (a temporary one by default, kept and read again where it holds trials), then
compared twice: the first run may compile the engine's loops. Wall and processor seconds are printed
for every step; one process, one thread (set OPENBLAS_NUM_THREADS=1).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from frozen_trials import CUSHION_PAIRS

import trialkit as tk
from trialkit.intake import write_trial
from trialkit.simulate import Effort, Truth, simulate_trial

TRUTH = Truth(
    preharvest=2.0,
    header=20.0,
    header_ratios={"cushion": {"cushion": 0.7}},
    sd={"field": 0.3, "setup_by_field": 0.12, "pair": 0.12, "strip": 0.12, "frame": 0.4},
    preharvest_sd={"field": 0.2, "frame": 0.4},
)
EFFORT = Effort(
    header_frames=8,
    preharvest_frames=1,
    total_frames=0,
    ear_area=0,
    grain_samples=0,
    residue_samples=0,
    stalks=0,
)


def write(folder: Path, trials: int) -> None:
    """Write simulated trials: forty growers, twelve hybrids, moisture from 17 to 23 %."""
    rng = np.random.default_rng(1)
    for i in range(trials):
        many = 1 + i % 2
        fields = pd.DataFrame(
            {
                "field": [f"Field {i}-{j}" for j in range(many)],
                "grower": f"Grower {i % 40}",
                "hybrid": [f"H{(i + j) % 12}" for j in range(many)],
            }
        )
        moisture = 17.0 + 6.0 * rng.random()
        truth = replace(
            TRUTH, header=20.0 * np.exp(rng.normal(0.0, 0.3)), moisture=(moisture, moisture)
        )
        config = replace(CUSHION_PAIRS.config, title=f"Trial {i}")
        trial = simulate_trial(
            config, truth, seed=i, blocks=6 // many, fields=fields, effort=EFFORT
        )
        write_trial(folder / f"trial_{i:03d}", config, trial.tables)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    folder = options.folder or Path(tempfile.mkdtemp())
    if not any(folder.glob("*/trial.toml")):
        write(folder, options.trials)
    for run in (1, 2):
        begun = time.perf_counter(), time.process_time()
        last = ["", *begun]

        def tell(text: str, last: list = last) -> None:
            step = " ".join(text.split()[:2])
            if step != last[0]:
                now = time.perf_counter(), time.process_time()
                if last[0]:
                    print(
                        f"  {last[3]:45s} {now[0] - last[1]:6.1f} s {now[1] - last[2]:6.1f} s CPU"
                    )
                last[:] = [step, *now, text]

        result = tk.compare(folder, progress=tell)
        tell("")
        wall, cpu = time.perf_counter() - begun[0], time.process_time() - begun[1]
        frames = int(result.trials["n_rows"].sum())
        size = f"{len(result.trials)} trials, {frames:,} frames"
        print(f"run {run}: {size}: {wall:.1f} s, {cpu:.1f} s CPU")


if __name__ == "__main__":
    main()
