"""Decisions from an analysis: what a setup saves, what it costs, how sure that is.

`cost` has the arithmetic of an option's yearly cost and `budget` that of a partial budget, into
which `discount` (grade discounts avoided), `capacity` (extra time) and the analysis itself put
their numbers. `balance` is such a budget with the uncertainty of the grain kept: whatever a page
says of money is read from it. `payback` draws what else is uncertain, `sensitivity` moves its
inputs, `what_if` lets a reader do so. `speed` finds the ground speed at which loss and time cost
least. `verdict` is what it comes to for every setup, computed once for all pages, and `advised`
what follows, as notes. Everything is SI inside; words speak acres and bushels where the trial does.
All of it is an aid to a decision, not a guarantee.
"""

from __future__ import annotations

from trialkit.decide.balance import Balance, balance
from trialkit.decide.break_even import BreakEven, break_even
from trialkit.decide.budget import Budget, budget
from trialkit.decide.capacity import ExtraTime, extra_time, field_capacity, field_capacity_us
from trialkit.decide.comparison import comparison
from trialkit.decide.cost import (
    HECTARES_PER_ACRE,
    annual_cost,
    break_even_area,
    capital_recovery_factor,
    years_to_payback,
)
from trialkit.decide.discount import Discount, discount
from trialkit.decide.grades import US_CORN_GRADES, DiscountTable, GradeLimits, us_corn_grade
from trialkit.decide.loss_curve import LossCurve, loss_curve
from trialkit.decide.payback import Payback, payback
from trialkit.decide.sensitivity import Sensitivity, sensitivity
from trialkit.decide.speed import SpeedChoice, best_speed
from trialkit.decide.verdict import Advice, LevelVerdict, Verdict, verdict
from trialkit.words.money import CAUTION

__all__ = [
    "CAUTION",
    "HECTARES_PER_ACRE",
    "US_CORN_GRADES",
    "Advice",
    "Balance",
    "BreakEven",
    "Budget",
    "Discount",
    "DiscountTable",
    "ExtraTime",
    "GradeLimits",
    "LevelVerdict",
    "LossCurve",
    "Payback",
    "Sensitivity",
    "SpeedChoice",
    "Verdict",
    "annual_cost",
    "balance",
    "best_speed",
    "break_even",
    "break_even_area",
    "budget",
    "capital_recovery_factor",
    "comparison",
    "discount",
    "extra_time",
    "field_capacity",
    "field_capacity_us",
    "loss_curve",
    "money",
    "payback",
    "sensitivity",
    "us_corn_grade",
    "verdict",
    "years_to_payback",
]
