"""Planning a strip trial: layout, randomisation, passes true to the rows, order of work.

`plan_trial` draws a plan and refuses one that cannot be run or analysed, naming the nearest that
can. A plan's ``write`` makes a trial folder to fill in, which `read_plan` reads back;
`trialkit.plots.pass_map` draws it to scale.
"""

from __future__ import annotations

from trialkit.plan.build import complete_blocks, paired_strips, plan_trial, split_strips
from trialkit.plan.described import DescribedPlan, check_description, read_description
from trialkit.plan.ground import Ground
from trialkit.plan.record import PlannedTrial, begin_from, read_plan
from trialkit.plan.refusals import PlanRefused, check_layout
from trialkit.plan.result import Plan
from trialkit.plan.sheets import planned_tables
from trialkit.plan.work import Pace

__all__ = [
    "DescribedPlan",
    "Ground",
    "Pace",
    "Plan",
    "PlanRefused",
    "PlannedTrial",
    "begin_from",
    "check_description",
    "check_layout",
    "complete_blocks",
    "paired_strips",
    "plan_trial",
    "planned_tables",
    "read_description",
    "read_plan",
    "split_strips",
]
