"""Planning a strip trial: layout, randomisation, passes true to the rows, order of work.

`plan_trial` draws a plan and refuses one that cannot be run or analysed, naming the nearest that
can. A plan's ``write`` makes an empty trial folder, `trialkit.plots.pass_map` draws it to scale.
"""

from __future__ import annotations

from trialkit.plan.build import complete_blocks, paired_strips, plan_trial, split_strips
from trialkit.plan.ground import Ground
from trialkit.plan.refusals import PlanRefused, check_layout
from trialkit.plan.result import Plan
from trialkit.plan.work import Pace

__all__ = [
    "Ground",
    "Pace",
    "Plan",
    "PlanRefused",
    "check_layout",
    "complete_blocks",
    "paired_strips",
    "plan_trial",
    "split_strips",
]
