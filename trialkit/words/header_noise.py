"""How much repairs of a header narrow the noise of its trial, in sentences.

``system`` is "US" or "SI"; shares are of one; spreads are ratios less one, of a log normal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from trialkit.display import number
from trialkit.quantities import listed
from trialkit.words.lengths import Lengths

SIXTEENTH = 25.4 / 16  # mm


def percent(share: float) -> str:
    """A share in percent to two figures; never "0 %" for one that is not zero."""
    value = 100 * share
    if 0 < abs(value) < 0.1:
        return "under 0.1 %"
    return f"{number(value, 1 if abs(value) < 10 else 0)} %"


def too_few_gaps() -> str:
    return "The gap of two rows must be measured to tell how much they differ."


def same_gaps() -> str:
    return "All rows have the same gap, so it adds nothing to the noise of the counts."


def not_told_yet() -> str:
    return "By how much repairs narrow the trial's intervals cannot be told yet."


def ratio_needed(system: str) -> str:
    """No figure without a ratio: what would be needed."""
    return (
        "Frames laid behind different rows differ by as much as the gap makes loss differ, so a "
        f"figure needs that ratio: how many times the loss grows for each {_step(system)[1]} of "
        "gap. A trial tells it where gap is one of its setups and header loss was counted in "
        "frames; this one does not (yet). Or assume one: trialkit header FOLDER --loss-ratio, per "
        "mm. None is assumed here."
    )


def frames_at_random() -> str:
    """What is taken for granted of where frames lie."""
    return (
        "This takes every frame to lie behind one row, any row as likely as another, anew in each "
        "strip. Where frames lie behind the same rows in all strips, what the gaps do cancels out "
        "of every comparison; where a frame reaches over several rows, they do less."
    )


def counts_needed(missing: str) -> str:
    """What lacks where the ratio is known; `missing` as a refusal puts it, or empty."""
    head = "By how much repairs narrow the trial's intervals takes its own frame counts"
    return f"{head}: {missing}" if missing else f"{head}, which are not there yet."


def ratio_assumed(log_ratio: float, system: str) -> str:
    """A ratio of losses per mm that someone gave."""
    step, unit = _step(system)
    return (
        f"Assumed, not measured: {_change(log_ratio, step)} more loss at the header for each "
        f"{unit} of gap."
    )


def ratio_found(
    log_ratio: float, low: float, high: float, confidence: float, gaps: tuple[float, float],
    system: str,
) -> str:  # fmt: skip
    """The trial's own ratio with its interval, between two settings of the gap."""
    step, unit = _step(system)
    ends = f"{_change(low, step)} to {_change(high, step)}"
    narrow, wide = (Lengths(system).length(gap) for gap in gaps)
    return (
        f"In this trial loss at the header went up by {_change(log_ratio, step)} for each {unit} "
        f"of gap ({number(100 * confidence, 0)} % interval {ends}), from {narrow} to {wide} of "
        "mean gap, taken for a straight line in between."
    )


def rows_differ(now: float, then: float, rows: Sequence[str]) -> str:
    """What the gap alone makes of counts behind different rows, now and with `rows` repaired."""
    what = f"counts behind different rows differ by {percent(now)} (standard deviation)"
    if not rows:
        return f"So, for the gap alone, {what}. No row's plates stand out to be repaired."
    return (
        f"So, for the gap alone, {what}; with {_rows(rows)} set to the median row, by "
        f"{percent(then)}."
    )


def contradicted() -> str:
    return (
        "The frames of this trial differed less than that: the ratio assumed is too large for "
        "these counts, and no share is given."
    )


def frames_differed(spread: float, share: float) -> str:
    """What uneven gaps make up of the spread of frames."""
    return (
        f"Frames of one strip differed by {percent(spread)} (standard deviation), chance of "
        f"counting included; uneven gaps make up {percent(share)} of that variance. Other repairs "
        "touch no gap; what they do to the noise these readings do not tell."
    )


def no_gap_out() -> str:
    return "No gap stands out, so no repair narrows the trial's intervals by it."


def narrowed(
    rows: Sequence[str], narrowing: float, frames: float, over: tuple[float, float] | None
) -> str:
    """By how much at most repairs narrow an interval; ``over``: at the ends of the ratio's own."""
    ends = ""
    if over is not None:
        ends = f" ({percent(over[0])} to {percent(over[1])} over the interval of that ratio)"
    return (
        f"Setting the gap of {_rows(rows)} right narrows an interval for a difference between "
        f"setups by at most {percent(narrowing)}, with {number(frames, 0)} frames a strip{ends}."
    )


def what_repairs_are_for() -> str:
    return (
        "Repair for the loss it saves and for a header that is the same all across; more frames or "
        "more pairs narrow the trial's intervals more surely."
    )


# ---------------------------------------------------------------- card
def heading() -> str:
    return "What uneven gaps add to the noise"


def added(now: float, then: float) -> str:
    """Log variance that uneven gaps add to a frame, as shares."""
    return (
        f"Log variance that uneven gaps add to a frame: {100 * now:.2g} % now, {100 * then:.2g} % "
        "after the repairs."
    )


def share_of_frames(share: float, narrowing: float) -> str:
    return (
        f"That is {100 * share:.2g} % of the variance between frames of a strip; the repairs "
        f"narrow an interval by at most {100 * narrowing:.2g} %."
    )


def _step(system: str) -> tuple[float, str]:
    """mm that a change is told for, and how it is called."""
    return (SIXTEENTH, "1/16 in") if system == "US" else (1.0, "mm")


def _change(log_ratio: float, step: float) -> str:
    return f"{number(100 * math.expm1(log_ratio * step), 1)} %"


def _rows(rows: Sequence[str]) -> str:
    return f"row{'s' * (len(rows) > 1)} {listed(list(rows))}"
