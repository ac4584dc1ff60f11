"""Which setups of several trials are the same, and which trials can be compared by them."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from trialkit.errors import DesignError
from trialkit.many.trial_rows import OF_FIELD, Columns, TrialRows
from trialkit.responses import schema
from trialkit.words import many as words

# The trial, its strips used (common names), what was left out of it.
Matched = tuple[TrialRows, Columns, str]


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


_NO_LEVEL = "\0"
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
    """A trial's factors by common name, and of its strips with the response (those at `kept`) field
    and levels: in lists, which a thousand trials of a dozen strips cost least in.
    """

    trial: TrialRows
    own: dict[str, str]
    references: dict[str, str]
    fields: list[str]
    levels: dict[str, list[str]]
    kept: list[int]
    note: str = ""

    def met(self, factor: str) -> set[str]:
        """The levels of a factor."""
        levels = self.levels[factor]
        return {levels[i] for i in self.kept} - {_NO_LEVEL}

    @property
    def varied(self) -> frozenset[str]:
        return frozenset(f for f in self.own if len(self.met(f)) > 1)

    def differ_within_a_field(self, factor: str) -> bool:
        """Whether strips of one field at least have different levels."""
        first: dict[str, str] = {}
        pairs = ((self.fields[i], self.levels[factor][i]) for i in self.kept)
        return any(first.setdefault(field, level) != level for field, level in pairs)

    def where(self, factor: str, among: Collection[str]) -> _Setups:
        """Only its strips at some levels of a factor."""
        levels = self.levels[factor]
        return replace(self, kept=[i for i in self.kept if levels[i] in among])

    def strips(self) -> Columns:
        """Strips that are left, by common names."""
        own = {c: v for c, v in self.trial.strips.items() if c not in self.own.values()}
        common = {f: np.asarray(levels, dtype=object) for f, levels in self.levels.items()}
        return {c: values[self.kept] for c, values in {**own, **common}.items()}


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
    usable: list[_Setups] = []
    for known in setups:
        found = _with_factors(known, chosen)
        if isinstance(found, str):
            unmatched.append((known.trial.name, found))
        else:
            usable.append(found)
    references = {
        f: Counter(k.references[f] for k in usable).most_common(1)[0][0] for f in chosen if usable
    }
    for factor, reference in references.items():
        met = [known.met(factor) for known in usable]
        times = Counter(level for levels in met for level in levels)
        reached = _reached(reference, met, times)
        left = []
        for known, own in zip(usable, met, strict=True):
            if len(own & reached) < 2:
                others = sorted(level for level, n in times.items() if n > (level in own))
                reason = words.other_levels(factor, sorted(own), others)
                unmatched.append((known.trial.name, reason))
                continue
            left.append(known.where(factor, reached))
        usable = left
    levels = {
        f: (r, *sorted({v for known in usable for v in known.met(f)} - {r}))
        for f, r in references.items()
    }
    return [(k.trial, k.strips(), k.note) for k in usable], levels, unmatched


def _setups(trial: TrialRows, aliases: Mapping[str, str]) -> _Setups | str:
    """The trial's setups by common names, or why they have none."""
    columns = set(trial.strips)
    own: dict[str, str] = {}
    references: dict[str, str] = {}
    by_strip: dict[str, list[str]] = {}
    for factor in trial.setups:
        common = factor_name(factor.name, aliases)
        levels = [normalised(v, aliases) for v in factor.levels]
        if common in own:
            return words.one_name(own[common], factor.name)
        if common in _TAKEN or (common in columns and common != factor.name):
            return words.name_taken(common, factor.name)
        if len(set(levels)) < len(levels):
            return words.one_level(factor.name)
        columns = columns - {factor.name} | {common}
        own[common] = factor.name
        references[common] = normalised(factor.reference, aliases)
        renamed = dict(zip(factor.levels, levels, strict=True))
        by_strip[common] = [renamed.get(v, _NO_LEVEL) for v in trial.strips[factor.name].tolist()]
    fields = trial.strips["field"].tolist()
    known = _Setups(trial, own, references, fields, by_strip, list(range(len(fields))))
    if not known.varied:
        return words.one_setup()
    return known


def _most_common(setups: Sequence[_Setups]) -> tuple[str, ...]:
    """The set of factors that most trials varied; then the larger set, then the most strips."""
    best: tuple[tuple[int, int, int], tuple[str, ...]] = ((0, 0, 0), ())
    varied = [known.varied for known in setups]
    for asked in sorted(set(varied), key=sorted):
        holding = [k for k, own in zip(setups, varied, strict=True) if asked <= own]
        rank = len(holding), len(asked), sum(len(k.kept) for k in holding)
        if rank > best[0]:
            best = rank, tuple(sorted(asked))
    return best[1]


def _with_factors(known: _Setups, chosen: Sequence[str]) -> _Setups | str:
    """Only strips that differ in the chosen factors alone, with what was left out; or why none."""
    varied = known.varied
    if not varied.issuperset(chosen):
        return words.varied_others(sorted(varied), chosen)
    out, others = known, sorted(varied - set(chosen))
    for other in others:
        out = out.where(other, {known.references[other]})
    if others:
        out = replace(out, note=words.strips_left_out(len(known.kept) - len(out.kept), others))
        if any(len(out.met(f)) < 2 for f in chosen):
            return words.one_setup_at_reference(others)
    if not all(out.differ_within_a_field(f) for f in chosen):
        return words.no_field_with_two(chosen)
    return out


def _reached(reference: str, own: Sequence[set[str]], times: Mapping[str, int]) -> set[str]:
    """Levels met in two trials or more that trials link with the reference, step by step."""
    shared = {level for level, n in times.items() if n > 1 or len(own) == 1}
    reached = {reference}
    while True:
        linked = {v for levels in own if levels & reached for v in levels & shared} | reached
        if linked == reached:
            return reached
        reached = linked
