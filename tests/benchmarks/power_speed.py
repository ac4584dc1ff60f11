"""How long `trialkit.plan.power` takes for a grid of plans.

    python tests/benchmarks/power_speed.py [--jobs 2] [--rounds 200] [--layout pairs]

Six numbers of pairs by five of frames, each simulated and refitted so many times; wall seconds, and
processor seconds of this process and of the workers. The first run may compile the engine's loops,
so a small grid is run before; with more than one job workers also load the library.
One thread a process (set OPENBLAS_NUM_THREADS=1).
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from pathlib import Path

from joblib.externals.loky import get_reusable_executor

sys.path.insert(0, str(Path(__file__).parents[1]))
from frozen_trials import CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS

from trialkit import plan as tp

CONFIGS = {"pairs": CUSHION_PAIRS, "blocks": GAP_FIELDS, "split": SPLIT_STRIPS}


def processor_seconds() -> float:
    """Of this process and of the workers it had, which are ended first."""
    get_reusable_executor().shutdown(wait=True)
    both = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return float(sum(use.ru_utime + use.ru_stime for use in both))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--layout", choices=CONFIGS, default="pairs")
    chosen = parser.parse_args()
    config = CONFIGS[chosen.layout].config
    tp.power(config, pairs=[3], frames=[2], rounds=2, seed=1)
    spent, began = processor_seconds(), time.perf_counter()
    grid = tp.power(
        config, pairs=(3, 4, 5, 6, 7, 8), frames=(4, 6, 8, 12, 16), rounds=chosen.rounds, seed=1,
        jobs=chosen.jobs,
    )  # fmt: skip
    wall = time.perf_counter() - began
    used = processor_seconds() - spent
    plans = len(grid.table.drop_duplicates(["pairs", "frames", "fields"]))
    print(f"{plans} plans x {chosen.rounds} rounds, {chosen.layout}, {chosen.jobs} jobs")
    print(f"wall {wall:.1f} s, processor {used:.1f} s", end=", ")
    print(f"{1000 * used / plans / chosen.rounds:.1f} ms a round")


if __name__ == "__main__":
    main()
