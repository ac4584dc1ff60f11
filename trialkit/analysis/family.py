"""How many comparisons a trial looks at, and what that does to its p-values.

A trial is about one response, its primary one (``[model] primary`` of trial.toml). Comparisons of
that one keep their level: p is adjusted by Holm within a setup factor. All comparisons of all other
responses are secondary and one family: their p is adjusted by Holm over the whole family (Holm
1979, Scand. J. Stat. 6:65-70), so that the chance of telling any difference among them where there
is none is at most that of one test. Where a classical test of the same strips stands beside the
model's (`p_classical`), its p is adjusted within the same families, and the weaker of the two is
what may be told (`evidence`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.analysis.estimates import holm
from trialkit.quantities import lower_first

if TYPE_CHECKING:
    from trialkit.analysis.result import ResponseAnalysis, TrialAnalysis

TESTS = {"p": "p_adjusted", "p_classical": "p_classical_adjusted"}
"""Columns of p-values, and of the same adjusted for the number of comparisons."""
ADJUSTED = (
    "p adjusted by Holm: of the primary response within a factor, of all others over all of them."
)

WEAKER = (
    "Evidence goes by that p or by a classical test's, adjusted alike, whichever of them is larger."
)


def hold_families(
    responses: Mapping[str, ResponseAnalysis], primary: str
) -> dict[str, ResponseAnalysis]:
    """The responses with their comparisons' final p-values.

    Parameters
    ----------
    responses : mapping of str to ResponseAnalysis
        All that were analysed together, one at least: their comparisons are the family.
    primary : str
        The response the trial is about; the first where it is not among them.

    Returns
    -------
    dict of str to ResponseAnalysis
        In the same order, contrasts with ``primary`` (bool), ``p_adjusted`` and, where there is
        ``p_classical``, ``p_classical_adjusted``.
    """
    first = primary if primary in responses else next(iter(responses))
    every = pd.concat(
        [r.contrasts.reindex(columns=["factor", *TESTS]).astype(dict.fromkeys(TESTS, float))
         for r in responses.values()],
        keys=list(responses),
    )  # fmt: skip
    # Secondary comparisons are one family, whatever their response and factor.
    family = every["factor"].where(every.index.get_level_values(0) == first, "").to_numpy()
    for p, adjusted in TESTS.items():
        every[adjusted] = every.groupby(family)[p].transform(_adjusted)
    out = {}
    for name, result in responses.items():
        own = result.contrasts
        added = {a: every.loc[name, a].to_numpy() for p, a in TESTS.items() if p in own}
        table = own.assign(primary=name == first, **added)
        out[name] = dataclasses.replace(result, contrasts=table)
    return out


def _adjusted(p: pd.Series) -> pd.Series:
    """Holm over the comparisons whose p is known."""
    out = pd.Series(np.nan, index=p.index)
    known = p.notna()
    out[known] = holm(p[known].to_numpy(dtype=float))
    return out


def evidence(row: Mapping[str, Any]) -> float:
    """The p-value that a comparison is told by: the larger of its adjusted ones that are known.

    Parameters
    ----------
    row : mapping
        A row of ``ResponseAnalysis.contrasts``; missing (nan) where the model's own is.
    """
    model = float(row["p_adjusted"])
    classical = float(row.get("p_classical_adjusted", np.nan))
    return model if np.isnan(classical) else max(model, classical)  # nan stays nan


def strongest_first(rows: pd.DataFrame) -> pd.DataFrame:
    """Contrasts sorted by what they are told by, the strongest first, else as analysed."""
    keys = pd.DataFrame({"told": [evidence(row) for row in rows.to_dict("records")],
                         "p": rows["p"].to_numpy()})  # fmt: skip
    # Adjusted values tie, often at one; raw ones then keep the order of the evidence.
    return rows.iloc[keys.sort_values(["told", "p"], kind="stable").index]


def looked_at(analysis: TrialAnalysis) -> tuple[str, ...]:
    """What the trial is first of all about and how much else was looked at, for any reader."""
    return tuple(filter(None, (stands_in(analysis), counted_words(analysis))))


def stands_in(analysis: TrialAnalysis) -> str:
    """A sentence where the trial's primary response was not analysed; else ""."""
    asked = analysis.trial.config.model.primary
    if analysis.primary == asked:
        return ""
    return (
        f"The trial is first of all about {asked.replace('_', ' ')}, which was not analysed; "
        f"{lower_first(analysis.responses[analysis.primary].title)} stands in its place."
    )


def counted_words(analysis: TrialAnalysis) -> str:
    """How many comparisons were looked at besides the primary response's, and what follows."""
    others = [r for r in analysis.responses.values() if not r.primary]
    n = sum(len(r.contrasts) for r in others)
    besides = f"looked at besides {lower_first(analysis.responses[analysis.primary].title)}"
    if n == 0:
        return ""
    if n == 1:
        return f"One comparison was {besides}; it is reported only where a difference is found."
    things = "1 thing" if len(others) == 1 else f"{len(others)} things"
    return (
        f"{n} comparisons of {things} were {besides}. With that many, one that looks different by "
        "chance alone is no surprise, so they are held to a stricter rule: a difference is "
        "reported only where it still stands after all of them are counted."
    )
