"""Planning a strip trial: layout, randomisation, passes true to the rows, order of work.

`plan_trial` draws a plan and refuses one that cannot be run or analysed, naming the nearest that
can. A plan's ``write`` makes a trial folder to fill in, which `read_plan` reads back;
`trialkit.plots.pass_map` draws it to scale.

`power` simulates trials of many plans and says what each would tell, and in how many minutes of
work; `learn` takes loss and variation from past trials, `sensitivity` varies them.
"""

from __future__ import annotations

from trialkit.plan.build import plan_trial
from trialkit.plan.described import DescribedPlan, check_description, read_description
from trialkit.plan.ground import Ground
from trialkit.plan.power_expected import Expected
from trialkit.plan.power_grid import CheapestPlan, Exchange, PowerGrid
from trialkit.plan.power_learn import learn
from trialkit.plan.power_run import power
from trialkit.plan.power_sensitivity import sensitivity
from trialkit.plan.record import PlannedTrial, begin_from, read_plan
from trialkit.plan.refusals import PlanRefused, check_layout
from trialkit.plan.result import Plan
from trialkit.plan.sheets import planned_tables
from trialkit.simulate import Work

__all__ = [
    "CheapestPlan",
    "DescribedPlan",
    "Exchange",
    "Expected",
    "Ground",
    "Plan",
    "PlanRefused",
    "PlannedTrial",
    "PowerGrid",
    "Work",
    "begin_from",
    "check_description",
    "check_layout",
    "learn",
    "plan_trial",
    "planned_tables",
    "power",
    "read_description",
    "read_plan",
    "sensitivity",
]
