"""One table: from the cells of its file to SI values and the list of what is at fault."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Literal

import numpy as np
import pandas as pd

from trialkit.intake.addresses import Addresses, addresses
from trialkit.intake.cells import Cells, Judged, as_text, judge, missing_of
from trialkit.intake.config import TrialConfig
from trialkit.intake.numbers import Mark, decimal_mark, split_unit
from trialkit.intake.row_of_units import take_unit_row
from trialkit.intake.source import HeaderReading, SourceTable, read_header
from trialkit.responses import schema
from trialkit.words import readings

_LONGEST_VALUE = 200
Lost = Literal["row", "cell"]
Also = Callable[["CheckedTable", TrialConfig, Mark], None]


@dataclass(slots=True)
class CheckedTable:
    """The data rows of one table; rows at fault still stand in `data` until `kept` is asked for.

    `data` is in SI; `folded` holds integer codes of the label columns, equal where labels are equal
    with capitals put aside; `labels` is what each code stands for and `spelled` how it is written.
    `nameless` are the rows whose key cannot be read. `waiting` are those with nothing measured yet:
    every cell that is to be filled in on the spot is still blank. `spoilt` holds, by column, the
    rows whose cell is lost: refused by itself and missing in `data`. `stray` are refused rows that
    are none of the table as they stand, told once (`trialkit.intake.stray_rows`). `places` is there
    where rows of several files were joined: `lines` then only number them. `usable` says that the
    header row could be used.
    """

    layout: schema.Table
    file: str
    lines: np.ndarray
    data: dict[str, Any] = field(default_factory=dict)
    raw: dict[str, Cells] = field(default_factory=dict)
    folded: dict[str, np.ndarray] = field(default_factory=dict)
    labels: dict[str, np.ndarray] = field(default_factory=dict)
    spelled: dict[str, Any] = field(default_factory=dict)
    extra: dict[str, Cells] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    refused: np.ndarray = field(init=False)
    nameless: np.ndarray = field(init=False)
    waiting: np.ndarray = field(init=False)
    stray: np.ndarray = field(init=False)
    faults: list[pd.DataFrame] = field(default_factory=list)
    spoilt: dict[str, np.ndarray] = field(default_factory=dict)
    addresses: Addresses | None = None
    places: Places | None = None
    usable: bool = True

    def __post_init__(self) -> None:
        self.refused = np.zeros(len(self.lines), bool)
        self.nameless = np.zeros(len(self.lines), bool)
        self.waiting = np.zeros(len(self.lines), bool)
        self.stray = np.zeros(len(self.lines), bool)

    @property
    def sound(self) -> np.ndarray:
        """Rows with something measured and no fault found."""
        return ~(self.refused | self.waiting)

    def lost(self, column: str) -> np.ndarray:
        """Rows whose cell of this column could not be read and is missing for that reason."""
        mask = self.spoilt.get(column)
        return np.zeros(len(self.lines), bool) if mask is None else mask

    def refuse(
        self, rows: Any, column: str, expected: Any, values: Any = None, *, lost: Lost = "row",
        because: Any = "",
    ) -> None:  # fmt: skip
        """Put rows (positions or mask), or only their cells, among the refused.

        A cell that is lost is missing from then on.
        Values default to the cells' text. `because` names the refused row on whose account these
        are refused ("strips.csv, line 5"), one for all or one each; empty where the fault is here.
        """
        rows = np.asarray(rows, dtype=None if len(rows) else int)
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows
        if not rows.size:
            return
        if lost == "row":
            self.refused[rows] = True
            if not column or column in self.layout.key:
                self.nameless[rows] = True
        else:
            self._lose(rows, column)
        if values is None:
            cells = self.raw.get(column)
            values = cells.raw[cells.codes[rows]] if cells else np.full(len(rows), "", object)
        fault = pd.DataFrame({"line": self.lines[rows]})
        fault["column"] = column
        fault["value"] = np.asarray([v if len(v) <= _LONGEST_VALUE else v[:_LONGEST_VALUE] + "…"
                                     for v in values], dtype=object)  # fmt: skip
        fault["expected"] = expected
        fault["lost"], fault["because"] = lost, because
        self.faults.append(fault)

    def _lose(self, rows: np.ndarray, column: str) -> None:
        self.spoilt.setdefault(column, np.zeros(len(self.lines), bool))[rows] = True
        if column in self.data:
            self.data[column][rows] = missing_of(self.data[column])

    def kept(self) -> pd.DataFrame:
        """The rows with something measured that are not refused, typed as the schema says."""
        keep = self._in_order()
        data = self.data if keep is None else {n: v.take(keep) for n, v in self.data.items()}
        counts = [c.name for c in self.layout.columns if c.kind == "count" and c.required]
        return pd.DataFrame({**data, **{name: data[name].astype("int64") for name in counts}})

    def kept_extra(self) -> pd.DataFrame:
        """Text of the columns that are not the table's, row for row with `kept`."""
        keep = np.flatnonzero(self.sound) if (order := self._in_order()) is None else order
        return pd.DataFrame(
            {name: cells.raw[cells.codes[keep]] for name, cells in self.extra.items()}
        )

    def _in_order(self) -> np.ndarray | None:
        """Positions of the rows that are kept; None where these are all, as they stand."""
        keep = self.sound
        if self.places is None:
            return None if keep.all() else np.flatnonzero(keep)
        order = np.argsort(self.places.order, kind="stable")
        return order[keep[order]]

    def at(self, line: int) -> tuple[str, int]:
        """File and line of a row."""
        return (self.file, int(line)) if self.places is None else self.places.at(int(line))

    def fault_table(self) -> pd.DataFrame:
        """Every fault: file, line, column, value, expected, lost, because; by line."""
        faults = pd.concat(self.faults) if self.faults else pd.DataFrame(columns=_FAULT_COLUMNS[1:])
        faults = faults.sort_values("line", kind="stable", ignore_index=True)
        files = [self.file] * len(faults)
        if self.places is not None and len(faults):
            files, lines = zip(*map(self.at, faults["line"]), strict=True)  # type: ignore[assignment]
            faults["line"] = lines
        faults.insert(0, "file", files)
        return faults


