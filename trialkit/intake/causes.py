"""Refusals by cause: what is to be corrected, and how many rows come back with it.

A refused strip takes its frames with it, so that a list of refused cells is mostly of cells in
which nothing is wrong. Here a refusal that only follows from another row's (``because`` names that
row) is followed up to the row where the fault is, and counted there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.words import causes as words
from trialkit.words.added import of_places

_SHOWN = 3  # lines, and values, of a cause
_MOST_NAMES = 5  # that no table lists, each told as a cause of its own
_BOOK = re.compile(r".*\.xls[xm], (?=sheet )", re.IGNORECASE | re.DOTALL)


@dataclass(frozen=True, slots=True)
class Cause:
    """Cells of one column refused for one reason: of one file, but for a name that no table lists.

    Attributes
    ----------
    column, expected : str
        `column` is empty where the shape of the row is at fault.
    header : bool
        Whether it is the header row that is at fault, and every row is refused for it.
    places : tuple of (str, tuple of int, int)
        File, its first few lines, how many other lines of it.
    values : tuple of str
        The first few, each once; an empty cell is "". Of a header row there are none.
    more_values : int
        How many others there are.
    own, hanging : tuple of (str, int)
        Files, and how many of their rows are lost: these, and others only on account of these.
    cells : int
        Cells lost whose rows stay.
    """

    column: str
    expected: str
    header: bool
    places: tuple[tuple[str, tuple[int, ...], int], ...]
    values: tuple[str, ...]
    more_values: int
    own: tuple[tuple[str, int], ...]
    cells: int
    hanging: tuple[tuple[str, int], ...] = ()

    @property
    def file(self) -> str:
        """The first file."""
        return self.places[0][0]

    @property
    def rows(self) -> int:
        """Rows lost, those that hang on them aside."""
        return sum(rows for _, rows in self.own)

    @property
    def cost(self) -> int:
        """Rows lost in all."""
        return self.rows + sum(rows for _, rows in self.hanging)

    @property
    def files(self) -> set[str]:
        """Every file that loses something by it."""
        return {*(file for file, *_ in self.places), *(file for file, _ in self.hanging)}

    @property
    def where(self) -> str:
        """ "strips.csv, line 4"; of a workbook only its sheet."""
        return words.where(
            [(sheet_of(file), () if self.header else lines, more)
             for file, lines, more in self.places]
        )  # fmt: skip

    @property
    def stood(self) -> str:
        """The values as they stand there."""
        return words.stood(self.values, self.more_values)

    @property
    def lost(self) -> str:
        """What it costs."""
        own, hanging = ([(_short(f), n) for f, n in rows] for rows in (self.own, self.hanging))
        return words.lost(own, self.cells, hanging)

    @property
    def sentence(self) -> str:
        """All of it in a line."""
        return words.sentence(self.where, self.column, self.stood, self.expected, self.lost)


@dataclass(frozen=True, slots=True, eq=False)
class Grouped:
    """Refusals by cause.

    Attributes
    ----------
    causes : tuple of Cause
        The one that costs most rows first.
    cells : DataFrame
        One row per refusal, its index that of the refusals, with their columns between ``cause``
        (from 1, in the order of `causes`) and ``rows_hanging`` (rows of all files that are refused
        only on account of this row), ``at_fault`` (false where it hangs on another row).
    rows, hanging : int
        Rows lost, and how many of them are at fault in nothing themselves.
    """

    causes: tuple[Cause, ...]
    cells: pd.DataFrame
    rows: int
    hanging: int

    @property
    def cost(self) -> tuple[int, int, int, int]:
        """Causes, rows lost, how many of these only hang on others, and cells lost beside them."""
        cells = int((self.cells["lost"] == "cell").sum())
        return len(self.causes), self.rows, self.hanging, cells

    @property
    def listed(self) -> pd.DataFrame:
        """Every refusal, cause by cause, what is at fault before what hangs on it."""
        order = self.cells.assign(_=~self.cells["at_fault"])
        order = order.sort_values(["cause", "_"], kind="stable", ignore_index=True)
        return order.drop(columns=["_", "at_fault"])


def sheet_of(file: str) -> str:
    """ "sheet frames" of whatever workbook: its name may hold a person's. Other files as told."""
    return _BOOK.sub("", file)


