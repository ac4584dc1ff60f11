"""Letters instead of names where many trials are compared."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterable, Mapping
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.pages.folding import words_of
from trialkit.pages.letters import KINDS, free_letters, numbered, stand_ins
from trialkit.pages.names import WITHHELD, Name, Names
from trialkit.pages.vocabulary import UNITS, zones

if TYPE_CHECKING:
    from trialkit.many import TrialsCompared

Key = tuple[str, str]
"""A trial and a field of it, by their names."""
Ground = tuple[str, str, str]
"""A field as its grower has it over the years: grower, name, and the trial of one without."""

# Columns that have their stand-ins already.
_LETTERED = ("trial", "title", "grower", "field", "reason")


class ComparedLetters:
    """Stand-ins for the names in a comparison of many trials.

    The rule of `Letters`, trial by trial: what was agreed to stands. A grower's name stands where
    all trials with that grower agreed. A field that one grower has in several trials is one field,
    with one letter; its name, its place and the names of its pairs and strips stand where all its
    trials agreed. So do a trial's own name and title where it agreed (folders are called after
    farms). A name that holds another that does not stand is replaced by its letter or number all
    the same. What was written in the files of a trial that did not agree is withheld.

    Names are struck out of text as well (`text`). One name may be of several fields, for which
    different things are shown, the name itself among them: in text that does not say whose it is,
    it is withheld.

    Attributes
    ----------
    agreed : bool
        Whether every trial, those left out too, is agreed to.
    trials_agreed : frozenset of str
    trials, titles, growers : dict of str to str
        What is shown; titles by trial.
    grower_letters : dict of str to str
        "Grower A", ... of every grower, those whose names stand too.
    fields : dict of (trial, field) to str
    free : frozenset of (trial, field)
        Fields whose names stand by agreement.
    """

    def __init__(self, comparison: TrialsCompared) -> None:
        used, strips = comparison.trials, comparison.strips
        self.factors = tuple(comparison.factors)
        self.trials_agreed = frozenset(used.loc[used["growers_agreed"].astype(bool), "trial"])
        trials = list(dict.fromkeys([*used["trial"], *comparison.skipped["trial"]]))
        self.agreed = set(trials) <= self.trials_agreed
        known = strips[["trial", "grower"]].dropna().drop_duplicates()
        known = known.assign(agreed=known["trial"].isin(self.trials_agreed))
        agreed = known.groupby("grower", sort=False)["agreed"].all()
        agreed.index = agreed.index.astype(str)
        self.ground = grounds(strips)
        every = [*trials, *agreed.index, *dict.fromkeys(field for _, field in self.ground)]
        # By place among all, so that a letter that is asked for is the one that is shown.
        self.grower_letters = stand_ins("Grower", agreed.index, every)
        self.growers = {g: g if agreed[g] else own for g, own in self.grower_letters.items()}
        setups = [name for pair in comparison.factors.items() for name in (pair[0], *pair[1])]
        self.levels = {word for name in setups for word in words_of(name)} | zones() | UNITS
        growers = Names(_names(self.growers), self.levels)
        named: dict[Ground, bool] = {}
        for (trial, field), ground in self.ground.items():
            free = trial in self.trials_agreed and growers.struck(field, True) == field
            named[ground] = named.get(ground, True) and free
        self.free = frozenset(key for key, ground in self.ground.items() if named[ground])
        hidden = [ground for ground, free in named.items() if not free]
        shown = dict(zip(hidden, free_letters("Field", every), strict=False))
        self.fields = {
            key: key[1] if key in self.free else shown[ground]
            for key, ground in self.ground.items()
        }  # fmt: skip
        self._own()
        self.numbers = {
            column: numbered(keys_of(strips), strips[column], self.fields)
            for column in ("pair", "strip")
        }
        fields = _told((field, shown) for (_, field), shown in self.fields.items())
        people = Names(_names({**fields, **self.growers}), self.levels)
        own_letters = stand_ins("Trial", trials, every)
        titles = used.set_index("trial")["title"].astype(str).to_dict()

        def stands(trial: str, text: str) -> bool:
            return trial in self.trials_agreed and people.struck(text, True) == text

        self.trials = {t: t if stands(t, t) else own for t, own in own_letters.items()}
        self.titles = {t: told if stands(t, told) else self.trials[t] for t, told in titles.items()}
        plain = {told for t, told in self.titles.items() if told == titles[t]}
        struck = ((titles[t], own) for t, own in self.titles.items() if titles[t] not in plain)
        whole = {**_told(struck), **self.trials}
        called = {**whole, **fields, **self.growers, **self.trials}
        self.known = _names(called, whole.keys() - fields.keys() - self.growers.keys())
        self.names = Names(self.known, self.levels)

    def _own(self) -> None:
        """Names that stand although they were not agreed to: none."""

    @property
    def places(self) -> dict[str, str]:
        """What to print for every field, ``"trial / field"``, as figures name it."""
        times = Counter(self.fields.values())
        return {
            f"{trial} / {field}": f"{self.trials[trial]} / {shown}"
            if trial in self.trials_agreed
            else f"{shown}, {self.trials[trial]}" if times[shown] > 1 else shown
            for (trial, field), shown in self.fields.items()
        }  # fmt: skip

    def unlettered(self, text: object) -> str:
        """Text that was written with names, before letters stood for them: every name that is not
        agreed to is replaced, and withheld where it is not known whose it is."""
        return self.names.struck(str(text))

    text = unlettered

    def table(self, table: pd.DataFrame) -> pd.DataFrame:
        """One of the comparison's tables as it may be shown."""
        out = table.copy()
        if "trial" in table:
            out["trial"] = table["trial"].map(self.trials)
            if "title" in table:
                out["title"] = table["trial"].map(self.titles)
            if "reason" in table:
                # The others speak of setups alone, or quote a file.
                told = table["reason"].where(table["kind"].isin(["no data", "setups"]), WITHHELD)
                again = table["kind"].eq("repeated")
                out["reason"] = told.where(~again, table["reason"].map(self.unlettered))
        if {"trial", "field"} <= set(table.columns):
            keys = keys_of(table)
            out["field"] = [self.fields.get(key, WITHHELD) for key in keys]
            free = pd.Series([key in self.free for key in keys], table.index)
            for place in ("latitude", "longitude"):
                if place in table:
                    out[place] = table[place].where(free)
            for column in KINDS.keys() & self.numbers.keys() & set(table.columns):
                names = table[column].astype(str)
                shown = [self.numbers[column].get(key, WITHHELD)
                         for key in zip(keys, names, strict=True)]  # fmt: skip
                stands = free & names.map(lambda name: self.names.struck(name, True) == name)
                out[column] = table[column].where(stands, pd.Series(shown, table.index))
        if "grower" in table:
            out["grower"] = table["grower"].map(self.growers, na_action="ignore")
        for column in out.columns.difference([*_LETTERED, *KINDS]):
            if not pd.api.types.is_numeric_dtype(out[column]):
                out[column] = [
                    self.unlettered(v) if isinstance(v, str) else v for v in out[column]
                ]  # fmt: skip
        return out.rename(columns={factor: self.unlettered(factor) for factor in self.factors})


