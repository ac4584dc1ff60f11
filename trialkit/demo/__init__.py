"""The demo trials: what they are drawn from, when they were run, and what their truth denies."""

from __future__ import annotations

import tempfile
from pathlib import Path

from trialkit.demo.denied import denied
from trialkit.demo.scenarios import CUSHION_PAIRS, GAP_FIELDS, SCENARIOS, SPLIT_STRIPS, DemoTrial
from trialkit.intake import write_all
from trialkit.plan.record import RECORD
from trialkit.simulate import write_simulated

__all__ = [
    "CUSHION_PAIRS",
    "GAP_FIELDS",
    "SCENARIOS",
    "SPLIT_STRIPS",
    "DemoTrial",
    "denied",
    "write_demo",
]


def write_demo(dest: Path) -> list[Path]:
    """Write the three demo trials into `dest`, each in a folder of its own.

    Raises
    ------
    FileExistsRefusal
        When one of the folders already holds a trial; nothing is overwritten.
    """
    out = []
    for scenario in SCENARIOS:
        folder = Path(dest) / scenario.folder
        write_simulated(folder, scenario.trial(), scenario.truth, scenario.seed)
        if scenario.planned:
            write_all(folder, {RECORD: _record(scenario)})
        out.append(folder)
    return out


def _record(scenario: DemoTrial) -> bytes:
    """The plan as its own folder would keep it."""
    with tempfile.TemporaryDirectory() as folder:
        planned = scenario.plan().write(Path(folder) / "plan", scenario.counted)
        return (planned / RECORD).read_bytes()
