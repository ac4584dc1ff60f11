"""Work shared between this process and a helper beside it.

On Linux a helper is a copy of this process (fork) where that was started with one thread of linear
algebra, as for a report: it has everything loaded and at hand. It works on arrays and text alone
and never touches what other threads of a notebook's kernel may be holding, their sockets and
output; it speaks through pipes of its own. Elsewhere a helper starts afresh.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any, TypeVar

from trialkit.ending import end_with_parent, tied

Item = TypeVar("Item")
Done = TypeVar("Done")

ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""Environment of a process that is not alone: matrices are small, and the others need the cores."""


def copies() -> bool:
    """Whether helpers are copies: a library's threads, and what they held, would be missing."""
    return sys.platform == "linux" and ONE_THREAD.items() <= os.environ.items()


# What a copied helper finds in its own memory, so that no item has to be sent.
_AT_HAND: dict[str, Any] = {}


def _set_out(parent: int, work: Callable[[Any], Any], items: Sequence[Any]) -> None:
    end_with_parent(parent, at_once=True)
    _AT_HAND.update(work=work, items=items)
    # The kernel's own stand behind its threads.
    sys.stdout, sys.stderr = sys.__stdout__, sys.__stderr__


def _at_hand(i: int) -> Any:
    return _AT_HAND["work"](_AT_HAND["items"][i])


@contextmanager
def _helpers(
    work: Callable[[Item], Done], items: Sequence[Item], processes: int
) -> Iterator[Callable[[int], Future[Done]]]:
    """A function that gives an item, by its place, to a helper."""
    pool: Executor
    if copies():
        context = multiprocessing.get_context("fork")
        with ProcessPoolExecutor(processes, context, _set_out, (os.getpid(), work, items)) as pool:
            yield lambda i: pool.submit(_at_hand, i)
    else:
        # One of its own: joblib takes the reusable one for its own kind.
        from joblib.externals.loky import ProcessPoolExecutor as Fresh

        with Fresh(processes, env=ONE_THREAD) as pool:
            yield lambda i: pool.submit(tied, os.getpid(), work, items[i])


def shared(
    work: Callable[[Item], Done], items: Sequence[Item], processes: int = 1
) -> list[Done]:  # fmt: skip
    """Results of all items, in their order, worked out here and by `processes` - 1 helpers.

    Whoever is free takes the next item, so the longest should stand first. This process does not
    wait for a helper to be there, and does what one that died has left undone.

    Parameters
    ----------
    work : callable
        What it returns must not depend on the process and is pickled; so are, for a helper that
        starts afresh, it and its items (cloudpickle).
    items : sequence
    processes : int
        One works here alone.
    """
    if processes < 2 or len(items) < 2:
        return [work(item) for item in items]
    with _helpers(work, items, processes - 1) as give:
        return _shared(work, items, processes, give)


def _shared(
    work: Callable[[Item], Done], items: Sequence[Item], processes: int,
    give: Callable[[int], Future[Done]],
) -> list[Done]:  # fmt: skip
    waiting = deque(range(len(items)))
    away: dict[int, Future[Done]] = {}
    lock = threading.Lock()

    def send(_: object = None) -> None:
        with lock:
            if not waiting:
                return
            i = waiting.popleft()
            try:
                away[i] = give(i)
            except (BrokenExecutor, RuntimeError):  # no helper is left: done here
                waiting.appendleft(i)
                return
        away[i].add_done_callback(send)

    done: dict[int, Done] = {}

    def do_waiting() -> None:
        while True:
            with lock:
                if not waiting:
                    return
                i = waiting.popleft()
            done[i] = work(items[i])

    try:
        with warnings.catch_warnings():
            # Said of every copy of a process with threads; see above why this one is sound.
            warnings.filterwarnings("ignore", message=".*multi-threaded.*")
            for _ in range(processes - 1):
                send()
        do_waiting()
        for i, future in sorted(away.items()):
            try:
                done[i] = future.result()
            except BrokenExecutor:
                done[i] = work(items[i])
    finally:
        with lock:
            waiting.clear()
    return [done[i] for i in range(len(items))]
