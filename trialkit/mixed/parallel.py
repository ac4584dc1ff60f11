"""Many refits: by one or several processes or a cluster, and what to say of one that fails."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from trialkit.errors import ModelError
from trialkit.mapping import breadth, mapped, opened
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.model import Model
from trialkit.mixed.separation import check_cells

Progress = Callable[[int, int], None]

# More batches than jobs, so that one slow batch does not hold the others up.
BATCHES_PER_JOB = 8
# A linear predictor this far from the fit's own (a factor of 3,000 on the log scale) is on its
# way to infinity.
RUN_OFF = 8.0


def in_batches(
    work: Callable[[Sequence[Any]], list[Any]], items: Sequence[Any], jobs: int,
    progress: Progress | None, client: Any = None,
) -> list[Any]:  # fmt: skip
    """Results of all items, in their order; what a result is must not depend on its batch.

    Parameters
    ----------
    work : takes a batch of items, returns one result an item.
    jobs : processes; 1 works in this one.
    progress : called with (items done, items in all) after every batch.
    client : who does the work instead, as `trialkit.mapping.opened` takes it.

    Raises
    ------
    ModelError
        If ``jobs`` is below one.
    ClusterError
        If the cluster that was asked for cannot do the work.
    """
    if jobs < 1:
        raise ModelError(f"jobs must be at least 1, got {jobs}.")
    out: list[Any] = []
    with opened(client) as workers:
        size = max(1, -(-len(items) // (BATCHES_PER_JOB * breadth(workers, jobs))))
        batches = [items[i : i + size] for i in range(0, len(items), size)]
        for results in mapped(work, batches, client=workers, jobs=jobs):
            out.extend(results)
            if progress is not None:
                progress(len(out), len(items))
    return out


def stop_run_off(fit: Fitted, again: Fitted) -> None:
    """A refit of counts whose coefficients have gone far out has no finite estimate.

    Raises
    ------
    ModelError
    """
    if fit.family.name == "gaussian":
        return
    moved = fit.model.x @ (again.found.point.beta - fit.found.point.beta)
    if np.abs(moved).max() > RUN_OFF:
        raise ModelError("the coefficients grow without bound: there is no finite estimate.")


def plain_reason(model: Model, error: Exception) -> str:
    """Why a refit failed: a cell without events if there is one, else what was raised."""
    try:
        check_cells(model)
    except ModelError as cause:
        return str(cause)
    return str(error)
