"""Intake: folders of CSV or one workbook, read, checked, and what was refused with its reason."""

from __future__ import annotations

from trialkit.intake.config import HeaderConfig, OptionCost, SetupFactor, TrialConfig
from trialkit.intake.files import write_all, write_new
from trialkit.intake.write import write_trial

__all__ = [
    "HeaderConfig",
    "OptionCost",
    "SetupFactor",
    "TrialConfig",
    "write_all",
    "write_new",
    "write_trial",
]
