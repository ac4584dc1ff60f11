"""How many comparisons a trial looks at, and what that does to its p-values.

A trial is about one response, its primary one (``[model] primary`` of trial.toml). Comparisons of
that one keep their level: p is adjusted by Holm within a setup factor. All comparisons of all other
responses are secondary and one family: their p is adjusted by Holm over the whole family (Holm
1979, Scand. J. Stat. 6:65-70), so that the chance of telling any difference among them where there
is none is at most that of one test. Where a classical test of the same strips stands beside the
model's (`p_classical`), its p is adjusted within the same families, and the weaker of the two is
what may be told (`Comparison.evidence`), up to the ceiling of a trial that lost many strips
(`hold_down`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import TypeVar

import numpy as np
import pandas as pd

from trialkit.analysis.estimates import holm
from trialkit.analysis.questions.at_same import at_same as second_answer
from trialkit.analysis.result import ResponseResult, TrialResult
from trialkit.contradictions import lost_strips
from trialkit.facts import Comparison, Estimate, Note
from trialkit.trial import Trial
from trialkit.words import comparisons as words
from trialkit.words.comparisons import ADJUSTED as ADJUSTED
from trialkit.words.comparisons import WEAKER as WEAKER

Response = TypeVar("Response", bound=ResponseResult)

TESTS = {"p": "p_adjusted", "p_classical": "p_classical_adjusted"}
"""Columns of p-values, and of the same adjusted for the number of comparisons."""


def hold_families(
    responses: Mapping[str, Response], primary: str
) -> dict[str, Response]:
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


def hold_down(
    responses: Mapping[str, Response], trial: Trial
) -> tuple[dict[str, Response], tuple[Note, ...]]:
    """The responses with the ceiling of a trial that lost many strips, and what to say of it.

    The primary response has the ceiling of its own strips; the others that of strips on which
    nothing was measured at all: what is sampled on some strips only, as planned, was not lost.

    Returns
    -------
    dict of str to ResponseAnalysis, tuple of Note
        Contrasts with ``at_most`` (value of a `Grade`) where there is a ceiling.
    """
    first = next(name for name, result in responses.items() if result.primary)
    own, whole = lost_strips(trial, first), lost_strips(trial)
    out = {}
    for name, result in responses.items():
        most = (own if name == first else whole).most
        if most is not None:
            result = dataclasses.replace(
                result, contrasts=result.contrasts.assign(at_most=most.value)
            )
        out[name] = result
    return out, own.notes or whole.notes


def _adjusted(p: pd.Series) -> pd.Series:
    """Holm over the comparisons whose p is known."""
    out = pd.Series(np.nan, index=p.index)
    known = p.notna()
    out[known] = holm(p[known].to_numpy(dtype=float))
    return out


def comparisons(
    result: ResponseResult, *, at_same: bool = False, bought: tuple[str, str] | None = None
) -> list[Comparison]:
    """Every level of a response's setup factors against its reference, as its contrasts stand.

    Parameters
    ----------
    result : ResponseAnalysis
    at_same : bool
        Of the second answer, which may lack rows, where the response has one.
    bought : (str, str), optional
        Factor and level that money is spent on.
    """
    labels = {
        f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in result.design.factors
    }
    means = {
        (str(row["factor"]), str(row["level"])): Estimate(
            float(row["estimate"]), float(row["se"]), float(row["df"])
        )
        for row in result.means.to_dict("records")
    }
    second = second_answer(result) if at_same else None
    table = result.contrasts
    if second is not None:  # a response is primary or not in both answers
        means, table = {}, second.contrasts.assign(primary=result.primary)
        if "at_most" in result.contrasts:
            table = table.assign(at_most=result.contrasts["at_most"].iloc[0])
    unknown = Estimate(np.nan, np.nan)
    return [
        Comparison.from_row(
            result.response, row, labels[row["factor"]][row["reference"]], result.unit,
            result.specification.better, confidence=result.level,
            mean=means.get((row["factor"], row["level"]), unknown),
            reference_mean=means.get((row["factor"], row["reference"]), unknown),
            bought=(row["factor"], row["level"]) == bought,
        )
        for row in table.to_dict("records")
    ]  # fmt: skip


def strongest_first(every: Iterable[Comparison], first: str | None = None) -> list[Comparison]:
    """Comparisons by what they are told by, the strongest first, else in their order; that of the
    level `first` before all."""

    def rank(own: Comparison) -> tuple[bool, float, float]:
        # Adjusted values tie, often at one; raw ones then keep the order of the evidence.
        told, p = (np.inf if np.isnan(v) else v for v in (own.evidence, own.p))
        return own.level != first, float(told), float(p)

    return sorted(every, key=rank)


def looked_at(analysis: TrialResult) -> tuple[str, ...]:
    """What the trial is first of all about and how much else was looked at, for any reader."""
    return tuple(filter(None, (stands_in(analysis), counted_words(analysis))))


def stands_in(analysis: TrialResult) -> str:
    """A sentence where the trial's primary response was not analysed; else ""."""
    asked = analysis.trial.config.model.primary
    title = analysis.responses[analysis.primary].title
    return "" if analysis.primary == asked else words.stands_in(asked, title)


def counted_words(analysis: TrialResult) -> str:
    """How many comparisons were looked at besides the primary response's, and what follows."""
    others = [r for r in analysis.responses.values() if not r.primary]
    return words.looked_at_besides(
        analysis.responses[analysis.primary].title, sum(len(r.contrasts) for r in others),
        len(others),
    )  # fmt: skip
