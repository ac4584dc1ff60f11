"""What a plan is and what to know of it, as notes: size, ground, order, time, what limits it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pandas as pd

from trialkit.facts import Note
from trialkit.plan.ground import BETTER_LENGTH, Ground
from trialkit.simulate import Effort
from trialkit.simulate.effort import BACK_UP


def described(
    layout: str, seed: int, system: str, grounds: Sequence[Ground], strips: pd.DataFrame,
    passes: pd.DataFrame, changeovers: pd.DataFrame, hours: float, a: Mapping[str, Any],
) -> tuple[Note, ...]:  # fmt: skip
    """Size, ground, order and time; `a` are the arguments of `plan_trial`."""
    size = {"setups": int(strips["setup"].nunique()), "strips": len(strips),
            "blocks": a["blocks"], "layout": layout, "fields": len(grounds),
            "seed": seed}  # fmt: skip

    def on_ground(g: Ground) -> Note:
        across = float(passes.loc[passes["field"] == g.field, "right"].iloc[-1])
        return Note("plan.strips_on_ground", {"rows": a["pass_rows"], "length": g.strip_length,
                                              "across": across, "system": system})  # fmt: skip

    times = tuple(zip(changeovers["label"], map(int, changeovers["changes"]), strict=True))
    spent = {"order": a["order"], "changes": times,
             "change_hours": float(changeovers["hours"].sum()), "hours": hours}  # fmt: skip
    return (Note("plan.size", size), *_by_field(grounds, on_ground),
            Note("plan.order_and_time", spent))  # fmt: skip


def to_know(
    layout: str, system: str, grounds: Sequence[Ground], strips: pd.DataFrame,
    degrees_of_freedom: pd.DataFrame, effort: Effort, pass_rows: int,
) -> tuple[Note, ...]:  # fmt: skip
    """What limits the plan, and what to mind on the ground."""
    out = []
    usual = BACK_UP[system]
    needed = effort.back_up(min(pass_rows * g.row_spacing for g in grounds))
    if needed > usual * 1.001:
        out.append(
            Note("plan.far_ear_search", {"needed": needed, "usual": usual, "system": system})
        )
    for row in degrees_of_freedom.to_dict("records"):
        if row["error_df"] < 3:
            few = {"label": row["label"], "df": row["error_df"], "stratum": row["compared_on"]}
            out.append(Note("plan.few_degrees_of_freedom", few))
    pairs = strips.groupby(["field", "pair"]).ngroups
    if layout == "pairs" and pairs < 6:
        out.append(Note("plan.few_pairs", {"pairs": pairs}))
    if any(g.strip_length < BETTER_LENGTH for g in grounds):
        out.append(Note("plan.short_strips", {"better": BETTER_LENGTH, "system": system}))
    out += _by_field(grounds, lambda g: _of_planter(g.planter_rows, pass_rows))
    if layout == "split":
        out.append(Note("plan.main_strips_first"))
    return tuple(out)


def _of_planter(planter: int | None, rows: int) -> Note | None:
    """What the joints between planter passes ask for."""
    if planter is None:
        return None
    if rows > planter:
        return Note("plan.joints_inside", {"planter": planter})
    return Note("plan.rows_beside_joints", {"planter": planter, "left": planter % rows})


def _by_field(grounds: Sequence[Ground], of: Callable[[Ground], Note | None]) -> list[Note]:
    """A note on each field, once where it is the same; with their names where fields differ."""
    found: list[tuple[Note, list[str]]] = []
    for ground in grounds:
        note = of(ground)
        if note is None:
            continue
        same = [fields for known, fields in found if known == note]
        if same:
            same[0].append(ground.field)
        else:
            found.append((note, [ground.field]))
    if len(found) == 1 and len(found[0][1]) == len(grounds):
        return [found[0][0]]
    return [Note(note.code, {**note.values, "fields": tuple(fields)}) for note, fields in found]
