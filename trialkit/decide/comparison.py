"""The comparison a decision is about."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.family import comparisons, strongest_first
from trialkit.facts import Comparison

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis


def comparison(
    analysis: TrialAnalysis, response: str, factor: str | None = None, level: str | None = None
) -> Comparison | None:
    """The comparison asked for, or the one a decision is about.

    Parameters
    ----------
    analysis : TrialAnalysis
    response : {"header_loss", "kernel_damage"}
    factor, level : str, optional
        By default what the trial's option is bought for, else the comparison of the first factor
        with the strongest evidence, as in a report's headline.

    Returns
    -------
    Comparison or None
        None when the response, or the option's comparison in it, was not analysed.

    Raises
    ------
    ValueError
        When the comparison asked for is not among the contrasts.
    """
    result = analysis.responses.get(response)
    if result is None:
        return None
    option = analysis.trial.config.option
    bought = None if option is None else (option.factor, option.level)
    asked = factor is not None or level is not None
    if not asked and option is not None:
        factor, level = option.factor, option.level
    every = comparisons(result, bought=bought)
    known = [
        own for own in every
        if (factor is None or own.factor == factor) and (level is None or own.level == level)
    ]  # fmt: skip
    if not known:
        if not asked:
            return None
        has = ", ".join(f"{own.factor}: {own.level}" for own in every)
        raise ValueError(f"no contrast for {factor}, {level}; the analysis has {has}.")
    return strongest_first([own for own in known if own.factor == known[0].factor])[0]
