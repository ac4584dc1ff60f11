"""Columns and tables: what a cell may hold, what a row is, on which sheet it is written down.

Ranges are generous: they catch a slipped decimal point or a wrong unit, not an unusual field.

Column kinds and what they become: "key" and "text" str; "level" str (a declared setup level);
"zone" and "choice" str, one of the column's levels; "number" float64; "count" int64 when required,
float64 with NaN when optional; "date" datetime64[ns]. Missing is NaN / NaT.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, Protocol

import numpy as np
import pandas as pd

from trialkit.words import refusals

if TYPE_CHECKING:
    from trialkit.responses.drawing import Drawing

Kind = Literal["key", "text", "level", "zone", "choice", "number", "count", "date"]
System = Literal["US", "SI"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: `low` and `high` are inclusive and in the SI unit.

    `blank` is the level a blank cell stands for, where it stands for one: then a cell that cannot
    be read refuses its row, since it must not be taken for that level. `only` is another column of
    the table and the level of it under which alone there is something to fill in here. `densest`
    is the most of it per m2 that a whole crop could hold.
    """

    name: str
    kind: Kind
    about: str
    si: str = ""
    us: str = ""
    low: float = -np.inf
    high: float = np.inf
    required: bool = False
    levels: tuple[str, ...] = ()
    blank: str = ""
    aliases: tuple[tuple[str, str], ...] = ()  # what else is written for a level, and the level
    also: tuple[str, ...] = ()  # what else its head is called, words in any order
    only: tuple[str, str] | None = None
    densest: float = np.inf

    def unit(self, system: System) -> str:
        """Unit in files of this system; empty when the column has none."""
        return self.us if system == "US" and self.us else self.si

    def header(self, system: System) -> str:
        """Column header as written to a file: the name and its unit in parentheses."""
        unit = self.unit(system)
        return f"{self.name} ({unit})" if unit else self.name


class Rows(Protocol):
    """Rows of a table as intake checks them (`trialkit.intake.check.CheckedTable`)."""

    data: dict[str, Any]

    @property
    def sound(self) -> np.ndarray:
        """Rows with something measured and no fault found."""

    def lost(self, column: str) -> np.ndarray:
        """Rows whose cell of this column could not be read and is missing for that reason."""

    def refuse(
        self, rows: Any, column: str, expected: Any, values: Any = None, *,
        lost: Literal["row", "cell"] = "row",
    ) -> None:  # fmt: skip
        """Put rows, or only their cells, among the refused: the column and what was expected."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """How the rows of a response's table come to be: on paper, in the plan's time, by simulation.

    Attributes
    ----------
    look_up : str
        Where a value that seems odd is looked up again, in the plural.
    counted : str
        What its rows are called where planned and made are held together, in the plural.
    minutes : str or float
        Minutes a row takes: one of the kinds of `trialkit.simulate.Work` ("frame", "search",
        "sample"), or a number.
    rows : callable
        Takes names of strips and an `Effort`; a row for everything to be taken: keys and areas.
    draws : tuple of (float, callable)
        Turn and function of a `Drawing`: the rows with what was found, from a simulated truth.
        Tables are drawn by turn: what comes later leaves the draws before it as they are.
    effort : str
        The number of `trialkit.simulate.Effort` that says how many a strip, which power varies.
    labelled : bool
        Whether a sample is carried away in a bag with a label.
    at_stop : bool
        Whether it is done at the stop of a strip; else away from the machine.
    printed : tuple of str
        Columns printed on the count card where known; the rest is boxes to write in.
    heading, taken : str
        On the card: what the rows are called, and what a row is taken from and tells. Empty for
        frames and ear searches, whose place on the card is their own.
    said : mapping
        The two by language, where that is not English.
    """

    look_up: str
    counted: str
    minutes: str | float
    rows: Callable[[Sequence[str], Any], pd.DataFrame]
    draws: tuple[tuple[float, Callable[[Drawing], pd.DataFrame]], ...]
    effort: str = ""
    at_stop: bool = False
    labelled: bool = False
    printed: tuple[str, ...] = ("strip", "sample")
    heading: str = ""
    taken: str = ""
    said: Mapping[str, tuple[str, str]] = field(default_factory=dict)

    def on_card(self, language: str) -> tuple[str, str]:
        """`heading` and `taken` in a language, in English where that has none."""
        return self.said.get(language, (self.heading, self.taken))


@dataclass(frozen=True, slots=True)
class Table:
    """One table: `key` columns identify a row; empty when rows need no identity.

    `rank` is its place among the tables as they are read; `sheet` is there where something is
    measured in it; `of_a_field` marks what belongs to a field, with or without a strip in it;
    `check` refuses rows whose cells do not go together; `laid_out` says that its rows stand in a
    new trial before anything is measured, though it is no response's.
    """

    name: str
    about: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    rank: float = 100.0
    sheet: Sheet | None = None
    of_a_field: bool = False
    check: Callable[[Rows], None] | None = None
    laid_out: bool = False

    @property
    def response(self) -> bool:
        """Whether something is counted, weighed or judged in its rows."""
        return self.sheet is not None

    def with_setups(self, setups: Iterable[Any]) -> Table:
        """This table with the trial's setup factors as columns (strips only)."""
        if self.name != "strips":
            return self
        factors = tuple(
            Column(s.name, "level", f"setup: {s.label}", required=True, levels=tuple(s.levels))
            for s in setups
        )
        cut = [c.name for c in self.columns].index("main_strip") + 1
        return replace(self, columns=self.columns[:cut] + factors + self.columns[cut:])

    def with_zones(self, zones: Sequence[str]) -> Table:
        """This table with these zones as the levels of its column of zones."""
        about = f"{', '.join(zones[:-1])} or {zones[-1]}"
        columns = tuple(
            replace(c, about=about, levels=tuple(zones)) if c.kind == "zone" else c
            for c in self.columns
        )
        return replace(self, columns=columns)

    @property
    def measured(self) -> tuple[Column, ...]:
        """What is counted, weighed or judged for a row; none where no rows wait to be filled in."""
        if self.laid_out:
            return tuple(c for c in self.columns if c.kind in ("number", "count", "level"))
        if not self.response:
            return ()
        return tuple(c for c in self.columns if c.name != "area" and c.kind in ("number", "count"))

    @property
    def names(self) -> tuple[str, ...]:
        """Columns that name its rows: its key, else the place they are of."""
        return self.key or tuple(c.name for c in self.columns if c.kind in ("key", "zone"))

    def column(self, name: str) -> Column:
        """The column of this name."""
        return next(c for c in self.columns if c.name == name)

    @property
    def zoned(self) -> bool:
        """Whether its rows lie in zones."""
        return any(c.kind == "zone" for c in self.columns)


