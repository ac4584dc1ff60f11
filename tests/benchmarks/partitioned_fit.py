"""One model over partitions on clusters of 1, 2, 4 workers: memory of each, time, agreement.

    python tests/benchmarks/partitioned_fit.py --rows 1000000 --workers 1 2 4

Writes a folder of Parquet files of simulated strip trials (fields > pairs > strips > frames), fits
it as one frame in a process of its own, partition by partition in another, and on local clusters,
each started anew. "Peak" is the largest resident size that a process ever had; "own" is that less
what it had with the engine loaded and no rows. Times are wall clock, with everything read and the
compiled loops loaded but not compiled.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trialkit.mixed import fit_mixed

MODELS: dict[str, dict[str, Any]] = {
    "poisson": {"response": "kernels", "family": "poisson", "exposure": "area"},
    "gaussian": {"response": "mass"},
}
COMMON = {"fixed": "setup * speed", "nested": ["field", "pair", "strip"]}
FRAMES, PAIRS = 10, 6


def write(folder: Path, rows: int, files: int) -> None:
    """Files of whole fields."""
    fields = max(rows // (FRAMES * 2 * PAIRS), 2 * files)
    for number, own in enumerate(np.array_split(np.arange(fields), files)):
        rng = np.random.default_rng([17, number])
        shape = (len(own), PAIRS, 2, FRAMES)
        field, pair, strip, _ = (i.ravel() for i in np.indices(shape))
        effects = [rng.normal(0.0, sd, shape[: k + 1]) for k, sd in enumerate((0.5, 0.3, 0.3))]
        eta = 1.0 + sum(e.reshape(*e.shape, *[1] * (4 - e.ndim)) for e in effects)
        eta = np.broadcast_to(eta, shape).ravel() - 0.5 * strip
        speed, area = rng.normal(0.0, 1.0, len(eta)), rng.uniform(0.5, 2.0, len(eta))
        eta = eta + 0.1 * speed
        pd.DataFrame(
            {"field": own[field], "pair": pair, "strip": strip,
             "setup": np.array(["cushion", "plain"])[1 - strip], "speed": speed, "area": area,
             "kernels": rng.poisson(np.exp(eta) * area),
             "mass": eta + rng.normal(0.0, 0.5, len(eta)), "note": "as it was"},
        ).to_parquet(folder / f"{number:03}.parquet")  # fmt: skip


def peak() -> float:
    """Largest resident size of this process so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def warm(model: str) -> None:
    """Load the compiled loops by a fit of few rows."""
    rng = np.random.default_rng(1)
    rows = pd.DataFrame({"field": np.repeat(np.arange(12), 16), "pair": np.tile(np.arange(4), 48)})
    rows = rows.assign(strip=np.tile([0, 0, 0, 0, 1, 1, 1, 1], 24), area=1.0,
                       speed=rng.normal(size=192), kernels=rng.poisson(3.0, 192),
                       mass=rng.normal(size=192), setup=np.tile(["a", "b"], 96))  # fmt: skip
    fit_mixed([rows[rows["field"] < 6], rows[rows["field"] > 5]], **COMMON, **MODELS[model])
    fit_mixed(rows, **COMMON, **MODELS[model])


def alone(folder: Path, model: str, whole: bool, out: Any) -> None:
    """A fit in a process of its own: what it found, seconds, peak and own memory."""
    warm(model)
    before, start = peak(), time.perf_counter()
    source = pd.read_parquet(folder).drop(columns="note") if whole else folder
    fit = fit_mixed(source, **COMMON, **MODELS[model])
    out.put((told(fit), time.perf_counter() - start, peak(), peak() - before))


def told(fit: Any) -> np.ndarray:
    """Log-likelihood, estimates, standard errors, variances."""
    table = fit.coefficients
    return np.r_[fit.loglik, table["estimate"], table["se"], fit.variances["variance"]]


def on_cluster(folder: Path, model: str, workers: int) -> tuple[np.ndarray, float, list, list]:
    from dask.distributed import Client, LocalCluster

    with (
        LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=":0",
                     memory_limit=0) as cluster,
        Client(cluster) as client,
    ):  # fmt: skip
        client.wait_for_workers(workers)
        client.run(warm, model)
        before = client.run(peak)
        start = time.perf_counter()
        fit = fit_mixed(folder, client=client, **COMMON, **MODELS[model])
        seconds, after = time.perf_counter() - start, client.run(peak)
        return told(fit), seconds, [*after.values()], [after[w] - before[w] for w in after]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--files", type=int, default=24)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2, 4])
    parser.add_argument("--models", nargs="+", default=list(MODELS), choices=list(MODELS))
    asked = parser.parse_args()
    spawn = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, asked.rows, asked.files)
        print(f"{asked.rows:,} rows in {asked.files} files")
        for model in asked.models:
            print(f"\n{model}\n{'':24}{'s':>8}{'peak MB':>10}{'own MB':>9}   differs by")
            reference = None
            for label, whole in (("one frame", True), ("one after another", False)):
                out = spawn.Queue()
                process = spawn.Process(target=alone, args=(folder, model, whole, out))
                process.start()
                found, seconds, most, own = out.get()
                process.join()
                reference = found if reference is None else reference
                line(label, seconds, [most], [own], found, reference)
            for workers in asked.workers:
                found, seconds, most, own = on_cluster(folder, model, workers)
                line(f"{workers} workers, each", seconds, most, own, found, reference)


def line(
    label: str, seconds: float, most: list, own: list, found: np.ndarray, reference: np.ndarray
) -> None:
    off = float(np.abs(found / reference - 1.0).max())
    print(f"{label:24}{seconds:8.1f}{max(most):10.0f}{max(own):9.0f}   {off:.1e}", flush=True)


if __name__ == "__main__":
    main()
