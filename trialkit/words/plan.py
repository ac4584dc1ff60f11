"""A plan in words: what it is, what to know of it, what would have to change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from trialkit.display import number, p_text
from trialkit.quantities import lower_first
from trialkit.units import convert

LAYOUTS = {"pairs": "paired strips", "blocks": "complete blocks", "split": "split-strips"}
_WORK = {
    "run": "harvesting the strips", "turn": "turning", "stop": "stopping on a strip",
    "frame": "counting a frame", "search": "searching for ears", "sample": "sorting a sample",
    "field": "moving to a field",
}  # fmt: skip


def field_length(metres: float, system: str) -> str:
    """A length on the ground, in a system's own unit."""
    if system == "US":
        return f"{number(float(convert(metres, 'm', 'ft')), 0)} ft"
    return f"{number(metres, 0 if metres >= 20 else 1)} m"


def _on(fields: Sequence[str], sentence: str) -> str:
    """A sentence on some fields of several, named; on all of them it stands by itself."""
    return f"{', '.join(fields)}: {lower_first(sentence)}" if fields else sentence


# ---------------------------------------------------------------- what it is
def size(setups: int, strips: int, blocks: int, layout: str, fields: int, seed: int) -> str:
    where = " on one field" if fields == 1 else f" on each of {fields} fields"
    return (
        f"{setups} setups on {strips} strips: {blocks} "
        f"{'pairs' if layout == 'pairs' else 'blocks'}{where}, drawn from seed {seed}."
    )


def strips_on_ground(
    rows: int, length: float, across: float, system: str, fields: Sequence[str] = ()
) -> str:
    """Lengths in m."""
    return _on(
        fields,
        f"Strips of {rows} rows, {field_length(length, system)} long; the trial takes "
        f"{field_length(across, system)} across.",
    )


def order_and_time(
    order: str, changes: Sequence[tuple[str, int]], change_hours: float, hours: float
) -> str:
    """`changes` are factors by their labels, each with how often it changes."""
    turns = (
        "Blocks are run from left to right"
        if order == "position"
        else "Each block is run starting with what is on the machine, so the order in time is not "
        "random; places on the ground are"
    )
    swaps = "; ".join(f"{label} changes {n} time{'s' * (n != 1)}" for label, n in changes)
    taken = (
        f": {number(change_hours, 1)} of {number(hours, 1)} hours are changeovers, what is on the "
        "machine at the start not counted"
        if change_hours
        else "; no time is counted for changing"
    )
    return f"{turns}. {swaps}{taken}."


# ---------------------------------------------------------------- what to know
def far_ear_search(needed: float, usual: float, system: str) -> str:
    """Lengths in m."""
    return (
        "An ear search between the machine and the standing corn takes "
        f"{field_length(needed, system)} along the rows: back up so far, more than the usual "
        f"{field_length(usual, system)}, or search less, or behind the machine."
    )


def few_degrees_of_freedom(label: str, df: int, stratum: str) -> str:
    return (
        f"{label} is judged by {df} degree{'s' * (df != 1)} of freedom between {stratum}: only a "
        "large effect will show. More blocks give more."
    )


def few_pairs(pairs: int) -> str:
    return (
        f"With {pairs} pairs the exact test of paired differences cannot give a p-value below "
        f"{p_text(2.0 ** (1 - pairs))}; 6 pairs can give 0.031. Guides to on-farm trials ask for 4 "
        "to 6 pairs, some for 6 or 7."
    )


def short_strips(better: float, system: str) -> str:
    """`better` in m."""
    return (
        f"Strips of {field_length(better, system)} or more are better: less of each is taken up by "
        "the ends."
    )


def joints_inside(planter: int, fields: Sequence[str] = ()) -> str:
    return _on(
        fields,
        f"Joints between planter passes lie inside every strip, after each {planter} rows; lay no "
        "frame beside one.",
    )


def rows_beside_joints(planter: int, left: int, fields: Sequence[str] = ()) -> str:
    """`left` rows of a planter pass are in no pass of the combine."""
    over = (
        f"{left} rows of each planter pass of {planter} are left over: harvest them before or "
        "after the trial, and count nothing there. "
        if left
        else ""
    )
    return _on(
        fields,
        f"{over}The rows to count stand with each strip; they leave out those beside a joint "
        "between planter passes, where the spacing is a guess.",
    )


def main_strips_first() -> str:
    return (
        "Main strips are drawn first, then the strips inside each: what is set on main strips is "
        "judged between main strips, whatever is counted inside."
    )


# ---------------------------------------------------------------- what would have to change
def changes(asked: Mapping[str, Any], system: str) -> str:
    """Arguments of a plan to change, lengths in m."""
    return ", ".join(_change(name, value, system) for name, value in asked.items())


def _change(name: str, value: Any, system: str) -> str:
    if name == "layout":
        return LAYOUTS[value]
    if name == "blocks":
        return f"{value} blocks in each field"
    if name == "setups":
        return "every combination of levels"
    if name == "pass_rows":
        return f"passes of {value} rows"
    if name == "min_length":
        return f"strips of {field_length(value, system)}"
    if name == "buffer_passes":
        return "no buffer passes" if value == 0 else f"{value} buffer passes"
    if name == "order":
        return f"run in the order of {value}"
    if name == "max_run":
        return f"up to {value} blocks in a row that begin alike"
    return f"{value:.3g} hours of changeovers"


# ---------------------------------------------------------------- tables and cards
def work(kind: str) -> str:
    """A kind of work, in a table of hours."""
    return _WORK[kind]


def counting(what: str) -> str:
    return f"counting: {what}"


def changing(label: str) -> str:
    return f"changing {label}"


def what_judges() -> str:
    return "What judges each factor"


def places_and_directions() -> str:
    return "Places and directions of the setups"


def not_drawn(title: str) -> str:
    return f"A plan, not drawn yet: {title}"


def ground() -> str:
    return "Ground of a trial, in m"


# ---------------------------------------------------------------- the file that describes it
def places_of_some_fields() -> str:
    return "corner and heading are given for some fields; expected all, or none"


def expected_of(key: str) -> str:
    """What a key of the file is expected to be."""
    return {
        "field": "sections [[field]], one for each field",
        "name": "a name of its own for each field",
        "rows": "either rows or width, not both",
        "corner": "[latitude, longitude] in degrees, as in [41.50, -93.60]",
        "setups": 'a list, as in [{cushion = "standard"}, {cushion = "cushion"}]',
    }[key]


def whole_numbers(low: int, high: int) -> str:
    return f"a list of whole numbers, {low} to {high}"


def quantity(low: float, high: float, unit: str) -> str:
    return f"{low:.3g} to {high:,.6g} {unit}, or a text with its unit"
