"""The demo trials: what they are drawn from, when they were run, and what their truth denies."""

from __future__ import annotations

from pathlib import Path

from trialkit.demo.denied import denied
from trialkit.demo.scenarios import CUSHION_PAIRS, GAP_FIELDS, SCENARIOS, SPLIT_STRIPS, DemoTrial
from trialkit.intake.files import new_set
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
    """Write the three demo trials into `dest`, each in a folder of its own: all, or none.

    Raises
    ------
    FileExistsRefusal
        When one of the folders is there already; nothing is overwritten.
    """
    dest = Path(dest)
    with new_set(dest, [scenario.folder for scenario in SCENARIOS]) as draft:
        for scenario in SCENARIOS:
            more = {}
            if scenario.planned:  # the plan as its own folder would keep it
                more[RECORD] = scenario.plan().files(scenario.counted)[RECORD]
            folder = draft / scenario.folder
            write_simulated(folder, scenario.trial(), scenario.truth, scenario.seed, more)
    return [dest / scenario.folder for scenario in SCENARIOS]
