"""Inputs of the fuzzer by kind, seed and number: the same three always give the same bytes."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[1]))

from mutate_settings import plan_file, settings_file
from mutate_tables import folder_of_tables
from mutate_workbooks import workbook
from valid_trials import VALID

Files = dict[str, bytes]
MAKERS: dict[str, Callable[[np.random.Generator], Files]] = {
    "tables": lambda rng: folder_of_tables(rng, VALID),
    "workbook": lambda rng: workbook(rng, VALID),
    "settings": lambda rng: settings_file(rng, VALID),
    "plan": plan_file,
}
KINDS = tuple(MAKERS)
THOROUGH = 20
"""One input in so many is also analysed, printed and written back."""


@dataclass(frozen=True)
class Input:
    """One input: its files, and what draws it again."""

    kind: str
    seed: int
    number: int
    files: Files

    @property
    def name(self) -> str:
        return f"{self.kind}-{self.seed}-{self.number}"

    @property
    def thorough(self) -> bool:
        return self.number % THOROUGH == 0

    def write(self, folder: Path) -> Path:
        """Put the files into an empty folder; the path that trialkit is given to read."""
        for name, content in self.files.items():
            (folder / name).write_bytes(content)
        return folder if "trial.toml" in self.files else folder / next(iter(self.files))


def draw(kind: str, seed: int, number: int) -> Input:
    """The input of this kind, seed and number."""
    rng = np.random.default_rng([seed, number, KINDS.index(kind)])
    return Input(kind, seed, number, MAKERS[kind](rng))
