"""Letters instead of names where many trials are compared."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.pages.folding import words_of
from trialkit.pages.letters import KINDS, letter, numbered
from trialkit.pages.names import WITHHELD, Name, Names
from trialkit.pages.vocabulary import UNITS, zones

if TYPE_CHECKING:
    from trialkit.many import TrialsCompared

# Columns that have their stand-ins already, or keep their names where those were agreed to.
_TOLD = ("trial", "title", "grower", "field", "reason")


class ComparedLetters:
    """Stand-ins for the names in a comparison of many trials.

    The rule of `Letters`, trial by trial: names stand where the trial's growers agreed. A grower's
    own name stands when all trials of that grower agreed. A trial not agreed to, or not read, loses
    its own name too (folders are called after farms), its pairs and strips are numbered by
    `numbered`, and what was written in its files is withheld.

    Attributes
    ----------
    trials, growers : dict of str to str
    fields : dict of (trial, field) to str
    """

    def __init__(self, comparison: TrialsCompared) -> None:
        used, strips = comparison.trials, comparison.strips
        self.agreed = frozenset(used.loc[used["growers_agreed"].astype(bool), "trial"])
        names = [*used["trial"], *comparison.skipped["trial"]]
        self.trials = self._letters("Trial", names, [t in self.agreed for t in names])
        known = strips[["trial", "grower"]].dropna().drop_duplicates()
        known = known.assign(agreed=known["trial"].isin(self.agreed))
        agreed = known.groupby("grower", sort=False)["agreed"].all()
        self.growers = self._letters("Grower", [str(g) for g in agreed.index], list(agreed))
        pairs = strips[["trial", "field"]].drop_duplicates()
        keys = [(str(t), str(f)) for t, f in pairs.itertuples(index=False)]
        own = [t in self.agreed for t, _ in keys]
        letters = iter(letter(i) for i in range(len(keys)))
        self.fields = {
            key: key[1] if free else f"Field {next(letters)}"
            for key, free in zip(keys, own, strict=True)
        }
        self.numbers = {
            column: numbered(keys_of(strips), strips[column], self.fields)
            for column in ("pair", "strip")
        }
        titles = used.set_index("trial")["title"].astype(str).to_dict()
        struck = {
            **{titles[t]: self.trials[t] for t in titles if t not in self.agreed},
            **self._fields_in_text(),
            **{n: s for table in (self.growers, self.trials) for n, s in table.items() if n != s},
        }
        whole = {*titles.values(), *self.trials}
        setups = [name for pair in comparison.factors.items() for name in (pair[0], *pair[1])]
        levels = {word for name in setups for word in words_of(name)}
        self.names = Names(
            [Name(name, shown, "whole" if name in whole else "") for name, shown in struck.items()],
            levels | zones() | UNITS,
        )

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
        return {
            f"{trial} / {field}": f"{self.trials[trial]} / {shown}"
            if trial in self.agreed
            else shown
            for (trial, field), shown in self.fields.items()
        }

    @staticmethod
    def _letters(word: str, names: Sequence[str], agreed: Sequence[bool]) -> dict[str, str]:
        stand_ins = iter(letter(i) for i in range(len(names)))
        pairs = dict(zip(names, agreed, strict=True))
        return {n: n if free else f"{word} {next(stand_ins)}" for n, free in pairs.items()}

    def text(self, text: object) -> str:
        """Running text with every name that is not agreed to replaced."""
        return self.names.struck(str(text))

    def table(self, table: pd.DataFrame) -> pd.DataFrame:
        """One of the comparison's tables as it may be shown."""
        out = table.copy()
        if "trial" in table:
            private = ~table["trial"].isin(self.agreed)
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
        return out.rename(columns=lambda name: self.text(name))


def keys_of(table: pd.DataFrame) -> list[tuple[str, str]]:
    """Trial and field of every row."""
    return list(zip(table["trial"].astype(str), table["field"].astype(str), strict=True))
