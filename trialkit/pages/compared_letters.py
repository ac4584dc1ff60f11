"""Letters instead of names where many trials are compared."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.pages.folding import words_of
from trialkit.pages.letters import KINDS, letter, numbered
from trialkit.pages.names import WITHHELD, Name, Names
from trialkit.pages.vocabulary import UNITS, zones

if TYPE_CHECKING:
    from trialkit.many import TrialsCompared

Key = tuple[str, str]
"""A trial and a field of it, by their names."""
Ground = tuple[str, str, str]
"""A field as its grower has it over the years: grower, name, and the trial of one without."""

# Columns that have their stand-ins already, or keep their names where those were agreed to.
_TOLD = ("trial", "title", "grower", "field", "reason")


class ComparedLetters:
    """Stand-ins for the names in a comparison of many trials.

    The rule of `Letters`, trial by trial: names stand where the trial's growers agreed. A grower's
    own name stands when all trials of that grower agreed. A trial not agreed to, or not read, loses
    its own name too (folders are called after farms), its pairs and strips are numbered by
    `numbered`, its places are left out, and what was written in its files is withheld. A field that
    one grower has in several trials is one field, with one letter; its name stands where all its
    trials agreed.

    Attributes
    ----------
    agreed : bool
        Whether every trial, those left out too, is agreed to.
    trials_agreed : frozenset of str
    trials, growers : dict of str to str
    fields : dict of (trial, field) to str
    """

    def __init__(self, comparison: TrialsCompared) -> None:
        used, strips = comparison.trials, comparison.strips
        self.factors = tuple(comparison.factors)
        self.trials_agreed = frozenset(used.loc[used["growers_agreed"].astype(bool), "trial"])
        names = [*used["trial"], *comparison.skipped["trial"]]
        self.agreed = set(names) <= self.trials_agreed
        self.trials = self._letters("Trial", names, [t in self.trials_agreed for t in names])
        known = strips[["trial", "grower"]].dropna().drop_duplicates()
        known = known.assign(agreed=known["trial"].isin(self.trials_agreed))
        agreed = known.groupby("grower", sort=False)["agreed"].all()
        self.growers = self._letters("Grower", [str(g) for g in agreed.index], list(agreed))
        self.ground = grounds(strips)
        free: dict[Ground, bool] = {}
        for (trial, _), ground in self.ground.items():
            free[ground] = free.get(ground, True) and trial in self.trials_agreed
        letters = iter(letter(i) for i in range(len(free)))
        shown = {g: g[1] if named else f"Field {next(letters)}" for g, named in free.items()}
        self.fields = {
            key: key[1] if free[ground] else shown[ground] for key, ground in self.ground.items()
        }
        self._own()
        self.numbers = {
            column: numbered(keys_of(strips), strips[column], self.fields)
            for column in ("pair", "strip")
        }
        titles = used.set_index("trial")["title"].astype(str).to_dict()
        struck = {
            **{titles[t]: self.trials[t] for t in titles if t not in self.trials_agreed},
            **self._fields_in_text(),
            **{n: s for table in (self.growers, self.trials) for n, s in table.items() if n != s},
        }
        whole = {*titles.values(), *self.trials}
        setups = [name for pair in comparison.factors.items() for name in (pair[0], *pair[1])]
        levels = {word for name in setups for word in words_of(name)}
        self.known = [Name(n, s, "whole" if n in whole else "") for n, s in struck.items()]
        self.levels = levels | zones() | UNITS
        self.names = Names(self.known, self.levels)

    def _own(self) -> None:
        """Names that stand although they were not agreed to: none."""

    def _fields_in_text(self) -> dict[str, str]:
        """Fields not agreed to; one name of several fields is withheld, for want of one letter."""
        out: dict[str, str] = {}
        for (_, field), shown in self.fields.items():
            if shown != field:
                out[field] = shown if field not in out else WITHHELD
        return out

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

    @staticmethod
    def _letters(word: str, names: Sequence[str], agreed: Sequence[bool]) -> dict[str, str]:
        """Letters go by place among all, so that one that is asked for is the one that is shown."""
        pairs = dict(zip(names, agreed, strict=True))
        shown = {name: f"{word} {letter(i)}" for i, name in enumerate(pairs)}
        return {name: name if free else shown[name] for name, free in pairs.items()}

    def text(self, text: object) -> str:
        """Running text with every name that is not agreed to replaced."""
        return self.names.struck(str(text))

    def table(self, table: pd.DataFrame) -> pd.DataFrame:
        """One of the comparison's tables as it may be shown."""
        out = table.copy()
        if "trial" in table:
            private = ~table["trial"].isin(self.trials_agreed)
            out["trial"] = table["trial"].map(self.trials)
            if "title" in table:
                out["title"] = table["title"].where(~private, out["trial"])
            if "reason" in table:
                # The others speak of setups alone, or quote a file.
                told = table["reason"].where(table["kind"].isin(["no data", "setups"]), WITHHELD)
                again = table["kind"].eq("repeated")
                out["reason"] = told.where(~again, table["reason"].map(self.text))
            if "note" in table:
                out["note"] = table["note"].map(self.text)
            for place in ("latitude", "longitude"):
                if place in table:
                    out[place] = table[place].where(~private)
            if "field" in table:
                keys = zip(table["trial"].astype(str), table["field"].astype(str), strict=True)
                out["field"] = [self.fields.get(key, WITHHELD) for key in keys]
            for column in KINDS.keys() & self.numbers.keys() & set(table.columns):
                known = zip(keys_of(table), table[column].astype(str), strict=True)
                shown = [self.numbers[column].get(key, WITHHELD) for key in known]
                out[column] = table[column].where(~private, pd.Series(shown, table.index))
        if "grower" in table:
            out["grower"] = table["grower"].map(self.growers, na_action="ignore")
        for column in out.columns.difference([*_TOLD, *KINDS]):
            if not pd.api.types.is_numeric_dtype(out[column]):
                out[column] = [self.text(v) if isinstance(v, str) else v for v in out[column]]
        return out.rename(columns={factor: self.text(factor) for factor in self.factors})


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
