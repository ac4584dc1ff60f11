"""Letters instead of names in whatever may leave the researcher's hands."""

from __future__ import annotations

import re
from collections.abc import Collection, Hashable, Iterable, Iterator, Mapping
from functools import cached_property
from itertools import count
from string import ascii_uppercase
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.errors import DesignError, TrialError
from trialkit.pages.folding import unspaced, words_of
from trialkit.pages.names import WITHHELD, Name, Names
from trialkit.pages.vocabulary import UNITS, ordinary, zones
from trialkit.plan import read_plan
from trialkit.responses import RESPONSES
from trialkit.words import privacy as words

if TYPE_CHECKING:
    from trialkit.trial import Trial

# Columns whose values say, or could say, whose ground it is.
INITIALS = frozenset({"counted_by", "written_by", "key_held_by", "measured_by"})
PRIVATE_COLUMNS = INITIALS | frozenset(
    {"field", "grower", "latitude", "longitude", "strip", "pair", "main_strip", "note", "notes",
     "reason"}
)  # fmt: skip
_LISTED = 12
KINDS = {"strip": "strip", "pair": "pair", "main_strip": "main strip"}
"""Columns whose names are numbered, and what a name in them is of."""


def letter(index: int) -> str:
    """A, B, ..., Z, AA, AB, ..."""
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = ascii_uppercase[rest] + text
    return text


class Letters:
    """Stand-ins for the names of a trial: of its fields and growers, strips, pairs, main strips.

    When the trial says its growers agreed, every name stands as it is. Otherwise fields become
    "Field A", "Field B", ... in the trial's order and growers "Grower A", ...; strips, pairs and
    main strips are numbered field by field ("A-3"); names are struck out of running text too
    (`trialkit.pages.names`), and cells of the columns that may hold them are withheld.
    """

    def __init__(self, trial: Trial) -> None:
        config = trial.config
        self.agreed = bool(config.growers_agreed)
        self._config, self._strips = config, _all_strips(trial)
        self.fields = self._stand_ins("Field", [*trial.fields["field"], *self._strips["field"]])
        self.growers = self._stand_ins("Grower", trial.fields.get("grower", []))
        self.numbers = {} if self.agreed else _numbers(self._strips, self.fields)
        self._initials = _initials_in(trial.tables.values())
        self._people = _people_in(trial.tables.values())

    def _stand_ins(self, word: str, names: Iterable[Any]) -> dict[str, str]:
        distinct = dict.fromkeys(str(name) for name in names if pd.notna(name))
        if self.agreed:
            return {name: name for name in distinct}
        return stand_ins(word, distinct)

    @cached_property
    def names(self) -> Names:
        """What is struck out of text."""
        named = [Name(name, WITHHELD) for name in self._people]
        named += [Name(n, s) for n, s in self._struck().items() if n != s]
        for kind, numbered in self.numbers.items():
            by_name = _by_name(numbered).items()
            named += [Name(name, shown, kind) for name, shown in by_name if name != shown]
        setups = self._config.setups
        levels = {w for f in setups for n in (f.name, *f.levels) for w in words_of(str(n))}
        labels = [label for f in setups for label in (f.label, *f.level_labels)]
        labels += [response.title for response in RESPONSES.values()]
        return Names([*named, *self._own()], levels | zones() | UNITS, labels, ordinary())

    def _struck(self) -> dict[str, str]:
        return {**self.growers, **self.fields}

    def _own(self) -> list[Name]:
        """Names that stand as they are."""
        return []

    def text(self, text: object) -> str:
        """Running text of the program's own, with a stand-in for every known name."""
        return str(text) if self.agreed else self.names.struck(str(text))

    def user_text(self, text: object) -> str:
        """What a user wrote, a note or a reason: every word of a name is gone, and the initials of
        who counted."""
        return str(text) if self.agreed else self._strictly(str(text), self.names)

    def _strictly(self, text: str, names: Names) -> str:
        found = names.struck(text, True)
        return found if self._initials is None else self._initials.sub(WITHHELD, found)

    def cell(self, column: str, value: object) -> str:
        """A refused cell as it may be shown; a row as a whole has no column, and may hold names."""
        if not self.agreed and (not column or str(column).lower() in PRIVATE_COLUMNS):
            return WITHHELD
        return self.user_text(value)

    # ------------------------------------------------------------ the title
    @cached_property
    def title(self) -> str:
        """The trial's title without names; a neutral one where a word of one is left in it that
        is no word of a setup."""
        found = self.text(self._config.title)
        setups = self._config.setups
        labels = {w for f in setups for n in (f.label, *f.level_labels) for w in words_of(n)}
        names = Names(self.names.names, self.names.kept | labels)
        same = self.agreed or found == self._strictly(found, names)
        return found if same else words.neutral_title()

    @property
    def dated_title(self) -> str:
        """The title, "Strip trial, 2026" where it is the neutral one."""
        neutral = self.title == words.neutral_title()
        return f"{self.title}, {self._config.season}" if neutral else self.title

    def page_title(self, page: str) -> str:
        """Title of a page's window and of its PDF."""
        return f"{page}: {self.dated_title}"

    @property
    def remarks(self) -> list[str]:
        """What the terminal tells the researcher of names that cannot be struck everywhere."""
        if self.agreed:
            return []
        known = dict.fromkeys(name for name, shown in self._struck().items() if name != shown)
        left = [(name, self.names.standing(Name(name, ""))) for name in known]
        out = words.give_another([(name, what) for name, what in left if what])
        if self.title != self.text(self._config.title):
            out.append(words.title_replaced(self._config.title))
        return out

    # ------------------------------------------------------------ strips, pairs, main strips
    def numbered(self, kind: str, names: Iterable[object], fields: Iterable[object]) -> list[Any]:
        """What is printed for strips, pairs or main strips of fields; missing ones stay so."""
        if self.agreed:
            return list(names)
        own = self.numbers.get(kind, {})
        return [
            name if pd.isna(name) else own.get((str(field), str(name)), WITHHELD)  # type: ignore[call-overload]
            for name, field in zip(names, fields, strict=True)
        ]

    def strip(self, name: object) -> str:
        """What is printed for a strip."""
        return str(name) if self.agreed else self._by_strip.get(str(name), WITHHELD)

    @cached_property
    def _by_strip(self) -> dict[str, str]:
        return _by_name(self.numbers["strip"])

    def pair(self, name: object, field: object) -> str:
        """What is printed for a pair of a field."""
        return str(self.numbered("pair", [name], [field])[0])

    def strips(self, strips: pd.DataFrame) -> pd.DataFrame:
        """A table with numbers for its strips, pairs and main strips.

        Without a column of fields, names are found in whichever field has them.
        """
        out = strips.copy()
        for column, kind in KINDS.items():
            if self.agreed or column not in out:
                continue
            if "field" in strips:
                shown = self.numbered(kind, strips[column], strips["field"])
            else:
                known = _by_name(self.numbers[kind])
                shown = [n if pd.isna(n) else known.get(str(n), WITHHELD) for n in strips[column]]
            out[column] = pd.Series(shown, out.index, dtype=object)
        return out


