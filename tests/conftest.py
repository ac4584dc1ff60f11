"""What the tests of several rooms share; its place lets them import the modules beside it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

from trialkit.analysis import TrialAnalysis, analyse
from trialkit.report import demo_dir
from trialkit.trial import load_trial

Analysed = Callable[[str], TrialAnalysis]


@pytest.fixture(scope="session")
def analysed() -> Analysed:
    """The whole analysis of a demo trial, by its folder, made once in every process."""
    return cache(lambda folder: analyse(load_trial(demo_dir(folder))))
