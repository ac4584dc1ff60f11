"""Work that is given to a cluster; a file of its own, as every worker imports it."""

from __future__ import annotations

import multiprocessing
import os
import time
from typing import Any

import numpy as np

from trialkit import ending
from trialkit.errors import ModelError


def third(i: int) -> float:
    return i / 3.0


def third_part(numbers: np.ndarray, i: int) -> tuple[float, bool]:
    return numbers[i] / 3.0, numbers.flags.writeable


class Counted:
    """Something large that knows how often it was unpickled in this process."""

    times = 0

    def __init__(self) -> None:
        self.large = np.arange(50_000.0)

    def __setstate__(self, state: dict[str, Any]) -> None:
        Counted.times += 1
        self.__dict__.update(state)


def times_unpickled(given: Counted, i: int) -> int:
    time.sleep(0.01)
    return Counted.times


def refuse_seven(i: int) -> int:
    if i == 7:
        raise ModelError("seven has no root here.")
    time.sleep(0.02)
    return i


def end_worker(i: int) -> None:
    os._exit(1)


def tie(i: int) -> tuple[int, str]:
    return ending._tied, multiprocessing.current_process().name