def key(name: str, about: str) -> Column:
    """A column that names the row, or what it belongs to."""
    return Column(name, "key", about, required=True)


def measure(
    name: str, si: str, us: str, low: float, high: float, about: str, required: bool = False,
    also: tuple[str, ...] = (), only: tuple[str, str] | None = None,
) -> Column:  # fmt: skip
    """A column of numbers in a unit."""
    return Column(name, "number", about, si, us, low, high, required, also=also, only=only)


def count(
    name: str, high: float, about: str, low: float = 0, required: bool = False,
    densest: float = np.inf,
) -> Column:  # fmt: skip
    """A column of whole numbers."""
    return Column(name, "count", about, low=low, high=high, required=required, densest=densest)


def initials(name: str, about: str) -> Column:
    """A column of who did it, by initials: of the user's own text, and private."""
    return Column(name, "text", f"{about}, by initials")


STRIP = key("strip", "strip, as in the strips table")
ZONE = Column("zone", "zone", "", required=True)
"""Its levels are the zones there are, see `trialkit.responses.schema.table`."""
NOTE = Column("note", "text", "free text")


def part_of(table: Rows, part: str, whole: str) -> None:
    """Refuse rows where a part stands without its whole, or exceeds it.

    Where the whole was given and could not be read, the part is lost with it, not the row.
    """
    lose_without(table, part, whole)
    parts, wholes = table.data[part], table.data[whole]
    sound = table.sound
    table.refuse(
        sound & ~np.isnan(parts) & np.isnan(wholes), whole, f"{whole}, since {part} is given"
    )
    table.refuse(sound & (parts > wholes * (1 + 1e-9)), part, f"at most {whole} of the same row")


def lose_without(table: Rows, column: str, other: str) -> None:
    """Lose the cells of a column that say nothing, since the `other` one could not be read."""
    alone = table.lost(other) & ~np.isnan(table.data[column]) & table.sound
    table.refuse(alone, column, refusals.with_readable(other), lost="cell")


def lose_elsewhere(table: Rows, column: Column, expected: str) -> None:
    """Lose the cells of a column that stand where it has nothing to say (`Column.only`)."""
    name, level = column.only or ("", "")
    where = pd.Series(table.data[name]).astype(object)
    elsewhere = (where.notna() & where.ne(level)).to_numpy()
    given = elsewhere & ~np.isnan(table.data[column.name]) & table.sound
    table.refuse(given, column.name, expected, lost="cell")


def in_all_or_none(table: Rows, column: str, among: np.ndarray | None = None) -> None:
    """Refuse rows whose cell could not be read where every other row has one.

    For a column that is used only where all rows have it: one bad cell must not take it from them.
    `among` are the rows it is asked of, all where left out.
    """
    asked = table.sound if among is None else table.sound & among
    lost, empty = table.lost(column), pd.isna(np.asarray(table.data[column], dtype=object))
    if (asked & ~empty).any() and not (asked & empty & ~lost).any():
        table.refuse(asked & lost, column, "")


def any_of(table: Rows, column: str, values: Sequence[Any], expected: str) -> None:
    """Refuse rows where none of these is given."""
    nothing = np.logical_and.reduce([np.isnan(v) for v in values])
    table.refuse(nothing & table.sound, column, expected)


def at_most_per_area(table: Rows, column: str, what: str, highest: float) -> None:
    """Refuse rows with more per m2 than can lie there."""
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        density = table.data[column] / table.data["area"]
        dense = (density > highest) & table.sound
    expected = f"at most {highest:,.0f} {what} per m2, more than a whole crop holds"
    table.refuse(dense, column, expected)
