"""Test weight of a strip's grain."""

from __future__ import annotations

from trialkit.responses.record import Unlocked
from trialkit.responses.strip_values import shifted, strip_value

TEST_WEIGHT = strip_value(
    "test_weight", "Test weight", 140, "kg/hL", 0.5, "weigh both", shifted("test_weight", "kg_hL"),
    better="higher", unlocked=(Unlocked("test weight", 130),),
)  # fmt: skip
