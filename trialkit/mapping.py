"""Independent pieces of work, done here, by processes of this machine, or by a Dask cluster.

A result hangs on its piece alone, so it is the same to the last digit whoever works it out, on
processors of one make: linear algebra picks its loops by the processor.
"""

from __future__ import annotations

import importlib.util
import logging
import os
import pickle
import warnings
from asyncio import CancelledError as AsyncCancelledError
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import islice
from typing import TYPE_CHECKING, Any, TypeVar

import joblib

from trialkit.ending import temporary, tied
from trialkit.errors import ClusterError
from trialkit.version import __version__

if TYPE_CHECKING:
    from distributed import Client, Future

Item = TypeVar("Item")
Done = TypeVar("Done")

REACHED = 10.0  # s in which a scheduler answers
GREETED = 60.0  # s in which one of its workers does its first piece of work; some are started then
RESTARTED = "600 s"  # in which a worker of this machine is there again
AHEAD = 4  # pieces under way for each thread of a cluster, so that none of them waits for the next
SENT_ALONG = 50_000  # bytes; what is larger and the same for all pieces is sent to a worker once


def mapped(
    work: Callable[[Item], Done], items: Sequence[Item], *, client: Any = None, jobs: int = 1
) -> Iterator[Done]:
    """Results of all items, in their order, whoever does the work.

    Parameters
    ----------
    work : callable
        What it returns must depend on the item alone. It, the items and what it returns are
        pickled where another process does the work. What it carries with it (``partial(refits,
        fit)``) goes to a worker of a cluster once while that has work, not with every piece;
        items go with theirs.
    items : sequence
    client : dask.distributed.Client, optional
        Whose workers do it; by default this machine does. A piece whose worker dies is done
        again. :func:`opened` makes a client of what a user gave.
    jobs : int
        Processes of this machine; 1 works in this one. Not looked at with a client. Who works
        can be chosen by ``joblib.parallel_config``.

    Raises
    ------
    ClusterError
        When the cluster goes away, a piece of work ends worker after worker, or a process of this
        machine ends before its work is done. What a piece itself raises is raised as it is; the
        others under way are cancelled.
    """
    if client is not None:
        yield from _by_cluster(work, items, client)
    elif jobs == 1:
        yield from map(work, items)
    else:
        calls = (joblib.delayed(tied)(os.getpid(), work, item) for item in items)
        try:
            yield from _pool(jobs)(calls)
        except BrokenProcessPool as error:
            raise ClusterError(
                "A process that helped ended before its work was done. As a rule memory is short: "
                "use fewer processes (jobs), or close what else takes memory."
            ) from error


def breadth(client: Any = None, jobs: int = 1) -> int:
    """How many pieces of work are done at the same time: threads of the cluster, or `jobs`."""
    return jobs if client is None else max(1, sum(client.nthreads().values()))


@contextmanager
def opened(client: Any) -> Iterator[Any]:
    """The client that a user's word means, for as long as it is needed.

    Parameters
    ----------
    client : None, str or dask.distributed.Client
        None works in this process. "local" starts a worker for each processor this process may
        use and ends them afterwards. An address ("tcp://10.0.0.5:8786") is that of a scheduler
        that is running; a Client is taken as it is. Neither of those is closed.

    Yields
    ------
    Client or None : as :func:`mapped` takes it.

    Raises
    ------
    ClusterError
        When dask is not installed, nobody answers at the address within ``REACHED`` seconds, no
        worker there works within ``GREETED``, or one of them has another trialkit.
    """
    if client is None:
        yield None
    elif isinstance(client, str):
        _require_dask()
        with _local() if client == "local" else _reached(client) as own:
            yield own
    else:
        _require_dask()
        from distributed import Client

        if not isinstance(client, Client) or client.asynchronous:
            raise ClusterError(
                f"client is {type(client).__name__}; give None, 'local', the address of a Dask "
                "scheduler, or a dask.distributed.Client that is not asynchronous."
            )
        yield client


def _pool(jobs: int) -> Callable[[Any], Any]:
    # Without memory maps, which are read-only: the compiled loops write into their arrays.
    try:
        return joblib.Parallel(n_jobs=jobs, return_as="generator", max_nbytes=None)
    except ValueError:  # a backend that gives all results at the end
        return joblib.Parallel(n_jobs=jobs, max_nbytes=None)


