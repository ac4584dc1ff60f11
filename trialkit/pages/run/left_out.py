"""Strips that their users left out: how many of each setup, and why.

Plain counts; nothing is tested. See `trialkit.responses.fate`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.pages.elements import Element, Sentence, bullets, table
from trialkit.responses.fate import FATES, HARVESTED, fates, told
from trialkit.words import fates as words

if TYPE_CHECKING:
    from trialkit.intake import SetupFactor
    from trialkit.pages.letters import Letters
    from trialkit.trial import Trial

MOST_SETUPS = 12  # rows of the table; beyond, a row a level of every factor


def left_out_by_setup(trial: Trial, letters: Letters) -> tuple[Element, ...]:
    """How many strips of every setup are left out, whether evenly, and the reasons given; nothing
    where no strip is."""
    strips = trial.strips.assign(status=fates(trial.strips))
    out = strips[strips["status"].ne(HARVESTED)]
    if out.empty:
        return ()
    statuses = [s for s in FATES[1:] if out["status"].eq(s).any()]
    found = [told(strips)]
    found += [_evenly(strips, factor) for factor in trial.config.setups if len(factor.levels) > 1]
    parts: list[Element] = [Sentence(letters.text(" ".join(found)))]
    if trial.config.setups:
        parts.append(_by_setup(strips, trial.config.setups, statuses, letters))
        parts.append(Sentence(words.not_told_why()))
    return (*parts, bullets(_reasons(out, letters)))


def _evenly(strips: pd.DataFrame, factor: SetupFactor) -> str:
    """Of how many strips of every level how many are left out."""
    gone = strips["status"].ne(HARVESTED)
    own = gone.groupby(strips[factor.name].astype(str))
    labels = zip(factor.levels, factor.level_labels, strict=True)
    return words.evenly(
        factor.label,
        [(label, int(own.sum().get(level, 0)), int(own.size().get(level, 0)))
         for level, label in labels if level in own.groups],
    )  # fmt: skip


def _by_setup(
    strips: pd.DataFrame, factors: tuple[SetupFactor, ...], statuses: list[str], letters: Letters
) -> Element:
    """One row a setup: strips, those left out by status, and what is left to compare."""
    labels = [dict(zip(f.levels, f.level_labels, strict=True)) for f in factors]
    columns = [strips[f.name].astype(str).map(own) for f, own in zip(factors, labels, strict=True)]
    setup = pd.concat(columns, axis=1).agg(", ".join, axis=1)
    parts = [(strips, setup)]
    if setup.nunique() > MOST_SETUPS:
        parts = [(strips, column) for column in columns]
    rows = []
    for own, key in parts:
        for name, group in own.groupby(key, sort=False):
            cells = [int((group["status"] == s).sum()) for s in statuses]
            rows.append([letters.text(name), str(len(group)), *map(str, cells),
                         str(len(group) - sum(cells))])  # fmt: skip
    return table(words.by_setup_caption(), words.by_setup_head(statuses), rows)


def _reasons(out: pd.DataFrame, letters: Letters) -> list[str]:
    shown = out.head(words.MOST_REASONS)
    items = [
        words.reason(
            letters.strip(row["strip"]), row["status"],
            "" if pd.isna(row["reason"]) else letters.user_text(row["reason"]),
        )
        for row in shown.to_dict("records")
    ]  # fmt: skip
    if len(out) > len(shown):
        items.append(words.more_strips(len(out) - len(shown)))
    return items
