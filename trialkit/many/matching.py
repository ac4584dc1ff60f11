"""Which setups of several trials are the same, and which trials can be compared by them."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher, get_close_matches
from functools import cached_property

import numpy as np

from trialkit.errors import DesignError
from trialkit.many.trial_rows import OF_FIELD, Columns, TrialRows
from trialkit.responses import schema
from trialkit.words import many as words
from trialkit.words import readings

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
) -> tuple[list[Matched], dict[str, tuple[str, ...]], list[tuple[str, str]], dict[str, int]]:
    """Trials that can be compared by the same setup factors.

    Returns
    -------
    matched : list of (TrialRows, strips, note)
    levels : dict of factor to levels, reference first
    unmatched : list of (name, reason)
    varied : dict of str to int
        How many trials varied each factor, most first.
    """
    unmatched: list[tuple[str, str]] = []
    setups = []
    for trial in trials:
        try:
            known = _setups(trial, aliases)
        except Exception as error:  # one trial must not end the comparison of all
            known = readings.unexpected(type(error).__name__, str(error))
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
    varied = dict(Counter(f for known in setups for f in sorted(known.varied)).most_common())
    if not chosen:
        return [], {}, unmatched, varied
    usable: list[_Setups] = []
    every = _Every(setups)
    for known in setups:
        found = _with_factors(known, chosen, every)
        if isinstance(found, str):
            unmatched.append((known.trial.name, found))
        else:
            usable.append(found)
    references = {f: _reference([k.references[f] for k in usable]) for f in chosen if usable}
    for factor, reference in references.items():
        met = [known.met(factor) for known in usable]
        times = Counter(level for levels in met for level in levels)
        reached = _reached(reference, met, times)
        left = []
        for known, own in zip(usable, met, strict=True):
            if len(own & reached) < 2:
                others = {level for level, n in times.items() if n > (level in own)}
                there = reached if len(reached) > 1 else others
                reason = _other_levels(known, factor, reference, own, there, every)
                unmatched.append((known.trial.name, reason))
                continue
            left.append(known.where(factor, reached))
        usable = left
    levels = {
        f: (r, *sorted({v for known in usable for v in known.met(f)} - {r}))
        for f, r in references.items()
    }
    return [(k.trial, k.strips(), k.note) for k in usable], levels, unmatched, varied


def unmet(
    trials: Sequence[TrialRows], aliases: Mapping[str, str]
) -> dict[str, tuple[str, ...]]:
    """Names that should mean others and are no factor and no level of these trials, as they were
    given, with names of these trials that are spelt much alike."""
    written: dict[str, str] = {}
    every = (setup for trial in trials for setup in trial.setups)
    for setup in dict.fromkeys(every) if aliases else ():
        for name in (setup.name, *setup.levels):
            written.setdefault(normalised(name, {}), name)
    out = {}
    for name in aliases:
        if (own := normalised(name, {})) not in written:
            near = get_close_matches(own, sorted(written), 3, _ALIKE)
            out[name] = tuple(written[each] for each in near)
    return out


def _setups(trial: TrialRows, aliases: Mapping[str, str]) -> _Setups | str:
    """The trial's setups by common names, or why they have none."""
    columns = set(trial.strips)
    own: dict[str, str] = {}
    references: dict[str, str] = {}
    by_strip: dict[str, list[str]] = {}
    for factor in trial.setups:
        common = factor_name(factor.name, aliases)
        levels = [normalised(v, aliases) for v in factor.levels]
        alike = [f.name for f in trial.setups if factor_name(f.name, aliases) == common]
        if len(alike) > 1:
            told = len({factor_name(name, {}) for name in alike}) > 1
            return words.one_name(alike[0], alike[1], told)
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


class _Every:
    """What is asked of all trials' setups where one of them does not match."""

    def __init__(self, setups: Sequence[_Setups]) -> None:
        self._setups = setups

    @cached_property
    def levels(self) -> dict[str, set[str]]:
        """The levels of every factor, by common names."""
        out: dict[str, set[str]] = {}
        for known in self._setups:
            for factor in known.own:
                out.setdefault(factor, set()).update(known.met(factor))
        return out

    @cached_property
    def _together(self) -> set[frozenset[str]]:
        return {frozenset(known.own) for known in self._setups}

    @cached_property
    def _written(self) -> dict[str, str]:
        """Common names as most trials write them."""
        times: dict[str, Counter[str]] = {}
        for known in self._setups:
            for setup in known.trial.setups:
                for name in (setup.name, *setup.levels):
                    times.setdefault(normalised(name, {}), Counter())[name] += 1
        return {common: found.most_common(1)[0][0] for common, found in times.items()}

    def written(self, names: Iterable[str]) -> list[str]:
        """Common names as trials write them, in order."""
        return [self._written.get(name, name) for name in sorted(names)]

    def called(self, factor: str) -> list[str]:
        """Names of a factor that only aliases make one."""
        own = {known.own[factor] for known in self._setups if factor in known.own}
        return sorted({factor_name(name, {}): name for name in sorted(own)}.values())

    def same_thing(self, known: _Setups, chosen: Sequence[str]) -> tuple[str, str] | None:
        """A factor that a trial varied and one that is compared, where they could be one thing
        under two names: two levels at least are the same, and no trial has both."""
        for here in sorted(known.varied.difference(chosen)):
            for there in chosen:
                both = {here, there}
                alike = known.met(here) & self.levels.get(there, set())
                if len(alike) > 1 and not any(both <= own for own in self._together):
                    return known.own[here], there
        return None


_ALIKE = 0.6
"""Names of which this share of letters is common, in order, could be one (`SequenceMatcher`)."""


def _likeness(one: str, other: str) -> float:
    """How much alike two names are, 0 to 1; 1 where one has all words of the other."""
    own, others = set(re.findall(r"\w+", one)), set(re.findall(r"\w+", other))
    if own and others and (own <= others or others <= own):
        return 1.0
    return SequenceMatcher(None, one, other).ratio()


def _other_levels(
    known: _Setups, factor: str, reference: str, own: set[str], others: set[str], every: _Every
) -> str:
    """Why a trial's levels of a factor do not match, and which of them could be which."""
    new, there = own - others, others - own
    ranked = sorted(((_likeness(a, b), a, b) for a in new for b in there),
                    key=lambda each: (-each[0], *each[1:]))  # fmt: skip
    pairs: dict[str, str] = {}
    for likeness, here, other in ranked:
        if likeness >= _ALIKE and here not in pairs and other not in pairs.values():
            pairs[here] = other
    first = known.references[factor]
    if pairs and first in new - pairs.keys() and reference in there - set(pairs.values()):
        pairs[first] = reference
    called = every.called(factor)
    if len(called) > 1 and not pairs and not own & others:
        return words.hardly_the_same(called, every.written(own), every.written(others))
    told = [tuple(every.written([here]) + every.written([other])) for here, other in pairs.items()]
    return words.other_levels(factor, every.written(own), every.written(others), told)


def _reference(named: Sequence[str]) -> str:
    """What most trials compare with; of those that equally many do, the first by name, so that the
    order of the trials turns no effect round."""
    times = Counter(named)
    return min(times, key=lambda level: (-times[level], level))


def _with_factors(known: _Setups, chosen: Sequence[str], every: _Every) -> _Setups | str:
    """Only strips that differ in the chosen factors alone, with what was left out; or why none."""
    varied = known.varied
    if not varied.issuperset(chosen):
        return words.varied_others(sorted(varied), chosen, every.same_thing(known, chosen))
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
