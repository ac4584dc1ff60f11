"""Plans that cannot be run or analysed: the reason, and the nearest plan that can."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.analysis.design import Design, read_design
from trialkit.errors import DesignError, TrialError, TrialkitError
from trialkit.responses import schema

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig

# Two blocks may be analysed, but leave one degree of freedom for two setups: a 95 % interval of
# 12.7 standard errors to either side (Student's t). Three are offered first.
_BLOCKS = (3, 4, 5, 6, 2)


class PlanRefused(DesignError):
    """No such plan can be run and analysed.

    Attributes
    ----------
    nearest : dict
        Arguments of `plan_trial` to change; with them it succeeds. Empty where nothing near does.
    """

    def __init__(self, message: str, nearest: Mapping[str, Any] | None = None) -> None:
        super().__init__(message)
        self.nearest = dict(nearest or {})


class Fault(TrialkitError):
    """What is wrong with a plan, and changes to try, nearest first; never leaves this room."""

    def __init__(self, reason: str, changes: list[dict[str, Any]] | None = None) -> None:
        super().__init__(reason)
        self.changes = changes or []


def check_layout(config: TrialConfig, strips: pd.DataFrame) -> Design:
    """Whether strips laid out by any means can be analysed.

    Parameters
    ----------
    strips : DataFrame
        ``strip, field, pair``, one column per setup factor, and ``main_strip`` where there are main
        strips.

    Returns
    -------
    Design
        What `trialkit.analyse` will find once frames are counted on every strip.

    Raises
    ------
    PlanRefused
        With one pair, a setup confounded with blocks, fields or another factor, main strips that
        are not repeated; the message names the nearest kind of layout that can be analysed.
    TrialError
        When a column is missing.
    """
    try:
        tidied = schema.tidy(strips, "strips", config.setups)
    except TrialkitError as error:
        raise TrialError(str(error)) from None
    try:
        return analysable(config, tidied)
    except Fault as fault:
        fields = max(tidied["field"].nunique(), 1)
        blocks = max(3, tidied.groupby(["field", "pair"]).ngroups // fields)
        split = tidied["main_strip"].notna().all() and len(config.setups) > 1
        kind = "split-strips" if split else "complete blocks"
        raise PlanRefused(
            f"{fault} The nearest layout that can be analysed: {kind}, every level in each of "
            f"{blocks} blocks{' a field' if fields > 1 else ''}.",
            {"layout": "split" if split else "blocks", "blocks": blocks},
        ) from None


def analysable(config: TrialConfig, strips: pd.DataFrame) -> Design:
    """The design the analysis will find with several frames a strip; a `Fault` where it can not."""
    more: list[dict[str, Any]] = [{"blocks": n} for n in _BLOCKS]
    if config.setups:
        blocks = strips.groupby(["field", "pair"])
        between = [
            f.label
            for f in config.setups
            if strips[f.name].nunique() > 1 and blocks[f.name].nunique().max() <= 1
        ]
        if between and blocks.ngroups > 1:
            raise Fault(
                f"{', '.join(between)} is confounded with blocks: every block has one level of it, "
                "so its effect cannot be told from the difference between blocks.",
                [{"setups": None}],
            )
    try:
        # Nothing was measured yet that could be adjusted for.
        return read_design(config, strips, 2 * len(strips), adjust=False)
    except DesignError as error:
        changes: list[dict[str, Any]] = [
            *more,
            {"setups": None},
            *({"setups": None, **m} for m in more),
        ]
        raise Fault(_sentence(error), changes) from None


def _sentence(error: Exception) -> str:
    text = str(error).strip()
    return text if text.endswith(".") else f"{text}."