def _short(file: str) -> str:
    """ "frames", of a sheet or a file."""
    return sheet_of(file).removeprefix("sheet ").removesuffix(".csv")


def table(found: Iterable[Cause]) -> pd.DataFrame:
    """Causes in words, one row each: where, column, what stands there, expected, lost."""
    rows = [(c.where, words.in_column(c.column), c.stood, c.expected, c.lost) for c in found]
    return pd.DataFrame(rows, columns=list(words.COLUMNS))


def group(refused: pd.DataFrame) -> Grouped:
    """Follow every refusal to its cause.

    Every refusal belongs to a cause, or hangs on rows that do; one that hangs on several is shown
    with the first of them and counted with each. A row at fault itself does not count as hanging.

    Parameters
    ----------
    refused : DataFrame
        As `trialkit.Trial.refused`.
    """
    frame = refused.reset_index(drop=True)
    frame["because"] = frame["because"].fillna("").astype(object)
    frame["expected"] = _without_book(frame)
    at_fault, leads = _follow(frame)
    faults = _by_kind(frame[at_fault], leads)
    row_lost = frame["lost"] == "row"
    hanging = _hanging(frame[at_fault & row_lost], frame[~at_fault], leads)
    of_root = faults.loc[faults["root"] != "", ["root", "code"]].drop_duplicates()
    counts = hanging.merge(of_root).drop_duplicates(["file", "line", "code"])
    counts = counts.groupby(["code", "file"], sort=False).size()
    hang = {code: part.droplevel(0) for code, part in counts.groupby("code", sort=False)}
    found = [(code, _cause(own, hang.get(code))) for code, own in faults.groupby("code")]
    found.sort(key=lambda one: (-one[1].cost, -one[1].cells))
    place = {code: k for k, (code, _) in enumerate(found, 1)}
    first = leads.merge(of_root.assign(place=of_root["code"].map(place)))
    first = first.groupby("because")["place"].min()
    own_place, led = faults["code"].map(place), frame.loc[~at_fault, "because"].map(first)
    frame.insert(0, "cause", pd.concat([own_place, led]).sort_index().astype(int))
    rows = hanging.groupby("root").size()
    frame["rows_hanging"] = faults["root"].map(rows).reindex(frame.index).fillna(0).astype(int)
    frame["at_fault"] = at_fault
    lost = frame.loc[row_lost, ["file", "line"]].drop_duplicates()
    alone = hanging[["file", "line"]].drop_duplicates()
    return Grouped(tuple(cause for _, cause in found), frame, len(lost), len(alone))


def _without_book(frame: pd.DataFrame) -> pd.Series:
    """What was expected, where it names a sheet without the workbook."""
    files = frame["file"].unique()
    books = [book for file in files if (book := file.removesuffix(sheet_of(file)))]
    told = {text: text for text in frame["expected"].unique()}
    for book in dict.fromkeys(books):
        told = {text: short.replace(book, "") for text, short in told.items()}
    return frame["expected"].map(told)


def _by_kind(faults: pd.DataFrame, leads: pd.DataFrame) -> pd.DataFrame:
    """Refusals at fault with the number of their cause (code) and, where other rows hang on
    theirs, its name (root)."""
    kinds = {text: words.in_common(text) for text in faults["expected"].unique()}
    faults = faults.assign(kind=faults["expected"].map(kinds), root="")
    faults["code"] = faults.groupby(_alike(faults), sort=False).ngroup()
    if len(leads):
        own = faults["lost"] == "row"
        names = _names(faults[own])
        faults.loc[own, "root"] = names.where(names.isin(set(leads["root"])), "")
    return faults


def _alike(faults: pd.DataFrame) -> list[pd.Series]:
    """What tells causes apart: file, column and what was expected. A name that no table lists is
    one cause in all files that have it; where there are many such names, so are they all. So is
    what differs between files."""
    file, kind = faults["file"].astype(object), faults["kind"].astype(object)
    apart = {text for text in kind.unique() if of_places(text)}
    file = file.mask(kind.isin(apart), "") if apart else file
    listed = {text for text in kind.unique() if words.of_list(text)}
    if listed:
        which = kind.isin(listed)
        names = faults["value"].fillna("").astype(object).str.strip().str.casefold()
        many = names[which].groupby(kind[which]).transform("nunique") > _MOST_NAMES
        file = file.mask(which, "")
        kind = kind.mask(which & ~many.reindex(kind.index, fill_value=False), kind + "\0" + names)
    return [file, faults["column"], kind]


