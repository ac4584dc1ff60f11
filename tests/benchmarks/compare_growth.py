"""How time and memory of `trialkit.compare` grow with the number of trials.

    python tests/benchmarks/compare_growth.py [--trials 300 1000 2000] [--rows 10000] [--keep DIR]

`--trials` writes trials of two fields each (three pairs of strips a field, eight frames in the
header zone and one ahead of the machine on every strip; a grower for every four trials, a hybrid
for every fifty fields) as plain files and compares them, by one process for each size, which
itself reads with as many processes as `compare` chooses. `--rows` makes the rows of such trials in
memory and times the model alone, predictions and explanations included, so that numbers of trials
can be tried that would take long to write. Printed for each size: processor seconds of the process
and its helpers by step, the peak of its memory and of the largest helper, and the slope of both in
the number of trials on logarithmic scales (1 is proportional). Set OPENBLAS_NUM_THREADS=1.

Measured before predictions and crossed factors kept to each trial's own units: 67 s for 1,000
trials, 24 s and 1.7 GB for the predictions of 2,000 alone, which broke off at 5,000.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

OLD = {1000: "67 s", 2000: "predictions alone 24 s, 1.7 GB"}
TOML = """title = "Trial {i}"
season = {season}
units = "US"
growers_agreed = false

[header]
rows = 8
width = 20
discharge_width = 20

[[setup]]
name = "cushion"
levels = ["standard", "cushion"]
reference = "standard"

