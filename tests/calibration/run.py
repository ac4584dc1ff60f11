"""How well tests and intervals keep their level at every true spread of their error, by simulation.

    python tests/calibration/run.py [--rounds 4000] [--jobs 1] [--settings NAME ...]

Every setting is simulated without an effect at six spreads (at the smallest three, where no method
rejects too often, a fourth of the rounds) and with one at three (an eighth). Writes
``notebooks/calibration.csv`` after every setting, whole or not at all; rows of settings not asked
for stay as they are.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

sys.path.insert(0, str(Path(__file__).parents[1]))
import pandas as pd  # noqa: E402
from rounds import rates, simulate  # noqa: E402
from rows_by_name import arguments, write  # noqa: E402
from trial_settings import EFFECT, SETTINGS, SPREADS  # noqa: E402

RESULT = Path(__file__).parents[2] / "notebooks" / "calibration.csv"
WITH_EFFECT = (0.0, 0.2, 0.4)
LARGE = 0.2


def main() -> None:
    given = arguments(__doc__, SETTINGS, "setting", 4000, 20, RESULT).parse_args()
    for name in given.settings:
        start = time.perf_counter()
        cells = [(s, 0.0, given.rounds // (4 if s < LARGE else 1)) for s in SPREADS]
        cells += [(s, EFFECT, given.rounds // 8) for s in WITH_EFFECT]
        tables = []
        for spread, effect, rounds in cells:

            def progress(done: int, of: int, spread: float = spread, name: str = name) -> None:
                told = f"\r{name}, spread {spread:g}: {done} of {of} rounds"
                print(told, end="", file=sys.stderr)

            records = simulate(name, spread, effect, rounds, given.seed, given.jobs, progress)
            tables.append(rates(name, spread, effect, records, given.seed))
            lost = records.loc[records["reason"] != "", "reason"].value_counts()
            for reason, count in lost.items():
                print(f"\n  {count} without a value: {reason}", file=sys.stderr)
        table = pd.concat(tables, ignore_index=True)
        write(table, given.output, "setting", SETTINGS)
        shown = table.pivot_table(
            index=["effect", "method"], columns=["quantity", "spread"], values="rate", sort=False
        )
        seconds = time.perf_counter() - start
        print(f"\n{name}, {given.rounds} rounds, {seconds:.0f} s\n{shown.round(3).to_string()}\n",
              flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