def _hanging(own: pd.DataFrame, follows: pd.DataFrame, leads: pd.DataFrame) -> pd.DataFrame:
    """Rows that are lost only on account of others: file, line and the root they hang on."""
    rows = follows[["file", "line", "because"]].merge(
        own[["file", "line"]].drop_duplicates(), how="left", indicator="also"
    )
    rows = rows[rows["also"] == "left_only"].merge(leads)
    return rows[["file", "line", "root"]].drop_duplicates()


def _cause(own: pd.DataFrame, hanging: pd.Series | None) -> Cause:
    """The cause whose refusals these are; `hanging` has the rows that hang on it by file."""
    first = own.iloc[0]
    alike = own["expected"].nunique() == 1
    values = own["value"].fillna("").unique()
    lost = own["lost"] == "row"
    by_file = own.groupby("file", sort=False)["line"]
    lines = {str(file): part.unique() for file, part in by_file}
    rows = own[lost].groupby("file", sort=False)["line"].nunique()
    # A cell that must not be empty is told otherwise than a header row.
    header = bool(first["column"]) and not any(values) and words.of_header(str(first["expected"]))
    values = values[:0] if header else values
    return Cause(
        str(first["column"]), str(first["expected" if alike else "kind"]), header,
        tuple((f, tuple(map(int, n[: _shown(n)])), len(n) - _shown(n)) for f, n in lines.items()),
        tuple(str(value) for value in values[: _shown(values)]), len(values) - _shown(values),
        _counts(rows), int((~lost).sum()), () if hanging is None else _counts(hanging),
    )  # fmt: skip


def _counts(rows: pd.Series) -> tuple[tuple[str, int], ...]:
    return tuple((str(file), int(n)) for file, n in rows.items())


def _shown(every: np.ndarray) -> int:
    """How many of them are shown: never all but one."""
    return len(every) if len(every) <= _SHOWN + 1 else _SHOWN


def _names(frame: pd.DataFrame) -> pd.Series:
    """Rows as ``because`` names them: "strips.csv, line 5"."""
    return frame["file"].astype(object) + ", line " + frame["line"].astype(str)


def _follow(frame: pd.DataFrame) -> tuple[np.ndarray, pd.DataFrame]:
    """Which refusals are at fault themselves; and for every ``because`` of the others the rows it
    leads to (root), which are at fault.

    A refusal whose ``because`` leads to no refused row is taken as at fault, so that none is lost.
    """
    row_lost = (frame["lost"] == "row").to_numpy()
    told = (frame["because"] != "").to_numpy() & row_lost
    parents = set(frame.loc[told, "because"])
    files = {parent.rpartition(", line ")[0] for parent in parents}
    near = frame[frame["file"].isin(files) & row_lost]
    names = _names(near)
    known = names.isin(parents)
    above: dict[str, set[str]] = {}
    for name, because in zip(names[known], near.loc[known, "because"], strict=True):
        above.setdefault(name, set()).add(because)
    roots = {parent: _roots(parent, above) for parent in sorted(parents)}
    led = frame["because"].isin({parent for parent, found in roots.items() if found})
    leads = [(because, root) for because, found in roots.items() for root in sorted(found)]
    return ~(told & led.to_numpy()), pd.DataFrame(leads, columns=["because", "root"], dtype=object)


def _roots(row: str, above: dict[str, set[str]]) -> set[str]:
    """The rows at fault that a row leads to; `above` has what each refused row hangs on, "" being
    a fault of its own."""
    found, seen, left = set(), {row}, [row]
    while left:
        name = left.pop()
        if any(not because or because not in above for because in above.get(name, ())):
            found.add(name)
        new = {because for because in above.get(name, ()) if because in above} - seen
        seen |= new
        left += new
    return found
