"""Time to read and check a frames file of two million rows: python tests/benchmarks/intake_speed.py

Prints seconds, processor seconds (the fair figure on a busy machine) and peak memory for a clean
file, one with a refusal in every thousand rows, one with every cell in quotation marks, and one
with half of its rows not filled in yet.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
import numpy as np
from sound_trial import SETTINGS

from trialkit.trial import load_trial

STRIPS = 2_000


def frames_text(rows: int, spoiled: bool, quoted: bool, half: bool) -> str:
    """A frames file; spoiled puts a fault into every thousandth row, half leaves out counts."""
    rng = np.random.default_rng(1)
    strips = rng.integers(0, STRIPS, rows).tolist()
    kernels = rng.poisson(20, rows).tolist()
    if half:
        kernels[1::2] = [""] * (rows // 2)
    zones = ("preharvest", "header", "total")
    lines = [
        f"F{i},S{s},{zones[i % 3]},10.0,{-k - 1 if spoiled and i % 1000 == 0 else k},"
        f"{'' if i % 50 else 'wet spot'}"
        for i, (s, k) in enumerate(zip(strips, kernels, strict=True))
    ]
    if quoted:
        lines = ['"' + line.replace(",", '","') + '"' for line in lines]
    return "frame,strip,zone,area (ft2),loose_kernels,note\n" + "\n".join(lines) + "\n"


def main(rows: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "trial.toml").write_text(SETTINGS)
        (folder / "strips.csv").write_text(
            "strip,field,pair,cushion\n"
            + "".join(
                f"S{i},F{i // 20},{i // 2},{('standard', 'cushion')[i % 2]}\n"
                for i in range(STRIPS)
            )
        )
        for case, spoiled, quoted, half in (
            ("clean", False, False, False), ("one fault in 1000", True, False, False),
            ("quoted", False, True, False), ("half not filled in", False, False, True),
        ):  # fmt: skip
            (folder / "frames.csv").write_text(frames_text(rows, spoiled, quoted, half))
            start, cpu = time.perf_counter(), time.process_time()
            trial = load_trial(folder)
            seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
            counts = trial.read.set_index("table").loc["frames"]
            parts = ["rows_kept", "rows_refused", "rows_not_filled"]
            assert counts["rows_in"] == rows == counts[parts].sum()
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
            print(f"{case:20} {rows:,} rows, {counts['rows_refused']:,} refused:", end=" ")
            print(f"{seconds:.2f} s ({cpu:.2f} s of processor), peak so far {peak:.2f} GB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000)
