"""A region on paper: many farms over many seasons in a store, compared here.

    python tests/benchmarks/region.py [--farms 200] [--seasons 10] [--store DIR] [--client local]

Every farm has a trial a season: two fields of five pairs of two strips, six frames each, 120 frames
behind the header (2,000 farms and 10 seasons: 20,000 trials, 40,000 fields, 2.4 million frames).
They are drawn in arrays and written to the store as `trialkit gather` would (a temporary folder by
default, kept and read again where it holds a store). Printed are seconds, processor seconds and the
most memory of this process, and of its helpers; of reading, which is shared out, and of the model,
which is not; and what that comes to with n workers: reading / n + the rest. Wall seconds hang on
what else the machine does, processor seconds hardly.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from frozen_trials import CUSHION, CUSHION_PAIRS

import trialkit as tk
from trialkit.ending import own_folder, remove
from trialkit.many.gather_reading import PART, write_pieces
from trialkit.many.kept import arrow_schema, as_columns, settings_text
from trialkit.many.store import DRAFT, Entry, begin_store, commit, is_store, read_state, settle

FIELDS, PAIRS, FRAMES, AREA = 2, 5, 6, 0.5
SD = {"season": 0.1, "farm": 0.3, "trial": 0.15, "field": 0.2, "effect": 0.12, "pair": 0.12,
      "strip": 0.12, "frame": 0.4}  # fmt: skip
KERNELS, EFFECT = np.log(20.0), np.log(0.7)  # in a frame, and of the cushion
SETUPS = np.array(["standard", "cushion"])


def season_of(season: int, farms: int, level: np.ndarray, rng: np.random.Generator) -> Any:
    """Tables and entries of a season's trials, a part at a time."""
    config = replace(CUSHION_PAIRS.config, setups=(replace(CUSHION, hard_to_change=False),),
                     season=season, option=None, kernel_mass_stated=True)  # fmt: skip
    text = settings_text(config)
    shift = SD["season"] * rng.normal()
    for first in range(0, farms, PART):
        own = np.arange(first, min(first + PART, farms))
        n = len(own)
        shape = (n, FIELDS, PAIRS, 2, FRAMES)
        t, f, p, s, k = np.indices(shape).reshape(5, -1)

        def draw(name: str, *size: int) -> np.ndarray:
            return SD[name] * rng.normal(size=size)

        field = draw("field", n, FIELDS)
        effect = EFFECT + draw("effect", n, FIELDS)
        pair, strip = draw("pair", n, FIELDS, PAIRS), draw("strip", n, FIELDS, PAIRS, 2)
        eta = (KERNELS + shift + (level[own] + draw("trial", n))[t] + field[t, f] + pair[t, f, p]
               + strip[t, f, p, s] + s * effect[t, f] + draw("frame", len(t)))  # fmt: skip
        kernels = rng.poisson(np.exp(eta))
        keys = np.array([f"{season}-{i:06d}" for i in own])
        names = np.array(["North", "South"])
        label = np.array([f"{a}-{b}{c}" for a in "NS" for b in range(1, PAIRS + 1) for c in "ab"])
        label = label.reshape(FIELDS, PAIRS, 2)
        frames = pd.DataFrame({"trial": keys[t], "frame": k + 1, "strip": label[f, p, s],
                               "zone": "header", "area": AREA, "loose_kernels": kernels,
                               "kernels_on_cobs": np.nan, "note": None})  # fmt: skip
        t, f, p, s = np.indices(shape[:-1]).reshape(4, -1)
        moisture = rng.uniform(17, 23, (n, FIELDS))[t, f]
        strips = pd.DataFrame({"trial": keys[t], "strip": label[f, p, s], "field": names[f],
                               "pair": (p + 1).astype(str), "moisture": moisture,
                               "speed_measured": rng.normal(7, 0.5, len(t))})  # fmt: skip
        setups = strips[["trial", "strip"]].assign(factor="cushion", level=SETUPS[s])
        t, f = np.indices((n, FIELDS)).reshape(2, -1)
        fields = pd.DataFrame({"trial": keys[t], "field": names[f],
                               "grower": [f"Grower {i}" for i in own[t]],
                               "hybrid": [f"H{i}" for i in rng.integers(12, size=len(t))]})
        trials = pd.DataFrame({"trial": keys, "path": "", "title": [f"Farm {i}" for i in own],
                               "settings": text, "data_hash": keys})  # fmt: skip
        tables = {"trials": trials, "setups": setups, "fields": fields, "strips": strips,
                  "frames": frames.astype({"frame": str})}  # fmt: skip
        entries = [Entry(key, "/region", f"farm_{i:05d}/{season}", key, 0.0, season)
                   for key, i in zip(keys, own, strict=True)]  # fmt: skip
        yield {name: columns(frame, name) for name, frame in tables.items()}, entries