def one_to_a_line(notes: Iterable[str]) -> str:
    """Notes of reading as `read` holds them, each once."""
    return "\n".join(dict.fromkeys(" ".join(note.split()) for note in notes))


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where the rows of a joined table stand: files, and from which number on rows are of each.

    `entries` names the phone's entry of a row, "" of one that was typed; `order` sorts the rows.
    `once` are rows without a name of their own of which a place has one, that several files have.
    `notes` are on how each file was read; `within` is how many rows of each are kept within others.
    """

    files: tuple[str, ...]
    starts: tuple[int, ...]
    notes: tuple[str, ...]
    entries: np.ndarray
    order: np.ndarray
    once: np.ndarray
    within: tuple[int, ...] = ()

    def of(self, lines: np.ndarray) -> np.ndarray:
        """Which file each is of."""
        return np.searchsorted(self.starts, lines, side="right") - 1

    def at(self, line: int) -> tuple[str, int]:
        """File and line."""
        k = int(self.of(np.asarray([line]))[0])
        return self.files[k], line - self.starts[k]


_FAULT_COLUMNS = ["file", "line", "column", "value", "expected", "lost", "because"]


def no_faults() -> pd.DataFrame:
    """The list of refusals when there are none."""
    return _no_faults().copy()


@cache
def _no_faults() -> pd.DataFrame:
    frame = pd.DataFrame({name: pd.Series([], dtype=schema.TEXT) for name in _FAULT_COLUMNS})
    return frame.astype({"line": "int64"})


def check_table(
    source: SourceTable, layout: schema.Table, config: TrialConfig, also: Sequence[Also] = ()
) -> CheckedTable:
    """Check every cell of a table by itself, and the cells of a row against each other.

    `also` is what comes between the two, called with the table, the settings and the decimal mark.
    """
    return settled(check_cells(source, layout, config, also))


def settled(table: CheckedTable) -> CheckedTable:
    """The cells of a row against each other."""
    before = len(table.faults)
    if table.layout.check is not None and table.usable:
        table.layout.check(table)
    _settle_lost(table, before)
    return table


def check_cells(
    source: SourceTable, layout: schema.Table, config: TrialConfig, also: Sequence[Also] = ()
) -> CheckedTable:
    """Check every cell of a table by itself; parameters as of `check_table`."""
    reading = read_header(source.header, layout, config.units)
    source = take_unit_row(source, reading, layout)
    cells = [Cells.from_column(column, source.typed) for column in source.columns]
    crooked = np.zeros(len(source.lines), bool)
    crooked[[position for position, _, _ in source.faults]] = True
    given = crooked.copy()
    for column in cells:
        given |= ~column.blank()
    table = CheckedTable(layout, source.file, source.lines[given], notes=source.notes)
    cells = cells if given.all() else [column.rows(given) for column in cells]
    table.addresses = addresses(source, reading, table.lines, cells)
    table.raw = {name: cells[k] for name, k in reading.place.items()}
    table.extra = {n: cells[k] for n, k in reading.extra.items() if not cells[k].blank().all()}
    if table.extra:
        table.notes.append(readings.kept_aside(list(table.extra)))
    needed = [(n, e) for n, e in reading.faults if layout.column(n).required]
    if needed and source.header:
        _refuse_all(table, needed)
        return table
    shifted = np.cumsum(given) - 1
    for position, value, expected in source.faults:
        table.refuse([shifted[position]], "", expected, [value])
    # The cells of a crooked row may stand under the wrong header: its shape is its only fault.
    table.waiting = _waiting(table) & ~crooked[given]
    us = config.units == "US"
    mark: Mark = "point" if us and source.typed else _decimal_mark(table, source.typed)
    if us and mark == "unknown":
        mark = "point"
    _leave_out(table, reading, sound=~crooked[given])
    _check_cells(table, reading, mark, config, sound=~crooked[given])
    for more in also:
        more(table, config, mark)
    for asked in layout.measured:  # what stood under an older name is measured too
        if asked.name in table.data:
            table.waiting &= np.asarray(pd.isna(table.data[asked.name]))
    return table


def _leave_out(table: CheckedTable, reading: HeaderReading, sound: np.ndarray) -> None:
    """An optional column whose header cannot be used costs its own cells, not the rows."""
    for column, expected in reading.faults:
        if cells := table.raw.get(column):
            table.refuse(~cells.blank() & sound, column, expected, lost="cell")
            table.raw.pop(column)
            table.notes.append(readings.column_not_used(column, expected))


def _settle_lost(table: CheckedTable, before: int) -> None:
    """Rows that cannot stand without a cell that was lost are refused, for that cell's fault.

    `before` is the number of faults found before the cells of a row were held against each other:
    what was found missing then, and is missing because a cell was lost, is no fault of its own.
    """
    if not table.spoilt:
        return
    lost = np.logical_or.reduce(list(table.spoilt.values()))
    values = [table.data[column.name] for column in table.layout.measured]
    nothing = np.full(len(table.lines), bool(values))
    for column in values:
        nothing &= np.asarray(pd.isna(column))
    measured_lost = [table.lost(column.name) for column in table.layout.measured]
    out = nothing & np.logical_or.reduce([~lost & lost, *measured_lost]) & table.sound
    kept = table.faults[:before]
    for fault in table.faults[before:]:
        rows = np.searchsorted(table.lines, fault["line"].to_numpy())
        blank = (fault["value"] == "").to_numpy()
        again = table.lost(fault["column"].iloc[0])[rows] | (blank & (lost & nothing)[rows])
        again &= (fault["lost"] == "row").to_numpy()
        out[rows[again]] = True
        kept += [fault[~again].copy()] if not again.all() else []
    table.faults = kept
    table.refused |= out
    for fault in table.faults:
        fault.loc[fault["line"].isin(table.lines[out]), "lost"] = "row"


def _waiting(table: CheckedTable) -> np.ndarray:
    """Rows of a response table in which every measured cell is blank."""
    measured = [table.raw[c.name] for c in table.layout.measured if c.name in table.raw]
    waiting = np.full(len(table.lines), bool(measured))
    for cells in measured:
        waiting &= cells.blank()
    return waiting


def _refuse_all(table: CheckedTable, needed: Sequence[tuple[str, str]]) -> None:
    """A file whose header row cannot be used: every row is refused, for that reason."""
    every = np.arange(len(table.lines))
    table.nameless[:] = True
    table.usable = False
    for column, expected in needed:
        table.refuse(every, column, expected, np.full(len(every), "", object))
        table.notes.append(readings.not_usable(expected))
    table.data = {c.name: _absent(c, len(every)) for c in table.layout.columns}


def _check_cells(
    table: CheckedTable,
    reading: HeaderReading,
    mark: Mark,
    config: TrialConfig,
    sound: np.ndarray,
) -> None:
    to_fill = {c.name for c in table.layout.measured}
    rows = len(table.lines)
    for column in table.layout.columns:
        if column.name not in table.raw:
            table.data[column.name] = _absent(column, rows)
            continue
        cells = table.raw[column.name]
        unit = reading.unit.get(column.name, "")
        judged = judge(cells, column, unit, mark, config)
        lost: Lost = "row" if column.required or column.blank else "cell"
        if lost == "cell":
            judged.lose_faults()
        table.notes += [note for note in judged.notes if note not in table.notes]
        if judged.folded is not None:
            _take_labels(table, column.name, cells, judged)
        else:
            table.data[column.name] = judged.values.take(cells.codes)
        if judged.faults:
            expected = np.full(len(cells.texts), "", object)
            expected[list(judged.faults)] = list(judged.faults.values())
            at_fault = np.zeros(len(cells.texts), bool)
            at_fault[list(judged.faults)] = True
            bad = at_fault[cells.codes] & sound
            if column.name in to_fill:
                bad &= ~table.waiting
            bad = np.flatnonzero(bad)
            table.refuse(bad, column.name, expected[cells.codes[bad]], lost=lost)


def _absent(column: schema.Column, rows: int) -> Any:
    if column.kind == "date":
        return np.full(rows, np.datetime64("NaT"), dtype="datetime64[ns]")
    if column.kind in ("number", "count"):
        return np.full(rows, np.nan)
    return as_text([np.nan]).take(np.zeros(rows, int))


def _take_labels(table: CheckedTable, name: str, cells: Cells, judged: Judged) -> None:
    """Codes of a label column; where only capitals or blanks differ, the first spelling stands."""
    folded, spelled = judged.folded or [], judged.values
    if len(set(folded)) == len(folded):
        codes, labels = np.arange(len(folded)), np.asarray(folded, dtype=object)
    else:
        codes, labels = pd.factorize(np.asarray(folded, dtype=object))
        spelled = spelled.take(np.unique(codes, return_index=True)[1])
    table.folded[name] = codes[cells.codes]
    table.labels[name], table.spelled[name] = labels, spelled
    table.data[name] = spelled.take(table.folded[name])


def _decimal_mark(table: CheckedTable, typed: bool) -> Mark:
    """The file's decimal mark; only looked into when some number cell holds a comma.

    Of a sheet (`typed`) only texts with one tell it: its number cells have a point in any case.
    """
    numeric = [
        table.raw[c.name]
        for c in table.layout.columns
        if c.kind in ("number", "count") and c.name in table.raw
    ]
    odd = [cells.texts[k] for cells in numeric for k in np.flatnonzero(np.isnan(cells.numbers()))]
    odd = [split_unit(text)[0] for text in odd]
    parted = [text for text in odd if "," in text or text.count(".") > 1]
    if not parted or typed:
        return decimal_mark(parted) if parted else "point"
    dotted = (text for cells in numeric for text in cells.texts if "." in text)
    return decimal_mark([*odd, *dotted])
