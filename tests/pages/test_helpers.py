"""Work shared with a helper process: the same answers, whoever works, and when the helper dies."""

from __future__ import annotations

import os
import sys
import time

import pytest

from trialkit.pages.helpers import ONE_THREAD, copies, shared

# Items enough for the helper to be there before all is done: a copy at once, a new one in seconds.
WITH_A_COPY, WITH_A_NEW_ONE = 40, 600


@pytest.fixture
def one_thread(monkeypatch: pytest.MonkeyPatch) -> int:
    for name, value in ONE_THREAD.items():
        monkeypatch.setenv(name, value)
    return WITH_A_COPY if copies() else WITH_A_NEW_ONE


def square(x: int) -> tuple[int, int]:
    time.sleep(0.02)
    return x * x, os.getpid()


def refuse(x: int) -> int:
    raise ValueError(f"not {x}")


@pytest.mark.parametrize("copied", [True, False])
def test_answers_keep_their_order_and_both_work(
    copied: bool, one_thread: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    many = one_thread
    if not copied:
        monkeypatch.delenv("MKL_NUM_THREADS")
        many = WITH_A_NEW_ONE
    assert copies() == (copied and sys.platform == "linux")
    found = shared(square, range(many), 2)
    assert [value for value, _ in found] == [x * x for x in range(many)]
    assert len({process for _, process in found}) == 2


def test_one_process_works_here_alone() -> None:
    assert {process for _, process in shared(square, range(3))} == {os.getpid()}


def test_a_helper_that_dies_leaves_nothing_undone(one_thread: int) -> None:
    home = os.getpid()

    def work(x: int) -> int:
        if os.getpid() != home:
            os._exit(1)
        time.sleep(0.02)
        return -x

    assert shared(work, range(one_thread), 2) == [-x for x in range(one_thread)]
    assert len(shared(square, range(3), 2)) == 3  # and the next has a helper again


def test_what_goes_wrong_is_raised(one_thread: int) -> None:
    with pytest.raises(ValueError, match="not 0"):
        shared(refuse, range(4), 1)
    with pytest.raises(ValueError, match="not"):
        shared(refuse, range(4), 2)
