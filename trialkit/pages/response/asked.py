"""One response as the pieces of its section see it: every question answered once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any

from trialkit.errors import DesignError, ModelError
from trialkit.facts import Note
from trialkit.pages.elements import Heading, Sentence
from trialkit.quantities import Scale, lower_first, scales
from trialkit.words import said
from trialkit.words.comparisons import difference_units
from trialkit.words.counts import pair_or_block

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis import ResponseAnalysis
    from trialkit.analysis.questions.alternatives import Alternatives
    from trialkit.analysis.questions.checks import ModelCheck
    from trialkit.pages.letters import Letters

# The least p there can be, times the number of a response's checks, still lies below the cuts of
# a doubt (told in full) and of a note (folded).
SIMULATED, SIMULATED_BRIEF = 300, 200
SEED = 1
ANSWERS = ("check", "brief_check", "alternatives", "pairwise")
REFUSED = (DesignError, ModelError)


class Asked:
    """A response, and the answers to its further questions.

    Parameters
    ----------
    result : ResponseAnalysis
    letters : Letters
    system : {"US", "SI"}
    positions : DataFrame, optional
        Where strips lie, as `trialkit.plan.PlannedTrial.positions` has it.
    """

    def __init__(
        self, result: ResponseAnalysis, letters: Letters, system: Any,
        positions: pd.DataFrame | None = None,
    ) -> None:  # fmt: skip
        self.positions = positions
        self.result, self.letters, self.system = result, letters, system
        self.key = result.response.replace("_", "-")
        self.scales = scales(result.unit, system)
        self.labels = {
            f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in result.design.factors
        }
        self.percent = f"{100 * result.level:g} %"
        together = result.by_strip.groupby(["field", "pair"])["strip"].nunique()
        self.block = pair_or_block(together.max())

    # ------------------------------------------------------------ answered once
    @cached_property
    def check(self) -> ModelCheck:
        """The model's check with every pair and field left out in turn."""
        return self.result.check(SEED, n=SIMULATED)

    @cached_property
    def brief_check(self) -> ModelCheck:
        """The shape of the model alone, of fewer simulations."""
        return self.result.check(SEED, n=SIMULATED_BRIEF, influence=False)

    @cached_property
    def alternatives(self) -> Alternatives:
        """Other models' answers."""
        return self.result.alternatives()

    @cached_property
    def pairwise(self) -> dict[str, pd.DataFrame]:
        """Every two levels by Tukey, for factors of three levels or more."""
        return {
            name: self.result.pairwise(name).table
            for name, levels in self.result.design.levels.items()
            if len(levels) > 2
        }

    @property
    def answered(self) -> dict[str, Any]:
        """Answers there are by now, by name."""
        return {name: self.__dict__[name] for name in ANSWERS if name in self.__dict__}

    def keep(self, answered: Mapping[str, Any]) -> None:
        """Take over answers worked out by a copy in another process."""
        self.__dict__.update(answered)

    # ------------------------------------------------------------ how it is told
    def heading(self, piece: str, title: str, level: int = 3) -> Heading:
        """Over a piece of the section."""
        return Heading(title, level, f"{self.key}-{piece}")

    def sentence(self, text: object, kind: str = "") -> Sentence:
        """A paragraph, letters for names."""
        return Sentence(self.letters.text(text), kind)

    def label(self, factor: str, level: str) -> str:
        """A level's label, letters for names."""
        return self.letters.text(self.labels[factor][level])

    def against(self, row: Any) -> str:
        """What a row of a contrasts table compares."""
        reference = lower_first(self.label(row["factor"], row["reference"]))
        return f"{self.label(row['factor'], row['level'])} against {reference}"

    def noted(self, told: Any) -> list[str]:
        """What an answer says of itself, without what the table of variances shows."""
        return without_zeros(told.notes, self.letters)

    @property
    def differences(self) -> tuple[Scale, ...]:
        """Units to print a difference in."""
        return difference_units(self.result.unit, self.system)


def without_zeros(notes: Iterable[Note], letters: Letters) -> list[str]:
    """Notes without those on variances estimated at zero, letters for names."""
    kept = [note for note in notes if note.code != "model.zero_variance"]
    return [letters.text(sentence) for sentence in said(kept)]