[grain]
thousand_kernel_mass = 300
"""
PAIRS, FRAMES = 3, 8


def drawn(trials: int, seed: int = 1) -> Iterator[pd.DataFrame]:
    """The strips of every trial: where they lie, setup, readings, and the mean of a frame."""
    rng = np.random.default_rng(seed)
    hybrids = max(2 * trials // 50, 6)
    for i in range(trials):
        f, p, s = np.indices((2, PAIRS, 2)).reshape(3, -1)
        own, effect = rng.normal(0, 0.3), -0.35 + rng.normal(0, 0.1)
        field, by_field = rng.normal(0, 0.3, 2), rng.normal(0, 0.1, 2)
        moisture = rng.uniform(16, 24) + rng.normal(0, 1, 2)
        s = np.where(rng.random((2, PAIRS))[f, p] < 0.5, s, 1 - s)
        eta = own + field[f] + s * (effect + by_field[f]) + rng.normal(0, 0.12, (2, PAIRS))[f, p]
        eta += rng.normal(0, 0.12, len(s)) + 0.02 * (moisture[f] - 20)
        yield pd.DataFrame(
            {"strip": [f"S{n + 1}" for n in range(len(s))], "field": [f"Field {n}" for n in f],
             "pair": p + 1, "cushion": np.where(s == 1, "cushion", "standard"),
             "speed_measured": rng.normal(4.3, 0.3, len(s)).round(1),
             "moisture": (moisture[f] + rng.normal(0, 0.2, len(s))).round(1),
             "mean": 20.0 * np.exp(eta), "grower": f"Grower {i // 4}",
             "hybrid": [f"H{n}" for n in rng.integers(hybrids, size=2)[f]],
             "season": 2020 + i % 6}
        )  # fmt: skip


def write(folder: Path, trials: int) -> None:
    """Trials as a person's spreadsheet saves them, in US units."""
    rng = np.random.default_rng(2)
    for i, strips in enumerate(drawn(trials)):
        own = folder / f"trial_{i:05d}"
        own.mkdir(parents=True)
        season = int(strips["season"].iloc[0])
        (own / "trial.toml").write_text(TOML.format(i=i, season=season), encoding="utf-8")
        strips.drop_duplicates("field")[["field", "grower", "hybrid"]].to_csv(
            own / "fields.csv", index=False
        )
        renamed = {"speed_measured": "speed_measured (mph)", "moisture": "moisture (%)"}
        names = ["strip", "field", "pair", "cushion", "speed_measured", "moisture"]
        strips[names].rename(columns=renamed).to_csv(own / "strips.csv", index=False)
        kernels = rng.poisson(
            strips["mean"].to_numpy()[:, None]
            * np.exp(rng.normal(0, 0.4, (len(strips), FRAMES)))
        )  # fmt: skip
        before = rng.poisson(2.0, len(strips))
        lines = ["frame,strip,zone,area (ft2),loose_kernels"]
        for strip, ahead, counts in zip(strips["strip"], before, kernels, strict=True):
            lines.append(f"P1,{strip},preharvest,10,{ahead}")
            lines += [f"H{n + 1},{strip},header,10,{count}" for n, count in enumerate(counts)]
        (own / "frames.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def rows(trials: int) -> pd.DataFrame:
    """What the model takes of such trials."""
    rng = np.random.default_rng(2)
    parts = []
    for i, strips in enumerate(drawn(trials)):
        name = f"trial_{i:05d}"
        field = name + " / " + strips["field"]
        pair = field + " / " + strips["pair"].astype(str)
        parts.append(strips.assign(trial=name, place=strips["field"], field=field, pair=pair,
                                   strip=name + " / " + strips["strip"]))  # fmt: skip
    out = pd.concat(parts, ignore_index=True)
    out = out.loc[out.index.repeat(FRAMES)].reset_index(drop=True)
    out["area"] = 0.929
    mean = out.pop("mean").to_numpy() * np.exp(rng.normal(0, 0.4, len(out)))
    for column in ("trial", "field", "pair", "strip", "place", "grower", "hybrid"):
        out[column] = pd.Categorical(out[column], categories=out[column].unique())
    return out.assign(loose_kernels=rng.poisson(mean))


def used() -> float:
    """Processor seconds of this process and of helpers that have ended."""
    return sum(os.times()[:4])


def one(kind: str, trials: int, folder: Path) -> dict[str, object]:
    """Compare once in this process and tell what it took."""
    import trialkit as tk
    from trialkit.analysis.specifications import SPECIFICATIONS
    from trialkit.many.across import across_trials

    steps: dict[str, float] = {}
    last = ["start", used()]

    def tell(text: str) -> None:
        step, now = " ".join(text.split()[:2]), used()
        steps[last[0]] = steps.get(last[0], 0.0) + now - last[1]
        last[:] = [step, now]

    if kind == "rows":
        data = rows(trials)
        tell("model")
        across_trials(data, SPECIFICATIONS["header_loss"], {"cushion": ("standard", "cushion")},
                      0.95, tell)  # fmt: skip
    else:
        tk.compare(folder, progress=tell)
    tell("end")
    stop_helpers()
    del steps["start"]
    total = used() - (begun := last[1]) + sum(steps.values())
    steps["helpers"] = used() - begun
    peak = [resource.getrusage(who).ru_maxrss / 1024
            for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]  # fmt: skip
    return {"trials": trials, "seconds": total, "memory": peak[0], "helper": peak[1],
            "steps": steps}  # fmt: skip


def stop_helpers() -> None:
    """End the processes that read, so that their time counts."""
    from joblib.externals.loky import get_reusable_executor

    get_reusable_executor().shutdown(wait=True)


def slope(sizes: list[int], values: list[float]) -> float:
    return float(np.polyfit(np.log(sizes), np.log(values), 1)[0])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, nargs="*", default=[300, 1000, 2000])
    parser.add_argument("--rows", type=int, nargs="*", default=[])
    parser.add_argument("--keep", type=Path, help="folder in which written trials are kept")
    parser.add_argument("--one", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        kind, trials, folder = options.one
        print(json.dumps(one(kind, int(trials), Path(folder))))
        return
    with tempfile.TemporaryDirectory() as own:
        base = options.keep or Path(own)
        for kind, sizes in (("files", options.trials), ("rows", options.rows)):
            found = []
            for trials in sizes:
                folder = base / f"trials_{trials}"
                if kind == "files" and not folder.is_dir():
                    write(folder, trials)
                call = [sys.executable, __file__, "--one", kind, str(trials), str(folder)]
                text = subprocess.run(call, check=True, capture_output=True, text=True).stdout
                result = json.loads(text.splitlines()[-1])
                found.append(result)
                old = f"; before: {OLD[trials]}" if trials in OLD and kind == "files" else ""
                size = f"{result['memory']:.0f} MB (a helper {result['helper']:.0f} MB)"
                print(f"{kind}, {trials:,} trials: {result['seconds']:.1f} s CPU, {size}{old}")
                for step, seconds in result["steps"].items():
                    print(f"    {step:24s} {seconds:8.1f} s")
            if len(found) > 1:
                for what in ("seconds", "memory"):
                    print(f"{kind}: slope of {what} in trials "
                          f"{slope(sizes, [r[what] for r in found]):.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