def stand_ins(word: str, names: Iterable[str], others: Iterable[str] = ()) -> dict[str, str]:
    """"Field A", "Field B", ... by name; a name that is such a letter already keeps it."""
    distinct = list(dict.fromkeys(names))
    own = {name for name in distinct if re.fullmatch(rf"{word} [A-Z]{{1,2}}", name)}
    left = free_letters(word, [*distinct, *others])
    return {name: name if name in own else next(left) for name in distinct}


def free_letters(word: str, names: Iterable[str]) -> Iterator[str]:
    """"Field A", "Field B", ... without those that are a name, or end in a word of one ("Field
    ANN"): they would be taken for it."""
    taken = {words_of(name) for name in names}
    parts = {part for name in taken for part in name if len(part) > 1}
    for own in map(letter, count()):
        shown = f"{word} {own}"
        if words_of(shown) not in taken and own.casefold() not in parts:
            yield shown


def find_grower(
    asked: str, lettered: Mapping[str, str], here: Collection[str] | None = None, *,
    many: bool = False,
) -> str:  # fmt: skip
    """The grower whose page is asked for.

    Parameters
    ----------
    asked : str
        A name, or the letter that other pages show ("Grower B" or "B"); "" for the only one.
    lettered : mapping of str to str
        "Grower A", ... by name.
    here : collection of str, optional
        Names among which the only one is looked for; by default all.
    many : bool
        Of many trials.

    Returns
    -------
    str
        Name; "" where there are no growers and none is asked for.

    Raises
    ------
    DesignError
        When there is no such grower, or none is asked for where there are several.
    """
    wanted = _plain(asked)
    letters = {name: shown.rpartition(" ")[2] for name, shown in lettered.items()}
    if not wanted:
        among = [name for name in lettered if here is None or name in here]
        if len(among) > 1:
            shown = [(letters[name], name) for name in among[:_LISTED]]
            raise DesignError(words.which_grower(shown, len(among) - len(shown), many))
        return next(iter(among), "")
    if named := [name for name in lettered if _plain(name) == wanted]:
        return named[0]
    for name, own in letters.items():
        if wanted in (_plain(own), _plain(f"Grower {own}")):
            return name
    last = max(letters.values(), key=lambda own: (len(own), own), default="")
    raise DesignError(words.no_such_grower(asked, last, many))


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def numbered(
    places: Iterable[Hashable], names: Iterable[object], shown: Mapping[Any, str]
) -> dict[tuple[Any, str], str]:
    """Numbers for names within places, in the order in which they come: "A-1", "A-2", ...

    The one rule by which strips, pairs and main strips are called where their names may not stand:
    the place's letter (`shown` has "Field A") and a number. A name that is a plain number of up to
    four digits names nobody and stays, so that a report and the field sheets agree.
    """
    out: dict[tuple[Any, str], str] = {}
    counts: dict[Any, int] = {}
    for place, name in zip(places, names, strict=True):
        key = (place, str(name))
        if pd.isna(name) or key in out:  # type: ignore[call-overload]
            continue
        counts[place] = counts.get(place, 0) + 1
        plain = re.fullmatch(r"[0-9]{1,4}", key[1])
        out[key] = key[1] if plain else f"{shown[place].rpartition(' ')[2]}-{counts[place]}"
    return out


