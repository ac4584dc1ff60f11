"""What phones counted, beside the tables of a trial: files they export, and what stands of them.

An export is a CSV of a phone's entries, all of them: first the columns of `HEAD`, then the tables'.
It is kept as it came, in a folder of the trial; nothing of it is ever changed. Of every entry of a
phone that row stands which has the highest revision, in whichever file; the same row in several
files is one. Rows of one revision that differ all stand, as nothing tells which is right. An entry
undone ("yes" under void) is gone. So neither the order in which files were added matters, nor how
often or how many of them were.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from trialkit.errors import TrialError
from trialkit.intake.addresses import Addresses, addresses
from trialkit.intake.cells import Cells
from trialkit.intake.decode import clean_utf8
from trialkit.intake.delimited import read_delimited
from trialkit.intake.reading import check_memory, read_file
from trialkit.intake.source import HeaderReading, SourceTable, plain_name
from trialkit.responses import schema
from trialkit.words import added as words

FOLDER = "added"
HEAD = ("trial", "phone", "entry", "revision", "void", "entered", "table")
_NEEDED = {"trial", "phone", "entry", "revision", "table"}
_DIGITS = 12
DROPPED = "dropped"
"""Under void: undone not on the phone but in the trial (`trialkit add --drop`)."""
_VOID = {"": False, "no": False, "yes": True, DROPPED: True}


def fingerprint(strips: Iterable[str]) -> str:
    """What tells one trial from another: 12 hex digits of SHA-256 over its strips' names.

    The names are sorted by their Unicode code points and joined by line breaks, in UTF-8.

    Parameters
    ----------
    strips : iterable of str
        Names as the strips table spells them.
    """
    names = "\n".join(sorted(map(str, strips)))
    return hashlib.sha256(names.encode()).hexdigest()[:_DIGITS]


def added_folder(trial: Path) -> Path:
    """Where a trial, folder or workbook, keeps what phones exported."""
    return trial.with_name(f"{trial.stem} {FOLDER}") if trial.is_file() else trial / FOLDER


def added_files(trial: Path) -> dict[str, bytes]:
    """The exports a trial keeps, by name."""
    folder = added_folder(trial)
    return _exports_in(folder, folder if trial.is_file() else trial)


def _exports_in(folder: Path, inside: Path) -> dict[str, bytes]:
    paths = [path for path in _shown(folder) if path.suffix.casefold() == ".csv"]
    check_memory(paths, folder)
    return {path.name: read_file(path, inside=inside) for path in paths}


def _shown(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return [path for path in sorted(folder.iterdir()) if not path.name.startswith((".", "~"))]


def not_added(trial: Path) -> list[str]:
    """Names of other files among the exports a trial keeps: one may be an export, K7QF.csv.txt."""
    return [path.name for path in _shown(added_folder(trial))
            if path.suffix.casefold() != ".csv" and path.is_file()]  # fmt: skip


def beside(workbook: Path) -> list[Path]:
    """Folders of exports that go with workbooks of other names in the same folder."""
    own = added_folder(workbook)
    with suppress(OSError):  # a folder of which only the workbook may be known
        return [p for p in sorted(workbook.parent.glob(f"* {FOLDER}")) if p != own and p.is_dir()]
    return []


def left_in(folder: Path, mark: str, kept: Mapping[str, bytes]) -> bool:
    """Whether a folder has an export of the trial with this fingerprint that is not kept with it,
    as after a workbook was renamed."""
    with suppress(TrialError, OSError):
        others = _exports_in(folder, folder).values()
        return any(mark.encode() in raw.lower() and raw not in kept.values() for raw in others)
    return False


def free_name(phone: str, there: Iterable[str]) -> str:
    """The next free name for a phone's file."""
    taken, n = {name.casefold() for name in there}, 1
    while f"{phone}-{n:03}.csv".casefold() in taken:
        n += 1
    return f"{phone}-{n:03}.csv"


