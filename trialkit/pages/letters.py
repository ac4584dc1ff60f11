"""Letters instead of names in whatever may leave the researcher's hands."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from string import ascii_uppercase
from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    from trialkit.many import TrialsCompared
    from trialkit.trial import Trial

# Columns whose values say, or could say, whose ground it is.
INITIALS = frozenset({"counted_by", "written_by", "key_held_by", "measured_by"})
PRIVATE_COLUMNS = INITIALS | frozenset(
    {"field", "grower", "latitude", "longitude", "strip", "pair", "main_strip", "note", "notes",
     "reason"}
)  # fmt: skip
WITHHELD = "(withheld)"


def letter(index: int) -> str:
    """A, B, ..., Z, AA, AB, ..."""
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = ascii_uppercase[rest] + text
    return text


class Letters:
    """Stand-ins for the names of fields and growers of a trial.

    When the trial says its growers agreed, every name stands as it is. Otherwise fields become
    "Field A", "Field B", ... in the trial's order and growers "Grower A", ...; the names are also
    struck out of running text, and cells of the columns that may hold them are withheld.
    """

    def __init__(self, trial: Trial) -> None:
        self.agreed = bool(trial.config.growers_agreed)
        self.fields = self._stand_ins("Field", [*trial.fields["field"], *trial.strips["field"]])
        self._all = {**self._stand_ins("Grower", trial.fields.get("grower", [])), **self.fields}
        self._initials = _initials_in(trial.tables.values())

    def _stand_ins(self, word: str, names: Iterable[Any]) -> dict[str, str]:
        distinct = dict.fromkeys(str(name) for name in names if pd.notna(name))
        if self.agreed:
            return {name: name for name in distinct}
        return {name: f"{word} {letter(i)}" for i, name in enumerate(distinct)}

    def text(self, text: object) -> str:
        """Running text with every known name replaced by its letter.

        Names of one or two characters are left alone: they name nobody, and would be found
        inside other words.
        """
        return str(text) if self.agreed else _struck(str(text), self._all)

    def user_text(self, text: object) -> str:
        """What a user wrote, a note or a reason: names and the initials of who counted are gone."""
        found = self.text(text)
        if self.agreed or self._initials is None:
            return found
        return self._initials.sub(WITHHELD, found)

    def cell(self, column: str, value: object) -> str:
        """A refused cell as it may be shown."""
        if not self.agreed and str(column).lower() in PRIVATE_COLUMNS:
            return WITHHELD
        return self.text(value)


def _initials_in(tables: Iterable[pd.DataFrame]) -> re.Pattern[str] | None:
    """What finds the initials and names that stand in the columns for them, as they are written."""
    words: set[str] = set()
    for table in tables:
        for column in INITIALS.intersection(table.columns):
            for cell in table[column].dropna().unique():
                words |= {str(cell).strip(), *re.findall(r"[^\W\d_][\w.-]*[^\W_]", str(cell))}
    if not (words := {word for word in words if len(word) > 1}):
        return None
    either = "|".join(re.escape(word) for word in sorted(words, key=len, reverse=True))
    return re.compile(rf"(?<![^\W_])(?:{either})(?![^\W_])")


def _struck(text: str, stand_ins: Mapping[str, str]) -> str:
    """Text with every name of three characters or more replaced, the longest first."""
    letters, pattern = _pattern(tuple(stand_ins.items()))
    if pattern is None:
        return text
    return pattern.sub(lambda m: letters.get(m[0].casefold(), WITHHELD), text)


@lru_cache(maxsize=16)
def _pattern(
    stand_ins: tuple[tuple[str, str], ...],
) -> tuple[Mapping[str, str], re.Pattern[str] | None]:
    """Stand-ins by casefolded name, and what finds the names."""
    letters = {name.casefold(): stand_in for name, stand_in in stand_ins if len(name) > 2}
    if not letters:
        return letters, None
    names = "|".join(re.escape(name) for name in sorted(letters, key=len, reverse=True))
    return letters, re.compile(rf"(?<![^\W_])(?:{names})(?![^\W_])", re.IGNORECASE)


class ComparedLetters:
    """Stand-ins for the names in a comparison of many trials.

    The rule of `Letters`, trial by trial: names stand where the trial's growers agreed. A grower's
    own name stands when all trials of that grower agreed. A trial not agreed to, or not read, loses
    its own name too (folders are called after farms), its pairs and strips are numbered, and what
    was written in its files is withheld.

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
        stand_ins = iter(letter(i) for i in range(len(keys)))
        self.fields = {
            key: key[1] if free else f"Field {next(stand_ins)}"
            for key, free in zip(keys, own, strict=True)
        }
        titles = used.set_index("trial")["title"].astype(str).to_dict()
        self._struck = {
            **{titles[t]: self.trials[t] for t in titles if t not in self.agreed},
            **self._fields_in_text(),
            **{n: s for table in (self.growers, self.trials) for n, s in table.items() if n != s},
        }

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
        return _struck(str(text), self._struck)

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
            for column in ("pair", "strip"):
                if column in table:
                    count = table.groupby(["trial", "field"], sort=False)[column].transform(
                        lambda own: pd.factorize(own)[0] + 1
                    )
                    out[column] = table[column].where(~private, count)
        if "grower" in table:
            out["grower"] = table["grower"].map(self.growers, na_action="ignore")
        return out
