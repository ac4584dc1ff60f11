"""What is frozen, source by source: of an analysis, and what needs none."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path

import trialkit as tk
from snapshot import extract
from trialkit.analysis import TrialAnalysis
from trialkit.pages import demo_dir

FAULTY = "faulty, header"
"""Name of the page of `extract.faulty_page`."""

Make = Callable[[], extract.Numbers]


@cache
def demo(name: str) -> TrialAnalysis:
    """The whole analysis of a demo trial."""
    return tk.analyse(tk.load_trial(demo_dir(name)))


def _power(name: str, response: str) -> extract.Numbers:
    return extract.of_power(tk.load_trial(demo_dir(name)).config, response)


def _header(name: str) -> extract.Numbers:
    return extract.of_header(tk.load_trial(demo_dir(name)))


def _compared(response: str) -> extract.Numbers:
    """The demo trials in a folder, and one of them twice, which is left out."""
    with tempfile.TemporaryDirectory() as folder:
        for name in extract.DEMOS:
            shutil.copytree(demo_dir(name), Path(folder) / name)
        shutil.copytree(demo_dir(extract.DEMOS[1]), Path(folder) / "once_more")
        return extract.of_comparison(Path(folder), response)


OF_ANALYSIS: dict[str, Callable[[TrialAnalysis], extract.Numbers]] = {
    "analysis": extract.of_analysis,
    "decisions": extract.of_decisions,
    "export": extract.of_export,
}
ALONE: dict[str, dict[str, Make]] = {
    "power": {
        f"{name}, {response}": partial(_power, name, response)
        for name, response in (*((n, "header_loss") for n in extract.DEMOS),
                               (extract.DEMOS[0], "kernel_damage"))
    },
    "compare": {
        response: partial(_compared, response)
        for response in ("header_loss", "kernel_damage", "yield")
    },
    "header": {
        **{name: partial(_header, name) for name in extract.DEMOS},
        "faulty": lambda: extract.of_header(extract.faulty_trial(), extract.UNIT),
        "faulty, sizes assumed": lambda: extract.of_header(extract.faulty_trial()),
    },
}  # fmt: skip
