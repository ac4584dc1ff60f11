"""Many independent pieces of work on one or several processes, in the same order either way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import joblib

from trialkit.errors import ModelError

Progress = Callable[[int, int], None]

# More batches than jobs, so that one slow batch does not hold the others up.
BATCHES_PER_JOB = 8


def in_batches(
    work: Callable[[Sequence[Any]], list[Any]], items: Sequence[Any], jobs: int,
    progress: Progress | None,
) -> list[Any]:  # fmt: skip
    """Results of all items, in their order; what a result is must not depend on its batch.

    Parameters
    ----------
    work : takes a batch of items, returns one result an item.
    jobs : processes; 1 works in this one.
    progress : called with (items done, items in all) after every batch.

    Raises
    ------
    ModelError
        If ``jobs`` is below one.
    """
    if jobs < 1:
        raise ModelError(f"jobs must be at least 1, got {jobs}.")
    size = max(1, -(-len(items) // (BATCHES_PER_JOB * jobs)))
    batches = [items[i : i + size] for i in range(0, len(items), size)]
    if jobs == 1:
        done = (work(b) for b in batches)
    else:
        pool = joblib.Parallel(n_jobs=jobs, backend="loky", return_as="generator")
        done = pool(joblib.delayed(work)(b) for b in batches)
    out: list[Any] = []
    for results in done:
        out.extend(results)
        if progress is not None:
            progress(len(out), len(items))
    return out