def _told(called: Iterable[tuple[str, str]]) -> dict[str, str]:
    """What is shown for a name in text; withheld where it differs from one to another."""
    out: dict[str, str] = {}
    for name, shown in called:
        out[name] = shown if out.get(name, shown) == shown else WITHHELD
    return out


def _names(called: Mapping[str, str], whole: Container[str] = ()) -> list[Name]:
    """Names as they are looked for in text, those of `whole` as a whole; a word that stands, and is
    of a name that does not, is withheld: nothing tells which is meant."""
    struck = {word for name, shown in called.items() if shown != name and name not in whole
              for word in words_of(name)}  # fmt: skip
    out = []
    for name, shown in called.items():
        stands = shown == name
        words = words_of(name)
        if stands and len(words) == 1 and words[0] in struck:
            shown = WITHHELD
        out.append(Name(name, shown, "whole" if stands or name in whole else ""))
    return out


def grounds(strips: pd.DataFrame) -> dict[Key, Ground]:
    """The field of every trial as one field over the years: what one grower calls alike is one;
    where no grower is named, trials are kept apart."""
    out: dict[Key, Ground] = {}
    rows = strips[["trial", "field", "grower"]].drop_duplicates(["trial", "field"])
    for trial, field, grower in rows.itertuples(index=False):
        key = (str(trial), str(field))
        named = pd.notna(grower)
        name = " ".join(words_of(key[1])) or key[1]
        out[key] = (str(grower), name, "") if named else ("", name, key[0])
    return out


def keys_of(table: pd.DataFrame) -> list[tuple[str, str]]:
    """Trial and field of every row."""
    return list(zip(table["trial"].astype(str), table["field"].astype(str), strict=True))
