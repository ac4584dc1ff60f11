"""The order of work as the crew's page and the operator's sheet list it, day by day."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pandas as pd

from trialkit.pages.field_paper.source import FieldTrial
from trialkit.plan.days import working_days
from trialkit.words.crew import from_to


def order_rows(trial: FieldTrial, blind: bool) -> list[dict[str, Any]]:
    """Order of work, step by step: when it begins, strip and place, setup or change in words.

    Without a plan it is the order of the strips table, with no times. The first step of a working
    day names it, where there are several.
    """
    strips = trial.strips.set_index(trial.strips["strip"].astype(str), drop=False)
    out: list[dict[str, Any]] = []
    if trial.plan is not None:
        order = trial.plan.order
        order = order.join(working_days(order))
        for day, steps in order.groupby("day", sort=False):
            own = _one_day(trial, strips, steps, blind)
            if own and order["day"].nunique() > 1:
                own[0]["day"] = trial.say("crew.day", day)
            out += own
    known = {step.get("strip") for step in out}
    for name, row in strips.iterrows():  # those of no plan come last
        if name not in known:
            words = "" if blind else setup_words(trial, str(name))
            out.append(_step(str(name), row, "", "", words))
    for run, step in enumerate((step for step in out if not step["change"]), start=1):
        step["run"] = run
    return out


def _one_day(
    trial: FieldTrial, strips: pd.DataFrame, steps: pd.DataFrame, blind: bool
) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    changing, begins = 0.0, ""
    for step in steps.to_dict("records"):
        at = trial.say("crew.clock", float(step["clock"]))
        if step["what"] == "change":
            # Several factors may change at once: to who counts blind it is one pause.
            same = blind and changing > 0
            changing = float(step["minutes"]) + changing * same
            begins = begins if same else at
            if same:
                out.pop()
            what = "" if blind else _changed(trial, str(step["words"]))
            out.append({"change": True, "day": "", "begins": begins,
                        "words": trial.say("crew.change", what, changing)})  # fmt: skip
        elif step["strip"] in strips.index:
            changing = 0.0
            words = "" if blind else setup_words(trial, step["strip"])
            way = trial.say("cards.direction", str(step["direction"]))
            out.append(_step(step["strip"], strips.loc[step["strip"]], at, way, words))
    return out


def _changed(trial: FieldTrial, words: str) -> str:
    """A change as the plan has it, "Chain: plain to padded", in the language of the paper."""
    for factor in trial.config.setups:
        for pair in permutations(factor.level_labels, 2):
            if words == from_to(factor.label, *pair):
                return str(trial.say("crew.from_to", factor.label, *pair))
    return words


def _step(strip: str, row: Any, begins: str, direction: str, words: str) -> dict[str, Any]:
    return {"change": False, "day": "", "begins": begins, "strip": strip,
            "field": str(row["field"]), "pair": str(row["pair"]), "direction": direction,
            "words": words}  # fmt: skip


def setup_words(trial: FieldTrial, strip: str) -> str:
    """A strip's setup: "Gathering chain: Cushioned chain; Ground speed: 3.5 mph; gap 36"."""
    own = trial.strips[trial.strips["strip"].astype(str) == strip].iloc[0]
    levels = [(f.label, f.in_words(own[f.name])) for f in trial.config.setups]
    return str(trial.say("cards.setup", levels))


def time_words(trial: FieldTrial) -> str:
    """How long the work takes by the plan; empty without one."""
    if trial.plan is None or not len(trial.plan.order):
        return ""
    order = trial.plan.order
    changes = order.loc[order["what"] == "change", "minutes"]
    days = int(working_days(order)["day"].nunique())
    return str(trial.say("crew.time", trial.plan.hours, days, len(changes),
                         float(changes.sum()) / 60))  # fmt: skip
