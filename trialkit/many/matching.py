"""Which setups of several trials are the same, and which trials can be compared by them."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from trialkit.errors import DesignError
from trialkit.many.trial_rows import OF_FIELD, TrialRows
from trialkit.responses import schema
from trialkit.words import many as words

# The trial, its strips used (common names), what was left out of it.
Matched = tuple[TrialRows, pd.DataFrame, str]


def normalised(name: str, aliases: Mapping[str, str]) -> str:
    """A factor's or level's common name.

    Case, accents' encoding, spaces, hyphens and underscores make no difference; numbers are written
    one way ("1,50" and "1.5" are one).
    """
    text = unicodedata.normalize("NFKC", str(name)).casefold()
    text = re.sub(r"[\s_\-\u2010-\u2015]+", " ", text).strip()
    if re.fullmatch(r"\d+(?:[.,]\d+)?", text):
        text = f"{float(text.replace(',', '.')):g}"
    return aliases.get(text, text)


# Columns of the tables the strips come from and go into.
_TAKEN = frozenset(
    {"trial", "place", "season", "own_pair", "own_strip", "row", "n_rows", "amount", "size",
     "value", "value_se", "mean", "kg_ha", "se_kg_ha", *OF_FIELD,
     *schema.column_names("strips")}
)  # fmt: skip


def factor_name(name: str, aliases: Mapping[str, str]) -> str:
    """A factor's common name, fit for a column and a formula."""
    return re.sub(r"\W+", "_", normalised(name, aliases))


@dataclass(frozen=True, slots=True)
class _Setups:
    """A trial's factors by common name, and its strips with the response."""

    trial: TrialRows
    own: dict[str, str]
    references: dict[str, str]
    strips: pd.DataFrame

    @property
    def varied(self) -> frozenset[str]:
        return frozenset(f for f in self.own if self.strips[f].nunique() > 1)


def match_setups(
    trials: Sequence[TrialRows], factors: Sequence[str] | None, aliases: Mapping[str, str]
) -> tuple[list[Matched], dict[str, tuple[str, ...]], list[tuple[str, str]]]:
    """Trials that can be compared by the same setup factors.

    Returns
    -------
    matched : list of (TrialRows, strips, note)
    levels : dict of factor to levels, reference first
    unmatched : list of (name, reason)
    """
    unmatched: list[tuple[str, str]] = []
    setups = []
    for trial in trials:
        try:
            known = _setups(trial, aliases)
        except Exception as error:  # one trial must not end the comparison of all
            known = words.unexpected(type(error).__name__, str(error))
        if isinstance(known, str):
            unmatched.append((trial.name, known))
        else:
            setups.append(known)
    if factors is not None:
        chosen = tuple(dict.fromkeys(factor_name(f, aliases) for f in factors))
        if not chosen:
            raise DesignError("Name at least one setup factor to compare by, or none at all.")
    else:
        chosen = _most_common(setups)
    if not chosen:
        return [], {}, unmatched
    usable: list[tuple[_Setups, pd.DataFrame, str]] = []
    for known in setups:
        found = _with_factors(known, chosen)
        if isinstance(found, str):
            unmatched.append((known.trial.name, found))
        else:
            usable.append((known, *found))
    references = {
        f: Counter(k.references[f] for k, _, _ in usable).most_common(1)[0][0]
        for f in chosen
        if usable
    }
    for factor, reference in references.items():
        reached = _reached(factor, reference, [strips for _, strips, _ in usable])
        left = []
        met = Counter(level for _, strips, _ in usable for level in strips[factor].unique())
        for known, strips, note in usable:
            inside = strips[factor].isin(reached)
            own = sorted(strips[factor].unique())
            if strips.loc[inside, factor].nunique() < 2:
                others = sorted(level for level, n in met.items() if n > (level in own))
                unmatched.append((known.trial.name, words.other_levels(factor, own, others)))
                continue
            left.append((known, strips[inside], note))
        usable = left
    levels = {
        f: (r, *sorted({v for _, strips, _ in usable for v in strips[f].unique()} - {r}))
        for f, r in references.items()
    }
    return [(k.trial, s, n) for k, s, n in usable], levels, unmatched


def _setups(trial: TrialRows, aliases: Mapping[str, str]) -> _Setups | str:
    """The trial's setups by common names, or why they have none."""
    strips = trial.strips
    own: dict[str, str] = {}
    references: dict[str, str] = {}
    for factor in trial.setups:
        common = factor_name(factor.name, aliases)
        levels = [normalised(v, aliases) for v in factor.levels]
        if common in own:
            return words.one_name(own[common], factor.name)
        if common in _TAKEN or (common in strips and common != factor.name):
            return words.name_taken(common, factor.name)
        if len(set(levels)) < len(levels):
            return words.one_level(factor.name)
        own[common] = factor.name
        references[common] = normalised(factor.reference, aliases)
        renamed = dict(zip(factor.levels, levels, strict=True))
        strips = strips.rename(columns={factor.name: common})
        strips[common] = strips[common].map(renamed)
    known = _Setups(trial, own, references, strips)
    if not known.varied:
        return words.one_setup()
    return known


def _most_common(setups: Sequence[_Setups]) -> tuple[str, ...]:
    """The set of factors that most trials varied; then the larger set, then the most strips."""
    best: tuple[tuple[int, int, int], tuple[str, ...]] = ((0, 0, 0), ())
    for varied in sorted({k.varied for k in setups}, key=sorted):
        holding = [k for k in setups if varied <= k.varied]
        rank = len(holding), len(varied), sum(len(k.strips) for k in holding)
        if rank > best[0]:
            best = rank, tuple(sorted(varied))
    return best[1]


def _with_factors(known: _Setups, chosen: Sequence[str]) -> tuple[pd.DataFrame, str] | str:
    """Strips that differ in the chosen factors alone, and what was left out; or the reason."""
    missing = [f for f in chosen if f not in known.varied]
    if missing:
        return words.varied_others(sorted(known.varied), chosen)
    strips, note = known.strips, ""
    others = sorted(known.varied - set(chosen))
    for other in others:
        strips = strips[strips[other] == known.references[other]]
    if others:
        lost = len(known.strips) - len(strips)
        note = words.strips_left_out(lost, others)
        if any(strips[f].nunique() < 2 for f in chosen):
            return words.one_setup_at_reference(others)
    if strips.groupby("field")[list(chosen)].nunique().max().min() < 2:
        return words.no_field_with_two(chosen)
    return strips, note


def _reached(factor: str, reference: str, tables: Sequence[pd.DataFrame]) -> set[str]:
    """Levels met in two trials or more that trials link with the reference, step by step."""
    own = [set(strips[factor].unique()) for strips in tables]
    times = Counter(level for levels in own for level in levels)
    shared = {level for level, n in times.items() if n > 1 or len(own) == 1}
    reached = {reference}
    while True:
        linked = {v for levels in own if levels & reached for v in levels & shared} | reached
        if linked == reached:
            return reached
        reached = linked
