"""What the tests of several rooms share; its place lets them import the modules beside it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

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
