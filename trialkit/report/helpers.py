"""Work shared between this process and a helper beside it."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Future
from typing import TypeVar

Item = TypeVar("Item")
Done = TypeVar("Done")


# One thread of linear algebra a process: the matrices are small, and the others need the cores.
_ONE = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")


def shared(
    work: Callable[[Item], Done], items: Sequence[Item], processes: int = 1
) -> list[Done]:  # fmt: skip
    """Results of all items, in their order, worked out here and by `processes` - 1 helpers.

    Whoever is free takes the next item, so the longest should stand first. A helper needs seconds
    to start; this process does not wait for it, and does what a helper that died has left undone.

    Parameters
    ----------
    work : callable
        What it returns must not depend on the process; it and its items are pickled (cloudpickle).
    items : sequence
    processes : int
        One works here alone.
    """
    if processes < 2 or len(items) < 2:
        return [work(item) for item in items]
    from joblib.externals.loky import get_reusable_executor

    pool = get_reusable_executor(max_workers=processes - 1, env=_ONE)
    waiting = deque(range(len(items)))
    away: dict[int, Future[Done]] = {}
    lock = threading.Lock()

    def send(_: object = None) -> None:
        with lock:
            if not waiting:
                return
            i = waiting.popleft()
            try:
                away[i] = pool.submit(work, items[i])
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
