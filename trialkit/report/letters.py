"""Letters instead of names in whatever may leave the researcher's hands."""

from __future__ import annotations

import re
from collections.abc import Iterable
from string import ascii_uppercase
from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    from trialkit.trial import Trial

# Columns whose values say, or could say, whose ground it is.
PRIVATE_COLUMNS = frozenset(
    {"field", "grower", "latitude", "longitude", "strip", "pair", "main_strip", "note", "notes"}
)
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
        result = str(text)
        if self.agreed:
            return result
        letters = {name.casefold(): letter for name, letter in self._all.items() if len(name) > 2}
        if not letters:
            return result
        longest_first = sorted(letters, key=len, reverse=True)
        names = "|".join(re.escape(name) for name in longest_first)
        pattern = rf"(?<![^\W_])(?:{names})(?![^\W_])"
        return re.sub(
            pattern, lambda m: letters.get(m[0].casefold(), WITHHELD), result, flags=re.IGNORECASE
        )

    def cell(self, column: str, value: object) -> str:
        """A refused cell as it may be shown."""
        if not self.agreed and str(column).lower() in PRIVATE_COLUMNS:
            return WITHHELD
        return self.text(value)
