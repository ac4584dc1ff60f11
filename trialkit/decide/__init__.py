"""Decisions from an analysis."""

from __future__ import annotations

from trialkit.decide.comparison import Comparison, Estimate, comparison
from trialkit.decide.cost import (
    HECTARES_PER_ACRE,
    annual_cost,
    break_even_area,
    capital_recovery_factor,
    years_to_payback,
)
from trialkit.decide.money import Money, money
from trialkit.decide.words import CAUTION

__all__ = [
    "CAUTION",
    "HECTARES_PER_ACRE",
    "Comparison",
    "Estimate",
    "Money",
    "annual_cost",
    "break_even_area",
    "capital_recovery_factor",
    "comparison",
    "money",
    "years_to_payback",
]
