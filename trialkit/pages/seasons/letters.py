"""Letters for names on pages over many trials; on a grower's own page that grower's names stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.errors import DesignError
from trialkit.pages.compared_letters import ComparedLetters, Key
from trialkit.pages.folding import words_of
from trialkit.pages.letters import find_grower
from trialkit.pages.names import Name, Names
from trialkit.pages.vocabulary import ordinary
from trialkit.responses import RESPONSES
from trialkit.words import privacy as words
from trialkit.words import seasons as said
from trialkit.words import seasons_used as used_words

if TYPE_CHECKING:
    from trialkit.many import TrialsCompared


class SeasonsLetters(ComparedLetters):
    """Letters in running sentences, in which ordinary words of a name stand by themselves.

    Parameters
    ----------
    comparison : TrialsCompared
    grower : str, optional
        Whose page it is: a name or the letter other pages give; "" for the only one; None for a
        page that is nobody's.

    Attributes
    ----------
    grower : str
        Name; empty where the page is nobody's or no grower is named. Then all fields count as the
        reader's own on a page that is somebody's.
    mine : tuple of (trial, field)

    Raises
    ------
    DesignError
        When there is no such grower, or none is named where there are several.
    """

    def __init__(self, comparison: TrialsCompared, grower: str | None = None) -> None:
        self._asked = grower
        reasons = comparison.skipped.set_index("trial")["reason"]
        self.left_places = dict(comparison.left_places)
        self._left = {trial: str(reasons.get(trial, "")) for trial in self.left_places}
        self.grower = ""
        self.mine: tuple[Key, ...] = ()
        super().__init__(comparison)
        setups = [s for config in comparison.settings.values() for s in config.setups]
        labels = [label for s in setups for label in (s.label, *s.level_labels)]
        labels += [response.title for response in RESPONSES.values()]
        kept = self.levels, dict.fromkeys(labels), ordinary()
        self.names = Names(self.known, *kept)
        shown = (*self.growers.values(), *self.trials.values(), *self.fields.values())
        stand = dict.fromkeys(shown)
        folded = set(map(words_of, stand))
        struck = [n for n in self.known if not n.stands and words_of(n.text) not in folded]
        self._sentences = Names([*(Name(n, n, "whole") for n in stand), *struck], *kept)

    def text(self, text: object) -> str:
        """A sentence of the page, or anything on it, in which letters stand for fields already: a
        name that is shown stays, though another's field, of which a letter is shown, is called so
        too. What was written before that goes through `unlettered`."""
        return self._sentences.struck(str(text))

    def _own(self) -> None:
        if self._asked is None:
            return
        try:
            self.grower = find_grower(self._asked, self.grower_letters, many=True)
        except DesignError:
            self._refuse_left_out(self._asked)
            raise
        own = self.grower
        self.mine = tuple(k for k, ground in self.ground.items() if not own or ground[0] == own)
        self.fields |= {key: key[1] for key in self.mine}
        if self.grower:
            self.growers[self.grower] = self.grower

    def _refuse_left_out(self, asked: str) -> None:
        """Raises DesignError where all trials of a grower were left out."""
        wanted = " ".join(asked.split()).casefold()
        named = [(grower, trial) for trial, places in self.left_places.items()
                 for grower, _ in dict.fromkeys(places)
                 if wanted and " ".join(grower.split()).casefold() == wanted]  # fmt: skip
        if named:
            trials = dict.fromkeys(trial for _, trial in named)
            left = [(trial, self._left[trial]) for trial in trials]
            raise DesignError(used_words.all_left_out(named[0][0], left))

    @property
    def some_named(self) -> bool:
        """Whether some of the others' names stand, as agreed, and some do not."""
        others = (key for key in self.fields if key not in self.mine)
        return not self.agreed and any(key in self.free for key in others)

    def own_fields(self, trial: str) -> list[str]:
        """The reader's own fields in a trial, used or left out."""
        own = [field for name, field in self.mine if name == trial]
        left = self.left_places.get(trial, ())
        return own + [field for grower, field in left if grower and grower == self.grower]

    @property
    def remarks(self) -> list[str]:
        """What the terminal tells the researcher of names that cannot be struck everywhere."""
        if self.agreed:
            return []
        left = [(n.text, self._sentences.standing(n)) for n in self._sentences.names if not n.kind]
        told = [(name, what) for name, what in left if what]
        return words.give_another(told, {name: self._trials_with(name) for name, _ in told})

    def stands(self, key: Key) -> bool:
        """Whether a field's name, and so its place, may be shown."""
        return key in self.mine or key in self.free

    def places_kept(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Rows of fields with places that may be shown."""
        known = rows.dropna(subset=["latitude", "longitude"])
        free = [self.stands(key) for key in zip(known["trial"], known["field"], strict=True)]
        return known[free]

    def _trials_with(self, name: str) -> list[str]:
        """Trials that have a field or a grower of that name, as their folders are called."""
        return list(dict.fromkeys(
            trial for (trial, field), ground in self.ground.items() if name in (field, ground[0])
        ))  # fmt: skip

    def page_title(self, page: str) -> str:
        """Title of a page's window and of its PDF."""
        return said.page_title(page, self.grower)