# ---------------------------------------------------------------- a cluster's work
def _by_cluster(
    work: Callable[[Item], Done], items: Sequence[Item], client: Client
) -> Iterator[Done]:
    given = _sent_once(work, client)
    left, under_way = iter(items), deque[Any]()
    room = 0
    try:
        while True:
            # Workers may come and go; asked once in a while, as it is a call to the scheduler.
            room = room or AHEAD * breadth(client)
            for item in islice(left, max(0, room - len(under_way))):
                under_way.append(client.submit(_done, given, item, pure=False))
            if not under_way:
                return
            if under_way[0].status == "pending":
                room = 0
            (result,) = results_of(client, [under_way[0]])
            under_way.popleft()
            yield result
    finally:
        if under_way and client.status == "running":
            client.cancel(list(under_way))


def _done(work: Callable[[Item], Done], item: Item) -> Done:
    return work(item)


def _sent_once(work: Callable[..., Any], client: Client) -> Any:
    """The work itself, or a future of it where it carries much.

    It is the result of a piece of work, unpickling, and not scattered: what was scattered is gone
    with its worker.
    """
    import cloudpickle

    text = cloudpickle.dumps(work)
    if len(text) <= SENT_ALONG:
        return work
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Sending large graph")
        return client.submit(pickle.loads, text, pure=False)


def results_of(client: Client, futures: Sequence[Future]) -> list[Any]:
    """Results of pieces of work that a cluster was given.

    Raises
    ------
    ClusterError
        As :func:`mapped`; what a piece itself raised is raised as it is.
    """
    from distributed import KilledWorker

    try:
        return list(client.gather(list(futures)))
    except KilledWorker as error:
        raise ClusterError(
            f"The same piece of work ended {error.allowed_failures + 1} workers one after another. "
            "As a rule they have too little memory: give each worker more, or fewer threads, or "
            "give rows in more partitions; their own logs say what ended them."
        ) from error
    except (Exception, CancelledError, AsyncCancelledError) as error:
        if any(future.status == "error" for future in futures):  # what the work itself raised
            raise
        raise ClusterError(
            f"The cluster stopped before the work was done ({type(error).__name__}). Start it "
            "again and run this once more; nothing of it was kept."
        ) from error


# ---------------------------------------------------------------- a client
def _require_dask() -> None:
    if importlib.util.find_spec("distributed") is None:
        raise ClusterError(
            "Dask is not installed, and a cluster needs it: pip install 'trialkit[cluster]'."
        )


@contextmanager
def _local() -> Iterator[Any]:
    import dask
    from distributed import Client, LocalCluster

    # A worker that was killed is given up where its successor takes longer than that to start.
    patient = dask.config.set({"distributed.deploy.lost-worker-timeout": RESTARTED})
    # Ctrl-C goes to all processes of a terminal; this one then ends the workers.
    deaf = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)"
    with patient, temporary() as folder:
        try:
            cluster = LocalCluster(
                n_workers=joblib.cpu_count(), threads_per_worker=1, processes=True,
                silence_logs=logging.CRITICAL, preload=[deaf], local_directory=str(folder),
                dashboard_address="127.0.0.1:0",
            )  # fmt: skip
        except (RuntimeError, OSError) as error:
            raise ClusterError(
                "Workers could not be started on this machine. In a script, what uses them must "
                "stand below: if __name__ == \"__main__\"."
            ) from error
        with cluster, Client(cluster, set_as_default=False) as client:
            yield client


@contextmanager
def _reached(address: str) -> Iterator[Any]:
    from distributed import Client

    # Made in two steps: one that was not reached would try to close its connection when it goes.
    client = Client.__new__(Client)
    try:
        client.__init__(address, timeout=REACHED, set_as_default=False)  # type: ignore[misc]
    except ValueError as error:
        client.status = "closed"
        raise ClusterError(
            f"{address!r} is no address of a Dask scheduler ({error}); give one like "
            "tcp://10.0.0.5:8786, or local."
        ) from error
    except (OSError, RuntimeError) as error:
        client.status = "closed"
        raise ClusterError(
            f"No Dask scheduler answered at {address} within {REACHED:.0f} seconds; start one "
            "there (dask scheduler), or mend the address."
        ) from error
    with client:
        _greet(client, address)
        yield client


def _version() -> str:
    return __version__


def _greet(client: Client, address: str) -> None:
    """See to it that there are workers and that they have this trialkit."""
    try:
        client.submit(_version, pure=False).result(timeout=GREETED)
        others = set(client.run(_version).values()) - {__version__}
    except TimeoutError as error:
        raise ClusterError(
            f"The scheduler at {address} has no worker that did its first piece of work within "
            f"{GREETED:.0f} seconds; start some: dask worker {address}"
        ) from error
    except (ImportError, AttributeError) as error:
        others = {str(error)}
    if others:
        raise ClusterError(
            f"Workers at {address} must have trialkit {__version__}, as here, and found was: "
            f"{', '.join(sorted(others))}."
        )
