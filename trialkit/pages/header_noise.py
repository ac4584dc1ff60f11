"""How much repairs of a header narrow the noise of its trial; figures only from the trial's own
analysis or under an assumption that is stated."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.questions.row_noise import GapEffect, gap_effect, trial_noise
from trialkit.errors import TrialkitError
from trialkit.header import HeaderReport, RowNoise, row_noise
from trialkit.words import header_noise as words

if TYPE_CHECKING:
    from trialkit.analysis.asked import ResponseAnalysis


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
    gap, system = report.rows["gap"], report.system
    if gap.notna().sum() < 2:
        return [words.too_few_gaps()]
    if not gap.std() > 0:
        return [words.same_gaps()]
    effect = None
    if loss_ratio is not None:
        log_ratio = math.log(loss_ratio)
        head = words.ratio_assumed(log_ratio, system)
    else:
        effect = _effect(result)
        if effect is None:
            return [words.not_told_yet(), words.ratio_needed(system), words.frames_at_random()]
        log_ratio, gaps = effect.log_ratio, (effect.narrow_gap, effect.wide_gap)
        head = words.ratio_found(
            log_ratio, effect.low, effect.high, effect.confidence, gaps, system
        )
    noise, missing = row_noise(gap, log_ratio, repaired=report.plates_out), ""
    if result is not None:
        try:
            noise = trial_noise(result, report, log_ratio)
        except TrialkitError as error:
            missing = str(error)
    now, then = (math.expm1(math.sqrt(r)) for r in (noise.between_rows, noise.between_rows_after))
    own = [head, words.rows_differ(now, then, _repaired(report))]
    if not noise.told:
        return [words.counts_needed(missing), *own, words.frames_at_random()]
    answer, *more = _trial(noise, effect, report)
    return [answer, *more[:-1], *own, *more[-1:], words.frames_at_random()]


def _effect(result: ResponseAnalysis | None) -> GapEffect | None:
    try:
        return gap_effect(result) if result is not None else None
    except TrialkitError:
        return None


def _repaired(report: HeaderReport) -> list[str]:
    return [str(report.rows["row"].iloc[place]) for place in report.plates_out]


def _trial(noise: RowNoise, effect: GapEffect | None, report: HeaderReport) -> list[str]:
    if noise.contradicted:
        return [words.contradicted()]
    spread = math.expm1(math.sqrt(noise.frame_variance))
    own = words.frames_differed(spread, noise.share_of_frames)
    if not report.plates_out:
        return [words.no_gap_out(), own]
    over = None
    if effect is not None and np.sign(effect.low) == np.sign(effect.high):
        least, most = sorted(
            replace(noise, log_ratio=end).narrowing for end in (effect.low, effect.high)
        )
        over = (least, most)
    return [
        words.narrowed(_repaired(report), noise.narrowing, noise.frames, over),
        words.what_repairs_are_for(), own,
    ]  # fmt: skip
