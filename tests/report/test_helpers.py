"""Work shared with a helper process: the same answers, whoever works, and when the helper dies."""

from __future__ import annotations

import os
import sys
import time

import pytest

from trialkit.report.helpers import shared

# Enough that the helper is there before all is done; one that is no copy needs seconds to start.
MANY = 40 if sys.platform == "linux" else 600


def square(x: int) -> tuple[int, int]:
    time.sleep(0.02)
    return x * x, os.getpid()


def refuse(x: int) -> int:
    raise ValueError(f"not {x}")


def test_answers_keep_their_order_and_both_work() -> None:
    found = shared(square, range(MANY), 2)
    assert [value for value, _ in found] == [x * x for x in range(MANY)]
    assert len({process for _, process in found}) == 2


def test_one_process_works_here_alone() -> None:
    assert {process for _, process in shared(square, range(3))} == {os.getpid()}


def test_a_helper_that_dies_leaves_nothing_undone() -> None:
    home = os.getpid()

    def work(x: int) -> int:
        if os.getpid() != home:
            os._exit(1)
        time.sleep(0.02)
        return -x

    assert shared(work, range(MANY), 2) == [-x for x in range(MANY)]
    assert len(shared(square, range(3), 2)) == 3  # and the next has a helper again


def test_what_goes_wrong_is_raised() -> None:
    with pytest.raises(ValueError, match="not 0"):
        shared(refuse, range(4), 1)
    with pytest.raises(ValueError, match="not"):
        shared(refuse, range(4), 2)
