"""A plan in words: what it is, and what to know of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from trialkit.display import number, p_text
from trialkit.plan.ground import BETTER_LENGTH, Ground
from trialkit.quantities import lower_first
from trialkit.simulate.tables import BACK_UP
from trialkit.units import convert

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.plan.result import Plan


def length(metres: float, config: TrialConfig) -> str:
    """A length in the trial's own units."""
    if config.units == "US":
        return f"{number(float(convert(metres, 'm', 'ft')), 0)} ft"
    return f"{number(metres, 0 if metres >= 20 else 1)} m"


def in_words(plan: Plan) -> tuple[str, ...]:
    """The plan in sentences: size, ground, order and time."""
    strips, a = plan.strips, plan.arguments
    setups = strips["setup"].nunique()
    fields = len(plan.grounds)
    first = (
        f"{setups} setups on {len(strips)} strips: {a['blocks']} "
        f"{'pairs' if plan.layout == 'pairs' else 'blocks'}"
        f"{' on one field' if fields == 1 else f' on each of {fields} fields'}, drawn from seed "
        f"{plan.seed}."
    )
    ground = _by_field(
        plan,
        lambda g: (
            f"Strips of {a['pass_rows']} rows, {length(g.strip_length, plan.config)} long; the "
            f"trial takes {length(_across(plan, g), plan.config)} across."
        ),
    )
    hours = float(plan.changeovers["hours"].sum())
    day = plan.hours
    swaps = "; ".join(
        f"{row.label} changes {row.changes} time{'s' * (row.changes != 1)}"
        for row in plan.changeovers.itertuples()
    )
    turns = (
        "Blocks are run from left to right"
        if a["order"] == "position"
        else "Each block is run starting with what is on the machine, so the order in time is not "
        "random; places on the ground are"
    )
    taken = (
        f": {number(hours, 1)} of {number(day, 1)} hours are changeovers, what is on the machine "
        "at the start not counted"
        if hours
        else "; no time is counted for changing"
    )
    time = f"{turns}. {swaps}{taken}."
    return (first, *ground, time)


def to_know(plan: Plan) -> tuple[str, ...]:
    """What limits the plan, and what to mind on the ground."""
    out = [*_of_ears(plan)]
    df = plan.degrees_of_freedom
    for row in df[df["error_df"] < 3].itertuples():
        out.append(
            f"{row.label} is judged by {row.error_df} degree{'s' * (row.error_df != 1)} of freedom "
            f"between {row.compared_on}: only a large effect will show. More blocks give more."
        )
    pairs = plan.strips.groupby(["field", "pair"]).ngroups
    if plan.layout == "pairs" and pairs < 6:
        out.append(
            f"With {pairs} pairs the exact test of paired differences cannot give a p-value below "
            f"{p_text(2.0 ** (1 - pairs))}; 6 pairs can give 0.031. Guides "
            "to on-farm trials ask for 4 to 6 pairs, some for 6 or 7."
        )
    short = [g for g in plan.grounds if g.strip_length < BETTER_LENGTH]
    if short:
        out.append(
            f"Strips of {length(BETTER_LENGTH, plan.config)} or more are better: less of each is "
            "taken up by the ends."
        )
    out += _by_field(plan, lambda g: _of_planter(g.planter_rows, plan.arguments["pass_rows"]))
    if plan.layout == "split":
        out.append(
            "Main strips are drawn first, then the strips inside each: what is set on main strips "
            "is judged between main strips, whatever is counted inside."
        )
    return (*out, *plan.design.notes)


def _of_ears(plan: Plan) -> list[str]:
    """How far to back up where an ear search asks for more than is usual."""
    usual = BACK_UP[plan.config.units]
    across = min(plan.arguments["pass_rows"] * g.row_spacing for g in plan.grounds)
    needed = plan.effort.back_up(across)
    if needed <= usual * 1.001:
        return []
    return [
        f"An ear search between the machine and the standing corn takes "
        f"{length(needed, plan.config)} along the rows: back up so far, more than the usual "
        f"{length(usual, plan.config)}, or search less, or behind the machine."
    ]


def _of_planter(planter: int | None, rows: int) -> str:
    """What the joints between planter passes ask for."""
    if planter is None:
        return ""
    if rows > planter:
        return (
            f"Joints between planter passes lie inside every strip, after each {planter} rows; lay "
            "no frame beside one."
        )
    left = (
        f"{planter % rows} rows of each planter pass of {planter} are left over: harvest them "
        "before or after the trial, and count nothing there. "
        if planter % rows
        else ""
    )
    return (
        f"{left}The rows to count stand with each strip; they leave out those beside a joint "
        "between planter passes, where the spacing is a guess."
    )


def _across(plan: Plan, ground: Ground) -> float:
    return float(plan.passes.loc[plan.passes["field"] == ground.field, "right"].iloc[-1])


def _by_field(plan: Plan, say: Callable[[Ground], str]) -> list[str]:
    """A sentence on each field, once where it is the same; named where fields differ."""
    said: dict[str, list[str]] = {}
    for ground in plan.grounds:
        if sentence := say(ground):
            said.setdefault(sentence, []).append(ground.field)
    if len(said) == 1 and len(next(iter(said.values()))) == len(plan.grounds):
        return list(said)
    return [f"{', '.join(fields)}: {lower_first(text)}" for text, fields in said.items()]
