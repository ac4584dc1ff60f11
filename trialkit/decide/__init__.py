"""Decisions from an analysis: what a setup saves, what it costs, how sure that is.

`cost` has the arithmetic of an option's yearly cost, `money` the headline of a report. `budget` is
the partial budget, into which `discount` (grade discounts avoided), `capacity` (extra time) and
the analysis itself put their numbers; `payback` carries the uncertainty through it, `sensitivity`
moves its inputs. `speed` finds the ground speed at which loss and time cost least. `verdict` is
what it comes to for every setup, computed once for all pages. Everything is SI inside; sentences
and properties speak acres and bushels where the trial does. All of it is an aid to a decision, not
a guarantee.
"""

from __future__ import annotations

from trialkit.decide.break_even import BreakEven, break_even
from trialkit.decide.budget import Budget, budget
from trialkit.decide.capacity import ExtraTime, extra_time, field_capacity, field_capacity_us
from trialkit.decide.comparison import Comparison, Estimate, comparison
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
from trialkit.decide.money import Money, money
from trialkit.decide.payback import Payback, payback
from trialkit.decide.sensitivity import BalanceMap, Sensitivity, balance_map, sensitivity
from trialkit.decide.speed import SpeedChoice, best_speed
from trialkit.decide.verdict import Advice, Balance, LevelVerdict, Verdict, verdict
from trialkit.decide.words import CAUTION

__all__ = [
    "CAUTION",
    "HECTARES_PER_ACRE",
    "US_CORN_GRADES",
    "Advice",
    "Balance",
    "BalanceMap",
    "BreakEven",
    "Budget",
    "Comparison",
    "Discount",
    "DiscountTable",
    "Estimate",
    "ExtraTime",
    "GradeLimits",
    "LevelVerdict",
    "LossCurve",
    "Money",
    "Payback",
    "Sensitivity",
    "SpeedChoice",
    "Verdict",
    "annual_cost",
    "balance_map",
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
