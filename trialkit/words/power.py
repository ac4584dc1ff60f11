"""Simulated plans in words: what was simulated, what each would tell and in how many hours."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import number, significant
from trialkit.quantities import lower_first
from trialkit.words.counts import plural


def hours(minutes: float) -> str:
    """ "50 min", "5 h 10 min"."""
    whole = round(minutes)
    if whole < 60:
        return f"{whole} min"
    return f"{whole // 60} h" + (f" {whole % 60} min" if whole % 60 else "")


def percent(share: float, places: int = 0) -> str:
    """The number alone."""
    return number(100 * share, places)


def _many(n: int, one: str) -> str:
    return f"{n} {one if n == 1 else plural(one)}"


def plan(pairs: int, frames: int, fields: int, layout: str, row: str, several: bool) -> str:
    """ "6 pairs with 8 frames a strip", on so many fields where plans have several numbers of them.

    `row` is what is counted on a strip, "frame" or "sample".
    """
    words = f"{_many(pairs, block(layout))} with {_many(frames, row)} a strip"
    if fields > 1 or several:
        words += f" on {'each of ' * (fields > 1)}{_many(fields, 'field')}"
    return words


def block(layout: str) -> str:
    return "pair" if layout == "pairs" else "block"


def mean_level(mean: float, unit: str, title: str) -> str:
    """ "1 bu/ac of header loss"."""
    return f"{significant(mean)} {unit} of {title.lower()}"


def share_level(share: float, noun: str) -> str:
    """ "5 % damaged kernels"."""
    return f"{100 * share:.3g} % {noun}"


# ---------------------------------------------------------------- what was simulated
def simulated(
    rounds: int, level: str, reductions: Sequence[tuple[str, float]], row: str, trials: int,
    confidence: float,
) -> str:  # fmt: skip
    """What was simulated and how it was analysed.

    `reductions` are levels by their labels, each with its share less than the reference; `trials`
    are past ones that variation was learned from.
    """
    parts = []
    for label, share in reductions:
        more = "less" if share >= 0 else "more"
        what = "as much" if share == 0 else f"{100 * abs(share):.3g} % {more}"
        parts.append(f"{what} under {lower_first(label)}")
    source = f"learned from {_many(trials, 'past trial')}" if trials else "assumed"
    return (
        f"Simulated: {rounds} trials of each plan, {level} under the reference, "
        f"{', '.join(parts)}; variation between pairs, strips and {plural(row)} {source}. Each was "
        f"analysed with the model the analysis would use, at {100 * confidence:g} % confidence."
    )


def simulation_error(error: float, rounds: int) -> str:
    return (
        f"Each power has a Monte Carlo standard error of up to {percent(error, 1)} points from "
        f"{rounds} rounds; plans share their simulated strips, so their order is better known than "
        "each by itself."
    )


def hours_counted(
    row: str, minutes: float, stop_minutes: float, field_minutes: float,
    beside: tuple[int, int, int], further: Sequence[tuple[int, str]],
) -> str:  # fmt: skip
    """What the hours are made of.

    `beside` are other frames, ear searches and other samples, `further` what has minutes of its
    own.
    """
    kinds = ("other frames", "ear searches", "other samples")
    all_of_it = (*zip(beside, kinds, strict=True), *further)
    others = [f"{n} {what}" for n, what in all_of_it if n]
    more = f" ({', '.join(others)} on each strip counted in)" if others else ""
    return (
        f"Hours: {minutes:g} min a {row}, {stop_minutes:g} a stop on a strip, {field_minutes:g} a "
        f"field, with driving and changes of setup{more}. A check of five frames takes about 15 "
        "minutes (University of Missouri Extension G1290); other minutes not given are common "
        "practice, none is published: time your own."
    )


def rounds_moved() -> str:
    return (
        "The rounds are those of another reduction with their estimates moved; what less or more "
        "loss changes in the chance of counting is left aside, and widths and detectable "
        "reductions are those of the reduction simulated."
    )


def not_analysed(share: float) -> str:
    return (
        f"In up to {percent(share)} % of rounds of a plan nothing could be analysed; they count as "
        "not told apart."
    )


# ---------------------------------------------------------------- which plan
def cheapest(
    plan: str, minutes: float, counting: float, power: float, error: float, aim: float
) -> str:
    """The plan and how sure its power is."""
    near = "By chance of simulation it may fall short; more rounds would tell."
    text = (
        f"Fewest minutes for a power of {percent(aim)} %: {plan}, {hours(minutes)} of work "
        f"({hours(counting)} of it counting), power {percent(power)} % (+- {percent(error, 1)})."
    )
    return text if power - 2 * error >= aim else f"{text} {near}"


def none_reaches(aim: float, nearest: str, power: float) -> str:
    return (
        f"No plan of the grid reaches a power of {percent(aim)} %; the nearest, {nearest}, has "
        f"{percent(power)} %."
    )


def told_apart(found: Sequence[tuple[str, float | None, float]], unit: str) -> str:
    """What a plan tells apart: label, reduction (None where there is none) and half width."""
    parts = [
        f"{least_reduction(share)} by {lower_first(label)} (interval of the difference +- "
        f"{significant(width, 2)} {unit})"
        for label, share, width in found
    ]
    return f"It tells apart with that power, about: {'; '.join(parts)}."


def least_reduction(share: float | None) -> str:
    return "no reduction" if share is None else f"a reduction of {percent(share)} %"


def exchange(
    plan: str, minutes: float, power: float, wider: str, deeper: str, weighed: str
) -> str:
    """From one plan, what more pairs and more frames bring; empty where there are none."""
    parts = "; ".join(filter(None, (wider, deeper)))
    return f"From {plan} ({hours(minutes)}, power {percent(power)} %): {parts}.{weighed}"


def more_blocks(n: int, block: str, minutes: float, power: float, gain: float, error: float) -> str:
    what = f"one more {block}" if n == 1 else f"{n} more {block}s"
    s = "s" * (n == 1)
    return f"{what} take{s} {hours(minutes)} more and bring{s} {_gain(power, gain, error)}"


def more_rows(n: int, row: str, minutes: float, power: float, gain: float, error: float) -> str:
    return (
        f"{n} more {row if n == 1 else plural(row)} on every strip take {hours(minutes)} more and "
        f"bring {_gain(power, gain, error)}"
    )


def _gain(power: float, gain: float, error: float) -> str:
    sign = "+" if round(100 * gain) >= 0 else ""
    return (
        f"power to {percent(power)} % ({sign}{percent(gain)} points, +- {percent(error, 1)})"
    )


def per_hour(first: str, single: bool, clear: bool) -> str:
    """Which brings more in an hour, and whether the simulation is sure of it."""
    sure = "." if clear else ", though these gains are not far apart by the simulation."
    return f" Per hour the {first} bring{'s' * single} more{sure}"


# ---------------------------------------------------------------- past trials
def learned(trials: int, left: int) -> str:
    return f"Learned from {_many(trials, 'past trial')}" + (
        f"; {left} could not be used." if left else "."
    )


def too_little(least_df: int, kept: Sequence[str]) -> str:
    return (
        f"The trials hold too little to learn (fewer than {least_df} degrees of freedom): "
        f"{', '.join(kept)}. There the usual values stand."
    )


# ---------------------------------------------------------------- tables, cards, the figure
def legend() -> str:
    return (
        "ratio x/: the interval runs from the ratio over this number to the ratio times it; "
        "finds: the smallest reduction told apart with the power aimed at."
    )


def grid_heading() -> str:
    return "Power and effort by simulation"


def exchange_heading() -> str:
    return "One more pair, or more frames"


def expected_heading() -> str:
    return "What the trial is expected to find"


def expected_units() -> str:
    return "Losses in kg/ha; standard deviations of logarithms (logits of damage)."


def expected_basis() -> str:
    return "Every number and its basis"


def expected_and_why() -> str:
    return "What was expected, and why"


def work_axis() -> str:
    return "Hours of work: counting, driving, changes of setup"


def nothing_reaches() -> str:
    return "no plan reaches it"


def none_drawn(aim: float) -> str:
    return f"No plan drawn reaches a power of {percent(aim)} %."


def marked(pairs: int, frames: int, block: str, row: str) -> str:
    return f"fewest hours: {pairs} {block}s\nwith {frames} {plural(row)} a strip"


def key(block: str, row: str, several: bool) -> str:
    return f"Bold: {block}s{' in each field' * several}. Small: {plural(row)} on each strip."


def line(pairs: int, block: str, row: str, ends: Sequence[tuple[float, int, float]]) -> str:
    """A line of the figure: power, frames and minutes at its ends."""
    told = [f"{percent(p)} % with {n} {plural(row)} in {hours(minutes)}" for p, n, minutes in ends]
    return f"{pairs} {block}s: {', '.join(told)}"


def comparison(label: str, reference: str) -> str:
    return f"{lower_first(label)} from {lower_first(reference)}"


def figure(
    what: str, block: str, row: str, fields: int, lines: Sequence[str], error: float, aim: float,
    best: tuple[int, int] | None,
) -> str:  # fmt: skip
    """What the figure shows; `what` is the comparison, empty for the hardest."""
    reached = (
        f"No plan reaches {percent(aim)} %."
        if best is None
        else f"Marked: the cheapest plan that reaches {percent(aim)} %, {best[0]} {block}s with "
        f"{best[1]} {plural(row)}."
    )
    return (
        f"Power to tell {what or 'the hardest comparison'} apart against hours of work, a line for "
        f"each number of {block}s{f' on {fields} fields' if fields > 1 else ''}. "
        f"{'; '.join(lines)}. Simulated, each power +- {percent(error, 1)} points. {reached}"
    )


# ---------------------------------------------------------------- the panel
def plan_work(plan: str, minutes: float, counting: float) -> str:
    return f"{plan}: {hours(minutes)} of work, {hours(counting)} of it counting."


def would_tell(
    reduction: float, power: float, error: float, least: float | None, aim: float, width: float,
    unit: str,
) -> str:  # fmt: skip
    return (
        f"A reduction of {percent(reduction)} % would be told apart in {percent(power)} % of such "
        f"trials (+- {percent(error, 1)}); {least_reduction(least)} in {percent(aim)} %. The "
        f"interval of the difference would run to +- {significant(width, 2)} {unit}."
    )