def columns(frame: pd.DataFrame, name: str) -> Any:
    """As a kept table; columns that were not drawn are missing."""
    missing = [c for c in arrow_schema(name).names if c not in frame]
    return as_columns(frame.assign(**dict.fromkeys(missing)), name)


def write(store: Path, farms: int, seasons: int) -> None:
    """Draw the region into a new store."""
    begin_store(store)
    draft = own_folder(store, DRAFT)
    draft.mkdir()
    level = SD["farm"] * np.random.default_rng(0).normal(size=farms)
    parts = [
        write_pieces(draft, season, [piece])
        for season in range(2026 - seasons, 2026)
        for piece in season_of(season, farms, level, np.random.default_rng(season))
    ]
    commit(store, read_state(store), draft, parts=[place for place, _ in parts], superseded=[],
           trials=[entry for _, own in parts for entry in own], forgotten=[])  # fmt: skip
    settle(store)
    remove(draft)


def seconds() -> np.ndarray:
    """Wall, processor time of this process and its helpers that have ended."""
    helpers = resource.getrusage(resource.RUSAGE_CHILDREN)
    return np.array([time.perf_counter(), time.process_time() + helpers.ru_utime])


def most() -> float:
    """Most memory of this process so far, MB (Linux)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--farms", type=int, default=200)
    parser.add_argument("--seasons", type=int, default=10)
    parser.add_argument("--store", type=Path)
    parser.add_argument("--client", help="local, or the address of a Dask scheduler")
    options = parser.parse_args()
    store = options.store or Path(tempfile.mkdtemp()) / "region"
    if not is_store(store):
        begun = seconds()
        write(store, options.farms, options.seasons)
        wall, cpu = seconds() - begun
        size = sum(path.stat().st_size for path in store.rglob("*.parquet")) / 1e6
        print(f"written: {wall:.1f} s, {cpu:.1f} s CPU, {size:.1f} MB in {store}")
    marks: list[tuple[str, np.ndarray, float]] = []

    def tell(text: str) -> None:
        step = " ".join(text.split()[:2])
        if not marks or marks[-1][0] != step:
            marks.append((step, seconds(), most()))

    tell("starting")
    found = tk.compare(store, progress=tell, client=options.client, jobs=1)
    tell("end")
    print(f"{len(found.trials):,} trials, {len(found.by_field):,} fields, {len(found.strips):,} "
          f"strips, {int(found.trials['n_rows'].sum()):,} frames")  # fmt: skip
    steps = {}
    for (step, begun, _), (_, ended, memory) in pairwise(marks):
        steps[step] = ended - begun
        wall, cpu = steps[step]
        print(f"  {step:24s} {wall:8.1f} s {cpu:8.1f} s CPU {memory:8.0f} MB")
    whole = sum(steps.values())
    print(f"  {'in all':24s} {whole[0]:8.1f} s {whole[1]:8.1f} s CPU {most():8.0f} MB")
    if options.client is None:
        reading = sum(used[1] for step, used in steps.items() if step == "Reading trial")
        print("with n workers, by processor seconds (reading / n + the rest):")
        for n in (1, 2, 4, 8, 16, 64):
            print(f"  {n:3d}: {reading / n + whole[1] - reading:8.1f} s")


if __name__ == "__main__":
    main()
