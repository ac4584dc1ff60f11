"""What the tests of several rooms share; its place lets them import the modules beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from frozen_trials import frozen_dir

from trialkit.analysis import TrialAnalysis, analyse
from trialkit.trial import load_trial

Analysed = Callable[[str], TrialAnalysis]

# Files that are taken first, in this order. In a new environment the first compiles the engine and
# keeps it on disk; the next ones need no engine, so that a second process does not compile it at
# the same time. Then come the longest, so that no process is left alone with one at the end.
FIRST = (
    "tests/mixed/test_references.py",
    "tests/plan/test_every_plan.py",
    "tests/plan/test_described.py",
    "tests/intake/test_mess.py",
    "tests/intake/test_delimited.py",
    "tests/pages/test_browser.py",
    "notebooks/reports/researcher.ipynb",
    "notebooks/plan_a_trial.ipynb",
    "notebooks/tour.ipynb",
    "notebooks/analysis.ipynb",
    "notebooks/engine.ipynb",
    "tests/plan/test_power.py",
    "tests/test_analysis.py",
    "tests/test_responses.py",
    "tests/test_display.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    root = Path(__file__).parents[1]
    assert not (gone := [file for file in FIRST if not (root / file).exists()]), gone
    place = {file: i for i, file in enumerate(FIRST)}
    items.sort(key=lambda item: place.get(item.nodeid.split("::")[0], len(FIRST)))


@pytest.fixture(scope="session")
def analysed() -> Analysed:
    """The whole analysis of a frozen trial, by its folder, made once in every process."""
    return cache(lambda folder: analyse(load_trial(frozen_dir(folder))))


@pytest.fixture(scope="session")
def client() -> Iterator[Any]:
    """A Dask cluster of two workers, processes of their own; one that is killed has time to be
    there again on a machine that has much to do."""
    distributed = pytest.importorskip("distributed")
    import dask

    with (
        dask.config.set({"distributed.deploy.lost-worker-timeout": "300 s"}),
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True,
                                 dashboard_address="127.0.0.1:0", silence_logs=50) as cluster,
        distributed.Client(cluster, set_as_default=False) as client,
    ):  # fmt: skip
        yield client
