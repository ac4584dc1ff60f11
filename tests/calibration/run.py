"""How well small-sample tests and intervals keep their level, by simulation.

    python tests/calibration/run.py [--rounds 2000] [--jobs 1] [--settings NAME ...]

Writes ``notebooks/calibration.csv``, after every setting, whole or not at all; rows of settings
not asked for stay as they are.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

sys.path.insert(0, str(Path(__file__).parents[1]))
from rounds import rates, simulate  # noqa: E402
from rows_by_name import arguments, write  # noqa: E402
from trial_settings import SETTINGS  # noqa: E402

RESULT = Path(__file__).parents[2] / "notebooks" / "calibration.csv"


def main() -> None:
    parser = arguments(__doc__, SETTINGS, "setting", 2000, 20, RESULT)
    parser.add_argument("--records", type=Path, help="folder for every round's p values")
    given = parser.parse_args()
    for name in given.settings:
        start = time.perf_counter()

        def progress(done: int, of: int, name: str = name, start: float = start) -> None:
            seconds = time.perf_counter() - start
            print(f"\r{name}: {done} of {of} rounds, {seconds:.0f} s", end="", file=sys.stderr)

        records = simulate(name, given.rounds, given.seed, given.jobs, progress)
        print(file=sys.stderr)
        if given.records:
            given.records.mkdir(parents=True, exist_ok=True)
            records.to_csv(given.records / f"{name}.csv", index=False)
        table = rates(name, records, given.seed)
        write(table, given.output, "setting", SETTINGS)
        shown = table.pivot_table(
            index=["effect", "method"], columns="quantity", values=["rate", "failed", "zero_share"],
            sort=False,
        )  # fmt: skip
        print(f"{name}, {given.rounds} rounds\n{shown.round(3).to_string()}\n", flush=True)
        for reason, count in records.loc[records["reason"] != "", "reason"].value_counts().items():
            print(f"  {count} without a value: {reason}")


if __name__ == "__main__":
    main()
