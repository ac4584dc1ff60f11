"""Sound trials that the fuzzer spoils: few rows in every table, in both systems of units."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import cached_property
from pathlib import Path

import frozen_trials as frozen

from trialkit.intake import filled_workbook, write_trial
from trialkit.simulate import simulate_trial
from trialkit.trial import Trial


class ValidTrials:
    """Folders as bytes by file, and workbooks as bytes; drawn once, when first asked for."""

    @cached_property
    def trials(self) -> list[Trial]:
        cushion, split = frozen.CUSHION_PAIRS, frozen.SPLIT_STRIPS
        return [
            _drawn(cushion, replace(cushion.config, option=frozen.COST), 2),
            _drawn(split, replace(split.config, units="SI"), 1),
        ]

    @cached_property
    def folders(self) -> list[dict[str, bytes]]:
        return [_written(trial) for trial in self.trials]

    @cached_property
    def workbooks(self) -> list[bytes]:
        out = []
        for trial in self.trials:
            with tempfile.TemporaryDirectory() as place:
                path = filled_workbook(Path(place) / "trial.xlsx", trial.config, trial.tables)
                out.append(path.read_bytes())
        return out


def _drawn(scenario: frozen.Scenario, config, blocks: int) -> Trial:
    effort = replace(
        scenario.effort, header_frames=1, preharvest_frames=1, total_frames=1, grain_samples=1,
        residue_samples=1, intake_samples=1, butt_samples=1, stalks=2, ear_butts=2,
    )  # fmt: skip
    return simulate_trial(
        config, scenario.truth, seed=1, blocks=blocks, fields=scenario.fields.head(1),
        effort=effort,
    )  # fmt: skip


def _written(trial: Trial) -> dict[str, bytes]:
    with tempfile.TemporaryDirectory() as place:
        folder = write_trial(Path(place) / "trial", trial.config, trial.tables)
        return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


VALID = ValidTrials()
