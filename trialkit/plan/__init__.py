"""Planning a strip trial: layout, randomisation, passes true to the rows, order of work.

`plan_trial` draws a plan and refuses one that cannot be run or analysed, naming the nearest that
can. A plan's ``write`` makes a trial folder to fill in, which `read_plan` reads back;
`trialkit.plots.pass_map` draws it to scale.

`power` simulates trials of many plans and says what each would tell, and in how many minutes of
work; `learn` takes loss and variation from past trials, `sensitivity` varies them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
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

# Most of these bring the engine with them, which who only reads a plan back does without.
_FILES = {
    "build": "plan_trial", "described": "DescribedPlan check_description read_description",
    "ground": "Ground", "power_expected": "Expected", "power_learn": "learn",
    "power_grid": "CheapestPlan Exchange PowerGrid", "power_run": "power",
    "power_sensitivity": "sensitivity", "record": "PlannedTrial begin_from read_plan",
    "refusals": "PlanRefused check_layout", "result": "Plan", "sheets": "planned_tables",
}  # fmt: skip
_PLACES = {
    name: f"trialkit.plan.{file}" for file, names in _FILES.items() for name in names.split()
}
_PLACES["Work"] = "trialkit.simulate"

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


# A type checker knows the names above and refuses any other.
if not TYPE_CHECKING:

    def __getattr__(name: str) -> Any:
        from importlib import import_module

        if name not in _PLACES:
            raise AttributeError(f"module 'trialkit.plan' has no attribute {name!r}")
        return getattr(import_module(_PLACES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_PLACES})
