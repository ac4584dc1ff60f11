"""How much repairs of a header narrow the noise of its trial, in words; figures only from the
trial's own analysis or under an assumption that is stated."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.row_noise import GapEffect, gap_effect, trial_noise
from trialkit.errors import TrialkitError
from trialkit.header import HeaderReport, RowNoise, row_noise
from trialkit.header.words import Lengths
from trialkit.quantities import number
from trialkit.report.wording import listed

if TYPE_CHECKING:
    from trialkit.analysis.result import ResponseAnalysis

SIXTEENTH = 25.4 / 16  # mm
RANDOM = (
    "This takes every frame to lie behind one row, any row as likely as another, anew in each "
    "strip. Where frames lie behind the same rows in all strips, what the gaps do cancels out of "
    "every comparison; where a frame reaches over several rows, they do less."
)
_AIM = (
    "Repair for the loss it saves and for a header that is the same all across; more frames or "
    "more pairs narrow the trial's intervals more surely."
)


def noise_words(
    report: HeaderReport, result: ResponseAnalysis | None = None, loss_ratio: float | None = None
) -> list[str]:
    """Sentences on what uneven gaps do to the trial's noise, the answer first.

    Parameters
    ----------
    report : HeaderReport
    result : ResponseAnalysis, optional
        Of header loss, counted in frames; None before harvest.
    loss_ratio : float, optional
        Assumed ratio of header losses per mm of gap; by default the trial's own where it ran
        several gaps.
    """
    say, gap = Lengths(report.system), report.rows["gap"]
    if gap.notna().sum() < 2:
        return ["The gap of two rows must be measured to tell how much they differ."]
    if not gap.std() > 0:
        return ["All rows have the same gap, so it adds nothing to the noise of the counts."]
    effect = None
    if loss_ratio is None:
        try:
            effect = gap_effect(result) if result is not None else None
        except TrialkitError:
            effect = None
        if effect is None:
            return _needed(report, say)
        log_ratio = effect.log_ratio
    else:
        log_ratio = math.log(loss_ratio)
    words = [_assumption(effect, log_ratio, say)]
    noise, missing = row_noise(gap, log_ratio, repaired=report.plates_out), ""
    if result is not None:
        try:
            noise = trial_noise(result, report, log_ratio)
        except TrialkitError as error:
            missing = str(error)
    words.append(_rows(noise, report))
    if noise.told:
        answer, *more = _trial(noise, effect, report)
        return [answer, *more[:-1], *words, *more[-1:], RANDOM]
    answer = "By how much repairs narrow the trial's intervals takes its own frame counts" + (
        f": {missing}" if missing else ", which are not there yet."
    )
    return [answer, *words, RANDOM]


def _needed(report: HeaderReport, say: Lengths) -> list[str]:
    """No figure without a ratio: what would be needed, and what is known without."""
    return [
        "By how much repairs narrow the trial's intervals cannot be told yet.",
        "Frames laid behind different rows differ by as much as the gap makes loss differ, so a "
        "figure needs that ratio: how many times the loss grows for each "
        f"{'1/16 in' if report.system == 'US' else 'mm'} of gap. A trial tells it where gap is "
        "one of its setups and header loss was counted in frames; this one does not (yet). Or "
        "assume one: trialkit header FOLDER --loss-ratio, per mm. None is assumed here.",
        RANDOM,
    ]


def _percent(share: float) -> str:
    """A share in percent to two figures; never "0 %" for one that is not zero."""
    value = 100 * share
    if 0 < abs(value) < 0.1:
        return "under 0.1 %"
    return f"{number(value, 1 if abs(value) < 10 else 0)} %"


def _assumption(effect: GapEffect | None, log_ratio: float, say: Lengths) -> str:
    step, unit = (SIXTEENTH, "1/16 in") if say.system == "US" else (1.0, "mm")

    def change(log: float) -> str:
        value = 100 * math.expm1(log * step)
        return f"{number(value, 1)} %"

    if effect is None:
        return (
            f"Assumed, not measured: {change(log_ratio)} more loss at the header for each {unit} "
            "of gap."
        )
    return (
        f"In this trial loss at the header went up by {change(effect.log_ratio)} for each {unit} "
        f"of gap ({100 * effect.confidence:.0f} % interval {change(effect.low)} to "
        f"{change(effect.high)}), from {say.length(effect.narrow_gap)} to "
        f"{say.length(effect.wide_gap)} of mean gap, taken for a straight line in between."
    )


def _rows(noise: RowNoise, report: HeaderReport) -> str:
    now, then = (math.expm1(math.sqrt(r)) for r in (noise.between_rows, noise.between_rows_after))
    labels = [str(report.rows["row"].iloc[place]) for place in report.plates_out]
    what = f"counts behind different rows differ by {_percent(now)} (standard deviation)"
    if not labels:
        return f"So, for the gap alone, {what}. No row's plates stand out to be repaired."
    rows = f"row{'s' * (len(labels) > 1)} {listed(labels)}"
    return f"So, for the gap alone, {what}; with {rows} set to the median row, by {_percent(then)}."


def _trial(noise: RowNoise, effect: GapEffect | None, report: HeaderReport) -> list[str]:
    if noise.contradicted:
        return [
            "The frames of this trial differed less than that: the ratio assumed is too large for "
            "these counts, and no share is given."
        ]
    spread = math.expm1(math.sqrt(noise.frame_variance))
    own = (
        f"Frames of one strip differed by {_percent(spread)} (standard deviation), chance of "
        f"counting included; uneven gaps make up {_percent(noise.share_of_frames)} of that "
        "variance. Other repairs touch no gap; what they do to the noise these readings do not "
        "tell."
    )
    if not report.plates_out:
        return ["No gap stands out, so no repair narrows the trial's intervals by it.", own]
    ends = ""
    if effect is not None and np.sign(effect.low) == np.sign(effect.high):
        both = sorted(_at(noise, end) for end in (effect.low, effect.high))
        ends = f" ({_percent(both[0])} to {_percent(both[1])} over the interval of that ratio)"
    labels = [str(report.rows["row"].iloc[place]) for place in report.plates_out]
    return [
        f"Setting the gap of row{'s' * (len(labels) > 1)} {listed(labels)} right narrows an "
        f"interval for a difference between setups by at most {_percent(noise.narrowing)}, with "
        f"{noise.frames:.0f} frames a strip{ends}.",
        _AIM,
        own,
    ]


def _at(noise: RowNoise, log_ratio: float) -> float:
    return replace(noise, log_ratio=log_ratio).narrowing
