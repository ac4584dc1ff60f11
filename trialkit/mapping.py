"""Independent pieces of work, done here, by processes of this machine, or by a Dask cluster."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

import joblib

from trialkit.ending import tied

Item = TypeVar("Item")
Done = TypeVar("Done")


def mapped(
    work: Callable[[Item], Done], items: Sequence[Item], *, client: Any = None, jobs: int = 1
) -> Iterator[Done]:
    """Results of all items, in their order, whoever does the work.

    Parameters
    ----------
    work : callable
        What it returns must depend on the item alone. It, the items and what it returns are
        pickled where another process does the work.
    items : sequence
    client : dask.distributed.Client, optional
        Whose workers do it; by default this machine does.
    jobs : int
        Processes of this machine; 1 works in this one. Not looked at with a client.
    """
    if client is not None:
        for future in client.map(work, items, pure=False):
            yield future.result()
    elif jobs == 1:
        yield from map(work, items)
    else:
        # Without memory maps, which are read-only: the compiled loops write into their arrays.
        pool = joblib.Parallel(n_jobs=jobs, return_as="generator", max_nbytes=None)
        yield from pool(joblib.delayed(tied)(os.getpid(), work, item) for item in items)
