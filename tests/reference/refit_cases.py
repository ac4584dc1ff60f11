"""Exports of the demo trials for make_refit.R: the primary response of each, and beside it values,
shares by mass and a share examined.

``python refit_cases.py DATA`` writes a folder a trial, as ``trialkit analyse --out`` does.
"""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

from trialkit.analysis import TrialAnalysis, analyse
from trialkit.pages import demo_dir
from trialkit.pages.export import write_tables
from trialkit.trial import load_trial

# None of these has a variance at zero, where optimisers on a logarithm stop anywhere.
CASES = {
    "cushion_pairs": ("header_loss", "yield"),
    "gap_fields": ("header_loss", "ear_butt_damage", "yield"),
    "split_strips": ("header_loss", "broken_corn"),
}


@cache
def analysed(trial: str) -> TrialAnalysis:
    """A demo trial, as far as it is refitted."""
    return analyse(load_trial(demo_dir(trial)), responses=CASES[trial])


def write(folder: Path) -> None:
    """Every trial's tables and scripts."""
    for trial in CASES:
        write_tables(analysed(trial), folder / trial)


if __name__ == "__main__":
    write(Path(sys.argv[1]))
