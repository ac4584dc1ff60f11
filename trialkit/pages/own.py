"""Whose fields a grower's report is about, and how the others' names are kept back."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import pandas as pd

from trialkit.errors import DesignError
from trialkit.pages.folding import words_of
from trialkit.pages.letters import Letters, find_grower, stand_ins
from trialkit.pages.names import Name
from trialkit.pages.vocabulary import GENERIC
from trialkit.trial import Trial

_SIDES = frozenset({
    "north", "south", "east", "west", "left", "right", "near", "far", "upper", "lower", "front",
    "rear", "side", "end", "half",
})  # fmt: skip


def letters_of(trial: Trial, report: str, parameters: Mapping[str, Any]) -> Letters:
    """What stands for names in a report: on a grower's own page that grower's stand.

    Raises
    ------
    DesignError
        Of a grower's page, as `OwnLetters`.
    """
    if report == "grower":
        return OwnLetters(trial, str(parameters.get("grower") or ""))
    return Letters(trial)


class OwnLetters(Letters):
    """Letters for everyone but one grower, whose own names stand as they are.

    So do those of the grower's strips, pairs and main strips that are made of numbers and of words
    of the own field, the own name, setups and sides alone ("Mill Piece-07", "7 narrow", "1A").

    Parameters
    ----------
    trial : Trial
    grower : str
        A grower's name, or the letter that other reports give ("Grower B" or "B"); by default the
        only grower of the trial.

    Attributes
    ----------
    grower : str
        Name as the trial has it; empty where the trial names no growers. Then all fields count as
        one grower's own.
    mine : tuple of str
        The grower's fields with strips, in the trial's order.
    others : tuple of str
        All other fields with strips.

    Raises
    ------
    DesignError
        When there is no such grower, none of the grower's fields has a strip, or none is named
        where there are several.
    """

    def __init__(self, trial: Trial, grower: str = "") -> None:
        super().__init__(trial)
        run = dict.fromkeys(str(f) for f in trial.strips["field"])
        known = trial.fields
        owners: dict[str, str] = {}
        if "grower" in known:
            pairs = known[["field", "grower"]].dropna().astype(str)
            owners = dict(pairs.itertuples(index=False, name=None))
        growers = known.get("grower", pd.Series(dtype=str)).dropna().astype(str)
        here = {owners[field] for field in run if field in owners}
        self.grower = find_grower(grower, stand_ins("Grower", growers), here)
        self.mine = tuple(
            field for field in run if not self.grower or owners.get(field) == self.grower
        )
        if not self.mine:
            raise DesignError(f"{grower} has no field with strips in this trial.")
        self.others = tuple(field for field in run if field not in self.mine)
        own = {field: field for field in self.mine}
        own |= {field: field for field, name in owners.items() if name == self.grower}
        self.fields = {**self.fields, **own}
        if self.grower:
            self.growers = {**self.growers, self.grower: self.grower}
        self._keep_own_strips()

    def _keep_own_strips(self) -> None:
        """Call the own strips by their names, as far as those name nobody else."""
        if self.agreed:
            return
        numbered = self.numbers
        own = {
            kind: {key: key[1] for key in numbers if key[0] in self.mine and self._names_none(*key)}
            for kind, numbers in numbered.items()
        }  # fmt: skip
        self.numbers = {kind: {**numbers, **own[kind]} for kind, numbers in numbered.items()}
        names = self.names  # what is struck now; a word of another's name is numbered after all
        for kind, kept in own.items():
            self.numbers[kind] |= {
                key: numbered[kind][key] for key, name in kept.items()
                if names.struck(name, True) != name
            }  # fmt: skip
        del self.names  # made anew of the numbers as they stand

    def _names_none(self, field: str, name: str) -> bool:
        """Whether a name in an own field has words of that field, its grower and setups only."""
        if re.fullmatch(r"\d{1,4}[A-Za-z]?", name):
            return True
        setups = (word for f in self._config.setups for word in (f.name, *map(str, f.levels)))
        known = {word for text in (field, self.grower, *setups) for word in words_of(text)}
        known |= GENERIC | _SIDES
        return all(word.isdigit() or word in known for word in words_of(name))

    def _own(self) -> list[Name]:
        return [Name(name, name, "whole") for name in (*self.mine, self.grower) if name]

    def page_title(self, page: str) -> str:
        """It says whose page it is, as the page itself does."""
        return super().page_title(f"{page}, {self.grower}" if self.grower else page)