@dataclass(frozen=True, slots=True, eq=False)
class Export:
    """One file as it was read.

    `rows` has one row per entry that can be read: position, line, trial, phone, entry, revision,
    void, dropped, table, content (all other cells that hold something). `faults` are the others, as
    lines of `trialkit.Trial.refused`.
    """

    file: str
    source: SourceTable
    rows: pd.DataFrame
    faults: list[tuple[int, str, str, str]]
    addresses: Addresses


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """The rows of one file that stand in one table; `entries` names them ("K7QF-12"), `order` is
    their place among all that stand, which no order of files changes."""

    source: SourceTable
    entries: np.ndarray
    order: np.ndarray


class Entry(NamedTuple):
    """An entry that stands ("K7QF-12"): its table, and where its row is."""

    name: str
    table: str
    source: SourceTable
    row: int
    columns: Sequence[str]

    def cells(self) -> list[tuple[str, str, str]]:
        """Column, head and text of every cell."""
        texts = (str(column[self.row]).strip() for column in self.source.columns)
        return list(zip(self.columns, self.source.header, texts, strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """What stands of all files: parts by table, and by file what is told of it."""

    parts: Mapping[str, list[Part]]
    exports: tuple[Export, ...]
    notes: Mapping[str, str]

    def entries(self) -> Iterator[Entry]:
        """Every entry that stands."""
        for table, parts in self.parts.items():
            for part in parts:
                columns = [plain_name(head) for head in part.source.header]
                for row, name in enumerate(part.entries):
                    yield Entry(str(name), table, part.source, row, columns)


Parse = Callable[[bytes, str], "Export"]
"""`read_export`, or one that remembers what it read."""


def read_export(raw: bytes, name: str) -> Export:
    """One export; a bad row costs itself.

    Raises
    ------
    TrialError
        When it is none: its header row lacks what tells of phone and entry, or it holds no row.
    """
    columns = {c.name for t in schema.TABLES.values() for c in t.columns}
    file = f"{FOLDER}/{name}"
    source = read_delimited(raw, file, {*HEAD, *columns}, _NEEDED)
    place = {n: k for k, n in reversed(list(enumerate(map(plain_name, source.header))))}
    if missing := sorted(_NEEDED - set(place), key=HEAD.index):
        raise TrialError(
            f"{name} is no export of a phone: it has no column {', '.join(missing)}. Export from "
            "the phone's page again; tables of a trial are kept in its folder as they are"
        )
    if not len(source.lines):
        raise TrialError(f"{name} holds no entry, only a header row; nothing is to be added")
    crooked = {position: (value, told) for position, value, told in source.faults}
    short = _short_lines(raw, len(source.header), plain_name(source.header[-1]))
    others = [(n, k) for k, n in enumerate(map(plain_name, source.header)) if n not in HEAD]
    rows, faults = [], []
    for position, line in enumerate(source.lines.tolist()):
        texts = [column[position] for column in source.columns]
        if position in crooked:
            faults.append((line, "", *crooked[position]))
        elif not any(text.strip() for text in texts):
            continue
        elif line in short:
            faults.append((line, "", ",".join(texts), words.cut_short()))
        elif isinstance(found := _entry(texts, place, others), tuple):
            faults.append((line, *found))
        else:
            rows.append({"position": position, "line": line, **found})
    cells = [Cells.from_column(column) for column in source.columns]
    at = addresses(source, HeaderReading(place, {}, {}, []), source.lines, cells)
    frame = pd.DataFrame(rows, columns=["position", "line", "trial", "phone", "entry", "revision",
                                        "void", "dropped", "table", "content"])  # fmt: skip
    return Export(file, source, frame, faults, at)


def _entry(
    texts: list[str], place: Mapping[str, int], others: list[tuple[str, int]]
) -> dict[str, Any] | tuple[str, str, str]:
    """An entry of a row, or column, value and what was expected of one that is none; `place` is of
    the first columns, `others` are names and positions of the rest."""
    cell = {n: texts[place[n]].strip() if n in place else "" for n in HEAD}
    phone = cell["phone"].upper()
    if not phone.isalnum() or not phone.isascii() or len(phone) > 12:
        return "phone", cell["phone"], words.phone_wanted()
    for name in ("entry", "revision"):
        if not re.fullmatch(r"0{0,9}[1-9]\d{0,8}", cell[name], re.ASCII):
            return name, cell[name], words.number_wanted()
    if cell["void"].casefold() not in _VOID:
        return "void", cell["void"], words.void_wanted()
    table = cell["table"].casefold()
    if table not in schema.TABLES:
        return "table", cell["table"], words.table_wanted(list(schema.TABLES))
    own = sorted((name, text) for name, k in others if (text := texts[k].strip()))
    return {"trial": cell["trial"], "phone": phone, "entry": int(cell["entry"]),
            "revision": int(cell["revision"]), "void": _VOID[cell["void"].casefold()],
            "dropped": cell["void"].casefold() == DROPPED,
            "table": table, "content": repr(own)}  # fmt: skip


def _short_lines(raw: bytes, width: int, last: str) -> set[int]:
    """Lines on which rows start that have too few cells; and the last one, where the file ends
    within a number, of which a digit may be gone."""
    data = clean_utf8(raw)[0]
    text = data.decode()
    mark = max(",;\t|", key=text.partition("\n")[0].count)
    found, begins, row = set(), 1, list[str]()
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, skipinitialspace=True)
    try:
        for row in reader:
            if row and 1 < len(row) < width:
                found.add(begins)
            ended, begins = begins, reader.line_num + 1
        numbers = {c.name for t in schema.TABLES.values() for c in t.columns
                   if c.kind in ("number", "count")}  # fmt: skip
        if row and not text.endswith("\n") and row[-1].strip() and last in numbers:
            found.add(ended)
    except csv.Error:
        pass
    return found


def readable(files: Mapping[str, bytes], parse: Parse = read_export) -> list[Export]:
    """Those of the files that are exports."""
    out = []
    for name, raw in files.items():
        with suppress(TrialError):
            out.append(parse(raw, name))
    return out


def standing(exports: Iterable[Export]) -> Standing:
    """What stands of several files (see the module)."""
    exports = tuple(exports)
    every = pd.concat([e.rows.assign(file=k) for k, e in enumerate(exports)], ignore_index=True) \
        if exports else pd.DataFrame()
    if every.empty:
        return Standing({}, exports, {e.file: "" for e in exports})
    entry = ["phone", "entry"]
    newest = every[every["revision"] == every.groupby(entry)["revision"].transform("max")]
    undone = newest.groupby(entry)["void"].transform("all")
    held = newest[~newest["void"]]
    # The last file that holds a row is the one it is told of.
    held = held.drop_duplicates([*entry, "table", "content"], keep="last")
    held = held.sort_values([*entry, "content"], kind="stable").reset_index(drop=True)
    parts: dict[str, list[Part]] = {}
    for (file, table), group in held.groupby(["file", "table"]):
        own = group.sort_values("position")
        names = (own["phone"] + "-" + own["entry"].astype(str)).to_numpy(object)
        source = _rows_of(exports[file].source, own["position"].to_numpy(int))
        parts.setdefault(str(table), []).append(Part(source, names, own.index.to_numpy()))
    twice = held.duplicated(entry, keep=False).groupby(held["file"]).sum()
    voided, kept = newest[undone].groupby("file").size(), held.groupby("file").size()
    here = newest[undone & newest["dropped"].astype(bool)].groupby("file").size()
    notes = {}
    for k, export in enumerate(exports):
        gone, stays = int(voided.get(k, 0)), int(kept.get(k, 0))
        notes[export.file] = words.of_file(
            len(export.rows) - gone - stays, gone - int(here.get(k, 0)), int(twice.get(k, 0)),
            int(here.get(k, 0)),
        )
    return Standing(parts, exports, notes)


def _rows_of(source: SourceTable, positions: np.ndarray) -> SourceTable:
    """Rows of an export as a source of its own: the columns in which these hold something."""
    columns = [column[positions] for column in source.columns]
    used = [k for k, head in enumerate(source.header)
            if plain_name(head) not in HEAD and any(t.strip() for t in columns[k])]  # fmt: skip
    return SourceTable(
        source.file, [source.header[k] for k in used], source.lines[positions],
        [columns[k] for k in used], header_line=source.header_line, used=[k + 1 for k in used],
    )  # fmt: skip
