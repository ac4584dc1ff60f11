"""Intake: folders of CSV or one workbook, read, checked, and what was refused with its reason."""

from __future__ import annotations

from trialkit.intake.config import (
    HeaderConfig,
    ModelConfig,
    OptionCost,
    Prior,
    SetupFactor,
    TrialConfig,
)
from trialkit.intake.files import write_all, write_new
from trialkit.intake.read import Intake, read_trial
from trialkit.intake.template import filled_workbook, new_trial, new_workbook
from trialkit.intake.write import write_trial

__all__ = [
    "HeaderConfig",
    "Intake",
    "ModelConfig",
    "OptionCost",
    "Prior",
    "SetupFactor",
    "TrialConfig",
    "filled_workbook",
    "new_trial",
    "new_workbook",
    "read_trial",
    "write_all",
    "write_new",
    "write_trial",
]