def _numbers(strips: pd.DataFrame, fields: Mapping[str, str]) -> dict[str, dict[Any, str]]:
    places = list(strips["field"].astype(str))
    return {
        kind: numbered(places, strips[column], fields)
        for column, kind in KINDS.items() if column in strips
    }  # fmt: skip


def _by_name(numbers: Mapping[tuple[Any, str], str]) -> dict[str, str]:
    """Numbers by name alone; of a name that several fields have, the number without a letter."""
    found: dict[str, set[str]] = {}
    for (_, name), shown in numbers.items():
        found.setdefault(name, set()).add(shown)
    out = {}
    for name, labels in found.items():
        alone = {label.rpartition("-")[2] for label in labels}
        several = alone.pop() if len(alone) == 1 else WITHHELD
        out[name] = next(iter(labels)) if len(labels) == 1 else several
    return out


def _all_strips(trial: Trial) -> pd.DataFrame:
    """Strips of the trial, and behind them those of its plan that were not run."""
    columns = ["field", *KINDS]
    own = trial.strips.reindex(columns=columns)
    try:
        source = getattr(trial, "source", None)
        plan = None if source is None else read_plan(source)
    except TrialError:
        plan = None
    if plan is None:
        return own
    meant = plan.strips.reindex(columns=columns).astype(object)
    meant.loc[meant["strip"].isin(own["strip"]), "strip"] = np.nan  # they are where they were run
    return pd.concat([own.astype(object), meant], ignore_index=True)


def _people_in(tables: Iterable[pd.DataFrame]) -> list[str]:
    """Names of three letters and more in the columns for initials."""
    found: set[str] = set()
    for table in tables:
        for column in INITIALS.intersection(table.columns):
            for cell in table[column].dropna().unique():
                found.update(word for word in words_of(str(cell)) if len(word) > 2)
                found.update(unspaced(str(cell)))
    return sorted(found)


def _initials_in(tables: Iterable[pd.DataFrame]) -> re.Pattern[str] | None:
    """What finds the initials and names that stand in the columns for them, as they are written."""
    found: set[str] = set()
    for table in tables:
        for column in INITIALS.intersection(table.columns):
            for cell in table[column].dropna().unique():
                found |= {str(cell).strip(), *re.findall(r"[^\W\d_][\w.-]*[^\W_]", str(cell))}
    if not (found := {word for word in found if len(word) > 1}):
        return None
    either = "|".join(re.escape(word) for word in sorted(found, key=len, reverse=True))
    return re.compile(rf"(?<![^\W_])(?:{either})(?![^\W_])")
